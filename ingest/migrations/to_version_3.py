"""Version 3: what people recorded about events, and settings of the site."""

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(operations: Operations) -> None:
    """Add what version 3 added to version 2."""
    operations.create_table(
        "event_records",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column(
            "characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False
        ),
        sa.Column("chart", sa.Text, nullable=False),
        sa.Column("first_batch", sa.Text, nullable=False),
        sa.Column("last_batch", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("words", sa.Text, nullable=False),
        sa.Column("owner", sa.Text, nullable=False),
        sa.Column("due", sa.Text, nullable=False),
        sa.Column("about", sa.Integer),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_table(
        "settings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )

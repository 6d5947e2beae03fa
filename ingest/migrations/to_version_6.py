"""Version 6: the outbox of the watch."""

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(operations: Operations) -> None:
    """Add what version 6 added."""
    operations.create_table(
        "notices",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("matter", sa.Text, nullable=False),
        sa.Column("message", sa.Text, nullable=False),
        sa.Column("target", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
    )

"""Version 5: what is remembered of each source, its answers and its headings."""

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(operations: Operations) -> None:
    """Add what version 5 added."""
    operations.create_table(
        "source_answers",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("field", sa.Text, nullable=False),
        sa.Column("value", sa.Text),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_index("source_answers_source", "source_answers", ["source"])
    operations.create_table(
        "source_layouts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("headings", sa.Text, nullable=False),
        sa.Column("mapping", sa.Text, nullable=False),
        sa.Column("sketch", sa.Text, nullable=False),
        sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
        sa.UniqueConstraint("source", "digest"),
    )

"""Version 4: databases as sources, and every row as it was pulled."""

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(operations: Operations) -> None:
    """Add what version 4 added to the version before."""
    operations.create_table(
        "sources",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
        sa.Column("meaning", sa.Text, nullable=False),
        sa.Column("watermark", sa.Text, nullable=False),
        sa.Column("pulled_at", sa.Text, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
    )
    operations.create_table(
        "pulled_imports",
        sa.Column(
            "import_id",
            sa.Integer,
            sa.ForeignKey("imports.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("source_id", sa.Integer, sa.ForeignKey("sources.id"), nullable=False),
        sa.Column("query", sa.Text, nullable=False),
        sa.Column("query_digest", sa.Text, nullable=False),
        sa.Column("columns", sa.Text, nullable=False),
        sa.Column("watermark_before", sa.Text, nullable=False),
        sa.Column("watermark_after", sa.Text, nullable=False),
        sa.Column("n_changed", sa.Integer, nullable=False),
    )
    operations.create_table(
        "pulled_rows",
        sa.Column(
            "import_id",
            sa.Integer,
            sa.ForeignKey("imports.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("line", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("cells", sa.Text, nullable=False),
        sa.Column("old_import_id", sa.Integer),
        sa.Column("old_line", sa.BigInteger),
        sqlite_with_rowid=False,
    )
    operations.create_table(
        "source_rows",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
        sa.Column("source_id", sa.Integer, sa.ForeignKey("sources.id"), nullable=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
        sa.Column("line", sa.BigInteger, nullable=False),
        sa.Column("missing_since", sa.Text, nullable=False),
    )
    operations.create_index("source_rows_key", "source_rows", ["source_id", "key"], unique=True)

"""Version 2: the batch table, the journal, registers, frozen limits, and undo of imports."""

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(operations: Operations) -> None:
    """Add what version 2 added to version 1."""
    operations.add_column("specifications", sa.Column("journal_id", sa.Integer))
    operations.create_table(
        "batches",
        sa.Column(
            "characteristic_id",
            sa.Integer,
            sa.ForeignKey("characteristics.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("batch", sa.Text, primary_key=True),
        sa.Column("use", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("mean", sa.Float),
        sa.Column("low", sa.Float),
        sa.Column("high", sa.Float),
        sa.Column("range", sa.Float),
        sa.Column("css", sa.Float),
        sa.Column("first_at", sa.BigInteger, nullable=False),
        sa.Column("last_at", sa.BigInteger, nullable=False),
        sa.Column("instrument", sa.Text, nullable=False),
        sa.Column("instruments", sa.Text, nullable=False),
        sa.Column("shift", sa.Text, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
        sa.Column("readings", sa.LargeBinary, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sqlite_with_rowid=False,
    )
    operations.create_index("batches_revision", "batches", ["revision"])
    operations.create_table(
        "journal",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("old", sa.Text, nullable=False),
        sa.Column("new", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("previous", sa.Text, nullable=False),
        sa.Column("hash", sa.Text, nullable=False),
    )
    operations.create_table(
        "products",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
        sa.Column("description", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_table(
        "product_aliases",
        sa.Column("alias", sa.Text, primary_key=True),
        sa.Column("product_id", sa.Integer, sa.ForeignKey("products.id"), nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_table(
        "methods",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("spindle", sa.Text, nullable=False),
        sa.Column("speed", sa.Float),
        sa.Column("set_temperature", sa.Float),
        sa.Column("temperature_tolerance", sa.Float),
        sa.Column("reading_time", sa.Float),
        sa.Column("guard", sa.Text, nullable=False),
        sa.Column("torque_low", sa.Float, nullable=False),
        sa.Column("torque_high", sa.Float, nullable=False),
        sa.Column("replicates", sa.Integer, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
        sa.UniqueConstraint("name", "version"),
    )
    operations.create_table(
        "check_standards",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("lot", sa.Text, nullable=False),
        sa.Column("certified_value", sa.Float, nullable=False),
        sa.Column("expanded_uncertainty", sa.Float, nullable=False),
        sa.Column("temperature", sa.Float),
        sa.Column("expires", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
        sa.UniqueConstraint("name", "lot"),
    )
    operations.create_table(
        "frozen_limits",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column(
            "characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False
        ),
        sa.Column("chart", sa.Text, nullable=False),
        sa.Column("center", sa.Float, nullable=False),
        sa.Column("sigma", sa.Float, nullable=False),
        sa.Column("lower", sa.Float),
        sa.Column("upper", sa.Float),
        sa.Column("first_batch", sa.Text, nullable=False),
        sa.Column("last_batch", sa.Text, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("exclusions", sa.Text, nullable=False),
        sa.Column("method", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_table(
        "exclusions",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column(
            "characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False
        ),
        sa.Column("batch", sa.Text, nullable=False),
        sa.Column("excluded", sa.Boolean, nullable=False),
        sa.Column("cause", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_table(
        "undone_imports",
        sa.Column(
            "import_id",
            sa.Integer,
            sa.ForeignKey("imports.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False),
    )
    operations.create_table(
        "promoted",
        sa.Column(
            "result_id",
            sa.BigInteger,
            sa.ForeignKey("results.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("original_id", sa.BigInteger, sa.ForeignKey("results.id"), nullable=False),
        sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
    )
    operations.create_index("promoted_import", "promoted", ["import_id"])

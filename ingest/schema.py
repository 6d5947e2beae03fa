"""The tables of the store. A result is never changed and never deleted; all else is added."""

import sqlalchemy as sa

SCHEMA_VERSION = 1

METADATA = sa.MetaData()

META = sa.Table(
    "meta",
    METADATA,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)

IMPORTS = sa.Table(
    "imports",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("at", sa.Text, nullable=False),  # ISO 8601, UTC
    sa.Column("file", sa.Text, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("source", sa.Text, nullable=False),
    sa.Column("account", sa.Text, nullable=False),  # JSON
    sa.Column("understood", sa.Text, nullable=False),  # JSON
    sa.Column("answers", sa.Text, nullable=False),  # JSON
    sa.Column("revision", sa.Integer, nullable=False),
)

CHARACTERISTICS = sa.Table(
    "characteristics",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("product", sa.Text, nullable=False),
    sa.Column("sample_type", sa.Text, nullable=False),
    sa.Column("stage", sa.Text, nullable=False),
    sa.Column("spindle", sa.Text, nullable=False),
    sa.Column("speed", sa.Text, nullable=False),  # text, so that "not recorded" is "" and unique
    sa.Column("set_temperature", sa.Text, nullable=False),
    sa.Column("reading_time", sa.Text, nullable=False),
    sa.Column("guard", sa.Text, nullable=False),
    sa.Column("method", sa.Text, nullable=False),
    sa.Column("condition", sa.Text, nullable=False),
    sa.UniqueConstraint(
        "product",
        "sample_type",
        "stage",
        "spindle",
        "speed",
        "set_temperature",
        "reading_time",
        "guard",
        "method",
    ),
)

# One row a reading, used or not. The key says which reading it is; `variant` tells apart what
# was recorded under the same key more than once.
RESULTS = sa.Table(
    "results",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
    sa.Column("characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False),
    sa.Column("batch", sa.Text, nullable=False),
    sa.Column("replicate", sa.Integer, nullable=False),  # 0: not recorded
    sa.Column("instrument", sa.Text, nullable=False),
    sa.Column("moment", sa.BigInteger, nullable=False),  # s since 1970 UTC, tested else sampled
    sa.Column("variant", sa.Integer, nullable=False),
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
    sa.Column("line", sa.BigInteger, nullable=False),
    sa.Column("sampled_at", sa.BigInteger, nullable=False, server_default="0"),  # 0: not recorded
    sa.Column("viscosity", sa.Float),  # mPa·s
    sa.Column("torque", sa.Float),  # %
    sa.Column("temperature", sa.Float),  # °C
    sa.Column("received", sa.Text, nullable=False),  # as in the file, with its unit
    sa.Column("operator", sa.Text, nullable=False, server_default=""),
    sa.Column("lot", sa.Text, nullable=False, server_default=""),
    sa.Column("line_name", sa.Text, nullable=False, server_default=""),
    sa.Column("shift", sa.Text, nullable=False, server_default=""),
    sa.Column("status", sa.Text, nullable=False, server_default=""),
    sa.Column("comment", sa.Text, nullable=False, server_default=""),
    sa.Column("spindle_id", sa.Text, nullable=False, server_default=""),
    sa.Column(
        "extra", sa.Text, nullable=False, server_default=""
    ),  # JSON of columns that mean nothing to us
    sa.Index(
        "results_key",
        "characteristic_id",
        "batch",
        "replicate",
        "instrument",
        "moment",
        "variant",
        unique=True,
    ),
)

SET_ASIDE = sa.Table(
    "set_aside",
    METADATA,
    sa.Column("result_id", sa.BigInteger, sa.ForeignKey("results.id"), primary_key=True),
    sa.Column("reason", sa.Text, primary_key=True),
    sa.Column("detail", sa.Text, nullable=False),
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
)

NOT_PARSED = sa.Table(
    "not_parsed",
    METADATA,
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), primary_key=True),
    sa.Column("line", sa.BigInteger, primary_key=True),
    sa.Column("last_line", sa.BigInteger, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
)

# Rows that the store already held: lines of an import that run beside results in the same order.
REPEATED = sa.Table(
    "repeated",
    METADATA,
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), primary_key=True),
    sa.Column("first_line", sa.BigInteger, primary_key=True),
    sa.Column("last_line", sa.BigInteger, nullable=False),
    sa.Column("first_result_id", sa.BigInteger, nullable=False),
)

SPECIFICATIONS = sa.Table(
    "specifications",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("product", sa.Text, nullable=False),
    sa.Column("lower", sa.Float),
    sa.Column("upper", sa.Float),
    sa.Column("target", sa.Float),
    sa.Column("valid_from", sa.Text, nullable=False),  # ISO date, "" from the beginning
    sa.Column("recorded_at", sa.Text, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
)

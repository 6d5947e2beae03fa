"""The tables of the store. A result is never changed and never deleted; all else is added."""

import sqlalchemy as sa

SCHEMA_VERSION = 6

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
    sa.Column("journal_id", sa.Integer),  # empty: recorded before there was a journal
)

# What follows came with version 2; `ingest/migrations/` brings an older store there.

# One row a batch of one characteristic (and use of its number, where it was used again), made of
# its readings in use: what screens read. Kept in the transaction of whatever changes a reading. A
# batch without readings in use has n = 0.
BATCHES = sa.Table(
    "batches",
    METADATA,
    sa.Column(
        "characteristic_id",
        sa.Integer,
        sa.ForeignKey("characteristics.id"),
        primary_key=True,
        autoincrement=False,
    ),
    sa.Column("batch", sa.Text, primary_key=True),
    sa.Column("use", sa.Integer, primary_key=True, autoincrement=False),  # of the number, from 0
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("mean", sa.Float),  # mPa·s; empty where n = 0
    sa.Column("low", sa.Float),
    sa.Column("high", sa.Float),
    sa.Column("range", sa.Float),  # empty below two readings
    sa.Column("css", sa.Float),  # sum of squared distances from the mean
    sa.Column("first_at", sa.BigInteger, nullable=False),  # s since 1970 UTC, 0: no time recorded
    sa.Column("last_at", sa.BigInteger, nullable=False),
    sa.Column("instrument", sa.Text, nullable=False),  # of the last replicate
    sa.Column("instruments", sa.Text, nullable=False),  # JSON of all, where more than one
    sa.Column("shift", sa.Text, nullable=False),  # of the first replicate
    sa.Column("packed", sa.LargeBinary, nullable=False),  # for screens, see `batches.PACKED`
    sa.Column("readings", sa.LargeBinary, nullable=False),  # float64, little-endian, by replicate
    sa.Column("revision", sa.Integer, nullable=False),  # of the last change
    sa.Index("batches_revision", "revision"),
    sqlite_with_rowid=False,  # a characteristic's batches lie together
)

# Decisions of people, chained: `hash` covers the entry and the hash of the one before.
JOURNAL = sa.Table(
    "journal",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("at", sa.Text, nullable=False),  # ISO 8601, UTC
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("old", sa.Text, nullable=False),  # JSON
    sa.Column("new", sa.Text, nullable=False),  # JSON
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("previous", sa.Text, nullable=False),  # hash of the entry before, "" for the first
    sa.Column("hash", sa.Text, nullable=False),
)


def _journal_id() -> sa.Column[int]:
    return sa.Column("journal_id", sa.Integer, sa.ForeignKey("journal.id"), nullable=False)


PRODUCTS = sa.Table(
    "products",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("description", sa.Text, nullable=False),
    _journal_id(),
)

PRODUCT_ALIASES = sa.Table(
    "product_aliases",
    METADATA,
    sa.Column("alias", sa.Text, primary_key=True),
    sa.Column("product_id", sa.Integer, sa.ForeignKey("products.id"), nullable=False),
    _journal_id(),
)

METHODS = sa.Table(
    "methods",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("spindle", sa.Text, nullable=False),
    sa.Column("speed", sa.Float),  # rpm
    sa.Column("set_temperature", sa.Float),  # °C
    sa.Column("temperature_tolerance", sa.Float),  # ± °C
    sa.Column("reading_time", sa.Float),  # s
    sa.Column("guard", sa.Text, nullable=False),
    sa.Column("torque_low", sa.Float, nullable=False),  # %
    sa.Column("torque_high", sa.Float, nullable=False),
    sa.Column("replicates", sa.Integer, nullable=False),
    _journal_id(),
    sa.UniqueConstraint("name", "version"),
)

CHECK_STANDARDS = sa.Table(
    "check_standards",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("lot", sa.Text, nullable=False),
    sa.Column("certified_value", sa.Float, nullable=False),  # mPa·s
    sa.Column("expanded_uncertainty", sa.Float, nullable=False),  # mPa·s, coverage factor 2
    sa.Column("temperature", sa.Float),  # °C that the value holds at
    sa.Column("expires", sa.Text, nullable=False),  # ISO date, "" none
    _journal_id(),
    sa.UniqueConstraint("name", "lot"),
)

FROZEN_LIMITS = sa.Table(
    "frozen_limits",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False),
    sa.Column("chart", sa.Text, nullable=False),
    sa.Column("center", sa.Float, nullable=False),
    sa.Column("sigma", sa.Float, nullable=False),
    sa.Column("lower", sa.Float),
    sa.Column("upper", sa.Float),
    sa.Column("first_batch", sa.Text, nullable=False),  # the data that they came from
    sa.Column("last_batch", sa.Text, nullable=False),
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("exclusions", sa.Text, nullable=False),  # JSON: batch -> cause
    sa.Column("method", sa.Text, nullable=False),  # how sigma was estimated
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    _journal_id(),
)

# The newest row of a batch says whether it is left out of limits.
EXCLUSIONS = sa.Table(
    "exclusions",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False),
    sa.Column("batch", sa.Text, nullable=False),
    sa.Column("excluded", sa.Boolean, nullable=False),
    sa.Column("cause", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    _journal_id(),
)

UNDONE_IMPORTS = sa.Table(
    "undone_imports",
    METADATA,
    sa.Column(
        "import_id", sa.Integer, sa.ForeignKey("imports.id"), primary_key=True, autoincrement=False
    ),
    _journal_id(),
)

# A row that repeated an undone result and counts in its place: its own result, and the first one.
PROMOTED = sa.Table(
    "promoted",
    METADATA,
    sa.Column(
        "result_id",
        sa.BigInteger,
        sa.ForeignKey("results.id"),
        primary_key=True,
        autoincrement=False,
    ),
    sa.Column("original_id", sa.BigInteger, sa.ForeignKey("results.id"), nullable=False),
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
    sa.Index("promoted_import", "import_id"),
)

# What people recorded about events of a chart: never changed, a later row speaks about an earlier.
EVENT_RECORDS = sa.Table(
    "event_records",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("characteristic_id", sa.Integer, sa.ForeignKey("characteristics.id"), nullable=False),
    sa.Column("chart", sa.Text, nullable=False),
    sa.Column("first_batch", sa.Text, nullable=False),
    sa.Column("last_batch", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("words", sa.Text, nullable=False),
    sa.Column("owner", sa.Text, nullable=False),
    sa.Column("due", sa.Text, nullable=False),  # ISO date, "" none
    sa.Column("about", sa.Integer),  # id of the record that this one speaks about
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    _journal_id(),
)

# What a site has decided for itself; the newest row of a name is in force.
SETTINGS = sa.Table(
    "settings",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("value", sa.Text, nullable=False),  # JSON, null: out of force
    _journal_id(),
)

# What follows came with version 4: databases as sources.

# One row a source that was pulled from, and how far.
SOURCES = sa.Table(
    "sources",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("meaning", sa.Text, nullable=False),  # JSON: how its rows are read
    sa.Column("watermark", sa.Text, nullable=False),  # JSON, "" none: all before it was pulled
    sa.Column("pulled_at", sa.Text, nullable=False),  # ISO 8601, UTC
    sa.Column("outcome", sa.Text, nullable=False),  # JSON: what the last pull came to
)

# An import that was pulled: a block of rows, in one transaction.
PULLED_IMPORTS = sa.Table(
    "pulled_imports",
    METADATA,
    sa.Column(
        "import_id", sa.Integer, sa.ForeignKey("imports.id"), primary_key=True, autoincrement=False
    ),
    sa.Column("source_id", sa.Integer, sa.ForeignKey("sources.id"), nullable=False),
    sa.Column("query", sa.Text, nullable=False),
    sa.Column("query_digest", sa.Text, nullable=False),
    sa.Column("columns", sa.Text, nullable=False),  # JSON: names of the cells of its rows
    sa.Column("watermark_before", sa.Text, nullable=False),
    sa.Column("watermark_after", sa.Text, nullable=False),
    sa.Column("n_changed", sa.Integer, nullable=False),  # rows that differ from an earlier pull
)

# Every row as it was pulled, each version of it: never changed.
PULLED_ROWS = sa.Table(
    "pulled_rows",
    METADATA,
    sa.Column(
        "import_id", sa.Integer, sa.ForeignKey("imports.id"), primary_key=True, autoincrement=False
    ),
    sa.Column("line", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("key", sa.Text, nullable=False),  # JSON of the cells of the key columns
    sa.Column("cells", sa.Text, nullable=False),  # JSON
    sa.Column("old_import_id", sa.Integer),  # the version before, where the row was changed
    sa.Column("old_line", sa.BigInteger),
    sqlite_with_rowid=False,
)

# The newest version of every row of a source, by its key.
SOURCE_ROWS = sa.Table(
    "source_rows",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
    sa.Column("source_id", sa.Integer, sa.ForeignKey("sources.id"), nullable=False),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),
    sa.Column("line", sa.BigInteger, nullable=False),
    sa.Column("missing_since", sa.Text, nullable=False),  # ISO 8601, "" it is there
    sa.Index("source_rows_key", "source_id", "key", unique=True),
)

# What follows came with version 5.

# What a person said about files of a source, so that it is asked once. The newest row of a source
# and field stands; one without a value forgets it.
SOURCE_ANSWERS = sa.Table(
    "source_answers",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("source", sa.Text, nullable=False),
    sa.Column("field", sa.Text, nullable=False),
    sa.Column("value", sa.Text),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    _journal_id(),
    sa.Index("source_answers_source", "source"),
)

# The headings that files of a source have had, so that a change of its export is noticed.
SOURCE_LAYOUTS = sa.Table(
    "source_layouts",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("source", sa.Text, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),  # of the headings, in any order
    sa.Column("headings", sa.Text, nullable=False),  # JSON, in the order last seen
    sa.Column("mapping", sa.Text, nullable=False),  # JSON: heading -> canonical column
    sa.Column("sketch", sa.Text, nullable=False),  # JSON: heading -> what its cells are like
    sa.Column("import_id", sa.Integer, sa.ForeignKey("imports.id"), nullable=False),  # last seen
    sa.UniqueConstraint("source", "digest"),
)

# What follows came with version 6.

# What the watch noticed, wrote, sent and could not send: its outbox. Rows are only added; what
# stands is told by all of them in order, see `ingest/outbox.py`.
NOTICES = sa.Table(
    "notices",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("at", sa.Text, nullable=False),  # ISO 8601, UTC
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("matter", sa.Text, nullable=False),  # its key, "" where it is about a message
    sa.Column("message", sa.Text, nullable=False),
    sa.Column("target", sa.Text, nullable=False),  # where the message goes
    sa.Column("content", sa.Text, nullable=False),  # JSON
    sa.Column("who", sa.Text, nullable=False),
)

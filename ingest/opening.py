"""Opening a store: its address, its file, its version, and its errors in plain sentences."""

import os
import re
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import platformdirs
import sqlalchemy as sa

from ingest import migrations, schema
from ingest.errors import StoreError

_PATIENCE = 2.0  # seconds that another process may take to make a store that we found empty
_MAKING = 0x76697363  # any number: the lock under which stores on PostgreSQL are made


def default_url() -> str:
    """The store in use when none is named: VISCOSITY_SPC_STORE, else the user's data folder."""
    named = os.environ.get("VISCOSITY_SPC_STORE", "").strip()
    if named:
        return named
    folder = platformdirs.user_data_path("viscosity-spc", appauthor=False)
    return f"sqlite:///{folder / 'store.sqlite'}"


def parsed_url(address: str) -> sa.URL:
    """The address of a store as a URL of SQLite or PostgreSQL."""
    text = address.strip()
    if not text:
        raise StoreError("The name of the store is blank: give a path or sqlite:///PATH.")
    masked = storable(re.sub(r"(://[^:/@]*):.*@", r"\1:***@", text))
    if storable(text) != text:
        raise StoreError(
            f"'{masked}' cannot be the name of a store, as not all of it is text: choose another."
        )
    if "://" not in text:
        return sa.URL.create("sqlite", database=text)
    try:
        parsed = sa.make_url(text)
    except (sa.exc.ArgumentError, ValueError):  # ValueError: a port that is no number
        raise StoreError(
            f"'{masked}' is not the address of a store: give a path or sqlite:///PATH."
        ) from None
    if parsed.get_backend_name() not in ("sqlite", "postgresql"):
        raise StoreError(
            f"{shown_url(parsed)} is no database that can hold a store: give the path of a file, "
            "or postgresql://USER@HOST/DATABASE."
        )
    return parsed


def shown_url(url: sa.URL) -> str:
    """An address as people may see it: without any password."""
    hidden = {key: "***" if "password" in key else value for key, value in url.query.items()}
    return url.set(query=hidden).render_as_string(hide_password=True)


def make_or_recognise(engine: sa.Engine, shown: str, create: bool) -> None:
    """Make the tables of a new store, or see that an old one is ours and of a version we know."""
    with engine.connect() as connection:
        state = _state(connection)
    if state == "empty":
        if not create:
            raise StoreError(f"{shown} holds no store yet: import a file into it first.")
        with writing(engine) as connection:
            # another process may have made it between our look and our lock
            if _state(connection) == "empty":
                schema.METADATA.create_all(connection)
                set_meta(connection, "schema_version", str(schema.SCHEMA_VERSION))
                set_meta(connection, "revision", "0")
    elif state == "foreign":
        raise StoreError(f"{shown} is a database, but not a store of viscosity-spc: name another.")
    elif int(state) > schema.SCHEMA_VERSION:
        raise StoreError(
            f"{shown} was written by a newer version of viscosity-spc (store version {state}, "
            f"this program knows {schema.SCHEMA_VERSION}): update the program."
        )
    else:
        if int(state) < schema.SCHEMA_VERSION:
            _bring_up_to_date(engine)
        with engine.connect() as connection:
            current_revision(connection)  # a store without one is damaged: said now, not later


def _bring_up_to_date(engine: sa.Engine) -> None:
    """Change the tables of an older store to ours, in one transaction."""
    with writing(engine) as connection:
        version = int(_state(connection))  # another process may have done it meanwhile
        if version < schema.SCHEMA_VERSION:
            current_revision(connection)  # a damaged store is left as it is
            migrations.upgrade(connection, version)
            set_meta(connection, "schema_version", str(schema.SCHEMA_VERSION))


def look_at_file(path: Path, create: bool) -> bool:
    """See that a store can be at a path, and whether it can only be read."""
    if not path.name:
        raise StoreError("The address names no file for the store: give a path or sqlite:///PATH.")
    try:
        if path.is_dir():
            raise StoreError(f"{path} is a folder, not a store: name a file in it.")
        if not path.exists():
            if not create:
                raise StoreError(f"There is no store at {path}: import a file first.")
            path.parent.mkdir(parents=True, exist_ok=True)
            return False
        if _stays_empty(path):
            raise StoreError(
                f"{path} is empty (0 bytes), not a store: delete it or name another with --store."
            )
        return not (_may_write(path) and _may_write(path.absolute().parent))
    except StoreError:  # a ValueError too
        raise
    except PermissionError:
        raise StoreError(
            f"The store {path} cannot be reached: ask for access to its folder, or name another "
            "with --store."
        ) from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "not a file name"
        raise StoreError(
            f"The store {path} cannot be opened or made ({why}): name another with --store."
        ) from None


def _may_write(path: Path) -> bool:
    effective = os.access in os.supports_effective_ids  # not on Windows
    return os.access(path, os.W_OK, effective_ids=effective)


def _stays_empty(path: Path) -> bool:
    """Whether a file has 0 bytes, and not because another process is making a store of it."""
    end = time.monotonic() + _PATIENCE
    while path.stat().st_size == 0:
        if time.monotonic() > end:
            return True
        time.sleep(0.05)
    return False


def make_engine(url: sa.URL, read_only: bool) -> sa.Engine:
    """An engine whose SQLite transactions begin when we say so, with the write-ahead log."""
    if url.get_backend_name() != "sqlite":
        return sa.create_engine(url)
    if read_only:
        path = Path(url.database or "")
        # no pool: how the file can be read is seen anew for each transaction
        engine = sa.create_engine(url, creator=lambda: only_reading(path), poolclass=sa.NullPool)
    else:
        engine = sa.create_engine(url)

    @sa.event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun by `_begin`, not by the driver
        cursor = connection.cursor()
        cursor.execute("PRAGMA busy_timeout = 60000")
        if not read_only:
            cursor.execute("PRAGMA page_size = 16384")  # of a new store: it is written faster
            _keep_a_log(cursor)
        cursor.execute("PRAGMA synchronous = NORMAL")
        cursor.execute("PRAGMA cache_size = -100000")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _keep_a_log(cursor: sqlite3.Cursor) -> None:
    """Switch to the write-ahead log, in which readers go on while one process writes.

    SQLite does not wait by itself where two processes switch a new file at the same time.
    """
    end = time.monotonic() + 10 * _PATIENCE
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > end:
                raise
            time.sleep(0.02)


def only_reading(path: Path) -> sqlite3.Connection:
    """Open a store that may not be written, or lies in a folder that may not be.

    SQLite needs to make a file beside the store even to read it; where it cannot, the store is
    read as one that does not change. That is right only while nothing waits in the log beside it.

    Source: https://www.sqlite.org/wal.html, section "Read-Only Databases".
    """
    address = path.absolute().as_uri()
    connection = sqlite3.connect(f"{address}?mode=ro", uri=True, check_same_thread=False)
    try:
        connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
        return connection
    except sqlite3.OperationalError:
        connection.close()
        log = Path(f"{path}-wal")
        if log.exists() and log.stat().st_size:
            raise
    return sqlite3.connect(f"{address}?immutable=1", uri=True, check_same_thread=False)


@contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A connection in one transaction that holds the write lock from its first statement."""
    with engine.connect().execution_options(writing=True) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            if _state(connection) == "empty":  # no table to lock yet
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_MAKING})")
            else:
                connection.exec_driver_sql("LOCK TABLE imports IN EXCLUSIVE MODE")
        yield connection


# What a database says, in words of its driver that stand in no other message, and what to do.
_TOLD = (
    ("not a database", "is not a database: name another with --store"),
    ("disk is full", "cannot grow, the disk is full: make room and import again"),
    ("no space left", "cannot grow, the disk is full: make room and import again"),
    ("is locked", "is in use by another import: try again when that has ended"),
    ("locking protocol", "is in use by another import: try again when that has ended"),
    ("readonly", "can only be read: ask for write access to the file and its folder"),
    ("unable to open", "cannot be opened: ask for access to the file and its folder"),
    (
        "disk i/o error",
        "could not be read or written on its disk: see whether the disk is in order",
    ),
    ("malformed", "is damaged: restore it from a backup"),
    ("index row", "cannot hold a name that long: shorten products, batches and instruments"),
    ("invalid port", "has a port that is none: check the address"),
    ("failed to resolve host", "has a host that is not known: check the address"),
    ("connection refused", "does not answer: check the address, and that the server runs"),
    ("connection is bad", "does not answer: check the address, and that the server runs"),
    ("timeout expired", "does not answer: check the address, and that the server runs"),
    ("timed out", "does not answer: check the address, and that the server runs"),
    ("too many clients", "takes no more connections: try again later"),
    ("too many connections", "takes no more connections: try again later"),
    ("connection slots are reserved", "takes no more connections: try again later"),
    ("starting up", "is just starting or stopping: try again later"),
    ("shutting down", "is just starting or stopping: try again later"),
    ("no password supplied", "does not accept the user or the password: check both"),
    ("authentication failed", "does not accept the user or the password: check both"),
    ("no pg_hba.conf entry", "does not let this user in from here: ask who runs the server"),
    ("permission denied", "may not be used so by this user: ask who runs the server for access"),
    ("read-only transaction", "can only be read: ask who runs the server for write access"),
    ("server closed the connection", "broke off: try again when the server runs"),
    ("terminating connection", "broke off: try again when the server runs"),
    ("connection is lost", "broke off: try again when the server runs"),
)
_ROLE_MISSING = re.compile(r'role "[^"]*" does not exist')
_DATABASE_MISSING = re.compile(r'database "[^"]*" does not exist')


@contextmanager
def plain_errors(shown: str, doing: str = "reading") -> Iterator[None]:
    """Turn a database's error into one plain sentence; the driver's own text is never shown.

    Args:
        shown: the address without a password. doing: "opening", "reading" or "writing".
    """
    try:
        yield
    except _database_errors() as error:
        told = _told(error.orig if isinstance(error, sa.exc.DBAPIError) else error)
        ending = "; nothing was stored" if doing == "writing" else ""
        raise StoreError(f"The store {shown} {told}{ending}.") from None
    except (sa.exc.NoSuchModuleError, ModuleNotFoundError):
        driver = "a database driver that is not installed or not known"
        todo = "write sqlite:///PATH"
        if shown.startswith("postgresql"):
            todo = "write postgresql://USER@HOST/DATABASE and install viscosity-spc[postgres]"
        raise StoreError(f"The store {shown} needs {driver}: {todo}.") from None


def _database_errors() -> tuple[type[BaseException], ...]:
    """What SQLAlchemy raises, and the drivers where they are called without it between."""
    found: list[type[BaseException]] = [sa.exc.DBAPIError, sqlite3.Error]
    if "psycopg" in sys.modules:
        found.append(sys.modules["psycopg"].Error)
    return tuple(found)


def _told(error: BaseException | None) -> str:
    text = str(error).lower()
    if _ROLE_MISSING.search(text):
        return "does not know the user: check the name in the address"
    if _DATABASE_MISSING.search(text):
        return "has no database of that name: make it, or check the address"
    for words, told in _TOLD:
        if words in text:
            return told
    code = getattr(error, "sqlstate", None) or getattr(error, "sqlite_errorname", None)
    kind = code or type(error).__name__
    return f"gave an error (code {kind}): ask who runs the database, or name another with --store"


def _state(connection: sa.Connection) -> str:
    """'empty', 'foreign', or the schema version of the store that the connection leads to."""
    tables = set(sa.inspect(connection).get_table_names())
    if not tables:
        return "empty"
    if not {"meta", "imports", "results"} <= tables:
        return "foreign"
    version = connection.execute(
        sa.select(schema.META.c.value).where(schema.META.c.name == "schema_version")
    ).scalar()
    return str(version) if re.fullmatch(r"[0-9]{1,9}", str(version)) else "foreign"


def get_meta(connection: sa.Connection, name: str) -> str | None:
    """A value that the store keeps about itself."""
    return connection.execute(
        sa.select(schema.META.c.value).where(schema.META.c.name == name)
    ).scalar_one_or_none()


def set_meta(connection: sa.Connection, name: str, value: str) -> None:
    """Keep a value about the store itself."""
    connection.execute(sa.delete(schema.META).where(schema.META.c.name == name))
    connection.execute(sa.insert(schema.META).values(name=name, value=value))


def next_revision(connection: sa.Connection) -> int:
    """Count one more change to the store; the caller holds the write lock."""
    revision = current_revision(connection) + 1
    set_meta(connection, "revision", str(revision))
    return revision


def current_revision(connection: sa.Connection) -> int:
    """The number of changes made to the store so far."""
    revision = get_meta(connection, "revision")
    if not re.fullmatch(r"[0-9]{1,18}", str(revision)):
        raise StoreError(
            f"{shown_url(connection.engine.url)} has lost its count of changes, so another program "
            "has written to it: restore it from a backup."
        )
    return int(str(revision))


def storable(text: str) -> str:
    """Text that a database can hold: bytes of a name that are no text become "?", NUL a sign."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "␀")


def now() -> str:
    """The current time, ISO 8601 UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def next_id(connection: sa.Connection, table: sa.Table) -> int:
    """The next free id of a table; the caller holds the write lock."""
    highest = connection.execute(sa.select(sa.func.coalesce(sa.func.max(table.c.id), 0)))
    return int(highest.scalar_one()) + 1

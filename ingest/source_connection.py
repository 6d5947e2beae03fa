"""A connection to a source that can only read, its rows in blocks, its errors in plain words."""

import re
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ingest.errors import IngestError
from ingest.opening import only_reading
from ingest.passwords import Kept, fetch
from ingest.source_description import SourceDescription
from ingest.source_query import column_statement

ROWS_AT_ONCE = 5_000
_DRIVER_ERRORS = (sa.exc.SQLAlchemyError, sqlite3.Error)


class SourceError(IngestError):
    """A source could not be reached, or broke off."""


@contextmanager
def reading(source: SourceDescription) -> Iterator[sa.Connection]:
    """A connection in one read-only transaction, which ends without leaving a trace.

    SQLite is opened as a file that may not be written, PostgreSQL and MariaDB refuse to write
    within the transaction. On other databases only the SELECT and the account's rights protect it.

    Raises:
        SourceError: it cannot be reached, refuses, or breaks off.
    """
    with plain_errors(source):
        engine = _engine(source)
        connection = engine.connect()
        try:
            _begin_reading(connection)
            yield connection
            with suppress(*_DRIVER_ERRORS):
                connection.rollback()
        except BaseException:
            with suppress(*_DRIVER_ERRORS):  # half a result may be on its way: hang up
                connection.invalidate()
            raise
        finally:
            with suppress(*_DRIVER_ERRORS):
                connection.close()
            engine.dispose()


@contextmanager
def stream(
    connection: sa.Connection, select: sa.Select[Any], at_once: int = ROWS_AT_ONCE
) -> Iterator[Iterator[Sequence[sa.Row[Any]]]]:
    """The rows of a query in blocks, fetched as they are asked for."""
    options = {"stream_results": True, "max_row_buffer": at_once}
    result = connection.execute(select, execution_options=options)
    try:
        yield result.partitions(at_once)
    finally:
        _let_go(result.cursor)
        result.close()


def _let_go(cursor: Any) -> None:
    """Keep PyMySQL from reading the rest of a result that is not wanted, or not to be had.

    It does so when a cursor is closed or cleared away, over a connection that may be lost.
    """
    rest = getattr(cursor, "_result", None)
    if rest is not None and getattr(rest, "unbuffered_active", False):
        rest.unbuffered_active = False
        rest.connection = None


def column_names(connection: sa.Connection, source: SourceDescription) -> tuple[str, ...]:
    """The columns of the source's table or query."""
    found = connection.execute(column_statement(source.schema, source.table, source.query))
    names = tuple(found.keys())
    found.close()
    return names


def _engine(source: SourceDescription) -> sa.Engine:
    url = source.url
    backend = url.get_backend_name()
    if backend == "sqlite":
        path = _file_of(source)
        return sa.create_engine(url, creator=lambda: _sqlite(path), poolclass=sa.NullPool)
    if source.password_variable or source.password_keyring:
        url = url.set(password=_password(source))
    arguments: dict[str, Any] = {}
    if backend == "postgresql":
        arguments = {"connect_timeout": 10, "application_name": "viscosity-spc"}
        # a server that vanished is noticed within a minute, not after two hours
        arguments |= {"keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 3}
    elif backend in ("mysql", "mariadb"):
        arguments = {"connect_timeout": 10, "read_timeout": 600}
    engine = sa.create_engine(url, poolclass=sa.NullPool, connect_args=arguments)
    if backend == "postgresql" and url.get_driver_name() == "psycopg":
        sa.event.listen(engine, "connect", _with_odd_dates)

    @sa.event.listens_for(engine, "handle_error")
    def _failed(context: sa.ExceptionContext) -> None:
        _let_go(getattr(context.execution_context, "cursor", None))

    return engine


def _with_odd_dates(connection: Any, _record: Any) -> None:
    """Take dates that Python has none for, such as infinity, as text: one must not stop all."""
    from psycopg import DataError
    from psycopg.abc import Buffer
    from psycopg.types import datetime as kinds

    class _Date(kinds.DateLoader):
        def load(self, data: Buffer) -> Any:
            try:
                return super().load(data)
            except DataError:
                return bytes(data).decode()

    class _Timestamp(kinds.TimestampLoader):
        def load(self, data: Buffer) -> Any:
            try:
                return super().load(data)
            except DataError:
                return bytes(data).decode()

    class _Timestamptz(kinds.TimestamptzLoader):
        def load(self, data: Buffer) -> Any:
            try:
                return super().load(data)
            except DataError:
                return bytes(data).decode()

    for name, loader in (("date", _Date), ("timestamp", _Timestamp), ("timestamptz", _Timestamptz)):
        connection.adapters.register_loader(name, loader)


def _file_of(source: SourceDescription) -> Path:
    path = source.folder / (source.url.database or "")
    if not source.url.database or not path.is_file():
        raise SourceError(f"Source {source.name}: there is no file {path}: check its url.")
    return path


def _sqlite(path: Path) -> sqlite3.Connection:
    """A connection that only reads, and that lets others write meanwhile.

    Without a write-ahead log whoever reads keeps whoever writes waiting, for as long as the pull
    takes; so such a file is copied first, into one that SQLite clears away by itself.

    Source: https://www.sqlite.org/lockingv3.html, https://www.sqlite.org/backup.html
    """
    connection = only_reading(path)
    connection.execute("PRAGMA busy_timeout = 60000")
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        copy = sqlite3.connect("", check_same_thread=False)
        with closing(connection):
            connection.backup(copy, pages=5_000, sleep=0.01)
        connection = copy
    connection.isolation_level = None  # the transaction is begun by us, not by the driver
    connection.text_factory = _text
    connection.execute("PRAGMA query_only = ON")
    return connection


def _text(raw: bytes) -> str:
    """Text as UTF-8; bytes that are none stay visible, such as \\xfc."""
    return raw.decode("utf-8", "backslashreplace")


def _password(source: SourceDescription) -> str:
    kept = Kept(source.password_variable, source.password_keyring)
    try:
        return fetch(kept, source.url.username or "", f"Source {source.name}")
    except IngestError as error:
        raise SourceError(str(error)) from None


def _begin_reading(connection: sa.Connection) -> None:
    """Begin a read-only transaction in which nothing moves while it is read."""
    kind = connection.dialect.name
    if kind == "sqlite":
        connection.exec_driver_sql("BEGIN")
    elif kind == "postgresql":
        # for the session too: not even a COMMIT in the query would let it write
        connection.exec_driver_sql("SET SESSION CHARACTERISTICS AS TRANSACTION READ ONLY")
        connection.commit()
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
    elif kind in ("mysql", "mariadb"):
        connection.exec_driver_sql("SET SESSION TRANSACTION READ ONLY")
        connection.exec_driver_sql("START TRANSACTION WITH CONSISTENT SNAPSHOT, READ ONLY")
    elif kind == "oracle":
        connection.exec_driver_sql("SET TRANSACTION READ ONLY")


# What a database says, by its code or in words of its driver, and what is told instead.
_TOLD = (
    ("42P01|1146", "no such table", "has no table of that name: check it"),
    (
        "42703|42P10|1054",
        "no such column",
        "has no column of a name that the query uses: check the query",
    ),
    (
        "42601|42883|42804|1064|1630",
        "syntax error|no such function",
        "does not understand the query: try it in the database's own tool",
    ),
    (
        "25006|1792",
        "readonly database",
        "was to be written to, which is refused: a source is only read",
    ),
    ("42501|1142|1143|1044", "permission denied", "may not be read by this user: ask who runs it"),
    (
        "28P01|28000|1045|1698",
        "authentication failed|no password supplied|access denied",
        "does not accept the user or the password: check both",
    ),
    (
        "3D000|1049",
        'database "[^"]*" does not exist',
        "has no database of that name: check it",
    ),
    (
        "57P03|2002|2003|2005",
        "connection refused|connection is bad|can't connect|timeout expired|failed to resolve"
        "|starting up|shutting down|connection failed",
        "does not answer: check the address, and that the server runs",
    ),
    (
        r"57P0[12]|08\w{3}|2006|2013|1927|1053|2055|1080",
        "server closed|terminating connection|connection is lost|lost connection|gone away"
        "|broken pipe|reset by peer|connection is closed|eof detected|packet sequence|timed out",
        "does not answer any more: pull again when it runs",
    ),
    ("1040|53300", "too many (clients|connections)", "takes no more connections: try again later"),
    ("1205|55P03", "is locked", "is locked by another program: try again later"),
    ("", "not a database|malformed", "is no SQLite database, or a damaged one: check its url"),
    ("", "unable to open", "cannot be opened: ask for access to the file"),
    (
        r"22\w{3}",
        r"out of range|timestamp too large|year -?\d+ is out",
        "holds a value that its driver cannot read, such as a date far outside: leave it out by a "
        "query",
    ),
)


@contextmanager
def plain_errors(source: SourceDescription) -> Iterator[None]:
    """Turn a database's error into one plain sentence; the driver's own text is never shown."""
    try:
        yield
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        original = error.orig if isinstance(error, sa.exc.DBAPIError) else error
        raise SourceError(f"Source {source.name} ({source.shown}) {_told(original)}.") from None
    except (sa.exc.NoSuchModuleError, ModuleNotFoundError):
        kind = source.url.get_backend_name()
        extra = {"postgresql": "postgres", "mysql": "mariadb"}.get(kind, kind)
        todo = f"install viscosity-spc[{extra}]"
        if extra not in ("postgres", "mariadb"):
            todo = "install the one that SQLAlchemy names for it"
        raise SourceError(
            f"Source {source.name} ({source.shown}) needs a database driver that is not there: "
            f"{todo}."
        ) from None


def _told(error: BaseException | None) -> str:
    arguments = getattr(error, "args", ())
    number = arguments[0] if arguments and isinstance(arguments[0], int) else None
    code = number or getattr(error, "sqlstate", None)
    for codes, _, told in _TOLD:
        if code is not None and re.fullmatch(codes, str(code)):
            return told
    text = str(error).lower()
    for _, words, told in _TOLD:
        if re.search(words, text):
            return told
    kind = code or getattr(error, "sqlite_errorname", None) or type(error).__name__
    return f"gave an error (code {kind}): ask who runs the database"

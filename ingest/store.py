"""The store: opening it, importing into it in one transaction, and reading from it."""

import json
import os
import re
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import platformdirs
import sqlalchemy as sa

from ingest import importing, schema
from ingest.account import RowAccount
from ingest.errors import IngestError, StoreError
from ingest.reading import FileReading
from ingest.specifications import Specification, checked_specification

_READING_COLUMNS = """
    r.id, r.characteristic_id, r.batch, r.replicate, r.instrument, r.moment, r.sampled_at,
    r.viscosity, r.torque, r.temperature, r.received, r.operator, r.lot, r.line_name, r.shift,
    r.status, r.comment, r.import_id, r.line AS file_line
"""


_PATIENCE = 2.0  # seconds that another process may take to make a store that we found empty
_MAKING = 0x76697363  # any number: the lock under which stores on PostgreSQL are made


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What became of a file: the account after the store looked, the import's id, and remarks."""

    account: RowAccount
    import_id: int
    notes: tuple[str, ...]


class _PutBack(Exception):  # noqa: N818 - not an error: it ends a trial import
    """Raised inside a transaction to undo a trial import."""


def default_url() -> str:
    """The store in use when none is named: VISCOSITY_SPC_STORE, else the user's data folder."""
    named = os.environ.get("VISCOSITY_SPC_STORE", "").strip()
    if named:
        return named
    folder = platformdirs.user_data_path("viscosity-spc", appauthor=False)
    return f"sqlite:///{folder / 'store.sqlite'}"


def open_store(url: str | None = None, create: bool = True) -> "Store":
    """Open a store by URL or by the path of a SQLite file.

    Args:
        url: SQLAlchemy URL or path; `default_url()` if None. create: make it if it is not there.

    Raises:
        StoreError: it is not there, not a store, of a newer version, or cannot be opened.
    """
    parsed = _parsed(url if url is not None and url != "" else default_url())
    shown = _shown(parsed)
    read_only = False
    if parsed.get_backend_name() == "sqlite":
        read_only = _look_at_file(Path(parsed.database or ""), create)
    with _plain_errors(shown, "opening"):
        engine = _engine(parsed, read_only)
        try:
            _make_or_recognise(engine, shown, create and not read_only)
        except BaseException:
            engine.dispose()
            raise
    return Store(engine, shown)


def _parsed(address: str) -> sa.URL:
    """The address of a store as a URL of SQLite or PostgreSQL."""
    text = address.strip()
    if not text:
        raise StoreError("The name of the store is blank: give a path or sqlite:///PATH.")
    masked = _storable(re.sub(r"(://[^:/@]*):.*@", r"\1:***@", text))
    if _storable(text) != text:
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
            f"{_shown(parsed)} is no database that can hold a store: give the path of a file, "
            "or postgresql://USER@HOST/DATABASE."
        )
    return parsed


def _shown(url: sa.URL) -> str:
    """An address as people may see it: without any password."""
    hidden = {key: "***" if "password" in key else value for key, value in url.query.items()}
    return url.set(query=hidden).render_as_string(hide_password=True)


def _storable(text: str) -> str:
    """Text that a database can hold: bytes of a name that are no text become "?", NUL a sign."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "␀")


def _make_or_recognise(engine: sa.Engine, shown: str, create: bool) -> None:
    """Make the tables of a new store, or see that an old one is ours and of a version we know."""
    with engine.connect() as connection:
        state = _state(connection)
    if state == "empty":
        if not create:
            raise StoreError(f"{shown} holds no store yet: import a file into it first.")
        with _writing(engine) as connection:
            # another process may have made it between our look and our lock
            if _state(connection) == "empty":
                schema.METADATA.create_all(connection)
                _set_meta(connection, "schema_version", str(schema.SCHEMA_VERSION))
                _set_meta(connection, "revision", "0")
    elif state == "foreign":
        raise StoreError(f"{shown} is a database, but not a store of viscosity-spc: name another.")
    elif int(state) > schema.SCHEMA_VERSION:
        raise StoreError(
            f"{shown} was written by a newer version of viscosity-spc (store version {state}, "
            f"this program knows {schema.SCHEMA_VERSION}): update the program."
        )
    else:
        with engine.connect() as connection:
            _revision(connection)  # a store without one is damaged: said now, not later


def _look_at_file(path: Path, create: bool) -> bool:
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


def _engine(url: sa.URL, read_only: bool) -> sa.Engine:
    if url.get_backend_name() != "sqlite":
        return sa.create_engine(url)
    if read_only:
        path = Path(url.database or "")
        # no pool: how the file can be read is seen anew for each transaction
        engine = sa.create_engine(url, creator=lambda: _only_reading(path), poolclass=sa.NullPool)
    else:
        engine = sa.create_engine(url)

    @sa.event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun by `_begin`, not by the driver
        cursor = connection.cursor()
        cursor.execute("PRAGMA busy_timeout = 60000")
        if not read_only:
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


def _only_reading(path: Path) -> sqlite3.Connection:
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
def _writing(engine: sa.Engine) -> Iterator[sa.Connection]:
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
def _plain_errors(shown: str, doing: str = "reading") -> Iterator[None]:
    """Turn a database's error into one plain sentence; the driver's own text is never shown.

    Args:
        shown: the address without a password. doing: "opening", "reading" or "writing".
    """
    try:
        yield
    except sa.exc.DBAPIError as error:
        told = _told(error.orig)
        ending = "; nothing was stored" if doing == "writing" else ""
        raise StoreError(f"The store {shown} {told}{ending}.") from None
    except (sa.exc.NoSuchModuleError, ModuleNotFoundError):
        driver = "a database driver that is not installed or not known"
        todo = "write sqlite:///PATH"
        if shown.startswith("postgresql"):
            todo = "write postgresql://USER@HOST/DATABASE and install viscosity-spc[postgres]"
        raise StoreError(f"The store {shown} needs {driver}: {todo}.") from None


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


def _set_meta(connection: sa.Connection, name: str, value: str) -> None:
    connection.execute(sa.delete(schema.META).where(schema.META.c.name == name))
    connection.execute(sa.insert(schema.META).values(name=name, value=value))


def _next_revision(connection: sa.Connection) -> int:
    revision = _revision(connection) + 1
    _set_meta(connection, "revision", str(revision))
    return revision


def _revision(connection: sa.Connection) -> int:
    revision = connection.execute(
        sa.select(schema.META.c.value).where(schema.META.c.name == "revision")
    ).scalar()
    if not re.fullmatch(r"[0-9]{1,18}", str(revision)):
        raise StoreError(
            f"{_shown(connection.engine.url)} has lost its count of changes, so another program "
            "has written to it: restore it from a backup."
        )
    return int(str(revision))


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _json(value: Any) -> str:
    return _storable(json.dumps(value, ensure_ascii=False))


class Store:
    """An open store. Every method is one transaction of its own."""

    def __init__(self, engine: sa.Engine, url: str) -> None:
        """Use `open_store` instead."""
        self._engine = engine
        self.url = url

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def revision(self) -> int:
        """The number of changes made to the store so far: screens are renewed by it."""
        with self._reading() as connection:
            return _revision(connection)

    def add(
        self,
        reading: FileReading,
        source: str | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> ImportReport:
        """Import a file's rows in one transaction: all of them or none.

        Args:
            reading: the file as read, without open questions. source: a name for where it is from.
            progress: called with (rows done, rows in all).

        Raises:
            StoreError: the store could not be written. IngestError: questions are open.
        """
        return self._add(reading, source or "", progress, keep=True)

    def preview(self, reading: FileReading) -> RowAccount:
        """The row account that `add` would give, with nothing kept."""
        return self._add(reading, "", None, keep=False).account

    def _add(
        self,
        reading: FileReading,
        source: str,
        progress: Callable[[int, int], None] | None,
        keep: bool,
    ) -> ImportReport:
        if reading.questions:
            asked = " ".join(question.text for question in reading.questions)
            raise IngestError(f"{reading.name} cannot be imported before this is answered: {asked}")
        report: ImportReport | None = None
        try:
            with _plain_errors(self.url, "writing"), _writing(self._engine) as connection:
                import_id = importing.next_id(connection, schema.IMPORTS)
                connection.execute(
                    sa.insert(schema.IMPORTS).values(
                        id=import_id,
                        at=_now(),
                        file=_storable(reading.name),
                        digest=reading.digest,
                        source=_storable(source),
                        account="{}",
                        understood=_json([[u.what, u.value, u.why] for u in reading.understood]),
                        answers=_json(reading.answers),
                        revision=_next_revision(connection),
                    )
                )
                account, notes = importing.add_rows(connection, import_id, reading, progress)
                connection.execute(
                    sa.update(schema.IMPORTS)
                    .where(schema.IMPORTS.c.id == import_id)
                    .values(account=json.dumps(account.as_dict()))
                )
                report = ImportReport(account, import_id, (*reading.notes, *notes))
                if not keep:
                    raise _PutBack
        except _PutBack:
            pass
        if report is None:
            raise StoreError(f"The store {self.url} did not take {reading.name}: try again.")
        return report

    def imports(self) -> pd.DataFrame:
        """Every import, newest first: id, at, file, digest, source and its account."""
        with self._reading() as connection:
            found = connection.execute(
                sa.select(schema.IMPORTS).order_by(schema.IMPORTS.c.id.desc())
            ).mappings()
            rows = []
            for row in found:
                account = json.loads(row["account"])
                rows.append(
                    {
                        "id": row["id"],
                        "at": pd.Timestamp(row["at"]),
                        "file": row["file"],
                        "digest": row["digest"],
                        "source": row["source"],
                        "rows_read": account["rows_read"],
                        "used": account["used"],
                        "set_aside": sum(account["set_aside"].values()),
                        "not_parsed": sum(account["not_parsed"].values()),
                        "duplicates": account["duplicates"],
                        "conflicts": account["conflicts"],
                        "answers": row["answers"],
                    }
                )
        columns = ["id", "at", "file", "digest", "source", "rows_read", "used", "set_aside"]
        columns += ["not_parsed", "duplicates", "conflicts", "answers"]
        return pd.DataFrame(rows, columns=columns)

    def characteristics(self) -> pd.DataFrame:
        """Every characteristic: id, product, condition, sample_type, stage, n_readings (used)."""
        counted = sa.text(
            "SELECT c.id, c.product, c.condition, c.sample_type, c.stage, "
            "COUNT(r.id) AS n_readings FROM characteristics c "
            "LEFT JOIN results r ON r.characteristic_id = c.id "
            "AND NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id) "
            "GROUP BY c.id, c.product, c.condition, c.sample_type, c.stage "
            "ORDER BY c.product, c.condition"
        )
        return self._frame(counted, {})

    def readings(
        self,
        characteristic_id: int | None = None,
        aside: bool = False,
        batch: str | None = None,
    ) -> pd.DataFrame:
        """Readings in production order: by sampling time, else time of reading, else file order.

        Args:
            characteristic_id: one characteristic only. batch: one batch only.
            aside: False gives the readings in use; True gives all, with their reason.

        Returns:
            one row a reading; viscosity in mPa·s, torque in %, temperature in °C, times in UTC.
        """
        conditions, values = [], {}
        if characteristic_id is not None:
            conditions.append("r.characteristic_id = :characteristic_id")
            values["characteristic_id"] = characteristic_id
        if batch is not None:
            conditions.append("r.batch = :batch")
            values["batch"] = batch  # type: ignore[assignment]
        reason = "''"
        if aside:
            reason = (
                "COALESCE((SELECT MIN(a.reason) FROM set_aside a WHERE a.result_id = r.id), '')"
            )
        else:
            conditions.append("NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id)")
        where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
        frame = self._frame(
            sa.text(
                f"SELECT {_READING_COLUMNS}, {reason} AS reason, i.file, c.stage, c.sample_type "  # noqa: S608 - only literals of this file
                "FROM results r JOIN imports i ON i.id = r.import_id "
                f"JOIN characteristics c ON c.id = r.characteristic_id {where}"
            ),
            values,
        )
        return _in_production_order(frame)

    def set_aside(self, import_id: int | None = None) -> pd.DataFrame:
        """Rows set aside: file, line, product, batch, replicate, received, reason, detail."""
        return self._frame(
            sa.text(
                "SELECT i.file, r.line, c.product, r.batch, r.replicate, r.received, a.reason, "
                "a.detail, r.comment FROM set_aside a JOIN results r ON r.id = a.result_id "
                "JOIN imports i ON i.id = r.import_id "
                "JOIN characteristics c ON c.id = r.characteristic_id "
                "WHERE CAST(:import_id AS INTEGER) IS NULL OR r.import_id = :import_id "
                "ORDER BY i.id, r.line"
            ),
            {"import_id": import_id},
        )

    def not_parsed(self, import_id: int | None = None) -> pd.DataFrame:
        """Records that could not be read: import_id, file, line, reason, text."""
        return self._frame(
            sa.text(
                "SELECT n.import_id, i.file, n.line, n.reason, n.text FROM not_parsed n "
                "JOIN imports i ON i.id = n.import_id "
                "WHERE CAST(:import_id AS INTEGER) IS NULL OR n.import_id = :import_id "
                "ORDER BY n.import_id, n.line"
            ),
            {"import_id": import_id},
        )

    def add_specification(
        self,
        product: str,
        lower: float | None = None,
        upper: float | None = None,
        target: float | None = None,
        valid_from: date | None = None,
        unit: str = "mPa.s",
    ) -> Specification:
        """Record a specification that holds from a date; earlier ones stay for earlier batches.

        Raises:
            IngestError: no limit, limits in the wrong order, an unknown unit, or a second
                specification without a date.
        """
        earlier = self.specifications(product)
        specification = checked_specification(
            product, lower, upper, target, valid_from, unit, earlier, _now()
        )
        with _plain_errors(self.url, "writing"), _writing(self._engine) as connection:
            connection.execute(
                sa.insert(schema.SPECIFICATIONS).values(
                    id=importing.next_id(connection, schema.SPECIFICATIONS),
                    product=specification.product,
                    lower=specification.lower,
                    upper=specification.upper,
                    target=specification.target,
                    valid_from=specification.valid_from.isoformat()
                    if specification.valid_from
                    else "",
                    recorded_at=specification.recorded_at,
                    revision=_next_revision(connection),
                )
            )
        return specification

    def specifications(self, product: str | None = None) -> list[Specification]:
        """The specifications of a product, or of all, in the order in which they were recorded."""
        query = sa.select(schema.SPECIFICATIONS).order_by(schema.SPECIFICATIONS.c.id)
        if product is not None:
            query = query.where(schema.SPECIFICATIONS.c.product == product)
        with self._reading() as connection:
            return [
                Specification(
                    product=row["product"],
                    lower=row["lower"],
                    upper=row["upper"],
                    target=row["target"],
                    valid_from=date.fromisoformat(row["valid_from"]) if row["valid_from"] else None,
                    recorded_at=row["recorded_at"],
                )
                for row in connection.execute(query).mappings()
            ]

    @contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        with _plain_errors(self.url), self._engine.connect() as connection, connection.begin():
            yield connection

    def _frame(self, query: sa.TextClause, values: dict[str, Any]) -> pd.DataFrame:
        with self._reading() as connection:
            result = connection.execute(query, values)
            return pd.DataFrame(result.fetchall(), columns=list(result.keys()))


def _in_production_order(frame: pd.DataFrame) -> pd.DataFrame:
    """Times in UTC, and the rows by sampling time, else time of reading, else file order."""
    for name in ("viscosity", "torque", "temperature"):
        frame[name] = frame[name].astype(float)
    sampled = frame["sampled_at"].astype("int64")
    moment = frame["moment"].astype("int64")
    order = sampled.where(sampled != 0, moment)
    frame["at"] = pd.to_datetime(moment.where(moment != 0), unit="s", utc=True)
    frame["sampled_at"] = pd.to_datetime(sampled.where(sampled != 0), unit="s", utc=True)
    frame["_order"] = order
    frame = frame.sort_values(["_order", "import_id", "file_line"], kind="stable")
    return frame.drop(columns=["_order", "moment"]).reset_index(drop=True)

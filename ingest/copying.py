"""Backup and restore of a whole store, as one SQLite file either way.

A SQLite store is copied by the database's own online backup, while others go on reading and
writing. A PostgreSQL store is written into a new SQLite store table by table in one snapshot, so a
backup can be looked at, or moved to the other kind of database, without a server.
"""

import os
import sqlite3
from pathlib import Path

import sqlalchemy as sa

from ingest import schema
from ingest.checking import verify
from ingest.errors import StoreError
from ingest.store import Store, open_store

_ROWS_AT_ONCE = 20_000


def backup(store: Store, path: str | os.PathLike[str]) -> None:
    """Copy a store as it is at this moment into a new file; an existing one is not overwritten.

    Raises:
        StoreError: the file is there already or cannot be written.
    """
    file = Path(path)
    if file.exists():
        raise StoreError(f"{file} is there already: name a new file for the backup.")
    if not file.parent.is_dir():
        raise StoreError(f"There is no folder {file.parent}: make it first.")
    beside = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        with store.reading() as connection:
            if connection.dialect.name == "sqlite":
                _copy_sqlite(connection, beside)
            else:
                connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
                _copy_tables(connection, f"sqlite:///{beside}")
        _settle(beside)
        beside.replace(file)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"The backup {file} could not be written ({error}).") from None
    finally:
        for left in (beside, *(Path(f"{beside}{end}") for end in ("-wal", "-shm"))):
            left.unlink(missing_ok=True)


def restore(path: str | os.PathLike[str], url: str | None = None) -> Store:
    """Make a store out of a backup; only where there is none yet, or an empty one.

    The backup is checked first (journal, batches, accounts): a damaged one is refused.

    Raises:
        StoreError: no backup, a damaged one, or a store that holds something already.
    """
    file = Path(path)
    if not file.is_file():
        raise StoreError(f"There is no backup {file}: check the name.")
    source = open_store(str(file), create=False)
    try:
        wrong = verify(source)
        if wrong:
            raise StoreError(f"The backup {file} is damaged, nothing was restored: {wrong[0]}")
        target = open_store(url)
        try:
            with target.writing() as into, source.reading() as out:
                _require_empty(into, target.url)
                _copy_rows(out, into)
        except BaseException:
            target.close()
            raise
    finally:
        source.close()
    return target


def _copy_sqlite(connection: sa.Connection, file: Path) -> None:
    raw = connection.connection.driver_connection
    copy = sqlite3.connect(file)
    try:
        raw.backup(copy)  # type: ignore[union-attr]
    finally:
        copy.close()


def _settle(file: Path) -> None:
    """One file without a log beside it, so that it can be carried away."""
    connection = sqlite3.connect(file)
    try:
        connection.execute("PRAGMA journal_mode = DELETE")
    finally:
        connection.close()


def _copy_tables(connection: sa.Connection, url: str) -> None:
    copy = open_store(url)
    try:
        with copy.writing() as into:
            _copy_rows(connection, into)
    finally:
        copy.close()


def _copy_rows(out: sa.Connection, into: sa.Connection) -> None:
    into.execute(sa.delete(schema.META))
    for table in schema.METADATA.sorted_tables:
        columns = list(table.columns)
        rows = out.execution_options(stream_results=True).execute(sa.select(*columns))
        for part in rows.partitions(_ROWS_AT_ONCE):
            into.execute(
                sa.insert(table),
                [dict(zip(table.c.keys(), row, strict=True)) for row in part],
            )


def _require_empty(connection: sa.Connection, shown: str) -> None:
    for table in schema.METADATA.sorted_tables:
        if table is schema.META:
            continue
        if connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first():
            raise StoreError(
                f"The store {shown} holds data already, so nothing was restored: "
                "name a new one with --store."
            )

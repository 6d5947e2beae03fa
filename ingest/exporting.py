"""Tables of the store as files: CSV, Excel and Parquet."""

import os
import re
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.event_records import EventRecord, event_records
from ingest.harmless import harmless, harmless_table
from ingest.pulled import source_changes
from ingest.store import Store

_EXCEL_ROWS = 1_048_576
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")  # XML cannot carry these
_LONGEST_CELL = 32_767  # characters of an Excel cell


def _journal(store: Store) -> pd.DataFrame:
    with store.reading() as connection:
        return journal.as_table(connection)


def _batches(store: Store) -> pd.DataFrame:
    frame = store.batches()
    lists = frame["readings"].tolist()
    frame["readings"] = [" ".join(f"{value:.15g}" for value in values) for values in lists]
    return frame


def _event_records(store: Store) -> pd.DataFrame:
    names = [one.name for one in fields(EventRecord)]
    rows = [[getattr(one, name) for name in names] for one in event_records(store)]
    return pd.DataFrame(rows, columns=names)


def _as_kept(table: sa.Table) -> Callable[[Store], pd.DataFrame]:
    """Every row of a table as it stands in the store, those that no longer stand among them."""

    def rows(store: Store) -> pd.DataFrame:
        with store.reading() as connection:
            found = connection.execute(sa.select(table).order_by(*table.primary_key.columns))
            return pd.DataFrame(found.fetchall(), columns=list(found.keys()))

    return rows


TABLES: dict[str, Callable[[Store], pd.DataFrame]] = {
    "readings": lambda store: store.readings(aside=True),
    "set-aside": lambda store: store.set_aside(),
    "not-parsed": lambda store: store.not_parsed(),
    "batches": _batches,
    "imports": lambda store: store.imports(),
    "event-records": _event_records,
    "source-changes": lambda store: source_changes(store),
    "products": _as_kept(schema.PRODUCTS),
    "aliases": _as_kept(schema.PRODUCT_ALIASES),
    "methods": _as_kept(schema.METHODS),
    "check-standards": _as_kept(schema.CHECK_STANDARDS),
    "specifications": _as_kept(schema.SPECIFICATIONS),
    "frozen-limits": _as_kept(schema.FROZEN_LIMITS),
    "exclusions": _as_kept(schema.EXCLUSIONS),
    "settings": _as_kept(schema.SETTINGS),
    "journal": _journal,
}
"""What can be exported, by name."""


def export(store: Store, what: str, path: str | os.PathLike[str]) -> int:
    """Write a table of the store to a file; its ending says which kind.

    In CSV and Excel, text that a spreadsheet would take for a formula gets an apostrophe in front.
    A Parquet file is read by programs, so its text stays as it was received. Times are UTC.

    Args:
        store: the store. what: a key of TABLES. path: a file that ends in .csv, .xlsx or .parquet;
            it is replaced, whole or not at all.

    Returns:
        the number of rows.

    Raises:
        IngestError: another name or ending, more rows than an Excel sheet holds, or a folder
            that cannot be written to.
    """
    if what not in TABLES:
        raise IngestError(f"'{what}' cannot be exported: choose from {', '.join(TABLES)}.")
    file = Path(path)
    writers = {".csv": _write_csv, ".xlsx": _write_excel, ".parquet": _write_parquet}
    writer = writers.get(file.suffix.lower())
    if writer is None:
        raise IngestError(f"{file.name}: name a file that ends in {', '.join(writers)}.")
    frame = TABLES[what](store)
    if writer is _write_excel and len(frame) >= _EXCEL_ROWS:
        raise IngestError(
            f"{len(frame)} rows are more than an Excel sheet holds: export to .csv or .parquet."
        )
    beside = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        writer(frame, beside)
        beside.replace(file)
    except OSError as error:
        raise IngestError(
            f"{file} cannot be written ({error.strerror}): name another folder."
        ) from None
    finally:
        beside.unlink(missing_ok=True)
    return len(frame)


def _write_csv(frame: pd.DataFrame, file: Path) -> None:
    harmless_table(frame).to_csv(
        file,
        index=False,
        encoding="utf-8-sig",  # the mark makes spreadsheets read it as UTF-8
        date_format="%Y-%m-%dT%H:%M:%SZ",
        lineterminator="\r\n",
    )


def _write_parquet(frame: pd.DataFrame, file: Path) -> None:
    frame.to_parquet(file, index=False)


def _write_excel(frame: pd.DataFrame, file: Path) -> None:
    from openpyxl import Workbook  # slow to import and seldom needed

    book = Workbook(write_only=True)
    sheet = book.create_sheet("export")
    sheet.append([cell(str(name)) for name in frame.columns])
    columns = [frame[name].tolist() for name in frame.columns]
    for row in zip(*columns, strict=True):
        sheet.append([cell(value) for value in row])
    book.save(file)


def cell(value: Any) -> Any:
    """A value as an Excel cell: text is harmless and short enough, times carry no zone."""
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, pd.Timestamp):
        return value.tz_convert("UTC").tz_localize(None).to_pydatetime()
    if isinstance(value, str):
        return str(harmless(_CONTROL.sub("�", value)))[:_LONGEST_CELL]
    return value

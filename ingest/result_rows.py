"""Inserting many results at once, as fast as the driver takes them."""

import re
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import sqlalchemy as sa

from ingest import schema
from ingest.inserting import insert_many

_COLUMNS = tuple(column.name for column in schema.RESULTS.columns)
_MANY = 1000  # rows for which a statement of their own is worth it
_EXACT = 1e9  # whole numbers up to it are the same in every notation
_HARMLESS = re.compile(r"[A-Za-z0-9 ./_-]{0,40}")  # text that is itself between quotes


def insert_results(connection: sa.Connection, chunk: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Insert rows whose key is free; True for each row whose key was taken."""
    names = tuple(name for name in _COLUMNS if not _all_default(chunk[name], name))
    constant = literals_of(chunk, names)
    columns = {name: plain_list(chunk[name]) for name in names if name not in constant}
    count = insert_many(connection, "results", columns, constant)
    taken = np.zeros(len(chunk), dtype=bool)
    if count == len(chunk):
        return taken
    low, high = int(chunk["id"].min()), int(chunk["id"].max())
    written = connection.execute(
        sa.select(schema.RESULTS.c.id).where(schema.RESULTS.c.id.between(low, high))
    ).scalars()
    taken[:] = True
    taken[np.fromiter(written, dtype=np.int64) - low] = False
    return taken


def load(connection: sa.Connection, table: sa.Table, rows: pd.DataFrame) -> None:
    """Insert rows into a table of few constraints."""
    columns = {column.name: plain_list(rows[column.name]) for column in table.columns}
    insert_many(connection, table.name, columns)


def literals_of(rows: pd.DataFrame, names: Iterable[str]) -> dict[str, str]:
    """How SQL writes what all of many rows hold in a column, by its name.

    Binding a value row by row costs as much as storing it. Written into the statement is nothing
    but whole numbers and text of plain letters and digits.
    """
    if len(rows) < _MANY:
        return {}
    bound = ("id", "received", "batch")  # hardly ever the same in all
    found = {name: _literal(rows[name]) for name in names if name not in bound}
    return {name: text for name, text in found.items() if text}


def _literal(values: pd.Series) -> str:
    if isinstance(values.dtype, pd.CategoricalDtype):
        texts = values.cat.categories
        return _quoted(str(texts[0])) if len(texts) == 1 else ""
    cells = values.to_numpy()
    first = cells[0]
    if cells.dtype.kind == "f" and not (float(first).is_integer() and abs(first) < _EXACT):
        return ""
    if not isinstance(first, str | np.integer | np.floating) or not (cells == first).all():
        return ""
    return _quoted(first) if isinstance(first, str) else str(first)


def _quoted(text: str) -> str:
    return f"'{text}'" if _HARMLESS.fullmatch(text) else ""


def _all_default(values: pd.Series, name: str) -> bool:
    """Whether a column holds nothing but what the store fills in by itself."""
    if schema.RESULTS.c[name].server_default is None:
        return False
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values.cat.categories.tolist() == [""]
    return bool((values == (0 if values.dtype.kind == "i" else "")).all())


def plain_list(values: pd.Series) -> list[Any]:
    """A column as plain Python values, NaN as None."""
    if values.dtype == object:
        return list(values.to_numpy().tolist())
    if isinstance(values.dtype, pd.CategoricalDtype):
        texts = np.empty(len(values.cat.categories), dtype=object)
        texts[:] = pa.array(values.cat.categories, pa.string()).to_pylist()
        column: list[Any] = texts[values.cat.codes.to_numpy()].tolist()
        return column
    if values.dtype.kind in "iu" or (values.dtype.kind == "f" and not values.hasnans):
        return list(values.tolist())
    return list(pa.array(values, from_pandas=True).to_pylist())  # pandas' own is slower

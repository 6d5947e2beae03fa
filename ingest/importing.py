"""Writing the rows of a file into the store, and judging what stands under one key together.

A row is written under its key (characteristic, batch, replicate, instrument, moment). A row that
the store holds already, identical in every cell, is a duplicate: counted, not stored again. All
other rows are stored. What they mean beside each other (conflict, retest …) is then worked out
from all rows of the batches that the file touched, so it does not depend on the order in which
files were imported.

These judgements are rows of the table `set_aside` with a reason of JUDGED. They are the tool's own
and follow from the results alone, so they are renewed, inside the transaction of the import, where
new rows change them; nothing is lost by that, as results and the reasons that a row brought along
are never changed.
"""

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateTable

from ingest import schema
from ingest.account import RowAccount, require_closed
from ingest.judging import JUDGED, KEY, REMARKS, VALUES, Found, codes_of, digits_of, judged
from ingest.reading import FileReading

_CHUNK = 50_000
_BATCHES_AT_ONCE = 10_000
_KEPT = (*KEY, *VALUES, *REMARKS)
_COLUMNS = tuple(column.name for column in schema.RESULTS.columns)
_CONDITION = ("spindle", "speed", "set_temperature", "reading_time", "guard", "method")

# What is to be looked up, for a join: statements with thousands of keys are slow, and limited.
_ASKED = {
    n: sa.Table(
        f"asked_{n}",
        sa.MetaData(),
        *(sa.Column(name, schema.RESULTS.c[name].type) for name in KEY[:n]),
        prefixes=["TEMPORARY"],
    )
    for n in (2, len(KEY))
}


def next_id(connection: sa.Connection, table: sa.Table) -> int:
    """The next free id of a table; the caller holds the write lock."""
    return (
        int(
            connection.execute(sa.select(sa.func.coalesce(sa.func.max(table.c.id), 0))).scalar_one()
        )
        + 1
    )


def add_rows(
    connection: sa.Connection,
    import_id: int,
    reading: FileReading,
    progress: Callable[[int, int], None] | None,
) -> tuple[RowAccount, tuple[str, ...]]:
    """Write a file's rows inside the caller's transaction.

    Returns:
        the row account after duplicates, conflicts and retests were found, and remarks on them.
    """
    rows = _with_characteristics(connection, reading.rows)
    first_id = free_id = next_id(connection, schema.RESULTS)
    found = Found()
    for start in range(0, len(rows), _CHUNK):
        chunk = rows.iloc[start : start + _CHUNK].copy()
        chunk["id"] = np.arange(free_id, free_id + len(chunk))
        free_id += len(chunk)
        chunk["variant"] = 0
        chunk["import_id"] = import_id
        _insert_chunk(connection, import_id, chunk, found)
        if progress is not None:
            progress(min(start + _CHUNK, len(rows)), len(rows))
    _insert_not_parsed(connection, import_id, reading)
    duplicates = np.concatenate([np.empty((0, 2), dtype=np.int64), *found.duplicates])
    _insert_repeated(connection, import_id, duplicates)
    _judge(connection, import_id, first_id, found)
    account = _account(connection, first_id, reading, len(duplicates), len(found.conflicts))
    require_closed(account, reading.name)
    return account, _remarks(found)


def _with_characteristics(connection: sa.Connection, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with the id of their characteristic, new characteristics written to the store."""
    if rows.empty:
        return rows.assign(characteristic_id=pd.Series(dtype="int64"), moment=0)
    names = ("product", "sample_type", "stage", *_CONDITION)
    codes = codes_of(rows, names)
    firsts = np.unique(codes, return_index=True)[1]
    known = {
        tuple(row[1:]): row[0]
        for row in connection.execute(
            sa.select(
                schema.CHARACTERISTICS.c.id,
                *(schema.CHARACTERISTICS.c[name] for name in names),
            )
        )
    }
    ids = np.zeros(len(firsts), dtype=np.int64)
    free = next_id(connection, schema.CHARACTERISTICS)
    for position, first in enumerate(firsts):
        values = tuple(_as_key(rows[name].iat[int(first)]) for name in names)
        if values not in known:
            known[values] = free
            named = dict(zip(names, values, strict=True))
            connection.execute(
                sa.insert(schema.CHARACTERISTICS).values(
                    id=free, condition=condition_label(named), **named
                )
            )
            free += 1
        ids[position] = known[values]
    moment = np.where(rows["tested_at"] != 0, rows["tested_at"], rows["sampled_at"])
    return rows.assign(characteristic_id=ids[codes], moment=moment)


def _as_key(value: Any) -> str:
    """A part of the measuring condition as text: "" where it is not recorded."""
    if isinstance(value, str):
        return value
    return "" if np.isnan(value) else digits_of(value, 6)


def condition_label(values: dict[str, str]) -> str:
    """The measuring condition in words, such as "S3 · 20 rpm"."""
    parts = [values["spindle"]] if values["spindle"] else []
    if values["speed"]:
        parts.append(f"{values['speed']} rpm")
    if values["set_temperature"]:
        parts.append(f"{values['set_temperature']} °C")
    if values["reading_time"]:
        parts.append(f"{values['reading_time']} s")
    if values["guard"]:
        parts.append(f"guard {values['guard']}")
    if values["method"]:
        parts.append(values["method"])
    label = " · ".join(parts) or "condition not recorded"
    return f"{label} · {values['stage']}" if values["stage"] else label


def _insert_chunk(
    connection: sa.Connection, import_id: int, chunk: pd.DataFrame, found: Found
) -> None:
    """Write a stretch of rows; those whose key is taken beside what is there, unless identical."""
    taken = _insert_results(connection, chunk)
    written = chunk[~taken]
    if taken.any():
        beside, twins = _resolve(connection, chunk[taken])
        found.duplicates.append(twins)
        if len(beside):
            _insert_results(connection, beside)
            pairs = zip(beside["characteristic_id"].tolist(), beside["batch"], strict=True)
            found.crowded.update(pairs)
            written = pd.concat([written, beside])
    aside = written[written["reason"] != ""]
    rows = zip(aside["id"].tolist(), aside["reason"], aside["detail"], strict=True)
    _set_aside(connection, import_id, rows)


def _insert_results(connection: sa.Connection, chunk: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Insert rows whose key is free; True for each row whose key was taken."""
    names = tuple(name for name in _COLUMNS if not _all_default(chunk[name], name))
    columns = [_plain_list(chunk[name]) for name in names]
    statement = _insert_statement(connection.dialect.name, names)
    result = connection.exec_driver_sql(statement, list(zip(*columns, strict=True)))
    taken = np.zeros(len(chunk), dtype=bool)
    if result.rowcount == len(chunk):
        return taken
    low, high = int(chunk["id"].min()), int(chunk["id"].max())
    written = connection.execute(
        sa.select(schema.RESULTS.c.id).where(schema.RESULTS.c.id.between(low, high))
    ).scalars()
    taken[:] = True
    taken[np.fromiter(written, dtype=np.int64) - low] = False
    return taken


def _all_default(values: pd.Series, name: str) -> bool:
    """Whether a column holds nothing but what the store fills in by itself."""
    default = schema.RESULTS.c[name].server_default
    return default is not None and bool((values == (0 if values.dtype.kind == "i" else "")).all())


@lru_cache(maxsize=32)
def _insert_statement(dialect: str, names: tuple[str, ...]) -> str:
    """INSERT of some columns that passes over rows whose key is taken, as the driver wants it."""
    if dialect == "postgresql":
        postgres = postgresql.insert(schema.RESULTS).on_conflict_do_nothing()
        numbered = postgresql.dialect(paramstyle="format")  # type: ignore[no-untyped-call]
        return str(postgres.compile(dialect=numbered, column_keys=list(names)))
    plain = sqlite.insert(schema.RESULTS).on_conflict_do_nothing()
    marked = sqlite.dialect(paramstyle="qmark")
    return str(plain.compile(dialect=marked, column_keys=list(names)))


def _plain_list(values: pd.Series) -> list[Any]:
    """A column as plain Python values, NaN as None."""
    if values.dtype == object:
        return list(values)
    column: list[Any] = pa.array(values, from_pandas=True).to_pylist()  # pandas' own is slower
    return column


def _resolve(
    connection: sa.Connection, again: pd.DataFrame
) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    """Tell apart the rows whose key is taken: records of their own, and duplicates.

    Returns:
        the rows that differ from all that is stored, with the variant to store them under; and
        (line, id of the result) of those that the store, or the file above them, holds already.
    """
    stored = _stored_under(connection, again[list(KEY)].drop_duplicates())
    both = pd.DataFrame(
        {
            name: pd.Series(
                stored[name].tolist() + _plain_list(again[name]),
                dtype=float if name in VALUES else object,
            )
            for name in ("id", *_KEPT)
        }
    )
    key, record = codes_of(both, KEY), codes_of(both, _KEPT)
    first = np.unique(record, return_index=True)[1][record]
    new = (first == np.arange(len(both)))[len(stored) :]
    twin = both["id"].to_numpy()[first[len(stored) :][~new]].astype(np.int64)
    highest = np.full(key.max() + 1, -1)
    np.maximum.at(highest, key[: len(stored)], stored["variant"].to_numpy(dtype=np.int64))
    beside, key = again[new], key[len(stored) :][new]
    ahead = pd.Series(key).groupby(key).cumcount().to_numpy()
    beside = beside.assign(variant=highest[key] + 1 + ahead)
    lines = again.loc[~new, "line"].to_numpy(dtype=np.int64)
    return beside, np.column_stack((lines, twin))


def _ask(connection: sa.Connection, keys: pd.DataFrame) -> sa.Table:
    """Fill the temporary table for as many columns of the key as there are."""
    asked = _ASKED[keys.shape[1]]
    connection.execute(CreateTable(asked, if_not_exists=True))
    connection.execute(sa.delete(asked))
    columns = (_plain_list(keys[name]) for name in keys.columns)
    rows = [dict(zip(keys.columns, row, strict=True)) for row in zip(*columns, strict=True)]
    connection.execute(sa.insert(asked), rows)
    return asked


def _stored_under(connection: sa.Connection, keys: pd.DataFrame) -> pd.DataFrame:
    """All that is stored under some keys, or first columns of the key, each row with its `own`.

    `own` is the reason that the row brought along, "" where it had none.
    """
    results, aside, kinds = schema.RESULTS, schema.SET_ASIDE, schema.CHARACTERISTICS
    asked = _ask(connection, keys)
    brought = sa.and_(aside.c.result_id == results.c.id, aside.c.reason.not_in(JUDGED))
    names = ("id", "variant", *_KEPT)
    query = (
        sa.select(
            *(results.c[name] for name in names),
            sa.func.coalesce(aside.c.reason, "").label("own"),
            kinds.c.product,
            kinds.c.sample_type,
        )
        .join(asked, sa.and_(*(results.c[name] == asked.c[name] for name in keys.columns)))
        .join(kinds, kinds.c.id == results.c.characteristic_id)
        .outerjoin(aside, brought)
        .order_by(results.c.id)
    )
    columns = [*names, "own", "product", "sample_type"]
    frame = pd.DataFrame(connection.execute(query).all(), columns=columns, dtype=object)
    numbers = ("id", "variant", "characteristic_id", "replicate", "moment", "sampled_at")
    return frame.astype(dict.fromkeys(numbers, np.int64) | dict.fromkeys(VALUES, float))


def _set_aside(
    connection: sa.Connection, import_id: int, rows: Iterable[tuple[int, str, str]]
) -> None:
    """Write reasons: (id of the result, reason, detail)."""
    fresh = [
        {"result_id": number, "reason": reason, "detail": str(detail), "import_id": import_id}
        for number, reason, detail in rows
    ]
    if fresh:
        connection.execute(sa.insert(schema.SET_ASIDE), fresh)


def _insert_not_parsed(connection: sa.Connection, import_id: int, reading: FileReading) -> None:
    if reading.not_parsed:
        connection.execute(
            sa.insert(schema.NOT_PARSED),
            [
                {
                    "import_id": import_id,
                    "line": item.line,
                    "last_line": item.last_line,
                    "reason": item.reason,
                    "text": item.text.replace("\0", "␀"),  # PostgreSQL holds no NUL in text
                }
                for item in reading.not_parsed
            ],
        )


def _insert_repeated(
    connection: sa.Connection, import_id: int, duplicates: npt.NDArray[np.int64]
) -> None:
    """Keep which result every repeated line repeats, as stretches that run side by side."""
    if not len(duplicates):
        return
    pairs = duplicates[np.lexsort((duplicates[:, 1], duplicates[:, 0]))]
    breaks = np.flatnonzero((np.diff(pairs[:, 0]) != 1) | (np.diff(pairs[:, 1]) != 1)) + 1
    firsts = np.concatenate(([0], breaks))
    lasts = np.concatenate((breaks, [len(pairs)])) - 1
    connection.execute(
        sa.insert(schema.REPEATED),
        [
            {
                "import_id": import_id,
                "first_line": int(pairs[a, 0]),
                "last_line": int(pairs[b, 0]),
                "first_result_id": int(pairs[a, 1]),
            }
            for a, b in zip(firsts, lasts, strict=True)
        ],
    )


def _judge(connection: sa.Connection, import_id: int, first_id: int, found: Found) -> None:
    """Work out anew what stands beside what in the batches that this import touched.

    Args:
        first_id: id of the first result of this import.
        found: its `crowded` batches are judged too; the remarks are added to it.
    """
    found.crowded.update(_batches_with_attempts(connection, first_id))
    crowded = sorted(found.crowded)
    for start in range(0, len(crowded), _BATCHES_AT_ONCE):
        batches = pd.DataFrame(crowded[start : start + _BATCHES_AT_ONCE], columns=KEY[:2])
        rows = _stored_under(connection, batches)
        _renew(connection, import_id, judged(rows, first_id, found))


def _batches_with_attempts(connection: sa.Connection, first_id: int) -> set[tuple[int, str]]:
    """Batches of products in which this import and another row hold the same replicate."""
    new, other = schema.RESULTS.alias("n"), schema.RESULTS.alias("o")
    kinds = schema.CHARACTERISTICS
    same = ("characteristic_id", "batch", "replicate", "instrument")
    query = (
        sa.select(new.c.characteristic_id, new.c.batch)
        .where(new.c.id >= first_id, new.c.replicate > 0)
        .where(
            new.c.characteristic_id.in_(
                sa.select(kinds.c.id).where(kinds.c.sample_type == "product")
            )
        )
        .where(
            sa.exists().where(
                *(other.c[name] == new.c[name] for name in same), other.c.id != new.c.id
            )
        )
        .distinct()
    )
    return {(int(number), str(batch)) for number, batch in connection.execute(query)}


def _renew(connection: sa.Connection, import_id: int, verdicts: dict[tuple[int, str], str]) -> None:
    """Make the judgements on the results of the asked batches these, and no others."""
    results, aside, asked = schema.RESULTS, schema.SET_ASIDE, _ASKED[2]
    held = {
        (int(row.result_id), str(row.reason)): str(row.detail)
        for row in connection.execute(
            sa.select(aside.c.result_id, aside.c.reason, aside.c.detail)
            .join(results, results.c.id == aside.c.result_id)
            .join(asked, sa.and_(*(results.c[name] == asked.c[name] for name in KEY[:2])))
            .where(aside.c.reason.in_(JUDGED))
        )
    }
    ended = [key for key, detail in held.items() if verdicts.get(key) != detail]
    if ended:
        connection.execute(
            sa.delete(aside).where(
                aside.c.result_id == sa.bindparam("number"), aside.c.reason == sa.bindparam("why")
            ),
            [{"number": number, "why": reason} for number, reason in ended],
        )
    begun = ((*key, detail) for key, detail in verdicts.items() if held.get(key) != detail)
    _set_aside(connection, import_id, begun)


def _account(
    connection: sa.Connection,
    first_id: int,
    reading: FileReading,
    duplicates: int,
    conflicts: int,
) -> RowAccount:
    """The account of this import, counted from what is really in the store from its first id."""
    results, aside = schema.RESULTS, schema.SET_ASIDE
    mine = results.c.id >= first_id
    written = connection.execute(sa.select(sa.func.count()).where(mine)).scalar_one()
    first = (
        sa.select(aside.c.result_id, sa.func.min(aside.c.reason).label("reason"))
        .where(aside.c.result_id >= first_id)
        .group_by(aside.c.result_id)
        .subquery()
    )
    counts = connection.execute(
        sa.select(first.c.reason, sa.func.count()).group_by(first.c.reason)
    ).all()
    set_aside = {str(reason): int(count) for reason, count in sorted(counts)}
    return RowAccount(
        rows_read=reading.account.rows_read,
        used=int(written) - sum(set_aside.values()),
        set_aside=set_aside,
        not_parsed=reading.account.not_parsed,
        duplicates=duplicates,
        conflicts=conflicts,
        blank_lines=reading.account.blank_lines,
    )


def _remarks(found: Found) -> tuple[str, ...]:
    return (
        *_first_ten(found.conflicts, "readings recorded in more than one way"),
        *_first_ten(found.retests, "retests"),
        *_first_ten(found.undated, "readings without a time"),
        *_first_ten(found.reused, "batch numbers used again"),
    )


def _first_ten(sentences: list[str], what: str) -> list[str]:
    sentences = sorted(sentences)
    more = len(sentences) - 10
    return sentences if more <= 0 else [*sentences[:10], f"And {more} more {what}."]

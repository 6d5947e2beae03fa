"""The batch table: what each batch's readings in use come to, kept beside the readings.

Screens read batches, not readings. A batch is renewed in the transaction that changes one of its
readings, and carries the store's revision of that change. Whatever is in the table can be made
again from the readings: `rebuild` does it and `differences` proves that nothing would change.
"""

import json
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from ingest import schema
from ingest.duplicates import ask
from ingest.inserting import insert_many
from ingest.judging import uses_of
from ingest.result_rows import literals_of, plain_list

Key = tuple[int, str]
"""Characteristic id and batch."""

COLUMNS = tuple(column.name for column in schema.BATCHES.columns)
PACKED = ("n", "use", "first_at", "last_at", "order_at", "first_id")
"""Whole numbers of the column `packed`, int64 and little-endian, in this order.

order_at is the time of the first reading in production order, 0 where none is recorded, and
first_id its result: batches stand in this order. One piece of bytes is read far faster than six
columns.
"""
_OWN = tuple(name for name in COLUMNS if name != "revision")
_IDENTITY = ("characteristic_id", "batch", "use")
_BATCHES_AT_ONCE = 20_000
_NEVER = np.iinfo(np.int64).max
_USED = """
    SELECT r.characteristic_id, r.batch, r.replicate, r.instrument, r.shift, r.viscosity,
           r.sampled_at, r.moment, r.id
    FROM results r
    WHERE NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id)
"""
_WITHOUT_ROW = sa.text(
    "SELECT DISTINCT r.batch FROM results r WHERE r.characteristic_id = :owner AND NOT EXISTS "
    "(SELECT 1 FROM batches b WHERE b.characteristic_id = r.characteristic_id "
    "AND b.batch = r.batch)"
)
_USED_COLUMNS = [
    *("characteristic_id", "batch", "replicate", "instrument", "shift", "viscosity"),
    *("sampled_at", "moment", "id"),
]


def aggregate(used: pd.DataFrame) -> pd.DataFrame:
    """The rows of the batch table that readings in use come to, without their revision.

    Args:
        used: columns characteristic_id, batch, replicate, instrument, shift, viscosity (mPa·s),
            sampled_at and moment (s since 1970 UTC, 0 where not recorded), id.

    Returns:
        one row a batch; a number that was used again after REUSED_AFTER is another batch, its
        `use` counted from 0. Within a batch readings stand by replicate number, then in production
        order (sampling time, else time of reading, else order of the rows).
    """
    if used.empty:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in _OWN})
    owner = used["characteristic_id"].to_numpy(dtype=np.int64)
    names, texts = pd.factorize(used["batch"])
    code = owner * len(texts) + names
    ids = used["id"].to_numpy(dtype=np.int64)
    sampled = used["sampled_at"].to_numpy(dtype=np.int64)
    times = np.where(sampled != 0, sampled, used["moment"].to_numpy(dtype=np.int64))
    uses = uses_of(code, times)
    # in the order of the table's key, or nearly: so they are written faster
    code = np.unique(code * (uses.max() + 1) + uses, return_inverse=True)[1]
    replicate = used["replicate"].to_numpy(dtype=np.int64)
    in_order = bool((np.diff(ids) > 0).all())
    order = np.lexsort((times, replicate, code) if in_order else (ids, times, replicate, code))
    code, ids, times = code[order], ids[order], times[order]
    values = used["viscosity"].to_numpy(dtype=float)[order]
    first = np.flatnonzero(np.diff(code, prepend=-1))
    n = np.diff(first, append=len(code))
    earliest = np.minimum.reduceat(times, first)
    first_at = np.minimum.reduceat(np.where(times == 0, _NEVER, times), first)
    first_ids = np.where(times == np.repeat(earliest, n), ids, _NEVER)
    kinds, instruments = pd.factorize(used["instrument"])
    shifts, shift_texts = pd.factorize(used["shift"])
    kinds = kinds[order]
    # Python's driver of SQLite looks for a way to adapt bytes, but takes a bytearray as it is
    raw = bytearray(values.astype("<f8").tobytes())
    edges = zip((first * 8).tolist(), ((first + n) * 8).tolist(), strict=True)
    last_at = np.maximum.reduceat(times, first)
    first_at = np.where(first_at == _NEVER, 0, first_at)
    first_id = np.minimum.reduceat(first_ids, first)
    use = uses[order[first]]
    whole = np.column_stack((n, use, first_at, last_at, earliest, first_id))
    packed = bytearray(whole.astype("<i8").tobytes())
    width = 8 * len(PACKED)
    return pd.DataFrame(
        {
            "characteristic_id": owner[order[first]],
            "batch": _objects(_texts(texts)[names[order[first]]]),
            "use": use,
            "n": n,
            **sums_of(values, first, n),
            "first_at": first_at,
            "last_at": last_at,
            "instrument": _objects(_texts(instruments)[kinds[first + n - 1]]),
            "instruments": _objects(_several(kinds, [str(text) for text in instruments], first, n)),
            "shift": _objects(_texts(shift_texts)[shifts[order[first]]]),
            "packed": _objects([packed[at : at + width] for at in range(0, len(packed), width)]),
            "readings": _objects([raw[start:stop] for start, stop in edges]),
        }
    )


def _objects(values: npt.NDArray[np.object_] | list[bytearray]) -> pd.Series:
    """A column of Python values as they are: made into text columns they would be made back."""
    return pd.Series(values, dtype=object)


def _texts(distinct: pd.Index) -> npt.NDArray[np.object_]:
    return np.array(list(distinct.to_numpy(dtype=object)), dtype=object)


def sums_of(
    values: npt.NDArray[np.float64], first: npt.NDArray[np.int64], n: npt.NDArray[np.int64]
) -> dict[str, npt.NDArray[np.float64]]:
    """Mean, lowest, highest, range and centred sum of squares of each stretch of readings."""
    if not len(first):
        return {name: np.empty(0) for name in ("mean", "low", "high", "range", "css")}
    mean = np.add.reduceat(values, first) / n
    low, high = np.minimum.reduceat(values, first), np.maximum.reduceat(values, first)
    return {
        "mean": mean,
        "low": low,
        "high": high,
        "range": np.where(n > 1, high - low, np.nan),
        "css": np.add.reduceat((values - np.repeat(mean, n)) ** 2, first),
    }


def _several(
    kinds: npt.NDArray[np.int64],
    names: list[str],
    first: npt.NDArray[np.int64],
    n: npt.NDArray[np.int64],
) -> npt.NDArray[np.object_]:
    """The instruments of each batch as a JSON list where there is more than one, else ""."""
    told = np.full(len(first), "", dtype=object)
    mixed = np.minimum.reduceat(kinds, first) != np.maximum.reduceat(kinds, first)
    for index in np.flatnonzero(mixed):
        within = kinds[first[index] : first[index] + n[index]]
        held = sorted({names[kind] for kind in within})
        told[index] = json.dumps(held, ensure_ascii=False)
    return told


def without_readings(keys: Iterable[Key]) -> pd.DataFrame:
    """The rows of the batch table for batches that have no reading in use."""
    some = sorted(keys)
    n = len(some)
    numbers = dict.fromkeys(("use", "n", "first_at", "last_at"), np.zeros(n, dtype=np.int64))
    sums = dict.fromkeys(("mean", "low", "high", "range", "css"), np.full(n, np.nan))
    texts = dict.fromkeys(("instrument", "instruments", "shift"), np.full(n, "", dtype=object))
    return pd.DataFrame(
        {
            "characteristic_id": [key[0] for key in some],
            "batch": pd.Series([key[1] for key in some], dtype=object),
            **numbers,
            **sums,
            **texts,
            "packed": pd.Series([_blank(0)] * n, dtype=object),
            "readings": pd.Series([b""] * n, dtype=object),
        }
    )


# --- writing ----------------------------------------------------------------------------------


def insert_new(connection: sa.Connection, frame: pd.DataFrame, revision: int) -> set[Key]:
    """Write batches as `aggregate` gives them; the keys of batches that stood already.

    Where any stood, all keys come back: those have readings from elsewhere too, so they must be
    renewed from the store.
    """
    if frame.empty:
        return set()
    constant = {**literals_of(frame, _OWN), "revision": str(int(revision))}
    columns = {name: _plain(frame[name]) for name in _OWN if name not in constant}
    written = insert_many(connection, "batches", columns, constant)
    if written == len(frame):
        return set()
    return set(zip(frame["characteristic_id"].tolist(), frame["batch"].tolist(), strict=True))


def renew(connection: sa.Connection, keys: Iterable[Key], revision: int) -> None:
    """Bring batches in line with their readings; those that stay the same keep their revision."""
    waiting = sorted(set(keys))
    for start in range(0, len(waiting), _BATCHES_AT_ONCE):
        part = waiting[start : start + _BATCHES_AT_ONCE]
        asked = ask(connection, pd.DataFrame(part, columns=_IDENTITY[:2]))
        frame = aggregate(_frame(_used_readings(connection, asked)))
        _upsert(connection, frame, revision)
        made = set(zip(*(frame[name].tolist() for name in _IDENTITY), strict=True))
        _empty(connection, sorted(_held_rows(connection, asked) - made), revision)
        insert_new(connection, without_readings(set(part) - {row[:2] for row in made}), revision)


def _used_readings(connection: sa.Connection, asked: sa.Table) -> list[sa.Row[tuple[object, ...]]]:
    results, aside = schema.RESULTS, schema.SET_ASIDE
    query = (
        sa.select(*(results.c[name] for name in _USED_COLUMNS))
        .join(asked, _same_batch(results, asked))
        .where(~sa.exists().where(aside.c.result_id == results.c.id))
    )
    return list(connection.execute(query).all())


def _held_rows(connection: sa.Connection, asked: sa.Table) -> set[tuple[int, str, int]]:
    """Characteristic, batch and use of the rows that stand for some batches."""
    table = schema.BATCHES
    query = (
        sa.select(*(table.c[name] for name in _IDENTITY))
        .join(asked, _same_batch(table, asked))
        .where(table.c.n != 0)
    )
    return {(int(a), str(b), int(c)) for a, b, c in connection.execute(query)}


def _same_batch(table: sa.Table, asked: sa.Table) -> sa.ColumnElement[bool]:
    return sa.and_(*(table.c[name] == asked.c[name] for name in _IDENTITY[:2]))


def _frame(rows: list[sa.Row[tuple[object, ...]]]) -> pd.DataFrame:
    return pd.DataFrame([tuple(row) for row in rows], columns=_USED_COLUMNS)


def _upsert(connection: sa.Connection, frame: pd.DataFrame, revision: int) -> None:
    if frame.empty:
        return
    table = schema.BATCHES
    own = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    statement = own(table)
    fresh = {name: statement.excluded[name] for name in COLUMNS if name not in _IDENTITY}
    different = sa.or_(
        *(
            table.c[name].is_distinct_from(column)
            for name, column in fresh.items()
            if name != "revision"
        )
    )
    statement = statement.on_conflict_do_update(
        index_elements=list(_IDENTITY), set_=fresh, where=different
    )
    rows = [
        {**dict(zip(_OWN, row, strict=True)), "revision": revision}
        for row in zip(*(_plain(frame[name]) for name in _OWN), strict=True)
    ]
    connection.execute(statement, rows)


def _empty(connection: sa.Connection, keys: list[tuple[int, str, int]], revision: int) -> None:
    """Batches without any reading in use are kept as such, so that screens hear of it."""
    if not keys:
        return
    table = schema.BATCHES
    nothing = dict.fromkeys(("mean", "low", "high", "range", "css"))
    blank = dict.fromkeys(("first_at", "last_at", "n"), 0)
    connection.execute(
        sa.update(table)
        .where(
            table.c.characteristic_id == sa.bindparam("owner"),
            table.c.batch == sa.bindparam("name"),
            table.c.use == sa.bindparam("number"),
        )
        .values(
            **nothing,
            **blank,
            **dict.fromkeys(("instrument", "instruments", "shift"), ""),
            packed=sa.bindparam("blank"),
            readings=b"",
            revision=revision,
        ),
        [
            {"owner": owner, "name": name, "number": use, "blank": _blank(use)}
            for owner, name, use in keys
        ],
    )


def _blank(use: int) -> bytes:
    numbers = [use if name == "use" else 0 for name in PACKED]
    return np.array(numbers, dtype="<i8").tobytes()


def _plain(values: pd.Series) -> list[object]:
    """A column as plain Python values, NaN as None."""
    return plain_list(values)


# --- against the readings -----------------------------------------------------------------------


def rebuild(connection: sa.Connection, revision: int) -> int:
    """Make every batch again from the readings; the number of batches that had to change."""
    wrong = differences(connection)
    renew(connection, wrong, revision)
    return len(wrong)


def differences(connection: sa.Connection) -> list[Key]:
    """The batches whose row is not what their readings come to, to the last bit."""
    wrong: list[Key] = []
    owners = connection.execute(
        sa.select(schema.CHARACTERISTICS.c.id).order_by(schema.CHARACTERISTICS.c.id)
    ).scalars()
    for owner in owners.all():
        readings = connection.execute(
            sa.text(f"{_USED} AND r.characteristic_id = :owner"), {"owner": owner}
        ).all()
        frame = aggregate(_frame(list(readings)))
        made = {row[1:3]: row for row in zip(*(_plain(frame[name]) for name in _OWN), strict=True)}
        held = {
            (row.batch, row.use): _as_held(tuple(row))
            for row in connection.execute(
                sa.select(*(schema.BATCHES.c[name] for name in _OWN)).where(
                    schema.BATCHES.c.characteristic_id == owner, schema.BATCHES.c.n != 0
                )
            )
        }
        different = {
            str(key[0]) for key in made.keys() | held.keys() if made.get(key) != held.get(key)
        }
        different |= set(connection.execute(_WITHOUT_ROW, {"owner": owner}).scalars())
        wrong += [(int(owner), batch) for batch in sorted(different)]
    return wrong


def _as_held(row: tuple[object, ...]) -> tuple[object, ...]:
    return tuple(bytes(value) if isinstance(value, memoryview) else value for value in row)

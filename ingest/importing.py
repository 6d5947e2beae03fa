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
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
import sqlalchemy as sa
from sqlalchemy.schema import CreateTable

from ingest import batches, schema
from ingest.account import RowAccount, require_closed
from ingest.batches import Key
from ingest.characteristics import with_characteristics
from ingest.judging import JUDGED, KEY, REMARKS, VALUES, Found, codes_of, judged
from ingest.opening import next_id
from ingest.reading import FileReading
from ingest.reasons import UNDONE
from ingest.result_rows import insert_results, plain_list

_CHUNK = 50_000
_BATCHES_AT_ONCE = 10_000
_KEPT = (*KEY, *VALUES, *REMARKS)

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


@dataclass(slots=True)
class _Batches:
    """The batches that an import has touched so far.

    Attributes:
        stale: to be made anew from the store, as they have readings from elsewhere too.
        last: those of the block of rows before, in which a batch may have begun.
    """

    revision: int
    stale: set[Key] = field(default_factory=set)
    last: set[Key] = field(default_factory=set)


def add_rows(
    connection: sa.Connection,
    import_id: int,
    revision: int,
    reading: FileReading,
    progress: Callable[[int, int], None] | None,
) -> tuple[RowAccount, tuple[str, ...]]:
    """Write a file's rows and renew their batches, inside the caller's transaction.

    Returns:
        the row account after duplicates, conflicts and retests were found, and remarks on them.
    """
    rows = with_characteristics(connection, reading.rows)
    first_id = free_id = next_id(connection, schema.RESULTS)
    found, touched = Found(), _Batches(revision)
    for start in range(0, len(rows), _CHUNK):
        chunk = rows.iloc[start : start + _CHUNK].copy()
        chunk["id"] = np.arange(free_id, free_id + len(chunk))
        free_id += len(chunk)
        chunk["variant"] = 0
        chunk["import_id"] = import_id
        _insert_chunk(connection, import_id, chunk, found, touched)
        if progress is not None:
            progress(min(start + _CHUNK, len(rows)), len(rows))
    _insert_not_parsed(connection, import_id, reading)
    duplicates = np.concatenate([np.empty((0, 2), dtype=np.int64), *found.duplicates])
    _insert_repeated(connection, import_id, duplicates)
    judge(connection, import_id, first_id, found)
    batches.renew(connection, touched.stale | found.crowded, revision)
    account = _account(connection, first_id, reading, len(duplicates), len(found.conflicts))
    require_closed(account, reading.name)
    return account, _remarks(found)


def _insert_chunk(
    connection: sa.Connection,
    import_id: int,
    chunk: pd.DataFrame,
    found: Found,
    touched: _Batches,
) -> None:
    """Write a stretch of rows; those whose key is taken beside what is there, unless identical."""
    taken = insert_results(connection, chunk)
    written = chunk[~taken]
    if taken.any():
        beside, twins = _resolve(connection, chunk[taken])
        found.duplicates.append(twins)
        if len(beside):
            insert_results(connection, beside)
            found.crowded |= _keys(beside)
            written = pd.concat([written, beside])
    aside = written[written["reason"] != ""]
    rows = zip(aside["id"].tolist(), aside["reason"], aside["detail"], strict=True)
    _set_aside(connection, import_id, rows)
    stood = _add_batches(connection, written, found.crowded, touched)
    found.crowded |= _with_attempts(written, stood)


def _keys(rows: pd.DataFrame) -> set[Key]:
    return set(zip(rows["characteristic_id"].tolist(), rows["batch"].tolist(), strict=True))


def _add_batches(
    connection: sa.Connection, written: pd.DataFrame, crowded: set[Key], touched: _Batches
) -> set[Key]:
    """Write batches that are new from the rows at hand; the others are to be made anew later.

    Returns:
        the batches among these rows that stood already, or began in the block before.
    """
    aside = (written["reason"] != "").to_numpy()
    made = batches.aggregate(written[~aside] if aside.any() else written)
    keys = list(zip(made["characteristic_id"].tolist(), made["batch"].tolist(), strict=True))
    known = crowded | touched.last
    stood = {key for key in keys if key in known} if known else set()
    if stood:
        made = made[[key not in stood for key in keys]]
    stood |= batches.insert_new(connection, made, touched.revision)
    here = set(keys)
    if aside.any():
        unused = _keys(written[aside]) - here - known
        blank = batches.without_readings(unused)
        stood |= batches.insert_new(connection, blank, touched.revision)
        here |= _keys(written[aside])
    stood |= here & known
    touched.stale |= stood
    touched.last = here
    return stood


def _with_attempts(written: pd.DataFrame, stood: set[Key]) -> set[Key]:
    """Batches of products in which a replicate may be held more than once.

    Args:
        written: rows just stored. stood: batches that have rows from elsewhere.
    """
    product = (written["sample_type"] == "product").to_numpy(dtype=bool)
    numbered = (written["replicate"].to_numpy() > 0) & product
    some = written[numbered]
    if some.empty:
        return set()
    code = codes_of(some, KEY[:4])
    twice = np.bincount(code)[code] > 1
    found = _keys(some[twice]) if twice.any() else set()
    return found | (_keys(some) & stood) if stood else found


def _resolve(
    connection: sa.Connection, again: pd.DataFrame
) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    """Tell apart the rows whose key is taken: records of their own, and duplicates.

    Results of an undone import stand in nobody's way: a row that meets only such is new.

    Returns:
        the rows that differ from all that is stored, with the variant to store them under; and
        (line, id of the result) of those that the store, or the file above them, holds already.
    """
    everything = _stored_under(connection, again[list(KEY)].drop_duplicates())
    stored = everything[~everything["undone"]]
    both = pd.DataFrame(
        {
            name: pd.Series(
                stored[name].tolist() + plain_list(again[name]),
                dtype=float if name in VALUES else object,
            )
            for name in ("id", *_KEPT)
        }
    )
    record = codes_of(both, _KEPT)
    first = np.unique(record, return_index=True)[1][record]
    new = (first == np.arange(len(both)))[len(stored) :]
    twin = both["id"].to_numpy()[first[len(stored) :][~new]].astype(np.int64)
    keys = pd.concat([everything[list(KEY)], again[list(KEY)].astype(object)], ignore_index=True)
    key = codes_of(keys.astype(object), KEY)
    highest = np.full(key.max() + 1, -1)
    np.maximum.at(highest, key[: len(everything)], everything["variant"].to_numpy(dtype=np.int64))
    beside, key = again[new], key[len(everything) :][new]
    ahead = pd.Series(key).groupby(key).cumcount().to_numpy()
    beside = beside.assign(variant=highest[key] + 1 + ahead)
    lines = again.loc[~new, "line"].to_numpy(dtype=np.int64)
    return beside, np.column_stack((lines, twin))


def _ask(connection: sa.Connection, keys: pd.DataFrame) -> sa.Table:
    """Fill the temporary table for as many columns of the key as there are."""
    asked = _ASKED[keys.shape[1]]
    connection.execute(CreateTable(asked, if_not_exists=True))
    connection.execute(sa.delete(asked))
    columns = (plain_list(keys[name]) for name in keys.columns)
    rows = [dict(zip(keys.columns, row, strict=True)) for row in zip(*columns, strict=True)]
    connection.execute(sa.insert(asked), rows)
    return asked


def _stored_under(connection: sa.Connection, keys: pd.DataFrame) -> pd.DataFrame:
    """All that is stored under some keys, or first columns of the key, each row with its `own`.

    `own` is the reason that the row brought along, "" where it had none; `undone` whether its
    import was undone.
    """
    results, aside, kinds = schema.RESULTS, schema.SET_ASIDE, schema.CHARACTERISTICS
    asked = _ask(connection, keys)
    brought = sa.and_(aside.c.result_id == results.c.id, aside.c.reason.not_in([*JUDGED, UNDONE]))
    gone = aside.alias("gone")
    undone = sa.exists().where(gone.c.result_id == results.c.id, gone.c.reason == UNDONE)
    names = ("id", "variant", *_KEPT)
    query = (
        sa.select(
            *(results.c[name] for name in names),
            sa.func.coalesce(aside.c.reason, "").label("own"),
            undone.label("undone"),
            kinds.c.product,
            kinds.c.sample_type,
        )
        .join(asked, sa.and_(*(results.c[name] == asked.c[name] for name in keys.columns)))
        .join(kinds, kinds.c.id == results.c.characteristic_id)
        .outerjoin(aside, brought)
        .order_by(results.c.id)
    )
    columns = [*names, "own", "undone", "product", "sample_type"]
    frame = pd.DataFrame(connection.execute(query).all(), columns=columns, dtype=object)
    numbers = ("id", "variant", "characteristic_id", "replicate", "moment", "sampled_at")
    types = dict.fromkeys(numbers, np.int64) | dict.fromkeys(VALUES, float) | {"undone": bool}
    return frame.astype(types)


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


def judge(
    connection: sa.Connection, import_id: int, first_id: int, found: Found
) -> list[tuple[int, str]]:
    """Work out anew what stands beside what in some batches. Undone results take no part.

    Args:
        connection: the open transaction. import_id: whose doing it is.
        first_id: id of the first result of this import.
        found: its `crowded` batches are judged; the remarks are added to it.

    Returns:
        the judgements that changed: (id of the result, reason).
    """
    crowded = sorted(found.crowded)
    changed: list[tuple[int, str]] = []
    for start in range(0, len(crowded), _BATCHES_AT_ONCE):
        some = pd.DataFrame(crowded[start : start + _BATCHES_AT_ONCE], columns=KEY[:2])
        rows = _stored_under(connection, some)
        rows = rows[~rows["undone"]].reset_index(drop=True)
        verdicts = judged(rows, first_id, found) if len(rows) else {}
        changed += _renew(connection, import_id, verdicts)
    return changed


def _renew(
    connection: sa.Connection, import_id: int, verdicts: dict[tuple[int, str], str]
) -> list[tuple[int, str]]:
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
    begun = [(*key, detail) for key, detail in verdicts.items() if held.get(key) != detail]
    _set_aside(connection, import_id, begun)
    return ended + [(number, reason) for number, reason, _ in begun]


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

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

from collections.abc import Callable, Iterable, Iterator, Set
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import sqlalchemy as sa

from ingest import batches, schema
from ingest.account import RowAccount, require_closed
from ingest.ahead import ahead
from ingest.batches import Key
from ingest.characteristics import known_characteristics, with_characteristics
from ingest.duplicates import (
    ASKED,
    insert_repeated,
    resolve,
    stored_under,
    stretches_of,
    without_twins,
)
from ingest.judging import JUDGED, KEY, Found, codes_of, judged
from ingest.late_indexes import LateIndexes
from ingest.opening import next_id
from ingest.reading import FileReading
from ingest.result_rows import insert_results

_CHUNK = 100_000
_BATCHES_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True)
class _Some:
    """The batches of a block of rows.

    Few of their names stand elsewhere too, so it is not worth it to make keys of all of them.
    """

    rows: list[tuple[list[int], list[str]]] = field(default_factory=list)
    names: frozenset[str] = frozenset()

    @classmethod
    def of(cls, frame: pd.DataFrame) -> "_Some":
        names = frame["batch"].tolist()
        return cls([(frame["characteristic_id"].tolist(), names)], frozenset(names))

    def named(self, names: Set[str]) -> set[Key]:
        """Those that have one of some names."""
        shared = self.names & names
        if not shared:
            return set()
        return {
            (owner, name)
            for part in self.rows
            for owner, name in zip(*part, strict=True)
            if name in shared
        }

    def and_these(self, keys: set[Key]) -> "_Some":
        """The same and some more."""
        more = [owner for owner, _ in keys], [name for _, name in keys]
        return _Some([*self.rows, more], self.names | set(more[1]))


@dataclass(slots=True)
class _Batches:
    """The batches that an import has touched so far.

    Attributes:
        stale: to be made anew from the store, as they have readings from elsewhere too.
        last: those of the block of rows before, in which a batch may have begun.
        repeats: whether most rows of the block before were in the store already.
    """

    revision: int
    stale: set[Key] = field(default_factory=set)
    last: _Some = field(default_factory=_Some)
    repeats: bool = False


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
    first_id = free_id = next_id(connection, schema.RESULTS)
    found, touched = Found(), _Batches(revision)
    late = LateIndexes(connection, first_id - 1, len(reading.typed))
    known = known_characteristics(connection)
    done = 0
    for rows in ahead(_chunks(reading.typed)):
        chunk = with_characteristics(connection, rows, known)
        chunk["id"] = np.arange(free_id, free_id + len(chunk))
        free_id += len(chunk)
        chunk["variant"] = 0
        chunk["import_id"] = import_id
        alone = late.look(chunk)
        _insert_chunk(connection, import_id, chunk, found, touched, alone)
        done += len(chunk)
        if progress is not None:
            progress(done, len(reading.typed))
    late.make()
    _insert_not_parsed(connection, import_id, reading)
    duplicates = insert_repeated(connection, import_id, found)
    judge(connection, import_id, first_id, found)
    batches.renew(connection, touched.stale | found.crowded, revision)
    account = _account(connection, first_id, reading, duplicates, len(found.conflicts))
    require_closed(account, reading.name)
    return account, _remarks(found)


def _chunks(blocks: Iterable[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Stretches of rows that are stored at once."""
    for rows in blocks:
        for start in range(0, len(rows), _CHUNK):
            yield rows.iloc[start : start + _CHUNK]


def _insert_chunk(
    connection: sa.Connection,
    import_id: int,
    chunk: pd.DataFrame,
    found: Found,
    touched: _Batches,
    alone: bool,
) -> None:
    """Write a stretch of rows; those whose key is taken beside what is there, unless identical.

    Args:
        alone: whether no two of them are of one replicate.
    """
    repeats = touched.repeats
    rest = without_twins(connection, chunk, found) if repeats else chunk
    taken = insert_results(connection, rest) if len(rest) else np.zeros(0, dtype=bool)
    written = rest[~taken] if taken.any() else rest
    if taken.any():
        again = rest[taken] if repeats else without_twins(connection, rest[taken], found)
        if len(again):
            beside, twins = resolve(connection, again)
            found.duplicates.append(stretches_of(twins))
            if len(beside):
                insert_results(connection, beside)
                found.crowded |= _keys(beside)
                written = pd.concat([written, beside])
    touched.repeats = 2 * len(written) < len(chunk)
    if written.empty:
        touched.last = _Some()
        return
    is_aside = (written["reason"] != "").to_numpy()
    if is_aside.any():
        aside = written[is_aside]
        told = (
            f"{detail}: {proposal}" if proposal else detail
            for detail, proposal in zip(aside["detail"], aside["proposal"], strict=True)
        )
        rows = zip(aside["id"].tolist(), aside["reason"], told, strict=True)
        _set_aside(connection, import_id, rows)
    stood = _add_batches(connection, written, found.crowded, touched)
    found.crowded |= _with_attempts(written, stood, alone)


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
    here = _Some.of(made)
    stood = here.named(touched.last.names) & touched.last.named(here.names)
    stood |= here.named({name for _, name in crowded}) & crowded
    if stood:
        maybe = made[made["batch"].isin([batch for _, batch in stood])]
        owners, names = maybe["characteristic_id"].tolist(), maybe["batch"].tolist()
        rows = zip(maybe.index, owners, names, strict=True)
        made = made.drop(index=[place for place, *key in rows if tuple(key) in stood])
    stood |= batches.insert_new(connection, made, touched.revision)
    if aside.any():
        unused = _keys(written[aside])
        elsewhere = unused & (touched.last.named({name for _, name in unused}) | crowded)
        here, used = here.and_these(unused), here.named({name for _, name in unused})
        blank = batches.without_readings(unused - used - elsewhere)
        stood |= batches.insert_new(connection, blank, touched.revision) | elsewhere
    touched.stale |= stood
    touched.last = here
    return stood


def _with_attempts(written: pd.DataFrame, stood: set[Key], alone: bool) -> set[Key]:
    """Batches of products in which a replicate may be held more than once.

    Args:
        written: rows just stored. stood: batches that have rows from elsewhere.
        alone: whether no two of the rows are of one replicate.
    """
    if alone and not stood:
        return set()
    product = (written["sample_type"] == "product").to_numpy(dtype=bool)
    numbered = (written["replicate"].to_numpy() > 0) & product
    some = written.loc[numbered, list(KEY[:4])]
    if some.empty:
        return set()
    found: set[Key] = set()
    if not alone:
        code = codes_of(some, KEY[:4])
        twice = np.bincount(code)[code] > 1
        found = _keys(some[twice]) if twice.any() else set()
    if stood:
        found |= _keys(some[some["batch"].isin([batch for _, batch in stood])]) & stood
    return found


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
        rows = stored_under(connection, some)
        rows = rows[~rows["undone"]].reset_index(drop=True)
        verdicts = judged(rows, first_id, found) if len(rows) else {}
        changed += _renew(connection, import_id, verdicts)
    return changed


def _renew(
    connection: sa.Connection, import_id: int, verdicts: dict[tuple[int, str], str]
) -> list[tuple[int, str]]:
    """Make the judgements on the results of the asked batches these, and no others."""
    results, aside, asked = schema.RESULTS, schema.SET_ASIDE, ASKED[2]
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
        remarks=reading.account.remarks,
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

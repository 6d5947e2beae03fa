"""What the store knows of a source: how far it was pulled, and every row as it was pulled."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError, StoreError
from ingest.inserting import insert_many
from ingest.opening import next_id, now, storable
from ingest.source_cells import packed
from ingest.source_description import SourceDescription
from ingest.watermarks import Watermark, from_store

_AT_ONCE = 500
# Columns without which a reading would be another reading; the others are remarks.
_READ_ALIKE = (
    *("product", "batch", "replicate", "instrument", "spindle", "speed", "set_temperature"),
    *("reading_time", "guard", "method", "stage", "sample_type", "tested_at", "time_of_day"),
    *("sampled_at", "viscosity", "unit", "density", "torque", "temperature"),
)


@dataclass(frozen=True, slots=True)
class State:
    """A source as the store knows it.

    Attributes:
        source_id: None before its first pull. watermark: how far it was pulled.
        renew: rows of undone imports are pulled again.
    """

    source_id: int | None
    watermark: Watermark | None
    renew: bool


@dataclass(frozen=True, slots=True)
class HeldRow:
    """The newest version of a row: where it is, its fingerprint, whether it counts and is there."""

    id: int
    digest: str
    import_id: int
    line: int
    missing: bool
    undone: bool


@dataclass(frozen=True, slots=True)
class FreshRow:
    """A row that is to be stored: its key, cells and fingerprint, and the version before it."""

    key: str
    cells: tuple[str, ...]
    digest: str
    old: HeldRow | None = None
    old_cells: dict[str, str] | None = None  # of the version before, where it counts


class SeenRows:
    """Which rows of the store a pull came upon, one byte each."""

    def __init__(self) -> None:
        """Begin with none."""
        self._flags = np.zeros(1024, dtype=bool)

    def add(self, number: int) -> bool:
        """Mark a row; True if it was marked already."""
        if number >= len(self._flags):
            self._flags = np.concatenate((self._flags, np.zeros(number + 1, dtype=bool)))
        before = bool(self._flags[number])
        self._flags[number] = True
        return before

    def __contains__(self, number: int) -> bool:
        """Whether a row is marked."""
        return number < len(self._flags) and bool(self._flags[number])


def meaning_of(source: SourceDescription) -> str:
    """What decides how a row is read, in one text: remarks may change, this may not."""
    return journal.canonical(
        {
            "columns": {ours: source.columns.get(ours, "") for ours in _READ_ALIKE},
            "units": source.units,
            "answers": source.answers,
            "key": list(source.key),
        }
    )


def state_of(connection: sa.Connection, source: SourceDescription, everything: bool) -> State:
    """How far a source was pulled.

    Raises:
        IngestError: earlier pulls read its rows in another way, and they still count.
    """
    row = connection.execute(
        sa.select(schema.SOURCES).where(schema.SOURCES.c.name == source.name)
    ).one_or_none()
    if row is None:
        return State(None, None, everything)
    watermark = from_store(row.watermark)
    if watermark is not None and watermark.column != source.watermark:
        watermark = None  # another column says nothing about this one: all rows are compared
    known = State(int(row.id), watermark, everything)
    if row.meaning == meaning_of(source):
        return known
    standing = _standing_imports(connection, int(row.id))
    if not standing:
        return State(int(row.id), None, True)
    shown = ", ".join(str(number) for number in standing[:10])
    more = f" and {len(standing) - 10} more" if len(standing) > 10 else ""
    raise IngestError(
        f"Source {source.name}: its description now reads the rows in another way than the pulls "
        f"before did ({_differences(row.meaning, meaning_of(source))}), so readings would count "
        f"twice. Undo those imports first ({shown}{more}), or describe it under another name."
    )


def _standing_imports(connection: sa.Connection, source_id: int) -> list[int]:
    pulled, undone = schema.PULLED_IMPORTS, schema.UNDONE_IMPORTS
    found = connection.execute(
        sa.select(pulled.c.import_id)
        .where(
            pulled.c.source_id == source_id,
            pulled.c.import_id.not_in(sa.select(undone.c.import_id)),
        )
        .order_by(pulled.c.import_id)
    ).scalars()
    return [int(number) for number in found]


def _differences(old: str, new: str) -> str:
    before, after = json.loads(old), json.loads(new)
    told = []
    for part in after:
        was, now_is = before.get(part), after[part]
        if was == now_is:
            continue
        if not isinstance(now_is, dict) or not isinstance(was, dict):
            told.append(f"{part} was {was}, is {now_is}")
            continue
        told += [
            f"{name} was {was.get(name) or 'not said'}, is {now_is.get(name) or 'not said'}"
            for name in sorted(was.keys() | now_is.keys())
            if was.get(name) != now_is.get(name)
        ]
    return "; ".join(told)


def held_rows(
    connection: sa.Connection, source_id: int | None, keys: Sequence[str]
) -> dict[str, HeldRow]:
    """The newest version of the rows of some keys."""
    if source_id is None:
        return {}
    rows, undone = schema.SOURCE_ROWS, schema.UNDONE_IMPORTS
    query = (
        sa.select(
            *(rows.c.id, rows.c.key, rows.c.digest, rows.c.import_id, rows.c.line),
            rows.c.missing_since,
            undone.c.import_id.label("undone"),
        )
        .outerjoin(undone, undone.c.import_id == rows.c.import_id)
        .where(rows.c.source_id == source_id, rows.c.key.in_(sa.bindparam("some", expanding=True)))
    )
    found: dict[str, HeldRow] = {}
    for start in range(0, len(keys), _AT_ONCE):
        for row in connection.execute(query, {"some": keys[start : start + _AT_ONCE]}):
            found[str(row.key)] = HeldRow(
                int(row.id),
                str(row.digest),
                int(row.import_id),
                int(row.line),
                row.missing_since != "",
                row.undone is not None,
            )
    return found


def cells_of(
    connection: sa.Connection, places: Iterable[tuple[int, int]]
) -> dict[tuple[int, int], dict[str, str]]:
    """The cells of some rows as they were pulled, by name: (import, line) -> cells."""
    pulled, rows = schema.PULLED_IMPORTS, schema.PULLED_ROWS
    by_import: dict[int, list[int]] = {}
    for import_id, line in places:
        by_import.setdefault(import_id, []).append(line)
    found: dict[tuple[int, int], dict[str, str]] = {}
    query = sa.select(rows.c.line, rows.c.cells).where(
        rows.c.import_id == sa.bindparam("number"),
        rows.c.line.in_(sa.bindparam("lines", expanding=True)),
    )
    for import_id, lines in by_import.items():
        names = json.loads(
            connection.execute(
                sa.select(pulled.c.columns).where(pulled.c.import_id == import_id)
            ).scalar_one()
        )
        for start in range(0, len(lines), _AT_ONCE):
            some = {"number": import_id, "lines": lines[start : start + _AT_ONCE]}
            for line, cells in connection.execute(query, some):
                found[import_id, int(line)] = dict(zip(names, json.loads(cells), strict=True))
    return found


def record_block(
    connection: sa.Connection,
    source: SourceDescription,
    state: State,
    import_id: int,
    fresh: Sequence[FreshRow],
    names: Sequence[str],
    query: tuple[str, str],
    watermark: Watermark | None,
    account: dict[str, Any],
) -> tuple[int, list[int]]:
    """Keep what a block of rows was, inside the transaction of its import.

    Args:
        connection: the open transaction. source, state: as this pull found them.
        import_id: the import that the rows are in, line n being the n-th of `fresh`.
        names: what their cells are called. query: the statement and its digest.
        watermark: how far the source is pulled with this block. account: of the import.

    Returns:
        the source's id, and the ids of the rows in `source_rows`.

    Raises:
        IngestError: another pull of the same source stored some of these rows meanwhile.
    """
    source_id = _source_id(connection, source)
    _require_unmoved(connection, source, source_id, fresh)
    before = state.watermark.stored() if state.watermark else ""
    after = watermark.stored() if watermark else ""
    changed = [row for row in fresh if row.old_cells is not None]
    connection.execute(
        sa.insert(schema.PULLED_IMPORTS).values(
            import_id=import_id,
            source_id=source_id,
            query=storable(query[0]),
            query_digest=query[1],
            columns=json.dumps(list(names), ensure_ascii=False),
            watermark_before=before,
            watermark_after=after,
            n_changed=len(changed),
        )
    )
    versions = [row.old if row.old_cells else None for row in fresh]
    _insert(
        connection,
        schema.PULLED_ROWS,
        {
            "import_id": [import_id] * len(fresh),
            "line": range(1, len(fresh) + 1),
            "key": [row.key for row in fresh],
            "cells": [packed(row.cells) for row in fresh],
            "old_import_id": [old.import_id if old else None for old in versions],
            "old_line": [old.line if old else None for old in versions],
        },
    )
    numbers = _point_to(connection, source_id, import_id, fresh)
    connection.execute(
        sa.update(schema.SOURCES).where(schema.SOURCES.c.id == source_id).values(watermark=after)
    )
    journal.append(
        connection,
        by=None,
        what="source pulled",
        subject=f"source {source.name}, import {import_id}",
        old={"watermark": before},
        new={"watermark": after, "query": query[1], "changed": len(changed), "account": account},
    )
    return source_id, numbers


def _source_id(connection: sa.Connection, source: SourceDescription) -> int:
    """The id of a source, which is written down if it is new, with how it is read now."""
    table = schema.SOURCES
    meaning = meaning_of(source)
    known = connection.execute(
        sa.select(table.c.id, table.c.meaning).where(table.c.name == source.name)
    ).one_or_none()
    if known is not None:
        if known.meaning != meaning:
            connection.execute(
                sa.update(table).where(table.c.id == known.id).values(meaning=meaning, watermark="")
            )
        return int(known.id)
    number = next_id(connection, table)
    connection.execute(
        sa.insert(table).values(
            id=number, name=source.name, meaning=meaning, watermark="", pulled_at="", outcome="{}"
        )
    )
    return number


def _require_unmoved(
    connection: sa.Connection,
    source: SourceDescription,
    source_id: int,
    fresh: Sequence[FreshRow],
) -> None:
    held = held_rows(connection, source_id, [row.key for row in fresh])
    if any(held.get(row.key) != row.old for row in fresh):
        raise IngestError(
            f"Source {source.name} was pulled by another program at the same time: nothing is "
            "stored twice, pull again."
        )


def _point_to(
    connection: sa.Connection, source_id: int, import_id: int, fresh: Sequence[FreshRow]
) -> list[int]:
    """Make these rows the newest versions of theirs; their ids."""
    table = schema.SOURCE_ROWS
    free = next_id(connection, table)
    new = [(line, row) for line, row in enumerate(fresh, start=1) if row.old is None]
    taken = iter(range(free, free + len(new)))
    numbers = [row.old.id if row.old else next(taken) for row in fresh]
    _insert(
        connection,
        table,
        {
            "id": range(free, free + len(new)),
            "source_id": [source_id] * len(new),
            "key": [row.key for _, row in new],
            "digest": [row.digest for _, row in new],
            "import_id": [import_id] * len(new),
            "line": [line for line, _ in new],
            "missing_since": [""] * len(new),
        },
    )
    known = [
        {
            "number": row.old.id,
            "new_digest": row.digest,
            "new_import_id": import_id,
            "new_line": line,
            "new_missing_since": "",
        }
        for line, row in enumerate(fresh, start=1)
        if row.old is not None
    ]
    if known:
        connection.execute(
            sa.update(table)
            .where(table.c.id == sa.bindparam("number"))
            .values(
                {
                    name: sa.bindparam(f"new_{name}")
                    for name in ("digest", "import_id", "line", "missing_since")
                }
            ),
            known,
        )
    return numbers


def _insert(connection: sa.Connection, table: sa.Table, columns: dict[str, Sequence[Any]]) -> None:
    """Insert rows, given by column, as fast as the driver takes them."""
    if not len(next(iter(columns.values()))):
        return
    written = insert_many(connection, table.name, columns)
    if written != len(next(iter(columns.values()))):
        raise StoreError("The store did not take all rows of this source: pull again.")


def count_present(connection: sa.Connection, source_id: int | None) -> int:
    """How many rows of a source are known and were there when it was last looked at."""
    rows = schema.SOURCE_ROWS
    query = sa.select(sa.func.count()).where(
        rows.c.source_id == source_id, rows.c.missing_since == ""
    )
    return int(connection.execute(query).scalar_one())


def unseen(
    connection: sa.Connection, source_id: int | None, seen: SeenRows
) -> list[tuple[int, str, int, int]]:
    """Rows that were there before and were not come upon: (id, key, import, line)."""
    rows = schema.SOURCE_ROWS
    query = sa.select(rows.c.id, rows.c.key, rows.c.import_id, rows.c.line).where(
        rows.c.source_id == source_id, rows.c.missing_since == ""
    )
    found = connection.execute(query.order_by(rows.c.id).execution_options(yield_per=10_000))
    return [(int(n), str(key), int(i), int(at)) for n, key, i, at in found if int(n) not in seen]


def finish(
    connection: sa.Connection,
    source: SourceDescription,
    watermark: Watermark | None,
    missing: Sequence[tuple[int, str, int, int]],
    back: Sequence[int],
    outcome: dict[str, Any],
) -> None:
    """Write down what a pull came to, and which rows are not in the source any more."""
    source_id = _source_id(connection, source)
    at = now()
    table = schema.SOURCE_ROWS
    marks = [(at, number) for number, *_ in missing] + [("", number) for number in back]
    if marks:
        connection.execute(
            sa.update(table)
            .where(table.c.id == sa.bindparam("number"))
            .values(missing_since=sa.bindparam("since")),
            [{"since": since, "number": number} for since, number in marks],
        )
        journal.append(
            connection,
            by=None,
            what="rows of a source gone or back",
            subject=f"source {source.name}",
            old=None,
            new={
                "gone": [json.loads(key) for _, key, *_ in missing[:1000]],
                "n_gone": len(missing),
                "n_back": len(back),
            },
        )
    connection.execute(
        sa.update(schema.SOURCES)
        .where(schema.SOURCES.c.id == source_id)
        .values(
            pulled_at=at,
            outcome=journal.canonical(outcome),
            watermark=watermark.stored() if watermark else "",
        )
    )

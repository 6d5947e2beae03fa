"""The row accounts of imports counted once more, from what the store really holds."""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from ingest import schema
from ingest.account import RowAccount
from ingest.results import FIRST_REASON


@dataclass(slots=True)
class Held:
    """What the store holds of one import.

    Attributes:
        written: results of its own. set_aside: those by their first reason.
        not_parsed: records by reason. duplicates: rows that repeat a result and do not count
            themselves. conflicts: readings of it that are recorded with more than one value.
    """

    written: int = 0
    set_aside: dict[str, int] = field(default_factory=dict)
    not_parsed: dict[str, int] = field(default_factory=dict)
    duplicates: int = 0
    conflicts: int = 0


def held(connection: sa.Connection, import_ids: Iterable[int] | None = None) -> dict[int, Held]:
    """Count the rows of some imports, or of all, in one pass over each table."""
    where, wanted = "", None
    if import_ids is not None:
        wanted = sorted(set(import_ids))
        where = f"WHERE r.import_id IN ({', '.join(str(int(one)) for one in wanted)})"
    every = connection.execute(sa.select(schema.IMPORTS.c.id)).scalars()
    found = {int(one): Held() for one in (every if wanted is None else wanted)}
    counts = "SELECT r.import_id, COUNT(*) FROM {table} r {where} GROUP BY r.import_id"
    for number, count in _rows(connection, counts.format(table="results", where=where)):
        found[number].written = count
    reasons = (
        "SELECT r.import_id, f.reason, COUNT(*) FROM {table} r {where} "
        "GROUP BY r.import_id, f.reason ORDER BY f.reason"
    )
    first = (
        f"(SELECT a.result_id, {FIRST_REASON} AS reason FROM set_aside a GROUP BY a.result_id) f "  # noqa: S608 - literals of this package
        "JOIN results"
    )
    joined = f"ON r.id = f.result_id {where}"
    for number, reason, count in _rows(connection, reasons.format(table=first, where=joined)):
        found[number].set_aside[reason] = count
    plain = reasons.replace("f.reason", "r.reason").format(table="not_parsed", where=where)
    for number, reason, count in _rows(connection, plain):
        found[number].not_parsed[reason] = count
    lines = counts.replace("COUNT(*)", "SUM(r.last_line - r.first_line + 1)")
    for number, count in _rows(connection, lines.format(table="repeated", where=where)):
        found[number].duplicates = int(count)
    for number, count in _rows(connection, counts.format(table="promoted", where=where)):
        found[number].duplicates -= count
    return found


def _rows(connection: sa.Connection, query: str) -> list[Any]:
    return list(connection.execute(sa.text(query)).all())


def conflicts(connection: sa.Connection, import_id: int) -> int:
    """How many readings of an import are recorded with more than one value at present."""
    results, aside = schema.RESULTS, schema.SET_ASIDE
    key = (results.c.characteristic_id, results.c.batch, results.c.replicate)
    rows = (
        sa.select(*key, results.c.instrument, results.c.moment)
        .join(aside, aside.c.result_id == results.c.id)
        .where(results.c.import_id == import_id, aside.c.reason == "conflict")
        .distinct()
        .subquery()
    )
    return int(connection.execute(sa.select(sa.func.count()).select_from(rows)).scalar_one())


def stored(connection: sa.Connection, import_id: int) -> RowAccount:
    """The account that is written down for an import."""
    text = connection.execute(
        sa.select(schema.IMPORTS.c.account).where(schema.IMPORTS.c.id == import_id)
    ).scalar_one()
    values = json.loads(text)
    # an import of an earlier version said nothing of remarks
    return RowAccount(**{k: values[k] for k in RowAccount.__dataclass_fields__ if k in values})


def counted(connection: sa.Connection, import_id: int, now: Held) -> RowAccount:
    """The account of an import as its rows stand now; rows read and blank lines do not change."""
    before = stored(connection, import_id)
    return RowAccount(
        rows_read=before.rows_read,
        used=now.written - sum(now.set_aside.values()),
        set_aside=now.set_aside,
        not_parsed=now.not_parsed,
        duplicates=now.duplicates,
        conflicts=conflicts(connection, import_id),
        blank_lines=before.blank_lines,
        remarks=before.remarks,
    )


def faults(connection: sa.Connection) -> list[str]:
    """Imports whose account does not close or is not what the store holds, a sentence each."""
    found = []
    undone = set(connection.execute(sa.select(schema.UNDONE_IMPORTS.c.import_id)).scalars())
    for number, now in held(connection).items():
        account = stored(connection, number)
        written = account.used + sum(account.set_aside.values())
        if not account.closes:
            found.append(f"Import {number}: its account does not close.")
        for what, said, is_there in (
            ("results", written, now.written),
            ("records not parsed", sum(account.not_parsed.values()), sum(now.not_parsed.values())),
            ("duplicates", account.duplicates, now.duplicates),
        ):
            if said != is_there:
                found.append(
                    f"Import {number}: its account says {said} {what}, the store holds {is_there}."
                )
        if number in undone and now.set_aside != {"import_undone": now.written} and now.written:
            found.append(f"Import {number} was undone, but some of its results still count.")
    return found

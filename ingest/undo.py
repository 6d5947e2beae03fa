"""Undo of a whole import: a new entry in the journal, and its results no longer count."""

from dataclasses import dataclass

import sqlalchemy as sa

from ingest import batches, journal, recount, schema
from ingest.account import RowAccount, require_closed
from ingest.batches import Key
from ingest.errors import IngestError
from ingest.importing import judge
from ingest.judging import JUDGED, KEY, Found
from ingest.opening import next_id, next_revision
from ingest.reasons import UNDONE
from ingest.store import Store

_COPIED = tuple(
    column.name
    for column in schema.RESULTS.columns
    if column.name not in ("id", "variant", "import_id", "line")
)
_AT_ONCE = 400


@dataclass(frozen=True, slots=True)
class UndoReport:
    """What an undo did.

    Attributes:
        import_id, file: what was undone. n_results: results that no longer count.
        counted_again: other import -> rows of it that count now, having been duplicates so far.
        accounts: the account of each import concerned, as it stands now.
    """

    import_id: int
    file: str
    n_results: int
    counted_again: dict[int, int]
    accounts: dict[int, RowAccount]


def undo_import(store: Store, import_id: int, why: str, by: str | None = None) -> UndoReport:
    """Take a whole import back, in one transaction. Nothing is deleted.

    What happens, in this order:

    1. Every result of the import is set aside as `import_undone`, whatever else it is marked with.
    2. A row of another import (that is not undone) which had been a duplicate of one of these
       results was recorded by that import too, so it counts: it becomes a result of its own, with
       its own file and line and the same cells. Of several such rows the earliest does; the others
       stay duplicates, of that one. The other import's account moves it from duplicates to used
       (or to the reason for which the row is set aside anyway).
    3. What the rows that are left say beside each other (conflict, retest, other remarks …) is
       judged anew without the import, as if it had never been there.
    4. The batches concerned are renewed; the accounts of the imports concerned are counted anew
       and must close; the journal keeps the old and the new ones, who and why.

    The same file can be imported again afterwards: undone results stand in nobody's way, so its
    rows are new ones. An undo is not undone; importing the file again is the way back.

    Raises:
        IngestError: no such import, undone already, or no cause in words.
    """
    why = journal.require_why(why, f"Undoing import {import_id}")
    with store.writing() as connection:
        file = _require_standing(connection, import_id)
        revision = next_revision(connection)
        touched = _batches_of(connection, import_id)
        n_results = _set_all_aside(connection, import_id, f"import {import_id} of {file} undone")
        again = _count_again(connection, import_id)
        judged = _judge_anew(connection, import_id, touched)
        batches.renew(connection, touched, revision)
        concerned = sorted({import_id, *again, *_imports_of(connection, judged)})
        old = {number: recount.stored(connection, number) for number in concerned}
        held = recount.held(connection, concerned)
        new = {number: recount.counted(connection, number, held[number]) for number in concerned}
        for number, account in new.items():
            require_closed(account, f"Import {number}")
        entry = journal.append(
            connection,
            by=by,
            what="import undone",
            subject=f"import {import_id}, {file}",
            old={str(number): account.as_dict() for number, account in old.items()},
            new={str(number): account.as_dict() for number, account in new.items()},
            why=why,
        )
        _record(connection, import_id, entry.id, new)
    return UndoReport(import_id, file, n_results, again, new)


def _require_standing(connection: sa.Connection, import_id: int) -> str:
    file = connection.execute(
        sa.select(schema.IMPORTS.c.file).where(schema.IMPORTS.c.id == import_id)
    ).scalar_one_or_none()
    if file is None:
        raise IngestError(f"There is no import {import_id}: look up its number.")
    undone = schema.UNDONE_IMPORTS
    if connection.execute(
        sa.select(undone.c.journal_id).where(undone.c.import_id == import_id)
    ).first():
        raise IngestError(f"Import {import_id} of {file} is undone already.")
    return str(file)


def _batches_of(connection: sa.Connection, import_id: int) -> set[Key]:
    results = schema.RESULTS
    rows = connection.execute(
        sa.select(results.c.characteristic_id, results.c.batch)
        .where(results.c.import_id == import_id)
        .distinct()
    )
    return {(int(owner), str(batch)) for owner, batch in rows}


def _set_all_aside(connection: sa.Connection, import_id: int, detail: str) -> int:
    done = connection.execute(
        sa.text(
            "INSERT INTO set_aside (result_id, reason, detail, import_id) "
            "SELECT id, CAST(:reason AS TEXT), CAST(:detail AS TEXT), import_id "
            "FROM results WHERE import_id = :number"
        ),
        {"reason": UNDONE, "detail": detail, "number": import_id},
    )
    return int(done.rowcount)


def _count_again(connection: sa.Connection, import_id: int) -> dict[int, int]:
    """Make results of the rows that repeated this import's; import -> number of its rows."""
    claims = _claims(connection, import_id)
    if not claims:
        return {}
    number = next_id(connection, schema.RESULTS)
    same_key = " AND ".join(f"m.{name} = r.{name}" for name in KEY)
    columns = ", ".join(_COPIED)
    rows = [
        {"id": number + place, "import": other, "line": line, "from": result, "root": root}
        for place, (result, (other, line, root)) in enumerate(sorted(claims.items()))
    ]
    connection.execute(
        sa.text(
            f"INSERT INTO results (id, variant, import_id, line, {columns}) "  # noqa: S608 - names of our own columns
            f"SELECT :id, (SELECT MAX(m.variant) + 1 FROM results m WHERE {same_key}), "
            f":import, :line, {', '.join(f'r.{name}' for name in _COPIED)} "
            "FROM results r WHERE r.id = :from"
        ),
        rows,
    )
    connection.execute(
        sa.insert(schema.PROMOTED),
        [
            {"result_id": row["id"], "original_id": row["root"], "import_id": row["import"]}
            for row in rows
        ],
    )
    connection.execute(  # what was wrong with the row itself is wrong with it still
        sa.text(
            "INSERT INTO set_aside (result_id, reason, detail, import_id) "  # noqa: S608 - our own words
            "SELECT :id, reason, detail, :import FROM set_aside WHERE result_id = :from "
            f"AND reason NOT IN ({', '.join(repr(reason) for reason in (UNDONE, *JUDGED))})"
        ),
        [{name: row[name] for name in ("id", "import", "from")} for row in rows],
    )
    again: dict[int, int] = {}
    for row in rows:
        again[row["import"]] = again.get(row["import"], 0) + 1
    return again


def _claims(connection: sa.Connection, import_id: int) -> dict[int, tuple[int, int, int]]:
    """Result of this import -> (import, line, first result) of the earliest row that repeats it."""
    results, repeated, promoted = schema.RESULTS, schema.REPEATED, schema.PROMOTED
    undone = sa.select(schema.UNDONE_IMPORTS.c.import_id)
    # A result that came to count by an earlier undo answers to the numbers of all before it.
    roots = {
        int(row.result_id): int(row.original_id)
        for row in connection.execute(sa.select(promoted).where(promoted.c.import_id == import_id))
    }
    names = {root: result for result, root in roots.items()}
    for row in connection.execute(sa.select(promoted)) if roots else ():
        if row.original_id in roots.values():
            names[int(row.result_id)] = names[int(row.original_id)]
    stretches = connection.execute(
        sa.select(repeated)
        .where(repeated.c.import_id != import_id, repeated.c.import_id.not_in(undone))
        .order_by(repeated.c.import_id, repeated.c.first_line)
    ).all()
    claims: dict[int, tuple[int, int, int]] = {}
    for stretch in stretches:
        low = int(stretch.first_result_id)
        high = low + int(stretch.last_line - stretch.first_line)
        mine = connection.execute(
            sa.select(results.c.id).where(
                results.c.id.between(low, high), results.c.import_id == import_id
            )
        ).scalars()
        meant = {int(number): int(number) for number in mine}
        meant |= {number: names[number] for number in names if low <= number <= high}
        for number, result in sorted(meant.items()):
            line = int(stretch.first_line) + number - low
            claims.setdefault(result, (int(stretch.import_id), line, roots.get(result, result)))
    return claims


def _judge_anew(connection: sa.Connection, import_id: int, touched: set[Key]) -> list[int]:
    """Judge again what the import had a part in: (results of which a judgement changed)."""
    results, aside = schema.RESULTS, schema.SET_ASIDE
    marked = connection.execute(
        sa.select(results.c.characteristic_id, results.c.batch)
        .join(aside, aside.c.result_id == results.c.id)
        .where(aside.c.reason.in_(JUDGED))
        .distinct()
    )
    crowded = {(int(owner), str(batch)) for owner, batch in marked} & touched
    beyond = next_id(connection, schema.RESULTS)  # none is new, so nothing is remarked
    return [number for number, _ in judge(connection, import_id, beyond, Found(crowded=crowded))]


def _imports_of(connection: sa.Connection, results: list[int]) -> set[int]:
    table, found = schema.RESULTS, set()
    for start in range(0, len(results), _AT_ONCE):
        some = results[start : start + _AT_ONCE]
        found |= set(
            connection.execute(
                sa.select(table.c.import_id).where(table.c.id.in_(some)).distinct()
            ).scalars()
        )
    return found


def _record(
    connection: sa.Connection,
    import_id: int,
    journal_id: int,
    accounts: dict[int, RowAccount],
) -> None:
    connection.execute(
        sa.insert(schema.UNDONE_IMPORTS).values(import_id=import_id, journal_id=journal_id)
    )
    for number, account in accounts.items():
        connection.execute(
            sa.update(schema.IMPORTS)
            .where(schema.IMPORTS.c.id == number)
            .values(account=journal.canonical(account.as_dict()))
        )

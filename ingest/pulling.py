"""Pulling new and changed rows out of a source, block by block, each block one import.

A block is stored in one transaction: its results, every row as it was pulled, and how far the
source is done. A pull that breaks off leaves the store at a whole block; the next one goes on from
there. Which rows are new is told by their key and a fingerprint of their cells, never by the
watermark alone, so rows may come late, and be looked at twice.

A changed row is stored as a further record; the old one stays. Where only a value or a remark
changed, the two stand under one key and are judged as a file's rows would be: a conflict, a changed
status, or other remarks. Where it became another reading (another batch, product, time …) nothing
ties the two together, so the new record is set aside as `changed_in_source`.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import sqlalchemy as sa

from ingest import pull_state, source_connection
from ingest.account import RowAccount
from ingest.columns import BY_NAME
from ingest.errors import IngestError, StoreError
from ingest.pull_report import Change, PullReport, account_of
from ingest.pull_state import FreshRow, HeldRow, SeenRows, State
from ingest.reasons import NOT_PARSED
from ingest.site import Site
from ingest.source_cells import (
    cell_text,
    digest,
    kept_cells,
    key_cells,
    key_text,
    with_comma,
)
from ingest.source_connection import SourceError
from ingest.source_description import SourceDescription
from ingest.source_query import count_statement, digest_of, statement
from ingest.source_reading import read_rows
from ingest.store import ImportReport, Store
from ingest.watermarks import Watermark, advanced, bound

BLOCK_ROWS = 20_000
_FEW = 5  # rows that are too few to say that a description is wrong
_TOLD = 100  # at most so many changes are told; the store holds all


@dataclass(slots=True)
class _Pull:
    """A pull while it runs."""

    store: Store
    source: SourceDescription
    state: State
    names: tuple[str, ...]  # every column that is fetched
    content: tuple[str, ...]  # those that make a row what it is: not the key, not the watermark
    query: tuple[str, str]
    block_rows: int
    progress: Callable[[int], None] | None
    watermark: Watermark | None
    began_at: str  # the watermark before
    site: Site  # what the store knew when it began
    pending: list[FreshRow] = field(default_factory=list)
    seen: SeenRows = field(default_factory=SeenRows)
    rows_seen: int = 0
    unchanged: int = 0
    new: int = 0
    changed: int = 0
    back: list[int] = field(default_factory=list)
    n_changes: int = 0
    changes: list[Change] = field(default_factory=list)
    accounts: list[RowAccount] = field(default_factory=list)
    imports: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def pull(
    store: Store,
    source: SourceDescription,
    *,
    everything: bool = False,
    block_rows: int = BLOCK_ROWS,
    progress: Callable[[int], None] | None = None,
) -> PullReport:
    """Bring the new and changed rows of a source into the store.

    Args:
        store: the store. source: as described.
        everything: compare all rows, not only those behind the watermark; rows of imports that
            were undone are then pulled again.
        block_rows: new rows in one transaction. progress: called with the rows seen so far.

    Raises:
        SourceError: the source cannot be reached or broke off; whole blocks before that stay.
        IngestError: the description does not fit the source, or leaves a question open.
    """
    with store.reading() as connection:
        state = pull_state.state_of(connection, source, everything)
    since = None if everything else bound(state.watermark, source)
    run: _Pull | None = None
    try:
        with source_connection.reading(source) as connection:
            names = _columns(connection, source)
            select = _statement(source, names, since)
            text = str(select.compile(connection.engine)).strip()
            run = _Pull(
                store,
                source,
                state,
                names,
                _content(source, names),
                (text, digest_of(text)),
                block_rows,
                progress,
                state.watermark,
                str(state.watermark or ""),
                store.site(),
            )
            _walk(run, connection, select)
            whole = since is None
            if not whole and source.compare_counts and _counts_differ(run, connection):
                _walk(run, connection, _statement(source, names, None))
                whole = True
    except SourceError as error:
        raise SourceError(f"{str(error).removesuffix('.')}. {_stored_so_far(run)}") from None
    return _finished(run, whole)


def _columns(connection: sa.Connection, source: SourceDescription) -> tuple[str, ...]:
    """The columns to fetch: those that are named of a table, all of a query.

    Raises:
        IngestError: a column of the description is not there.
    """
    there = source_connection.column_names(connection, source)
    for name in source.named:
        if name not in there:
            relation = "query" if source.query else f"table {source.table}"
            raise IngestError(
                f"Source {source.name}: its {relation} has no column '{name}'; it has "
                f"{', '.join(there[:40])}. Names are taken as they are written."
            )
    if not source.query:
        return source.named
    twice = [name for name, count in Counter(there).items() if count > 1]
    if twice:
        raise IngestError(
            f"Source {source.name}: its query gives two columns named '{twice[0]}': name one "
            "otherwise with AS."
        )
    return there


def _content(source: SourceDescription, names: Sequence[str]) -> tuple[str, ...]:
    meant = {*source.columns.values(), *source.keep}
    aside = {*source.key, source.watermark} - meant
    return tuple(name for name in names if name not in aside)


def _statement(
    source: SourceDescription, names: Sequence[str], since: sa.BindParameter[Any] | None
) -> sa.Select[Any]:
    return statement(
        source.schema, source.table, source.query, names, source.key, source.watermark, since
    )


def _walk(run: _Pull, connection: sa.Connection, select: sa.Select[Any]) -> None:
    """Go through rows of the source in their order; store what is not known as it is."""
    places = {name: at for at, name in enumerate(run.names)}
    render = _renderers(run)
    key_at = [places[name] for name in run.source.key]
    content = [(places[name], render[places[name]]) for name in run.content]
    mark_at = places.get(run.source.watermark)
    here = SeenRows()
    at_once = min(run.block_rows, source_connection.ROWS_AT_ONCE)
    with source_connection.stream(connection, select, at_once) as blocks:
        for block in blocks:
            keys = [key_text([cell_text(row[at]) for at in key_at]) for row in block]
            rows = [tuple(text(row[at]) for at, text in content) for row in block]
            _sift(run, here, keys, rows)
            if mark_at is not None:
                for row in block:
                    run.watermark = advanced(run.watermark, row[mark_at], run.source)
            if run.progress is not None:
                run.progress(run.rows_seen)
            if len(run.pending) >= run.block_rows:
                _store_block(run, here)
    _store_block(run, here)


def _sift(run: _Pull, here: SeenRows, keys: Sequence[str], rows: Sequence[tuple[str, ...]]) -> None:
    """Put rows that are new or changed among those that wait to be stored.

    Args:
        run: the pull. here: rows that this walk through the source came upon.
        keys, rows: a block of rows.
    """
    _refuse_empty_keys(run.source, keys)
    with run.store.reading() as connection:
        held = pull_state.held_rows(connection, run.state.source_id, keys)
    waiting = {row.key for row in run.pending}
    fresh: list[FreshRow] = []
    for key, cells in zip(keys, rows, strict=True):
        known = held.get(key)
        if key in waiting or (known is not None and here.add(known.id)):
            _refuse_twice(run.source, key)
        if known is None:
            waiting.add(key)
        row = _judge(run, key, cells, known)
        if row is not None:
            fresh.append(row)
    run.pending += _with_old_cells(run, fresh)


def _renderers(run: _Pull) -> list[Callable[[Any], str]]:
    """For each column how its values become text: numbers with the decimal mark that is read."""
    numbers = {
        theirs
        for ours, theirs in run.source.columns.items()
        if BY_NAME[ours].kind in ("number", "integer")
    }
    comma = run.source.decimal_mark == "comma"

    def with_mark(value: Any) -> str:
        return with_comma(value, cell_text(value))

    return [with_mark if comma and name in numbers else cell_text for name in run.names]


def _refuse_empty_keys(source: SourceDescription, keys: Sequence[str]) -> None:
    nothing = key_text([""] * len(source.key))
    if nothing in keys:
        raise IngestError(
            f"Source {source.name}: a row has no {' and no '.join(source.key)}, so it cannot be "
            "told from others: name key columns that are always filled."
        )


def _refuse_twice(source: SourceDescription, key: str) -> None:
    raise IngestError(
        f"Source {source.name}: the key {', '.join(source.key)} does not tell its rows apart, "
        f"{key} came twice: name further key columns."
    )


def _judge(run: _Pull, key: str, cells: tuple[str, ...], known: HeldRow | None) -> FreshRow | None:
    """What is to be stored of a row; None where it is known as it is."""
    if known is None:
        run.rows_seen += 1
        run.new += 1
        return FreshRow(key, cells, digest(run.content, cells))
    first = not run.seen.add(known.id)
    run.rows_seen += first
    mark = digest(run.content, cells)
    again = known.undone and run.state.renew
    if again and first:
        run.new += 1
        return FreshRow(key, cells, mark, known)
    if known.digest == mark:
        if known.missing and first:
            run.back.append(known.id)
            _tell(run, Change(_named_key(run.source, key), "back", _batch(run, cells), {}))
        run.unchanged += first
        return None
    return FreshRow(key, cells, mark, known, {}) if first else None


def _with_old_cells(run: _Pull, fresh: list[FreshRow]) -> list[FreshRow]:
    """The rows that are new or really changed, with what the changed ones were before.

    A column that an earlier pull did not have yet, or that this one no longer has, is no change.
    """
    places = [(row.old.import_id, row.old.line) for row in fresh if row.old and row.old_cells == {}]
    if not places:
        return fresh
    with run.store.reading() as connection:
        held = pull_state.cells_of(connection, places)
    kept = []
    for row in fresh:
        if row.old is None or row.old_cells is None:
            kept.append(row)
            continue
        before = held[row.old.import_id, row.old.line]
        now = dict(zip(run.content, kept_cells(row.cells), strict=True))
        differs = {
            name: (before[name], cell)
            for name, cell in now.items()
            if name in before and before[name] != cell
        }
        if not differs:
            run.unchanged += 1
            continue
        run.changed += 1
        batch = before.get(run.source.columns["batch"], "")
        _tell(run, Change(_named_key(run.source, row.key), "changed", batch, differs))
        kept.append(replace(row, old_cells=before))
    return kept


def _tell(run: _Pull, change: Change) -> None:
    run.n_changes += 1
    if len(run.changes) < _TOLD:
        run.changes.append(change)


def _named_key(source: SourceDescription, key: str) -> dict[str, str]:
    return dict(zip(source.key, key_cells(key), strict=False))


def _batch(run: _Pull, cells: Sequence[str]) -> str:
    return cells[run.content.index(run.source.columns["batch"])]


def _store_block(run: _Pull, here: SeenRows) -> None:
    """Store the rows that wait, in one transaction."""
    fresh = run.pending
    if not fresh:
        return
    reading = read_rows(run.source, run.content, fresh, run.site)
    if run.state.source_id is None:
        _refuse_nonsense(run.source, reading.account)
    numbers: list[int] = []
    source_ids: list[int] = []

    def beside(connection: sa.Connection, report: ImportReport) -> None:
        source_id, found = pull_state.record_block(
            connection,
            run.source,
            run.state,
            report.import_id,
            fresh,
            run.content,
            run.query,
            run.watermark,
            report.account.as_dict(),
        )
        numbers.extend(found)
        source_ids.append(source_id)

    report = run.store.add(reading, run.source.name, beside=beside)
    for number in numbers:
        run.seen.add(number)
        here.add(number)
    run.state = State(source_ids[0], run.watermark, run.state.renew)
    run.accounts.append(report.account)
    run.imports.append(report.import_id)
    run.notes += [note for note in report.notes if len(run.notes) < _TOLD]
    run.pending = []


def _refuse_nonsense(source: SourceDescription, account: RowAccount) -> None:
    """Refuse the first rows of a source where not one gives a reading: its columns are mixed up."""
    lost = sum(account.not_parsed.values())
    if account.used or account.rows_read < _FEW or 2 * lost < account.rows_read:
        return
    told = ", ".join(f"{count} × {NOT_PARSED[why]}" for why, count in account.not_parsed.items())
    raise IngestError(
        f"Source {source.name}: not one of its first {account.rows_read} rows gives a reading "
        f"({told.rstrip('.')}): look at columns in its description. Nothing is stored."
    )


def _counts_differ(run: _Pull, connection: sa.Connection) -> bool:
    """Whether rows came in or went away further back than this pull has looked."""
    source = run.source
    query = count_statement(source.schema, source.table, source.query, source.key)
    there = int(connection.execute(query).scalar_one())
    with run.store.reading() as held_by:
        known = pull_state.count_present(held_by, run.state.source_id) + len(run.back)
    if there == known:
        return False
    run.notes.append(
        f"The source holds {there} rows where {known} were known, so all of them were compared."
    )
    return True


def _stored_so_far(run: _Pull | None) -> str:
    if run is None or not run.imports:
        return "Nothing of this pull is stored."
    stored = sum(account.rows_read for account in run.accounts)
    numbers = ", ".join(str(number) for number in run.imports)
    what = "import" if len(run.imports) == 1 else "imports"
    return f"{stored} rows are stored ({what} {numbers}); the next pull goes on from there."


def _finished(run: _Pull | None, whole: bool) -> PullReport:
    if run is None:
        raise StoreError("The pull did not begin: try again.")
    gone: list[tuple[int, str, int, int]] = []
    if whole and run.state.source_id is not None:
        with run.store.reading() as connection:
            gone = pull_state.unseen(connection, run.state.source_id, run.seen)
            told = gone[: max(0, _TOLD - len(run.changes))]
            cells = pull_state.cells_of(connection, [(i, line) for _, _, i, line in told])
        for _, key, import_id, line in told:
            batch = cells[import_id, line].get(run.source.columns["batch"], "")
            run.changes.append(Change(_named_key(run.source, key), "gone", batch, {}))
        run.n_changes += len(gone)
    if run.n_changes > len(run.changes):
        run.notes.append(f"And {run.n_changes - len(run.changes)} more rows changed or went.")
    report = PullReport(
        source=run.source.name,
        everything=whole,
        rows_seen=run.rows_seen,
        unchanged=run.unchanged,
        new=run.new,
        changed=run.changed,
        gone=len(gone),
        back=len(run.back),
        account=account_of(run.accounts),
        imports=tuple(run.imports),
        watermark_before=run.began_at,
        watermark_after=str(run.watermark or ""),
        changes=tuple(run.changes),
        notes=tuple(run.notes),
    )
    outcome = report.as_dict()
    outcome = {name: outcome[name] for name in outcome if name not in ("changes", "notes")}
    with run.store.writing() as connection:
        pull_state.finish(connection, run.source, run.watermark, gone, run.back, outcome)
    return report

"""What people did about an event of a chart: seen, cause, action, closed; each a row of its own.

An event is found anew from the data whenever they are assessed, so a record names the stretch of
batches that it was about, not a number of an event. No record is ever changed: one is taken back,
an action is done, an event is closed or opened again by a further record, each with its journal
entry.
"""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa

from ingest import journal, schema
from ingest.decisions import require_batch, subject_of
from ingest.errors import IngestError
from ingest.opening import next_id, next_revision, now, storable
from ingest.store import Store

ACKNOWLEDGED = "acknowledged"
TRIED = "tried"
CAUSE = "cause"
ACTION = "action"
ACTION_DONE = "action done"
EFFECT = "effect"
REMARK = "remark"
CLOSED = "closed"
OPENED_AGAIN = "opened again"
TAKEN_BACK = "taken back"

KINDS: dict[str, str] = {
    ACKNOWLEDGED: "event acknowledged",
    TRIED: "check tried for an event",
    CAUSE: "cause of an event recorded",
    ACTION: "action agreed",
    ACTION_DONE: "action done",
    EFFECT: "effect of an action checked",
    REMARK: "remark on an event",
    CLOSED: "event closed",
    OPENED_AGAIN: "event opened again",
    TAKEN_BACK: "record taken back",
}
"""Kind of a record to the words of its journal entry."""

_NEEDS_WORDS = {
    TRIED: "A check that was tried",
    CAUSE: "The cause of an event",
    ACTION: "An action",
    EFFECT: "The effect of an action",
    REMARK: "A remark",
    CLOSED: "Closing an event",
    OPENED_AGAIN: "Opening an event again",
    TAKEN_BACK: "Taking a record back",
}
_ABOUT = {ACTION_DONE: (ACTION,), EFFECT: (ACTION,), TAKEN_BACK: tuple(KINDS)}


@dataclass(frozen=True, slots=True)
class EventRecord:
    """One thing that a person recorded about an event.

    Attributes:
        id: running number. characteristic_id: whose chart. chart: which of its charts.
        first_batch, last_batch: the stretch of the event when this was recorded.
        kind: one of KINDS. words: what was said. owner, due: of an action; "" and None else.
        about: id of the record that is done, checked or taken back; None else.
        at, who: when (ISO 8601 UTC) and by whom.
    """

    id: int
    characteristic_id: int
    chart: str
    first_batch: str
    last_batch: str
    kind: str
    words: str
    owner: str
    due: date | None
    about: int | None
    at: str
    who: str


def record_event(
    store: Store,
    characteristic_id: int,
    chart: str,
    first_batch: str,
    last_batch: str,
    kind: str,
    words: str = "",
    *,
    owner: str = "",
    due: date | None = None,
    about: int | None = None,
    by: str | None = None,
) -> EventRecord:
    """Record what a person saw, found or decided about an event, with its journal entry.

    Args:
        store: the store. characteristic_id, chart: whose chart, and which.
        first_batch, last_batch: the stretch of the event. kind: one of KINDS.
        words: needed for all but acknowledging and an action done.
        owner, due: who does an action until when; both are needed for one.
        about: the record that is done, checked or taken back. by: who; the login name if None.

    Raises:
        IngestError: an unknown kind, characteristic, batch or record, or words, owner or date
            missing where they are needed.
    """
    if kind not in KINDS:
        raise IngestError(f"'{kind}' is nothing that can be recorded: use {', '.join(KINDS)}.")
    said = journal.require_why(words, _NEEDS_WORDS[kind]) if kind in _NEEDS_WORDS else words.strip()
    if kind == ACTION and not (owner.strip() and due is not None):
        raise IngestError("An action needs an owner and a date until when: name both.")
    with store.writing() as connection:
        subject = subject_of(connection, characteristic_id)
        for batch in (first_batch, last_batch):
            require_batch(connection, characteristic_id, subject, batch)
        earlier = _about(connection, characteristic_id, kind, about)
        added: dict[str, Any] = {
            "chart": chart,
            "first_batch": first_batch,
            "last_batch": last_batch,
            "kind": kind,
            "words": storable(said),
            "owner": storable(owner.strip()) if kind == ACTION else "",
            "due": due if kind == ACTION else None,
            "about": about if kind in _ABOUT else None,
        }
        entry = journal.append(
            connection,
            by=by,
            what=KINDS[kind],
            subject=f"{subject}, {_stretch(first_batch, last_batch)}",
            old=None if earlier is None else _plain(asdict(earlier)),
            new=_plain(added),
            why=said,
            at=now(),
        )
        record = EventRecord(
            id=next_id(connection, schema.EVENT_RECORDS),
            characteristic_id=characteristic_id,
            at=entry.at,
            who=entry.who,
            **added,
        )
        connection.execute(
            sa.insert(schema.EVENT_RECORDS).values(
                {**_plain(asdict(record)), "journal_id": entry.id}
            )
        )
        next_revision(connection)
    return record


def event_records(store: Store, characteristic_id: int | None = None) -> list[EventRecord]:
    """All records in order, those taken back too (see `standing`)."""
    with store.reading() as connection:
        return _records(connection, characteristic_id)


def standing(records: list[EventRecord]) -> list[EventRecord]:
    """The records that were not taken back, without the ones that took others back."""
    gone: set[int] = set()
    for one in reversed(records):  # a taking back can itself be taken back, by a later one
        if one.kind == TAKEN_BACK and one.id not in gone and one.about is not None:
            gone.add(one.about)
    return [one for one in records if one.id not in gone and one.kind != TAKEN_BACK]


def _records(connection: sa.Connection, characteristic_id: int | None) -> list[EventRecord]:
    table = schema.EVENT_RECORDS
    query = sa.select(*(column for column in table.c if column.name != "journal_id"))
    if characteristic_id is not None:
        query = query.where(table.c.characteristic_id == characteristic_id)
    rows = connection.execute(query.order_by(table.c.id)).mappings()
    return [
        EventRecord(**{**row, "due": date.fromisoformat(row["due"]) if row["due"] else None})
        for row in rows
    ]


def _about(
    connection: sa.Connection, characteristic_id: int, kind: str, about: int | None
) -> EventRecord | None:
    if kind not in _ABOUT:
        return None
    earlier = {one.id: one for one in _records(connection, characteristic_id)}
    found = earlier.get(about) if about is not None else None
    if found is None or found.kind not in _ABOUT[kind]:
        raise IngestError(f"There is no record {about} here that can be '{kind}': choose one.")
    if found.id not in {one.id for one in standing(list(earlier.values()))} and (
        found.kind != TAKEN_BACK
    ):
        raise IngestError(f"Record {about} was taken back already.")
    return found


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    due = values["due"]
    return {**values, "due": due.isoformat() if due is not None else ""}


def _stretch(first: str, last: str) -> str:
    return f"batch {first}" if first == last else f"batches {first} to {last}"

"""The outbox of the watch: what it noticed and what became of every message, in rows only added.

A matter is something that waits for a person; its key stays the same while it lasts. A message is
written down whole, with its number, before it is sent for the first time: whatever ends the
watch then, the next one finds the message and sends it under the same number.

What a row says, in its column `what`:
    noticed, grown, back, over, seen       about a matter
    composed, claimed, sent, failed        about a message: written; being sent until a time;
    withdrawn, left                        arrived; not; taken back unsent; never to be sent again
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.opening import get_meta, next_id, next_revision, now, set_meta, storable
from ingest.store import Store

NOTICED, GROWN, BACK, OVER, SEEN = "noticed", "grown", "back", "over", "seen"
COMPOSED, CLAIMED, SENT, FAILED = "composed", "claimed", "sent", "failed"
WITHDRAWN, LEFT = "withdrawn", "left"
WHAT = (NOTICED, GROWN, BACK, OVER, SEEN, COMPOSED, CLAIMED, SENT, FAILED, WITHDRAWN, LEFT)
_STATE = "watch"


@dataclass(frozen=True, slots=True)
class Notice:
    """One row of the outbox.

    Attributes:
        id: running number. at: when, ISO 8601 UTC. what: one of WHAT. matter: key of the matter,
            or "". message: number of the message, or "". target: where it goes. content: more, by
            `what`. who: the person, for `seen`.
    """

    id: int
    at: str
    what: str
    matter: str
    message: str
    target: str
    content: dict[str, Any]
    who: str


def notices(connection: sa.Connection, after: int = 0) -> list[Notice]:
    """The rows behind a number, in order."""
    table = schema.NOTICES
    found = connection.execute(sa.select(table).where(table.c.id > after).order_by(table.c.id))
    return [Notice(**{**row, "content": json.loads(row["content"])}) for row in found.mappings()]


def add_notice(
    connection: sa.Connection,
    what: str,
    *,
    matter: str = "",
    message: str = "",
    target: str = "",
    content: Mapping[str, Any] | None = None,
    who: str = "",
    at: str | None = None,
) -> Notice:
    """Write a row in the transaction of whoever holds the write lock."""
    if what not in WHAT:
        raise IngestError(f"'{what}' is nothing that an outbox says: use {', '.join(WHAT)}.")
    row = Notice(
        id=next_id(connection, schema.NOTICES),
        at=at or now(),
        what=what,
        matter=storable(matter),
        message=message,
        target=storable(target),
        content=dict(content or {}),
        who=storable(who),
    )
    connection.execute(
        sa.insert(schema.NOTICES).values(
            id=row.id,
            at=row.at,
            what=row.what,
            matter=row.matter,
            message=row.message,
            target=row.target,
            content=journal.canonical(row.content),
            who=row.who,
        )
    )
    return row


def watch_state(connection: sa.Connection) -> dict[str, Any]:
    """What the watch keeps about itself: when it looked, and how far; {} before its first look."""
    held = get_meta(connection, _STATE)
    return dict(json.loads(held)) if held else {}


def keep_watch_state(connection: sa.Connection, state: Mapping[str, Any]) -> None:
    """Put the state of the watch in the place of the one before; the caller may write."""
    set_meta(connection, _STATE, journal.canonical(dict(state)))


def see_matter(store: Store, matter: str, by: str | None = None) -> None:
    """Record that a person has seen a matter: it is not told again.

    Args:
        store: the store. matter: key of the matter. by: who; the login name if None.

    Raises:
        IngestError: nothing of that key was ever noticed.
    """
    with store.writing() as connection:
        rows = [one for one in notices(connection) if one.matter == matter]
        noticed = next((one for one in rows if one.what == NOTICED), None)
        if noticed is None:
            raise IngestError("The watch has noticed nothing of that name: look at its list again.")
        entry = journal.append(
            connection,
            by=by,
            what="notice seen",
            subject=str(noticed.content.get("sentence", matter)),
            old=None,
            new={"matter": matter},
        )
        add_notice(connection, SEEN, matter=matter, who=entry.who, at=entry.at)
        next_revision(connection)

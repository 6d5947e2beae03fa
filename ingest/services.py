"""What was done to an instrument: cleaned, serviced, calibrated, moved, a spindle or bath changed.

A service is an entry of the journal and nothing else. It has a day of its own, since it is often
written down later than it was done.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.opening import next_revision, now
from ingest.store import Store

SERVICE = "instrument service"
TAKEN_BACK = "instrument service taken back"


@dataclass(frozen=True, slots=True)
class Service:
    """One thing that was done to an instrument.

    Attributes:
        id: of its journal entry. instrument: as in the readings. on: the day it was done.
        words: what was done. at, who: when (ISO 8601 UTC) and by whom it was recorded.
    """

    id: int
    instrument: str
    on: date
    words: str
    at: str
    who: str


def record_service(
    store: Store, instrument: str, on: date, words: str, by: str | None = None
) -> Service:
    """Record what was done to an instrument on a day.

    Raises:
        IngestError: no instrument, no words, or a day that is still to come.
    """
    name = instrument.strip()
    if not name:
        raise IngestError("A service needs its instrument: name it as in the readings.")
    said = " ".join(words.split())
    if not any(letter.isalnum() for letter in said):
        raise IngestError(f"Say in words what was done to {name}.")
    at = now()
    if on.isoformat() > at[:10]:
        raise IngestError(f"The service of {name} on {on.isoformat()} is still to come: check it.")
    with store.writing() as connection:
        entry = journal.append(
            connection,
            by=by,
            what=SERVICE,
            subject=name,
            old=None,
            new={"on": on.isoformat()},
            why=said,
            at=at,
        )
        next_revision(connection)
    return Service(entry.id, name, on, said, at, entry.who)


def take_back_service(store: Store, number: int, words: str, by: str | None = None) -> None:
    """Take a service back by a further entry; the first one stays in the journal.

    Raises:
        IngestError: no such service, one taken back already, or no reason in words.
    """
    said = journal.require_why(words, "Taking a service back")
    with store.writing() as connection:
        standing = {one.id: one for one in _standing(connection)}
        if number not in standing:
            raise IngestError(f"Entry {number} of the journal is no service that stands.")
        journal.append(
            connection,
            by=by,
            what=TAKEN_BACK,
            subject=standing[number].instrument,
            old={"on": standing[number].on.isoformat()},
            new={"about": number},
            why=said,
        )
        next_revision(connection)


def services(store: Store, instrument: str | None = None) -> list[Service]:
    """Services that stand, by their day; of one instrument if it is named."""
    with store.reading() as connection:
        found = _standing(connection)
    return [one for one in found if instrument is None or one.instrument == instrument]


def services_in(rows: Iterable[Mapping[str, Any]]) -> list[Service]:
    """Services that stand, by their day, from entries of the journal in their order."""
    found: dict[int, Service] = {}
    for row in rows:
        if row["what"] == TAKEN_BACK:
            found.pop(int(json.loads(row["new"])["about"]), None)
        elif row["what"] == SERVICE:
            on = date.fromisoformat(json.loads(row["new"])["on"])
            number = int(row["id"])
            found[number] = Service(number, row["subject"], on, row["why"], row["at"], row["who"])
    return sorted(found.values(), key=lambda one: (one.on, one.id))


def _standing(connection: sa.Connection) -> list[Service]:
    table = schema.JOURNAL
    rows = connection.execute(
        sa.select(table).where(table.c.what.in_([SERVICE, TAKEN_BACK])).order_by(table.c.id)
    )
    return services_in(dict(row) for row in rows.mappings())

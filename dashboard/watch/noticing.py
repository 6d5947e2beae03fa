"""From what was observed to rows of the outbox: what is new, back, grown, seen or over."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any

from dashboard.results import Assessment
from dashboard.watch.ledger import CLOSED, GONE, Known, Ledger, is_news
from dashboard.watch.matters import (
    EVENT,
    FILE,
    IMPORT,
    SOURCE,
    Matter,
    event_identity,
    share_a_batch,
)
from ingest import outbox

_STAY = (SOURCE, FILE, IMPORT)  # they are over when that is known, not when they are not found


@dataclass(frozen=True, slots=True)
class Observed:
    """What a look observed.

    Attributes:
        at: when. matters: what needs a person. found: every product judged.
        settled: identities of sources, files and imports that are known to be in order again.
        state: how far the look went, to be kept.
    """

    at: datetime
    matters: tuple[Matter, ...]
    found: tuple[Assessment, ...]
    settled: frozenset[str]
    state: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Row:
    """A row to be written: what, about which matter, with what content, by whom."""

    what: str
    matter: str
    content: dict[str, Any] = field(default_factory=dict)
    who: str = ""


def rows_of(ledger: Ledger, seen: Observed) -> list[Row]:
    """What is to be written down of a look, beside what is known."""
    places = {
        one.characteristic_id: {name: i for i, name in enumerate(one.batches["batch"])}
        for one in seen.found
    }
    rows: list[Row] = []
    standing: set[str] = set()
    added: list[str] = []
    for matter in seen.matters:
        known = ledger.find(matter, partial(_same, places, matter))
        if known is None or (known.over and is_news(known, seen.at)):
            key = ledger.key_for(matter, added)
            added.append(key)
            rows.append(Row(outbox.NOTICED, key, _content(matter)))
            if matter.seen:
                rows.append(Row(outbox.SEEN, key, who=matter.seen))
            continue
        if known.key not in standing:
            rows += _about_known(known, matter)
        if matter.seen and not known.seen and known.key not in standing:
            rows.append(Row(outbox.SEEN, known.key, who=matter.seen))
        standing.add(known.key)
    return rows + _over(ledger, standing, seen, places)


def add_row(connection: Any, row: Row, at: datetime) -> None:
    """Write a row in the transaction of whoever holds the write lock."""
    outbox.add_notice(
        connection, row.what, matter=row.matter, content=row.content, who=row.who, at=moment(at)
    )


def moment(at: datetime) -> str:
    """A time as the outbox keeps it."""
    return at.isoformat(timespec="milliseconds")


def _about_known(known: Known, matter: Matter) -> list[Row]:
    if known.over:
        return [Row(outbox.BACK, known.key, _content(matter))]
    before = (known.matter.first, known.matter.last)
    if matter.kind == EVENT and before != (matter.first, matter.last):
        return [Row(outbox.GROWN, known.key, _content(matter))]
    return []


def _over(
    ledger: Ledger, standing: set[str], seen: Observed, places: Mapping[int, Mapping[str, int]]
) -> list[Row]:
    """What does not wait any more; of what was not looked at, nothing is said."""
    rows = []
    for known in ledger.known.values():
        matter = known.matter
        if known.over or known.key in standing:
            continue
        if matter.kind in _STAY and matter.identity not in seen.settled:
            continue
        closed = matter.kind == EVENT and _closed_by_a_person(matter, seen, places)
        rows.append(Row(outbox.OVER, known.key, {"why": CLOSED if closed else GONE}))
    return rows


def _closed_by_a_person(
    matter: Matter, seen: Observed, places: Mapping[int, Mapping[str, int]]
) -> bool:
    return any(
        event.handling.closed
        and event_identity(one, event) == matter.identity
        and share_a_batch(
            places[one.characteristic_id],
            (event.batches[0], event.batches[-1]),
            (matter.first, matter.last),
        )
        for one in seen.found
        if _number(matter) == one.characteristic_id
        for event in one.events
    )


def _same(places: Mapping[int, Mapping[str, int]], matter: Matter, known: Known) -> bool:
    before = known.matter
    place = places.get(_number(matter), {})
    return share_a_batch(place, (before.first, before.last), (matter.first, matter.last))


def _number(event: Matter) -> int:
    return int(event.identity.split("|")[1])


def _content(matter: Matter) -> dict[str, str]:
    return {name: getattr(matter, name) for name in Matter.__slots__}

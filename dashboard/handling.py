"""What people recorded about an event: matched by its stretch of batches, as events are found anew.

A record belongs to an event of the same kind of chart whose stretch shares a batch with its own.
Closing covers the batches known then: an event that goes on is open again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import ingest
from dashboard.results import DUPLICATES_RANGE, Event, Handling

MEANS = "means"
READINGS = "readings"


def kind_of_chart(chart: str) -> str:
    """The name that records keep: events on means are one kind, however they were seen."""
    return READINGS if chart == DUPLICATES_RANGE else MEANS


def with_handling(
    events: Sequence[Event], records: Sequence[ingest.EventRecord], batches: Sequence[str]
) -> tuple[Event, ...]:
    """Put beside each event what was recorded about it; a closed one is not open any more."""
    if not records:
        return tuple(events)
    place = {name: i for i, name in enumerate(batches)}
    placed = [_placed(one, place) for one in ingest.standing(list(records))]
    told = [_told(event, [one for one in placed if one is not None]) for event in events]
    return tuple(sorted(told, key=lambda event: (not event.open, -event.stop, event.chart)))


@dataclass(frozen=True, slots=True)
class _Placed:
    record: ingest.EventRecord
    start: int
    stop: int


def _placed(record: ingest.EventRecord, place: Mapping[str, int]) -> _Placed | None:
    ends = [place[name] for name in (record.first_batch, record.last_batch) if name in place]
    return _Placed(record, min(ends), max(ends)) if ends else None


def _told(event: Event, placed: Sequence[_Placed]) -> Event:
    mine = [
        one
        for one in placed
        if one.record.chart == kind_of_chart(event.chart)
        and one.start <= event.stop
        and one.stop >= event.start
    ]
    if not mine:
        return event
    records = tuple(one.record for one in mine)
    closed = False
    for one in mine:
        if one.record.kind == "closed":
            closed = one.stop >= event.stop
        elif one.record.kind == "opened again":
            closed = False
    handling = Handling(records=records, closed=closed)
    return replace(event, handling=handling, open=event.open and not closed)

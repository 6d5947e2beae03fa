"""What needs a person now, as the watch tells it: each matter with its identity, plan and address.

A matter is known again by its identity for as long as it lasts. An event of a chart grows, and its
limits may move under it: it is the same event as long as it is of the same characteristic, on the
same kind of chart, on the same side, and shares a batch with what was told.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from dashboard import text
from dashboard.events import OPEN_WINDOW
from dashboard.handling import kind_of_chart
from dashboard.reaction import Step, newest_apart, plan_of, step_key
from dashboard.results import DUPLICATES_RANGE, EWMA, Assessment, CheckStandard, Event

EVENT, CHECK, OUTSIDE, APART = "event", "check standard", "outside specification", "readings apart"
UNDECIDED, STALE, IMPORT, FILE, SOURCE = "undecided", "no fresh data", "import", "file", "source"
KINDS: dict[str, str] = {
    CHECK: "Check standards out of order",
    OUTSIDE: "Batches outside their specification",
    EVENT: "Events on control charts",
    APART: "Readings of a batch too far apart",
    UNDECIDED: "Readings recorded in more than one way",
    FILE: "Files that were not imported",
    IMPORT: "Imports with rows that could not be read",
    SOURCE: "Sources that cannot be reached",
    STALE: "No fresh data",
}
"""Kind of a matter to the heading it stands under, in the order of a message."""


@dataclass(frozen=True, slots=True)
class Matter:
    """Something that needs a person.

    Attributes:
        kind: one of KINDS. identity: the same for as long as it lasts. sentence: what happened.
        about: product and measuring condition, or "". step, who: what the plan asks, of whom.
        since: ISO 8601 of what began it, "" where not recorded. address: of the page where it is
            seen and acknowledged, relative to the dashboard. first, last: names of the batches of
            an event. seen: who has acknowledged it on its page, "" nobody.
    """

    kind: str
    identity: str
    sentence: str
    about: str = ""
    step: str = ""
    who: str = ""
    since: str = ""
    address: str = "set-up?part=watch"
    first: str = ""
    last: str = ""
    seen: str = ""


@dataclass(frozen=True, slots=True)
class Looked:
    """What one look found beside the store.

    Attributes:
        sources: source -> the sentence why it could not be reached, "" where it was.
        files: file -> the sentence why it was not imported, "" where it was.
    """

    sources: Mapping[str, str]
    files: Mapping[str, str]


def matters_of(
    found: Sequence[Assessment],
    settings: Mapping[str, Any],
    changed: Mapping[int, set[str]],
    imports: pd.DataFrame,
    looked: Looked,
) -> list[Matter]:
    """Everything that needs a person.

    Args:
        found: every product judged. settings: of the site, for its plan.
        changed: batches that changed since the last look, by characteristic: what is past already
            when it is seen for the first time is told all the same if it is new, or was among the
            newest batches before so many others came.
        imports: those to speak of. looked: what the look found beside the store.
    """
    plan = plan_of(settings)
    matters: list[Matter] = []
    checked: set[str] = set()
    for one in found:
        for standard in one.check_standards:
            matter = _check(one, standard, plan["check_standard"])
            if standard.in_order is False and matter.identity not in checked:
                matters.append(matter)
            checked.add(matter.identity)
        matters += _of_product(one, plan, changed.get(one.characteristic_id, set()))
    matters += [_import(row, plan["not_parsed"]) for row in imports.to_dict("records")]
    for name, why in looked.files.items():
        if why:
            said = f"{why.removesuffix('.')}."
            matters.append(_plain(FILE, f"file|{name}", said, plan["not_parsed"], "import"))
    for name, why in looked.sources.items():
        if why:
            matters.append(_plain(SOURCE, f"source|{name}", why, plan["source"], "import"))
    return matters


def share_a_batch(place: Mapping[str, int], one: tuple[str, str], other: tuple[str, str]) -> bool:
    """Whether two stretches, named by their ends, share a batch.

    Args:
        place: position of every batch by name. one, other: first and last batch of each.
    """
    if set(one) & set(other):
        return True
    if not {*one, *other} <= place.keys():
        return False
    return place[one[0]] <= place[other[1]] and place[one[1]] >= place[other[0]]


def event_identity(one: Assessment, event: Event) -> str:
    """Whose chart, which kind, and which side: what stays the same while an event grows."""
    side = ""
    if event.chart != DUPLICATES_RANGE and one.charts is not None:
        chart = one.ewma if event.chart == EWMA and one.ewma is not None else one.charts.location
        part = slice(event.start, event.stop + 1)
        side = "above" if np.mean(chart.values[part] - chart.center[part]) > 0 else "below"
    return f"event|{one.characteristic_id}|{kind_of_chart(event.chart)}|{side}"


def _of_product(one: Assessment, plan: Mapping[str, Step], changed: set[str]) -> list[Matter]:
    matters = []
    recent = OPEN_WINDOW + len(changed)
    for event in one.events:
        new = bool(changed & set(event.batches)) or event.stop >= one.n_batches - recent
        if event.open or (new and not event.handling.closed):
            matters.append(_event(one, event, plan[step_key(event)]))
    newest = set(one.batches["batch"].iloc[-recent:]) | changed
    at = dict(zip(one.batches["batch"], one.batches["at"], strict=True))
    means = dict(zip(one.batches["batch"], one.batches["mean"], strict=True))
    for batch in one.outside_specification:
        if batch in newest:
            mean = text.viscosity(float(means[batch]))
            said = f"{batch} is outside its specification: {mean}."
            identity = f"outside|{one.characteristic_id}|{batch}"
            matters.append(
                _product(one, OUTSIDE, identity, said, plan["outside_specification"], batch, at)
            )
    apart = newest_apart(one)
    covered = any(event.chart == DUPLICATES_RANGE for event in one.open_events)
    if apart and not covered:
        identity = f"apart|{one.characteristic_id}|{one.last_batch}"
        matters.append(
            _product(one, APART, identity, apart, plan["duplicates_range"], one.last_batch, at)
        )
    if one.undecided:
        said = f"{text.count(one.undecided, 'reading')} recorded in more than one way."
        identity = f"undecided|{one.characteristic_id}|{one.undecided}"
        matters.append(_product(one, UNDECIDED, identity, said, plan["undecided"], "", at))
    if one.stale and one.n_batches and one.last_batch_at is not None:
        identity = f"stale|{one.characteristic_id}|{one.last_batch}"
        step = plan["no_fresh_data"]
        said = one.stale_sentence
        matters.append(_product(one, STALE, identity, said, step, one.last_batch, at))
    return matters


def _event(one: Assessment, event: Event, step: Step) -> Matter:
    began = one.batches["at"].iloc[event.start]
    return Matter(
        EVENT,
        event_identity(one, event),
        event.sentence,
        _about(one),
        step.step,
        step.who,
        _iso(began),
        _chart(one, event.batches[-1]),
        event.batches[0],
        event.batches[-1],
        _seen_by(event),
    )


def _seen_by(event: Event) -> str:
    """Who has acknowledged an event, or recorded more about it, since it was closed last."""
    person = ""
    for record in event.handling.records:
        if record.kind in ("closed", "opened again"):
            person = ""
        elif record.kind in ("acknowledged", "cause", "action"):
            person = record.who or "somebody"
    return person


def _product(
    one: Assessment,
    kind: str,
    identity: str,
    said: str,
    step: Step,
    batch: str,
    at: Mapping[str, Any],
) -> Matter:
    began = at.get(batch)
    address = _chart(one, batch)
    return Matter(
        kind, identity, said, _about(one), step.step, step.who, _iso(began), address, batch, batch
    )


def _check(one: Assessment, standard: CheckStandard, step: Step) -> Matter:
    on = f" on {standard.instrument}" if standard.instrument else ""
    said = f"Check standard {standard.name}{on} is outside its own limits"
    if standard.in_order is False:
        low, high = text.number(standard.lower), text.number(standard.upper)
        said += f": {text.viscosity(standard.last)}, limits {low} to {high}"
    return Matter(
        CHECK,
        f"check|{standard.name}|{standard.condition}|{standard.instrument}",
        f"{said}.",
        standard.condition,
        step.step,
        step.who,
        _iso(standard.last_at),
        "measuring-system",
    )


def _import(row: Mapping[Any, Any], step: Step) -> Matter:
    rows = text.count(int(row["not_parsed"]), "row")
    said = f"{row['file']}: {rows} could not be read."
    matter = _plain(IMPORT, f"import|{row['id']}", said, step, "import")
    return Matter(
        matter.kind,
        matter.identity,
        matter.sentence,
        "",
        step.step,
        step.who,
        _iso(row["at"]),
        matter.address,
    )


def _plain(kind: str, identity: str, said: str, step: Step, address: str) -> Matter:
    return Matter(kind, identity, said, "", step.step, step.who, "", address)


def _about(one: Assessment) -> str:
    return f"{one.product}, {one.condition}"


def _chart(one: Assessment, batch: str) -> str:
    address = f"control-chart?characteristic={one.characteristic_id}"
    return f"{address}&batch={quote(batch, safe='')}" if batch else address


def _iso(at: Any) -> str:
    known = at is not None and pd.notna(at)
    return pd.Timestamp(at).isoformat(timespec="seconds") if known else ""

"""What people do about an investigation: what is recorded for, tried, concluded, and its effect."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

import ingest
import spc.drift
from dashboard import text
from dashboard.decisions_view import open_actions, unchecked_actions
from dashboard.handling import MEANS, READINGS, kind_of_chart
from dashboard.investigate import Investigated
from dashboard.investigation_results import Check, Conclusion, EffectView, Subject
from dashboard.investigation_words import CLASSES, checks_for, conclusion_parts, tried_parts
from dashboard.results import BATCH_MEANS, DUPLICATES_RANGE, Assessment, Event, Handling
from dashboard.text import signed

CHANGE = "change"
"""Key of the subject that is the change found by the investigation itself."""
ELSE = "Something else"
"""A check that stands on no list."""


def subjects_of(
    one: Assessment, investigated: Investigated, records: Sequence[ingest.EventRecord]
) -> tuple[Subject, ...]:
    """What can be investigated: the change that was found first, then the events of the chart.

    A wrong record beside an open event that it is no part of comes last: it explains nothing there.
    """
    verdict, names = investigated.found.verdict, one.batches["batch"].tolist()
    place = {name: i for i, name in enumerate(names)}
    found: list[Subject] = []
    start = place.get(verdict.since or "")
    if start is not None or verdict.cause_class != "none":
        first = start if start is not None else 0
        stop = max(_end(investigated, place, first), first)
        chart = DUPLICATES_RANGE if verdict.suspect == "aeration" else BATCH_MEANS
        event = Event(
            start=first, stop=stop, batches=tuple(names[first : stop + 1]), chart=chart,
            rules=(), sentence=verdict.what, open=True,
            handling=_handling(records, place, first, stop, chart),
        )  # fmt: skip
        since = f"since {verdict.since}" if start is not None else "over the whole record"
        found.append(Subject(CHANGE, f"the change that was found, {since}", event))
    for event in one.events:
        key = f"{kind_of_chart(event.chart)}.{event.batches[0]}"
        label = f"event {text.stretch(event.batches)} of the control chart ({event.word})"
        found.append(Subject(key, label, event))
    waiting = [s for s in found if s.key != CHANGE and s.event.open]
    if verdict.cause_class == "data" and not any(verdict.since in s.event.batches for s in waiting):
        rest = [s for s in found if s.key != CHANGE and not s.event.open]
        found = [*reversed(waiting), *[s for s in found if s.key == CHANGE], *rest]
    return tuple(found)


def _end(investigated: Investigated, place: dict[str, int], first: int) -> int:
    """Position of the last batch of the change; the newest where it lasts."""
    column, names = investigated.found.column, investigated.history.batches
    newest = len(place) - 1
    if column is None:
        return newest
    inside = [place[names[i]] for i in np.flatnonzero(column > 0.5) if names[i] in place]
    outside = [place[names[i]] for i in np.flatnonzero(column < 0.5) if names[i] in place]
    if not inside or max(outside, default=-1) < max(inside):
        return newest
    return max(max(inside), first)


def _handling(
    records: Sequence[ingest.EventRecord],
    place: dict[str, int],
    first: int,
    stop: int,
    chart: str,
) -> Handling:
    """What was recorded about a stretch: records of the same kind of chart that share a batch."""
    mine = []
    for one in ingest.standing(list(records)):
        ends = [place[name] for name in (one.first_batch, one.last_batch) if name in place]
        same = one.chart == (READINGS if chart == DUPLICATES_RANGE else MEANS)
        if ends and same and min(ends) <= stop and max(ends) >= first:
            mine.append(one)
    return Handling(records=tuple(mine))


def checks_of(
    investigated: Investigated, records: Sequence[ingest.EventRecord]
) -> tuple[Check, ...]:
    """The checks to try in their order, each with what was found; others that were tried last."""
    verdict, pairing = investigated.found.verdict, investigated.found.pairing
    with_standards = pairing is not None and bool(pairing.checks)
    listed = checks_for(verdict.suspect, verdict.cause_class, with_standards)
    found: dict[str, list[tuple[str, ingest.EventRecord]]] = {what: [] for what in listed}
    for record in records:
        if record.kind == "tried":
            what, said = tried_parts(record.words)
            found.setdefault(what or ELSE, []).append((said, record))
    return tuple(Check(what, tuple(said)) for what, said in found.items())


def conclusions_of(
    verdict: spc.drift.Verdict, records: Sequence[ingest.EventRecord]
) -> tuple[Conclusion, ...]:
    """The causes that people recorded, and whether the data alone say otherwise."""
    found = []
    for record in records:
        if record.kind != "cause":
            continue
        chosen, words = conclusion_parts(record.words)
        differs = ""
        if chosen and chosen != verdict.cause_class:
            computed = CLASSES[verdict.cause_class]
            differs = (
                "The data alone cannot tell; the person's word stands."
                if verdict.cause_class == "cannot_tell"
                else f"The data alone say otherwise: “{computed}”. The person's word stands."
            )
        found.append(Conclusion(chosen, words, record, differs))
    return tuple(found)


def effects_of(
    one: Assessment, investigated: Investigated, records: Sequence[ingest.EventRecord]
) -> tuple[EffectView, ...]:
    """Every action that is done, with the batches since then."""
    views = []
    for action in (record for record in records if record.kind == "action"):
        done = [r for r in records if r.kind == "action done" and r.about == action.id]
        if done:
            views.append(effect_of(one, investigated, action, done[-1]))
    return tuple(views)


def effect_of(
    one: Assessment,
    investigated: Investigated,
    action: ingest.EventRecord,
    done: ingest.EventRecord,
    first: str = "",
) -> EffectView:
    """Compare the batches since an action with the level before the change.

    Args:
        one: the assessment. investigated: its record and what was found.
        action: what was agreed. done: the record that it was done.
        first: first batch made after it; "" takes the first one sampled after `done` was recorded.
    """
    names, means = one.batches["batch"].tolist(), one.batches["mean"].to_numpy(dtype=float)
    if not first:
        later = np.flatnonzero((one.batches["at"] > pd.Timestamp(done.at)).to_numpy())
        first = names[later[0]] if len(later) else ""
    start = names.index(first) if first in names else len(names)
    before, changed = before_and_changed(one, investigated)
    changed = changed[changed < start]
    if len(before) < 2 or not len(changed):
        words = "No level before the change is known, so there is nothing to compare with."
        return EffectView(action, done, first, None, words)
    result = spc.drift.effect(means[before], means[changed], means[start:])
    return EffectView(action, done, first, result, _effect_words(result, first))


def before_and_changed(
    one: Assessment, investigated: Investigated
) -> tuple[np.ndarray, np.ndarray]:
    """Positions of the batches before the change, and of those in it."""
    column, names = investigated.found.column, investigated.history.batches
    place = {name: i for i, name in enumerate(one.batches["batch"].tolist())}
    if column is None:
        return np.array([], dtype=int), np.array([], dtype=int)
    known = [(place[names[i]], float(column[i])) for i in range(len(names)) if names[i] in place]
    changed = [at for at, value in known if value > 0.5]
    first = min(changed, default=0)
    before = [at for at, value in known if value < 0.05 and at < first]
    return np.array(before, dtype=int), np.array(changed, dtype=int)


def _effect_words(result: spc.drift.Effect, first: str) -> str:
    if result.state == "too few":
        return (
            f"Not enough batches yet: {result.n} of {result.needed}"
            + (f" since {first}" if first else "")
            + (
                f"; so far {signed(result.difference)} {text.UNIT} from the level before the change"
                if result.n
                else ""
            )
            + "."
        )
    said = (
        f"{text.batches(result.n)} from {first} on lie {signed(result.difference)} {text.UNIT} "
        f"({signed(result.percent)} %) from the level before the change, 95 % interval "
        f"{signed(result.low)} to {signed(result.high)}; the change was {signed(result.change)}"
    )
    ends = {
        "back": "back on level.",
        "not back": "not back on level.",
        "undecided": "not decided: both the old level and the changed one lie inside the interval.",
    }
    return f"{said}: {ends[result.state]}"


def waits(records: Sequence[ingest.EventRecord]) -> str:
    """What is asked for next about a subject, in a sentence."""
    kinds = {record.kind for record in records}
    if "cause" not in kinds:
        return "Next: try the checks, then write down the cause."
    if "action" not in kinds:
        return "Next: agree an action, with an owner and a date."
    if open_actions(records):
        return "Next: do what was agreed, then record that it is done."
    if unchecked_actions(records):
        return "Next: wait for 8 to 15 batches, then record whether the effect lasted."
    return "Everything that was agreed is done and checked; the event can be closed."

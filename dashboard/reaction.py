"""What is asked of whom, since when: the reaction plan of the site beside what waits for a person.

The plan that stands here is common practice, without a source; a site replaces each text by its
own in the settings. No step ever adjusts a recipe or lets a batch go.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from dashboard import text
from dashboard.events import OPEN_WINDOW
from dashboard.results import DUPLICATES_RANGE, Assessment, CheckStandard, Event

REACTION_PLAN = "reaction_plan"
"""Name of the setting: key of PLAN to {"step": text, "who": text}."""


@dataclass(frozen=True, slots=True)
class Step:
    """One row of the plan: when it applies, what to do first, and who."""

    key: str
    when: str
    step: str
    who: str


PLAN: tuple[Step, ...] = (
    Step(
        "check_standard",
        "check standard outside its own limits",
        "Repeat once on a fresh portion. If it is confirmed, stop using the instrument and list "
        "the results since the last good check.",
        "QC lead",
    ),
    Step(
        "duplicates_range",
        "readings of a batch too far apart",
        "Look for bubbles, temperature, spindle and torque; take two more readings.",
        "analyst",
    ),
    Step(
        "outside_specification",
        "batch outside its specification",
        "Hold the batch; the disposition is decided by the authorised person.",
        "QC lead",
    ),
    Step(
        "beyond_3_sigma",
        "one batch beyond 3 sigma",
        "Check the row first (torque factor, temperature, spindle), then measure the retained "
        "sample again.",
        "QC lead and shift",
    ),
    Step(
        "slow_shift",
        "run on one side, or a slow shift",
        "No emergency: find where it started and how big it is, then compare lots, instruments "
        "and operators.",
        "QC lead",
    ),
    Step(
        "undecided",
        "readings recorded in more than one way",
        "Look at the source record and decide which reading counts.",
        "QC lead",
    ),
    Step(
        "not_parsed",
        "rows or files that could not be read",
        "Look at the rows on the Import page; correct them where they come from, and import again.",
        "analyst",
    ),
    Step(
        "source",
        "a source cannot be reached",
        "See whether it runs and the network is up; until then its results are missing here.",
        "QC lead",
    ),
    Step(
        "no_fresh_data",
        "no fresh data",
        "Ask whether nothing was made, or whether results do not come in.",
        "QC lead",
    ),
)
"""In the order in which they come first."""


@dataclass(frozen=True, slots=True)
class Task:
    """Something that waits for a person.

    Attributes:
        characteristic_id, product, condition: where.
        key: of the plan. what: what happened, in words. step, who: what the plan asks, of whom.
        since: time of the batch or run that began it; None where not recorded.
        handling: how far it has come, "new" where nobody has recorded anything.
        event: the event it is about; None for the others.
    """

    characteristic_id: int
    product: str
    condition: str
    key: str
    what: str
    step: str
    who: str
    since: pd.Timestamp | None
    handling: str
    event: Event | None


def plan_of(settings: Mapping[str, Any]) -> dict[str, Step]:
    """The plan with the site's own texts in the place of the usual ones."""
    own = settings.get(REACTION_PLAN) or {}
    return {
        one.key: Step(
            one.key,
            one.when,
            str(own.get(one.key, {}).get("step") or one.step),
            str(own.get(one.key, {}).get("who") or one.who),
        )
        for one in PLAN
    }


def tasks_of(found: Sequence[Assessment], settings: Mapping[str, Any]) -> list[Task]:
    """Everything that waits for somebody: doubt about the measurement first, then the oldest."""
    plan = plan_of(settings)
    tasks: list[Task] = []
    for one in found:
        tasks += [
            _task(one, plan["check_standard"], _check(standard), standard.last_at)
            for standard in one.check_standards
            if standard.in_order is False
        ]
        for event in one.open_events:
            began = one.batches["at"].iloc[event.start]
            step = plan[step_key(event)]
            word = event.handling.word
            tasks.append(_task(one, step, event.sentence, began, word, event))
        apart = newest_apart(one)
        if apart and not any(event.chart == DUPLICATES_RANGE for event in one.open_events):
            tasks.append(_task(one, plan["duplicates_range"], apart, one.last_batch_at))
        tasks += [
            _task(one, plan["outside_specification"], f"{name} is outside its specification.", at)
            for name, at in newly_outside(one)
        ]
        if one.undecided:
            what = f"{one.undecided} readings are recorded in more than one way."
            tasks.append(_task(one, plan["undecided"], what, None))
    order = {step.key: i for i, step in enumerate(PLAN)}
    latest = pd.Timestamp.max.tz_localize("UTC")
    return sorted(
        _once(tasks),
        key=lambda task: (order[task.key], task.since if task.since is not None else latest),
    )


def newly_outside(one: Assessment) -> list[tuple[str, pd.Timestamp | None]]:
    """Batches outside their specification among the newest ones, with their time."""
    outside = set(one.outside_specification)
    newest = one.batches[["batch", "at"]].tail(OPEN_WINDOW)
    return [(name, at) for name, at in newest.itertuples(index=False, name=None) if name in outside]


def newest_apart(one: Assessment) -> str:
    """What puts the measurement in doubt without being an event yet: the newest range alone."""
    within = one.charts.within if one.charts is not None else None
    if within is None:
        return ""
    known = np.flatnonzero(np.isfinite(within.values))
    if not len(known) or not within.outside()[known[-1]]:
        return ""
    newest = int(known[-1])
    return (
        f"{one.batches['batch'].iat[newest]}: readings "
        f"{text.viscosity(within.values[newest], 3)} apart, limit "
        f"{text.number(within.upper[newest], 3)}."
    )


def step_key(event: Event) -> str:
    """Which step of the plan an event asks for."""
    if event.chart == DUPLICATES_RANGE:
        return "duplicates_range"
    return "beyond_3_sigma" if set(event.rules) == {"beyond_3_sigma"} else "slow_shift"


def _check(standard: CheckStandard) -> str:
    on = f" on {standard.instrument}" if standard.instrument else ""
    return f"Check standard {standard.name}{on} is outside its own limits."


def _task(
    one: Assessment,
    step: Step,
    what: str,
    since: pd.Timestamp | None,
    handling: str = "new",
    event: Event | None = None,
) -> Task:
    known = since if since is not None and pd.notna(since) else None
    return Task(
        one.characteristic_id,
        one.product,
        one.condition,
        step.key,
        what,
        step.step,
        step.who,
        known,
        handling,
        event,
    )


def _once(tasks: Sequence[Task]) -> list[Task]:
    """A check standard serves many products, but is asked about once."""
    seen: set[str] = set()
    kept = []
    for task in tasks:
        if task.key == "check_standard":
            if task.what in seen:
                continue
            seen.add(task.what)
        kept.append(task)
    return kept

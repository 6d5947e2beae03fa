"""What stands behind an index: its gate in words, its reach, other forms, and how it went on.

Computed for the one product that a page shows; the index itself is in `capability_view`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.capability_view import FEWEST_BATCHES, measurement_share
from dashboard.results import DUPLICATES_RANGE, Assessment

DISTRIBUTION_SEEN = "distribution_seen"
"""Name of the setting: product and condition to n, by and at of the look that was recorded."""
SIZES = (10, 15, 20, 30, 40, 50, 75, 100, 150, 200, 300)
USUAL_CLAIM = 1.33
PERIODS = {
    "30": "30 batches each",
    "50": "50 batches each",
    "quarter": "quarters",
    "month": "months",
}


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that has to hold before an index is earned; `met` None where nobody can tell."""

    words: str
    met: bool | None


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """What a careful reader asks of an index.

    Attributes:
        means: the batch means it stands on, in production order.
        left_out: batch and cause, of those that do not count.
        with_all: the index with those batches; None where none is left out.
        conditions: the gate, point by point.
        standing: how far the number carries.
        by_size: n, low and high of the interval that this index would have on n batches.
        lognormal: Ppk by the quantiles of a lognormal curve; None where it cannot be made.
        observed: Ppk by the quantiles of the values themselves; None below 741 batches.
        measurement_words: what of the spread is measurement, in words.
        normal: the normal plot; None without spread.
        seen: who recorded a look at the distribution, on how many batches and when; "" nobody.
    """

    means: np.ndarray
    left_out: tuple[tuple[str, str], ...]
    with_all: spc.Capability | None
    conditions: tuple[Condition, ...]
    standing: spc.CapabilityStanding
    by_size: tuple[tuple[int, float, float], ...]
    lognormal: spc.QuantileCapability | None
    observed: spc.QuantileCapability | None
    measurement_words: str
    normal: spc.NormalPlot | None
    seen: str


@dataclass(frozen=True, slots=True, eq=False)
class Period:
    """One period of the trend.

    Attributes:
        label: in words. n: batches of it that count. outside: of them, beyond the limits.
        result: the indices; None where no number is earned, see `note`.
        note: why there is none; "" otherwise.
    """

    label: str
    n: int
    outside: int
    result: spc.Capability | None
    note: str


def study_of(one: Assessment, settings: Mapping[str, Any]) -> Study:
    """Gather what stands behind the index of one product."""
    counted = _counted(one)
    means = one.batches["mean"].to_numpy()[counted]
    view = one.capability
    specification, result = view.specification, view.result
    with_all = None
    if result is not None and not counted.all():
        with_all = _index(one.batches["mean"].to_numpy(), specification)
    seen = _seen(one, settings, len(means))
    reasons = view.withheld
    standing = spc.capability_standing(len(means), reasons)
    return Study(
        means=means,
        left_out=tuple(
            (str(one.batches["batch"].iat[i]), cause)
            for i, cause in sorted(one.limits.left_out.items())
        ),
        with_all=with_all,
        conditions=_conditions(one, means, counted, bool(seen)),
        standing=standing,
        by_size=_by_size(result),
        lognormal=_quantile(spc.capability_lognormal, means, specification),
        observed=_quantile(spc.capability_observed, means, specification),
        measurement_words=_measurement(one, means),
        normal=_normal(means),
        seen=seen,
    )


def record_seen(store: ingest.Store, one: Assessment, by: str, at: datetime) -> None:
    """Record that a person has looked at the distribution of what is there now."""
    held = dict(ingest.settings(store).get(DISTRIBUTION_SEEN) or {})
    held[_key(one)] = {"n": int(_counted(one).sum()), "by": by, "at": at.date().isoformat()}
    ingest.set_setting(store, DISTRIBUTION_SEEN, held, by=by or None, why="distribution looked at")


def forget_seen(store: ingest.Store, one: Assessment, by: str) -> None:
    """Take that record back: a further entry, the first one stays in the journal."""
    held = dict(ingest.settings(store).get(DISTRIBUTION_SEEN) or {})
    held.pop(_key(one), None)
    ingest.set_setting(store, DISTRIBUTION_SEEN, held, by=by or None, why="look taken back")


def _key(one: Assessment) -> str:
    return f"{one.product} | {one.condition}"


def _seen(one: Assessment, settings: Mapping[str, Any], n: int) -> str:
    held = (settings.get(DISTRIBUTION_SEEN) or {}).get(_key(one))
    if not held:
        return ""
    since = n - int(held.get("n", 0))
    more = f", {text.batches(since)} ago" if since > 0 else ""
    who = held.get("by") or "somebody"
    return f"Looked at by {who} on {held.get('at', '')}{more}."


def _counted(one: Assessment) -> np.ndarray:
    counted = np.ones(one.n_batches, dtype=bool)
    counted[list(one.limits.left_out)] = False
    return counted


def _index(means: np.ndarray, specification: ingest.Specification | None) -> spc.Capability | None:
    if specification is None:
        return None
    try:
        return spc.capability(means, specification.lower, specification.upper, specification.target)
    except spc.SpcError:
        return None


def _quantile(
    method: Any, means: np.ndarray, specification: ingest.Specification | None
) -> spc.QuantileCapability | None:
    if specification is None or len(means) < FEWEST_BATCHES:
        return None
    try:
        return method(means, specification.lower, specification.upper)
    except spc.SpcError:
        return None


def _normal(means: np.ndarray) -> spc.NormalPlot | None:
    try:
        return spc.normal_plot(means)
    except spc.SpcError:
        return None


def _by_size(result: spc.Capability | None) -> tuple[tuple[int, float, float], ...]:
    if result is None:
        return ()
    found = []
    for n in sorted({*SIZES, result.n}):
        there = spc.capability_from_summary(
            result.mean, result.sd, n, result.lower, result.upper, result.target
        )
        found.append((n, *there.ppk_interval))
    return tuple(found)


def _conditions(
    one: Assessment, means: np.ndarray, counted: np.ndarray, seen: bool
) -> tuple[Condition, ...]:
    """The gate, one condition at a time: the words of the gate where it is not met."""
    n, view = len(means), one.capability
    quiet: dict[str, Any] = {"n": FEWEST_BATCHES, "points_outside": 0, "n_points": max(1, n)}
    quiet |= {"lag1": None, "lag1_band": math.inf}

    def asked(good: str, **given: Any) -> Condition:
        against = spc.capability_gate(**(quiet | given))
        return Condition(text.sentence(against[0] if against else good), not against)

    said = [asked(f"{text.batches(n)}, at least {FEWEST_BATCHES} are needed", n=n)]
    location = one.charts.location if one.charts is not None else None
    if location is None:
        said.append(
            Condition("Without limits nobody can tell whether the process is stable.", None)
        )
    else:
        outside = int((location.outside() & counted).sum())
        waiting = sum(
            event.chart != DUPLICATES_RANGE and not event.handling.closed for event in one.events
        )
        about = spc.describe(means)
        said += [
            asked("no batch beyond the limits", points_outside=outside, n_points=n),
            asked("no event that nobody has closed", open_events=waiting),
            asked(
                "neighbouring batches are not alike beyond chance",
                lag1=about.lag1,
                lag1_band=about.lag1_band,
            ),
        ]
    specification = view.specification
    share = None if specification is None else measurement_share(specification, one.repeatability)
    if share is not None:
        good = f"repeatability takes {text.percent(share, 0)} of the tolerance, at most 30 %"
        said.append(asked(good, measurement_percent_of_tolerance=share))
    else:
        said.append(Condition(f"Share of the measurement: {_why_no_share(one)}.", None))
    for good, bad in (
        ("one specification held for all of it", "the specification changed inside the window"),
        ("samples as made, before any adjustment", "results after an adjustment are among them"),
        ("hardly any result over or under range", "over or under range"),
    ):
        against = next((reason for reason in view.withheld if bad in reason), "")
        known = specification is not None
        met = (not against) if known else None
        said.append(Condition(text.sentence(against or good), met))
    condition = one.condition
    recorded = "not recorded" not in condition
    words = f"one measuring condition: {condition}" if recorded else f"{condition}: it is not known"
    said.append(Condition(text.sentence(words), True if recorded else None))
    said.append(
        Condition("A person has looked at the distribution.", True)
        if seen
        else Condition("No look at the distribution is recorded yet.", None)
    )
    told = [condition.words for condition in said]
    said += [
        Condition(text.sentence(reason), False)
        for reason in view.withheld
        if text.sentence(reason) not in told
    ]
    return tuple(said)


def _why_no_share(one: Assessment) -> str:
    if one.repeatability is None:
        return "no batch has two readings"
    if one.capability.specification is None:
        return "there is no specification"
    return "with one limit only there is no tolerance to take a share of"


def needed_words(one: Assessment, claim: float = USUAL_CLAIM) -> str:
    """How many more batches until there is an index, or until a claim is proved, in words."""
    result, reasons = one.capability.result, one.capability.withheld
    index = None if result is None else (result.ppk if reasons else result.cpk)
    n = one.n_batches - len(one.limits.left_out)
    needed, wanted = spc.batches_needed(index, n, claim), text.plain(claim)
    if needed.more_for_index:
        return (
            f"{text.count(needed.more_for_index, 'more batch', 'more batches')} until there may be "
            "an index."
        )
    if index is None:
        return "There is no index yet, so nothing can be proved."
    name = "Ppk" if reasons else "Cpk"
    shown = f"{name} {text.fixed(index, 2)}"
    before = f"While the reasons above stand, {wanted} cannot be claimed. " if reasons else ""
    if needed.n_for_proof is None:
        return before + text.sentence(f"{wanted} cannot be proved by waiting: {needed.reason}")
    if needed.more_for_proof == 0:
        return (
            f"{before}{shown} on {text.batches(needed.n)} is enough to prove {wanted} "
            f"({text.batches(needed.n_for_proof)} would do; one-sided, 95 %)."
        )
    return (
        f"{before}If {shown} stays as it is, "
        f"{text.count(needed.more_for_proof or 0, 'more batch', 'more batches')} until a claim of "
        f"{wanted} can be proved ({needed.n_for_proof} in all; one-sided, 95 %)."
    )


def _measurement(one: Assessment, means: np.ndarray) -> str:
    """What of the spread of the batch means is repeatability, and what it costs the index."""
    if one.repeatability is None:
        return "No batch has two readings, so what measuring adds to the spread is not known."
    try:
        about = spc.describe(means)
    except spc.SpcError:
        return ""
    if about.sd == 0:
        return ""
    each = float(one.batches["n"].mean())
    percent = 100 * one.repeatability.s_r / math.sqrt(each) / about.sd
    try:
        part = spc.measurement_part(1.0, percent)
    except spc.SpcError:
        return (
            "Repeatability alone spreads as much as the batch means, so the index says nothing "
            "about the process."
        )
    said = (
        f"Repeatability makes {text.percent(part.variance_percent, 1)} of the variance of the "
        "batch means"
    )
    result = one.capability.result
    if result is not None and result.pp is not None:
        without = spc.measurement_part(result.pp, percent * result.pp).true_index
        said += (
            f"; without it Pp would be {text.fixed(without, 2)} instead of "
            f"{text.fixed(result.pp, 2)}"
        )
    return (
        f"{said}. This is repeatability only: differences between days, instruments and people are "
        "not in it."
    )


def periods_of(one: Assessment, by: str) -> tuple[tuple[Period, ...], str]:
    """The index period by period, all against the specification in force now.

    Args:
        one: the assessment. by: a key of PERIODS.

    Returns:
        the periods, oldest first, and what the newest says beside the one before it.
    """
    specification = one.capability.specification
    if specification is None:
        return (), "No specification is in force, so there is no index to follow."
    counted = _counted(one)
    places = np.flatnonzero(counted)
    outside = np.zeros(one.n_batches, dtype=bool)
    if one.charts is not None:
        outside = one.charts.location.outside()
    means = one.batches["mean"].to_numpy()
    found = []
    for label, chosen in _split(one, places, by):
        result, note = None, ""
        if len(chosen) < FEWEST_BATCHES:
            note = f"{text.batches(len(chosen))}: no index below {FEWEST_BATCHES}"
        else:
            result = _index(means[chosen], specification)
            note = "" if result is not None else "no spread, so no index"
        found.append(Period(label, len(chosen), int(outside[chosen].sum()), result, note))
    return tuple(found), _told(found)


def _split(one: Assessment, places: np.ndarray, by: str) -> list[tuple[str, np.ndarray]]:
    names, at = one.batches["batch"], one.batches["at"]
    if by.isdecimal():
        size = int(by)
        # counted back from the newest batch: the newest period is always a full one
        ends = range(len(places), 0, -size)
        blocks = [places[max(0, end - size) : end] for end in ends][::-1]
        return [(text.stretch([str(names.iat[i]) for i in (b[0], b[-1])]), b) for b in blocks]
    dated = places[at.iloc[places].notna().to_numpy()]
    if not len(dated):
        return []
    local = pd.DatetimeIndex(at.iloc[dated]).tz_localize(None)
    key = local.to_period("M" if by == "month" else "Q")
    found = []
    for period in key.unique().sort_values():
        if by == "month":
            label = f"{text.MONTHS[period.month - 1]} {period.year}"
        else:
            label = f"quarter {period.quarter} of {period.year}"
        found.append((label, dated[np.asarray(key == period)]))
    return found


def _told(periods: Sequence[Period]) -> str:
    earned = [one for one in periods if one.result is not None]
    if not earned:
        return f"No period has {FEWEST_BATCHES} batches, so there is no index to follow."
    if len(earned) < 2:
        return "One period with an index only: nothing to compare it with yet."
    before, after = earned[-2].result, earned[-1].result
    if before is None or after is None:  # kept above; for the type checker
        return ""
    change = spc.capability_change(before, after)
    size = (
        f"Ppk {text.with_interval(after.ppk, after.ppk_interval)} after "
        f"{text.with_interval(before.ppk, before.ppk_interval)}, difference "
        f"{text.fixed(change.difference, 2)} ({text.interval(*change.interval)})"
    )
    if not change.changed:
        return f"No detectable change: {size}. Only a larger difference would show."
    return f"The index {'rose' if change.difference > 0 else 'fell'}: {size}."

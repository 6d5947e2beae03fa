"""What a decision would change before it is made, and what was decided before: no screen needed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.batches import BatchTable, batch_tables, no_batches
from dashboard.events import moving_average, signals_of
from dashboard.handling import MEANS, READINGS
from dashboard.limits import Limits, limits_of
from dashboard.notes import FEWEST_PROVISIONAL
from dashboard.results import Assessment
from dashboard.rule_sets import RULE_SETS, RuleSet

CHART = "individuals"
METHOD = "moving_range"


@dataclass(frozen=True, slots=True)
class Level:
    """Centre, limits and sigma of batch means, mPa·s."""

    center: float
    lower: float
    upper: float
    sigma: float


@dataclass(frozen=True, slots=True)
class FreezePreview:
    """What freezing limits on a baseline would do.

    Attributes:
        first, last: batches of the baseline. n: batches of it that count.
        left_out: batches of it that do not, with their cause.
        before: limits in force for the newest batch; None where there are none.
        after: the limits that would be frozen.
        flagged_before, flagged_after: batches with a signal on the means, of all batches.
        newly: batches flagged only then. no_longer: batches not flagged any more.
        replaced: frozen limits that would hold nowhere any more.
        since: first batch that the new limits would hold for.
    """

    first: str
    last: str
    n: int
    left_out: dict[str, str]
    before: Level | None
    after: Level
    flagged_before: int
    flagged_after: int
    newly: tuple[str, ...]
    no_longer: tuple[str, ...]
    replaced: tuple[ingest.FrozenLimits, ...]
    since: str


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that was decided or recorded: when (ISO 8601 UTC), by whom, what, why."""

    at: str
    who: str
    what: str
    words: str


@dataclass(frozen=True, slots=True)
class Drift:
    """How far the batches after a baseline lie from its centre."""

    n: int
    size: float
    percent: float | None
    in_sigma: float
    interval: tuple[float, float]
    sentence: str


def default_baseline(one: Assessment) -> tuple[int, int]:
    """Positions that are proposed: the newest stretch without an open event, 30 batches at most."""
    stop = one.n_batches - 1
    for event in one.open_events:
        if event.start >= FEWEST_PROVISIONAL:
            stop = min(stop, event.start - 1)
    return max(stop - 29, 0), stop


def freeze_preview(store: Any, one: Assessment, first: str, last: str) -> FreezePreview:
    """Work out limits from a baseline, and what every batch would be under them.

    Args:
        store: the store. one: the assessment as it is shown. first, last: the baseline.

    Raises:
        ingest.IngestError: no such batch, the wrong order, or too few batches for limits.
    """
    table = _table(store, one.characteristic_id)
    names = table.frame["batch"].tolist()
    place = {name: i for i, name in enumerate(names)}
    for name in (first, last):
        if name not in place:
            raise ingest.IngestError(
                f"{one.product} has no batch '{name}': choose one of the list."
            )
    start, stop = place[first], place[last] + 1
    if start >= stop:
        raise ingest.IngestError(f"The baseline ends before it begins: {last} came before {first}.")
    excluded = ingest.exclusions(store, one.characteristic_id)
    left_out = {name: excluded[name] for name in names[start:stop] if name in excluded}
    values = table.frame["mean"].to_numpy()[start:stop]
    if len(values) - len(left_out) < FEWEST_PROVISIONAL:
        raise ingest.IngestError(
            f"{text.batches(len(values) - len(left_out))} that count: limits need "
            f"{FEWEST_PROVISIONAL}. Choose a longer baseline."
        )
    try:
        found = spc.freeze_limits(values, left_out=[place[name] - start for name in left_out])
    except spc.SpcError as error:
        raise ingest.IngestError(f"No limits from {first} to {last}: {error}") from None
    if found.sigma == 0:
        raise ingest.IngestError(f"The batches from {first} to {last} are all alike: no limits.")
    frozen = ingest.frozen_limits(store, one.characteristic_id, CHART)
    proposed = ingest.FrozenLimits(
        id=0, characteristic_id=one.characteristic_id, chart=CHART, center=found.center,
        sigma=found.sigma, lower=found.lower, upper=found.upper, first_batch=first,
        last_batch=last, n=found.n, exclusions=left_out, method=METHOD, at="", who="", why="",
    )  # fmt: skip
    rules = RULE_SETS["three-sigma"] if one.stage == "provisional" else RULE_SETS[one.rule_set]
    now = limits_of(table, frozen, excluded, one.charts is not None)
    then = limits_of(table, [*frozen, proposed], excluded, True)
    was, will = _flagged(now, rules, names), _flagged(then, rules, names)
    held = {stretch.frozen.id for stretch in then.stretches}
    return FreezePreview(
        first=first,
        last=last,
        n=found.n,
        left_out=left_out,
        before=_level(now),
        after=Level(found.center, found.lower, found.upper, found.sigma),
        flagged_before=len(was),
        flagged_after=len(will),
        newly=tuple(names[i] for i in sorted(will - was)),
        no_longer=tuple(names[i] for i in sorted(was - will)),
        replaced=tuple(
            stretch.frozen for stretch in now.stretches if stretch.frozen.id not in held
        ),
        since=next(names[s.start] for s in then.stretches if s.frozen is proposed),
    )


def freeze(
    store: Any, one: Assessment, preview: FreezePreview, why: str, by: str | None
) -> ingest.FrozenLimits:
    """Freeze the limits that were looked at.

    Raises:
        ingest.IngestError: no reason in words.
    """
    return ingest.freeze_limits(
        store,
        one.characteristic_id,
        center=preview.after.center,
        sigma=preview.after.sigma,
        lower=preview.after.lower,
        upper=preview.after.upper,
        first_batch=preview.first,
        last_batch=preview.last,
        n=preview.n,
        method=METHOD,
        why=why,
        exclusions=preview.left_out,
        by=by,
    )


def preview_sentences(preview: FreezePreview, n_batches: int) -> list[str]:
    """What freezing would do, in words; the numbers stand in `preview_rows`."""
    said = [
        f"From {text.batches(preview.n)}, {preview.first} to {preview.last}; they would hold from "
        f"{preview.since} on."
    ]
    if preview.left_out:
        causes = [f"{name} ({cause})" for name, cause in preview.left_out.items()]
        said.append(f"Not counted: {text.joined(causes)}.")
    said.append(
        f"Batches with a signal: {preview.flagged_before} of {n_batches} now, "
        f"{preview.flagged_after} then."
    )
    if preview.newly:
        said.append(f"Flagged only then: {_named(preview.newly)}.")
    if preview.no_longer:
        said.append(f"Not flagged any more: {_named(preview.no_longer)}.")
    said += [
        f"The limits frozen on {old.at[:10]} by {old.who} ({old.first_batch} to {old.last_batch}) "
        "would hold for no batch any more; they stay in the history."
        for old in preview.replaced
    ]
    return said


def preview_rows(preview: FreezePreview) -> list[tuple[str, str, str, str]]:
    """Name, now, then and the change of centre, limits and sigma."""
    rows = []
    for name, key in (
        ("Upper control limit", "upper"),
        ("Centre", "center"),
        ("Lower control limit", "lower"),
        ("Sigma", "sigma"),
    ):
        after = float(getattr(preview.after, key))
        before = None if preview.before is None else float(getattr(preview.before, key))
        change = text.MISSING if before is None else _signed(after - before)
        rows.append((name, text.fixed(before, 1), text.fixed(after, 1), change))
    return rows


def drift_since(one: Assessment) -> Drift | None:
    """The batches after the baseline of the limits in force against their centre.

    The interval is the usual one for a difference of two means, with the sigma of the limits:
    1.96 sigma √(1/n + 1/n of the baseline).
    """
    if not one.limits.stretches or one.charts is None:
        return None
    stretch = one.limits.stretches[-1]
    names = one.batches["batch"].tolist()
    if stretch.frozen.last_batch not in names:
        return None
    after = names.index(stretch.frozen.last_batch) + 1
    means = one.batches["mean"].to_numpy()[after : stretch.stop]
    if not len(means):
        return None
    center, sigma = stretch.frozen.center, stretch.frozen.sigma
    size = float(means.mean()) - center
    half = 1.96 * sigma * float(np.sqrt(1 / len(means) + 1 / stretch.frozen.n))
    percent = 100 * size / center if center > 0 else None
    in_percent = "" if percent is None else f" ({_signed(percent)} %)"
    still = abs(size) <= half
    said = (
        f"Since the freeze, {text.batches(len(means))} after {stretch.frozen.last_batch}: mean "
        f"{_signed(size)} {text.UNIT}{in_percent} from the frozen centre, "
        f"{_signed(size / sigma, 2)} sigma, 95 % interval {_signed(size - half)} to "
        f"{_signed(size + half)}"
    )
    said += "; no detectable drift." if still else "."
    return Drift(len(means), size, percent, size / sigma, (size - half, size + half), said)


def history_of_batch(store: Any, one: Assessment, batch: str) -> list[Told]:
    """Everything decided or recorded that touches a batch, the newest first."""
    names = one.batches["batch"].tolist()
    place = {name: i for i, name in enumerate(names)}
    here = place.get(batch)
    said: list[Told] = []
    history = ingest.exclusion_history(store, one.characteristic_id)
    for row in history[history["batch"] == batch].itertuples():
        what = "left out of limits" if row.excluded else "counted for limits again"
        said.append(Told(row.at, row.who, what, row.cause))
    for record in ingest.event_records(store, one.characteristic_id):
        ends = [place[name] for name in (record.first_batch, record.last_batch) if name in place]
        if here is not None and ends and min(ends) <= here <= max(ends):
            said.append(_told(record))
    for frozen in ingest.frozen_limits(store, one.characteristic_id, CHART):
        ends = [place[name] for name in (frozen.first_batch, frozen.last_batch) if name in place]
        if here is not None and ends and min(ends) <= here <= max(ends):
            cause = frozen.exclusions.get(batch)
            what = "limits frozen, with this batch" if cause is None else "limits frozen without it"
            said.append(Told(frozen.at, frozen.who, what, frozen.why))
    return sorted(said, key=lambda told: told.at, reverse=True)


def record_sentence(record: ingest.EventRecord) -> str:
    """A record on one line: what, by whom, when, in which words."""
    told = _told(record)
    when = text.moment(pd.Timestamp(told.at))
    return f"{told.what} by {told.who}, {when}" + (f": {told.words}" if told.words else "")


def open_actions(records: Sequence[ingest.EventRecord]) -> list[ingest.EventRecord]:
    """Actions agreed and not yet done."""
    done = {one.about for one in records if one.kind == "action done"}
    return [one for one in records if one.kind == "action" and one.id not in done]


def unchecked_actions(records: Sequence[ingest.EventRecord]) -> list[ingest.EventRecord]:
    """Actions done whose effect nobody has checked."""
    done = {one.about for one in records if one.kind == "action done"}
    checked = {one.about for one in records if one.kind == "effect"}
    return [
        one for one in records if one.kind == "action" and one.id in done and one.id not in checked
    ]


def _told(record: ingest.EventRecord) -> Told:
    words = record.words
    if record.kind == "action" and record.due is not None:
        words = f"{words} (owner {record.owner}, until {text.date(pd.Timestamp(record.due))})"
    return Told(record.at, record.who, _WORDS.get(record.kind, record.kind), words)


_WORDS = {
    "acknowledged": "seen",
    "tried": "check tried",
    "cause": "cause recorded",
    "action": "action agreed",
    "action done": "action done",
    "effect": "effect checked",
    "remark": "remark",
    "closed": "closed",
    "opened again": "opened again",
    "taken back": "record taken back",
}
CHART_NAMES: Mapping[str, str] = {MEANS: "batch means", READINGS: "ranges of readings"}


def _table(store: Any, characteristic_id: int) -> BatchTable:
    return batch_tables(store.batches(characteristic_id)).get(characteristic_id) or no_batches()


def _flagged(limits: Limits, rules: RuleSet, names: Sequence[str]) -> set[int]:
    """Positions of batches with a signal on their means."""
    if limits.charts is None:
        return set()
    location = limits.charts.location
    average = moving_average(location, limits.breaks) if rules.with_ewma else None
    means = spc.ChartSet(limits.charts.kind, location, limits.charts.dispersion)
    return {row.index for row in signals_of(means, average, rules.rules, names, limits.breaks)}


def _level(limits: Limits) -> Level | None:
    if limits.charts is None:
        return None
    one = limits.charts.location
    return Level(
        float(one.center[-1]), float(one.lower[-1]), float(one.upper[-1]), float(one.sigma)
    )


def _signed(value: float, decimals: int = 1) -> str:
    said = text.fixed(value, decimals)
    return said if said.startswith("−") or not said.strip("0.") else f"+{said}"


def _named(names: Sequence[str]) -> str:
    shown = list(names[:6])
    more = len(names) - len(shown)
    return text.joined([*shown, f"{more} more"] if more else shown)

"""Signals of a product's charts, and the events they belong to.

What is a signal here: a rule of the chosen set on the batch means; the moving average beyond its
limits where the set has one; and ranges of a batch's readings above their limit when they repeat,
two and more among 8 neighbouring batches. A lone range above its limit is a remark (the range of
a pair does that by chance in 1 batch of 109, so one in four records of 30 batches holds one); the
newest range above its limit puts the measurement in doubt at once, see `assessment`. A moving
range beyond its limit is drawn on its chart and is no signal of its own: it comes from the same
two batch means, and neighbouring ranges share one of them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

import spc
from dashboard import text
from dashboard.results import BATCH_MEANS, DUPLICATES_RANGE, EWMA, Event, SignalRow
from dashboard.rule_sets import EWMA_WEIGHT, EWMA_WIDTH, RuleSet

OPEN_WINDOW = 8
"""Newest batches in which a signal keeps an event open.

Common practice, no source: as long as the longest run rule, so that a shift that has just begun
and one that is still running both count. A stretch that still runs ends at the newest batch, so
it is open by the same rule.
"""
BRIDGED = 1
"""Quiet batches that may lie inside an event; more of them part it in two."""
EWMA_PHRASE = "moving average beyond its control limits"
RANGE_RULE = "beyond_3_sigma"
RANGE_PHRASE = "range beyond 3 sigma"


def moving_average(location: spc.ControlChart, breaks: Sequence[int] = ()) -> spc.ControlChart:
    """Chart the batch means with a memory: EWMA about the same centre and sigma.

    It starts anew where another set of limits begins.
    """
    starts, stops = [0, *breaks], [*breaks, location.n]
    parts = [
        spc.ewma(
            location.values[start:stop],
            center=float(location.center[start]),
            sigma=float(location.standard_error[start]),
            weight=EWMA_WEIGHT,
            width=EWMA_WIDTH,
        )
        for start, stop in zip(starts, stops, strict=True)
    ]
    if len(parts) == 1:
        return parts[0]
    names = ("values", "center", "lower", "upper", "standard_error")
    joined = {name: np.concatenate([getattr(one, name) for one in parts]) for name in names}
    return replace(parts[-1], **joined)


def signals_of(
    charts: spc.ChartSet,
    ewma: spc.ControlChart | None,
    rules: Sequence[spc.Rule],
    batches: Sequence[str],
    breaks: Sequence[int] = (),
) -> tuple[SignalRow, ...]:
    """List every signal of a three-way chart set and its moving average, in order of batches."""
    phrases = {rule.key: rule.phrase for rule in rules}
    found = spc.run_rule_signals(charts.location, rules, breaks=list(breaks))
    rows = [
        SignalRow(batches[i], int(i), key, BATCH_MEANS, phrases[key])
        for i, key in zip(found.index, found.rule, strict=True)
    ]
    if ewma is not None:
        rows += [
            SignalRow(batches[i], int(i), "ewma", EWMA, EWMA_PHRASE)
            for i in np.flatnonzero(ewma.outside())
        ]
    if charts.within is not None:
        beyond = np.flatnonzero(charts.within.outside())
        rows += [
            SignalRow(batches[i], int(i), RANGE_RULE, DUPLICATES_RANGE, RANGE_PHRASE)
            for i in beyond[~_alone(beyond)]
        ]
    return tuple(sorted(rows, key=lambda row: row.index))  # stable: rules keep their order


def lone_ranges(charts: spc.ChartSet) -> np.ndarray:
    """Positions of ranges above their limit that have no other one near."""
    if charts.within is None:
        return np.empty(0, dtype=int)
    beyond = np.flatnonzero(charts.within.outside())
    return beyond[_alone(beyond)]


def _alone(points: np.ndarray) -> np.ndarray:
    far = np.diff(points) >= OPEN_WINDOW
    return np.concatenate(([True], far)) & np.concatenate((far, [True])) if len(points) else far


def events_of(
    signals: Sequence[SignalRow],
    charts: spc.ChartSet,
    ewma: spc.ControlChart | None,
    rule_set: RuleSet,
    batches: Sequence[str],
) -> tuple[Event, ...]:
    """Group signals into events: open ones first, then the newest first.

    Signals above and below the centre are different events. A stretch starts at the first point
    that helped to make the pattern.
    """
    events = []
    on_means = [row for row in signals if row.chart != DUPLICATES_RANGE]
    if on_means:
        z = charts.location.z
        for side in (1.0, -1.0):
            mine = [row for row in on_means if _side(row, z, ewma) == side]
            for start, stop in _stretches(_contributing(mine, side * z)):
                inside = [row for row in mine if start <= row.index <= stop]
                events.append(
                    _event_on_means(start, stop, side, inside, charts, ewma, rule_set, batches)
                )
    if charts.within is not None:
        ranges = [row for row in signals if row.chart == DUPLICATES_RANGE]
        for start, stop in _stretches([row.index for row in ranges], OPEN_WINDOW - 2):
            events.append(_event_on_ranges(start, stop, charts.within, batches))
    return tuple(sorted(events, key=lambda event: (not event.open, -event.stop, event.chart)))


def _side(row: SignalRow, z: np.ndarray, ewma: spc.ControlChart | None) -> float:
    if row.chart == EWMA and ewma is not None:
        return float(np.sign(ewma.values[row.index] - ewma.center[row.index]))
    return float(np.sign(z[row.index]))


def _contributing(signals: Iterable[SignalRow], z: np.ndarray) -> list[int]:
    """Points on the positive side of `z` that make the signals, the signalling ones included."""
    patterns = {rule.key: rule.pattern for rule in spc.RULES}
    points = set()
    for row in signals:
        points.add(row.index)
        pattern = patterns.get(row.rule)
        if pattern is not None:
            first = max(0, row.index - pattern.window + 1)
            points.update(first + np.flatnonzero(z[first : row.index] > pattern.distance))
    return sorted(int(point) for point in points)


def _stretches(points: Sequence[int], bridged: int = BRIDGED) -> list[tuple[int, int]]:
    """Join points into stretches; both ends inclusive."""
    found = spc.group_events(np.array(points, dtype=int), gap=bridged)
    return [(one.start, one.stop - 1) for one in found]


def _event_on_means(
    start: int,
    stop: int,
    side: float,
    signals: Sequence[SignalRow],
    charts: spc.ChartSet,
    ewma: spc.ControlChart | None,
    rule_set: RuleSet,
    batches: Sequence[str],
) -> Event:
    z = charts.location.z
    is_open = stop >= len(batches) - OPEN_WINDOW
    # The average remembers: its last signals may come when the batches have left that side.
    stop = max(
        (row.index for row in signals if row.chart != EWMA or side * z[row.index] > 0),
        default=stop,
    )
    seen = {row.rule for row in signals}
    keys = [rule.key for rule in rule_set.rules if rule.key in seen]
    phrases = [rule.phrase for rule in rule_set.rules if rule.key in seen]
    if "ewma" in seen:
        keys.append("ewma")
        phrases.append(EWMA_PHRASE)
    by_average_alone = keys == ["ewma"] and ewma is not None
    away = away_from_centre(ewma if by_average_alone else charts.location, start, stop)
    center = float(charts.location.center[stop])
    size = text.viscosity(abs(away), 3)
    if center > 0:
        size = f"{text.percent(100 * abs(away) / center)} ({size})"
    where = f"{'above' if away > 0 else 'below'} the centre by {size}"
    if by_average_alone:
        where, phrases = f"moving average {where}", ["beyond its control limits"]
    names = tuple(batches[start : stop + 1])
    return Event(
        start=start,
        stop=stop,
        batches=names,
        chart=EWMA if by_average_alone else BATCH_MEANS,
        rules=tuple(keys),
        sentence=f"{text.stretch(names)}: {where}, {text.joined(phrases)}.",
        open=is_open,
    )


def away_from_centre(chart: spc.ControlChart, start: int, stop: int) -> float:
    """How far a stretch lies from the centre on average, mPa·s; both ends inclusive."""
    part = slice(start, stop + 1)
    return float(np.mean(chart.values[part] - chart.center[part]))


def size_of(event: Event, charts: spc.ChartSet, ewma: spc.ControlChart | None) -> float:
    """The size that the sentence of an event tells, mPa·s: a distance, or its largest range."""
    if event.chart == DUPLICATES_RANGE:
        assert charts.within is not None  # noqa: S101 - the event was found on that chart
        return float(charts.within.values[_worst(event.start, event.stop, charts.within)])
    shown = ewma if event.chart == EWMA and ewma is not None else charts.location
    return abs(away_from_centre(shown, event.start, event.stop))


def _worst(start: int, stop: int, within: spc.ControlChart) -> int:
    part = slice(start, stop + 1)
    return start + int(np.nanargmax(within.values[part] / within.upper[part]))


def _event_on_ranges(
    start: int, stop: int, within: spc.ControlChart, batches: Sequence[str]
) -> Event:
    names = tuple(batches[start : stop + 1])
    worst = _worst(start, stop, within)
    return Event(
        start=start,
        stop=stop,
        batches=names,
        chart=DUPLICATES_RANGE,
        rules=(RANGE_RULE,),
        sentence=(
            f"{text.stretch(names)}: ranges of readings up to "
            f"{text.viscosity(within.values[worst], 3)}, limit "
            f"{text.number(within.upper[worst], 3)}; look at the measurement first."
        ),
        open=stop >= len(batches) - OPEN_WINDOW,
    )

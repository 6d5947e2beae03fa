"""From a history to a verdict: the order in which an investigation asks its questions.

1. Is the row right? 2. Did readings of one batch begin to disagree? 3. Did the check standards
move? 4. Did the product move, and did the check standards stand still meanwhile? 5. Does a factor
divide the batches? 6. Are neighbours alike? 7. Else nothing.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spc.drift import conclude, conclude_factor, conclude_moved, conclude_rarer
from spc.drift.around import gather, instruments_of, moment_of, temperature_change
from spc.drift.checks import Movement, locate, scan_checks, usable
from spc.drift.evidence import PHI
from spc.drift.findings import Finding, Series, find, series_of
from spc.drift.history import History
from spc.drift.pairing import Pairing, pair
from spc.drift.ratios import (
    RecordFault,
    factor_ratio,
    set_aside_faults,
    used_faults,
    without,
)
from spc.drift.spread import SpreadChange, spread_change
from spc.drift.strata import Strata, stratify
from spc.drift.verdict import Investigation, Verdict
from spc.errors import SpcError
from spc.intake import BoolArray, FloatArray

FOUND = 1.8
"""Log odds above which the batches show something; the false accusations are measured."""
WEAK = 0.4
"""Log odds of a hint: told as such where no check standard could say that nothing moved."""
MOVED = 2.5
"""Log odds above which check standards have moved."""
SPREAD = 1.5
"""Log odds above which the spread within batches has changed."""
STRONG = 8.0
"""Log odds above which a change of level is told before a faulty record."""
SURE = 0.85
"""Posterior probability from which process or measurement is named."""
_LARGE = 0.4  # change of the log from which a ratio of torque factors is thought of
_ALIKE = 0.4
_FEWEST_FOR_HINT = 20
_ALIKE_PROBABILITY = 0.85


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """A change with what moved beside it.

    Attributes:
        finding: in the product's own batches; None where only check standards show it.
        movement: of the check standards; None where only the batches show it.
        column: the event in the batches in use.
        within: the batches that it can reach (those of its instrument).
        pairing: the explanations weighed.
    """

    finding: Finding | None
    movement: Movement | None
    column: FloatArray
    within: BoolArray
    pairing: Pairing


def investigate(history: History) -> Investigation:
    """Name what moved, since when, how big, in what, and what to check next.

    Without check standards a change of level is never put down to process or measurement: the
    class is then "cannot_tell", unless the kind of change decides by itself (a ratio of torque
    factors, readings that disagree, a level that goes with the operator, a faulty record).

    Args:
        history: one product at one measuring condition, and what stands beside it.

    Source: the order of questions is the trade's; each statistic names its own source.
    """
    faults = set_aside_faults(history)
    gross = used_faults(history)
    cleaned = without(history, gross)
    faults = faults + gross
    series = series_of(cleaned)
    if series is None:
        return _short(cleaned, faults)
    findings = find(cleaned, series)
    spread = _spread(cleaned, series)
    events = _events(cleaned, series, findings)
    verdict, pairing = _decide(cleaned, series, findings, spread, events, faults)
    column, level = _picture(cleaned, series, events, pairing, spread, verdict)
    return Investigation(
        verdict=verdict,
        findings=tuple(findings[:8]),
        pairing=pairing,
        strata=_strata(cleaned, series),
        spread=spread,
        neighbours=series.neighbours,
        column=column,
        level=level,
    )


def _picture(
    history: History,
    series: Series,
    events: list[Event],
    pairing: Pairing | None,
    spread: SpreadChange | None,
    verdict: Verdict,
) -> tuple[FloatArray | None, FloatArray | None]:
    """The event that the verdict is about in each batch, and the level fitted to it."""
    event = next((one for one in events if pairing is not None and one.pairing is pairing), None)
    kept, inside = series.kept, np.zeros(0)
    if event is not None:
        if event.finding is not None and event.finding.shape.kind == "level":
            return None, None
        kept, inside = series.kept[event.within], event.column[event.within]
    elif verdict.suspect == "aeration" and spread is not None:
        kept, inside = series.usable, np.zeros(len(series.usable))
        inside[spread.start : spread.stop] = 1.0
    if not len(inside) or np.ptp(inside) == 0:
        return None, None
    values = history.means[kept]
    if event is not None and event.finding is not None and event.finding.shape.kind == "levels":
        edges = [0, *event.finding.shape.starts.tolist(), len(kept)]
        fitted = np.concatenate([np.full(b - a, values[a:b].mean()) for a, b in pairwise(edges)])
    else:
        line = np.column_stack([np.ones(len(inside)), inside])
        fitted = line @ np.linalg.lstsq(line, values, rcond=None)[0]
    column, level = (np.full(len(history.batches), np.nan) for _ in range(2))
    column[kept], level[kept] = np.minimum(inside, 1.0), fitted
    return column, level


def _short(history: History, faults: list[RecordFault]) -> Investigation:
    if faults:
        return Investigation(conclude.record_faults(history, faults))
    return Investigation(conclude.short_record(history))


def _spread(history: History, series: Series) -> SpreadChange | None:
    try:
        return spread_change(history.readings[series.usable])
    except SpcError:
        return None


def _strata(history: History, series: Series) -> Strata | None:
    try:
        return stratify(
            history.means[series.kept],
            [type(f)(f.name, f.codes[series.kept], f.levels) for f in history.factors],
            neighbours=max(series.neighbours, 0.0),
        )
    except SpcError:
        return None


def _events(history: History, series: Series, findings: list[Finding]) -> list[Event]:
    """What moved: by the check standards, instrument after instrument, and by the batches."""
    events = []
    for movement in _movements(history, series):
        within = _on(history, series, movement.instruments)
        column = movement.moment.column(history.times[series.kept]) * within
        if np.sum(column > 0.02) < 2:  # it began after the newest batches
            continue
        moved = gather(history, series, column, movement.moment, movement.instruments)
        warmer = temperature_change(history, series, column)
        events.append(Event(None, movement, column, within, pair(moved, warmer)))
    best = findings[0] if findings and findings[0].log_odds > FOUND else None
    if best is not None and best.shape.kind == "levels" and _jumps(series, best):
        # A spindle there and back: one stretch says it better than several levels.
        plain = (f for f in findings if f.shape.kind in ("step", "stretch") and f.log_odds > FOUND)
        best = next(plain, best)
    if best is not None and best.shape.kind != "level":
        within = np.ones(len(series.kept), dtype=bool)
        if best.factor == "instrument":
            within = np.asarray(series.instrument == best.shape.subset)
        moment = moment_of(history, series, best.shape)
        names = instruments_of(history, series, within)
        moved = gather(history, series, best.shape.column, moment, names)
        warmer = temperature_change(history, series, best.shape.column)
        events.append(Event(best, None, best.shape.column, within, pair(moved, warmer)))
    elif best is not None:
        alone = gather(history, series, best.shape.column, None, [])
        everywhere = np.ones(len(series.kept), dtype=bool)
        events.append(Event(best, None, best.shape.column, everywhere, pair(alone)))
    return events


def _jumps(series: Series, finding: Finding) -> bool:
    """Whether neighbouring levels differ as much as torque factors do."""
    edges = [0, *finding.shape.starts.tolist(), len(series.logs)]
    means = [series.logs[a:b].mean() for a, b in pairwise(edges)]
    return bool(np.max(np.abs(np.diff(means))) > _LARGE)


def _movements(history: History, series: Series) -> list[Movement]:
    """The likeliest movement of each instrument of the product, where it is likely enough."""
    times = history.times[series.kept]
    if not history.checks or not np.isfinite(times).all():
        return []
    names = instruments_of(history, series, np.ones(len(times), dtype=bool))
    scans = []
    for name in names:
        if _on(history, series, (name,)).sum() < 3:
            continue
        scan = history.scans[name] if name in history.scans else scan_checks(history.checks, name)
        if scan is None or not scan.log_odds:
            continue
        if max(scan.log_odds.values()) - np.log(len(names)) > MOVED:
            scans.append(scan)
    scans.sort(key=lambda one: -max(one.log_odds.values()))
    if len(scans) > 1:
        together = scan_checks(history.checks, *(scan.instruments[0] for scan in scans))
        best = max(scans[0].log_odds.values())
        if together is not None and max(together.log_odds.values()) > best + MOVED:
            scans.insert(0, together)
    found = []
    for scan in scans:
        kind = max(scan.log_odds, key=lambda key: scan.log_odds[key])
        within = _on(history, series, scan.instruments)
        found.append(locate(scan, kind, times[within], series.logs[within], series.known[within]))
    return found


def _on(history: History, series: Series, instruments: tuple[str, ...]) -> BoolArray:
    """Batches in use that were measured on these instruments; "" where none is recorded."""
    factor = history.factor("instrument")
    if factor is None:
        return np.ones(len(series.kept), dtype=bool)
    codes = factor.codes[series.kept]
    wanted = [factor.levels.index(name) if name else -1 for name in instruments]
    return np.asarray(np.isin(codes, wanted))


def _decide(
    history: History,
    series: Series,
    findings: list[Finding],
    spread: SpreadChange | None,
    events: list[Event],
    faults: list[RecordFault],
) -> tuple[Verdict, Pairing | None]:
    by_checks = [event for event in events if event.movement is not None]
    by_batches = next((event for event in events if event.finding is not None), None)
    strength = max(
        [event.movement.log_odds for event in by_checks if event.movement is not None]
        + [by_batches.finding.log_odds if by_batches and by_batches.finding else -np.inf]
    )
    if faults and strength < STRONG:
        return conclude.record_faults(history, faults), None

    large = _large_ratio(history, series, events)
    if large is not None and large.finding is not None:
        return conclude.spindle(history, series, large.column, large.finding), large.pairing
    lone = conclude.lone_ratio(history, series)
    if lone is not None and not events:
        return lone, None

    if spread is not None and spread.log_odds > SPREAD:
        level = by_batches.finding if by_batches is not None else None
        measured = any(event.pairing.measurement >= SURE for event in by_checks)
        if not measured and (level is None or _together(series, level, spread)):
            return conclude.aeration(history, series, spread), None
        if not measured and level is not None and spread.log_odds > level.log_odds:
            return conclude.aeration(history, series, spread), None

    verdict = _moved(history, series, by_checks, by_batches)
    if verdict is not None:
        return verdict
    weights = series.background.phi_weights
    if float(weights[PHI >= _ALIKE].sum()) > _ALIKE_PROBABILITY:
        return conclude.alike(history, series), None
    other = conclude_rarer.rarer(history, series, FOUND)
    if other is not None:
        return other, None
    if faults:
        return conclude.record_faults(history, faults), None
    hint = next((one for one in findings if one.shape.kind in ("step", "ramp", "stretch")), None)
    if hint is not None and hint.log_odds > WEAK and len(series.kept) >= _FEWEST_FOR_HINT:
        names = instruments_of(history, series, np.ones(len(series.kept), dtype=bool))
        if not usable(history.checks, *names):
            return conclude_moved.hint(history, series, hint), None
    return conclude.nothing(history, series), None


def _large_ratio(history: History, series: Series, events: list[Event]) -> Event | None:
    """An event as large as a ratio of torque factors, with the torque gone along if recorded."""
    for event in events:
        change = event.pairing.moved[0].change
        if abs(change) < _LARGE or event.finding is None or event.finding.shape.kind == "level":
            continue
        if factor_ratio(float(np.exp(change))) is not None:
            return event
    return None


def _together(series: Series, level: Finding, spread: SpreadChange) -> bool:
    """Whether level and spread began at about the same batch."""
    if level.shape.kind in ("level", "levels"):
        return level.shape.kind == "levels"
    slack = max(3, len(series.kept) // 10)
    start = int(np.searchsorted(series.usable, series.kept[level.shape.start]))
    return spread.start_low - slack <= start <= spread.start_high + slack


def _moved(
    history: History, series: Series, by_checks: list[Event], by_batches: Event | None
) -> tuple[Verdict, Pairing | None] | None:
    """Choose between what the check standards and what the batches show."""
    measured = next((e for e in by_checks if e.pairing.measurement >= SURE), None)
    reference = measured is not None and measured.pairing.likeliest_fault[0] == "reference"
    if by_batches is not None and by_batches.finding is not None:
        finding = by_batches.finding
        own = by_batches.pairing
        if finding.factor in ("operator", "shift", "line", "weekday"):
            stronger = measured is None or (
                measured.movement is not None
                and abs(own.moved[0].change) > abs(measured.pairing.moved[0].change)
            )
            if stronger:
                return conclude_factor.by_factor(history, series, finding), own
        elif finding.factor == "lot" and finding.shape.kind == "level":
            if measured is None or abs(own.moved[0].change) > abs(measured.pairing.moved[0].change):
                return conclude_moved.process(history, series, finding, own, SURE), own
        else:
            process = bool(own.checks) and own.probabilities["process"] >= SURE
            larger = measured is None or (
                abs(own.moved[0].change) > abs(measured.pairing.moved[0].change)
            )
            if measured is None or reference or (process and larger):
                if own.checks and own.measurement >= SURE:
                    return conclude_moved.measurement(history, series, by_batches, own), own
                return conclude_moved.process(history, series, finding, own, SURE), own
    if measured is not None:
        return conclude_moved.measurement(
            history, series, measured, measured.pairing
        ), measured.pairing
    return None

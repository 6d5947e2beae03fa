"""Conclusions that need the check standards: process, measurement, or cannot tell."""

from itertools import pairwise
from typing import Protocol

import numpy as np

from spc.drift import places
from spc.drift.checks import Movement, usable
from spc.drift.conclude import make
from spc.drift.evidence import Background
from spc.drift.findings import Finding, Series
from spc.drift.history import History
from spc.drift.pairing import Pairing
from spc.drift.shapes import find_step, interval
from spc.drift.sizes import Size
from spc.drift.verdict import NEXT_CHECK, NO_CHECKS, Verdict
from spc.drift.wording import about, between, joined, number, of_moved, percent, signed
from spc.intake import BoolArray, FloatArray, IntArray


class _Event(Protocol):
    @property
    def finding(self) -> Finding | None: ...
    @property
    def movement(self) -> Movement | None: ...
    @property
    def column(self) -> FloatArray: ...
    @property
    def within(self) -> BoolArray: ...


def measurement(history: History, series: Series, event: _Event, pairing: Pairing) -> Verdict:
    """Tell of a movement that the check standards share, and which fault fits."""
    place = None
    ramp = False
    stretch = False
    where = ""
    if event.movement is not None:
        place = places.of_movement(history, series, event.movement, event.within)
        ramp = event.movement.moment.kind == "ramp"
        stretch = event.movement.moment.kind == "stretch"
        names = joined([name for name in event.movement.instruments if name])
        where = f" on {names}" if names else ""
    elif event.finding is not None:
        place = places.of_finding(history, series, event.finding)
        ramp = event.finding.shape.kind == "ramp"
        stretch = event.finding.shape.kind == "stretch"
    size = places.size_of(history, series, event.column, event.within, ramp)
    fault, share = pairing.likeliest_fault
    evidence = [f"{one[0].upper()}{one[1:]}." for one in map(of_moved, pairing.moved)]
    evidence += _biases(history, event)
    since = _since(place, ramp, stretch)
    moved = f"{about(size.percent)}{since}"
    if fault == "reference":
        what = (
            f"The check standard{where} moved alone{since}; the products did not: doubt its "
            "reference value or the fluid."
        )
        return make(what, "measurement", "unknown", evidence, place, None)
    words = {
        "gain": f"by the same percentage for all (about {percent(pairing.gain_percent)})",
        "zero_offset": (
            f"by a constant offset of about {signed(pairing.offset_percent)} % of full scale, "
            "more at low torque"
        ),
        "temperature_bath": "each material by its own temperature sensitivity",
    }[fault]
    evidence.append(
        f"Of the faults that explain this, {fault.replace('_', ' ')} has a share of "
        f"{100 * share:.0f} %."
    )
    if fault == "temperature_bath":
        evidence.append(_temperature_words(history, series, event))
    growing = ", growing" if ramp else ""
    what = f"{moved}: the measurement moved{where}, check standards along with it, {words}"
    return make(f"{what}{growing}.", "measurement", fault, evidence, place, size)


def _temperature_words(history: History, series: Series, event: _Event) -> str:
    recorded = history.temperature[series.kept]
    on = recorded[(event.column > 0.5) & np.isfinite(recorded)]
    off = recorded[(event.column < 0.5) & np.isfinite(recorded)]
    if not len(on) or not len(off):
        return "Sample temperature is not recorded."
    if abs(np.median(on) - np.median(off)) < 0.05:
        return f"The recorded temperature did not move ({np.median(on):.1f} throughout)."
    return f"The recorded temperature went from {np.median(off):.1f} to {np.median(on):.1f}."


def _biases(history: History, event: _Event) -> list[str]:
    """Newest five runs of each check standard against its certified value."""
    if event.movement is None or event.movement.moment.kind == "stretch":
        return []
    words = []
    for runs in usable(history.checks, *event.movement.instruments):
        if not np.isfinite(runs.certified):
            continue
        bias = float(np.mean(runs.values[-5:])) - runs.certified
        factor = float(np.nanmedian(runs.values / runs.torque)) if _known(runs.torque) else 0.0
        scale = f", {signed(bias / factor)} % of full scale" if factor > 0 else ""
        words.append(
            f"Newest five runs of {runs.name}: {signed(bias)} {history.unit} "
            f"({percent(100 * bias / runs.certified, 2)}{scale}) against "
            f"{number(runs.certified)}."
        )
    return words


def _known(values: FloatArray) -> bool:
    return bool(np.isfinite(values).any())


def _since(place: places.Place | None, ramp: bool, stretch: bool) -> str:
    if place is None:
        return ""
    if ramp:
        return f" by now, in a slow ramp since about {place.since}{between(place.low, place.high)}"
    word = "from" if stretch else "since"
    return f" {word} {place.since}{between(place.low, place.high)}"


def process(
    history: History, series: Series, finding: Finding, pairing: Pairing, sure: float
) -> Verdict:
    """Tell of a change in the batches: the process where check standards stood still."""
    checks = pairing.checks
    if checks and pairing.probabilities["process"] >= sure:
        kind = "process"
    elif finding.shape.kind in ("level", "levels"):
        kind = _steady_throughout(history, series)
    else:
        kind = "cannot_tell"
    if finding.shape.kind == "levels":
        return _levels(history, series, finding, kind)
    if finding.factor == "lot" and finding.shape.kind == "level":
        return _lots(history, series, finding, kind)
    shape = finding.shape
    ramp, stretch = shape.kind == "ramp", shape.kind == "stretch"
    within = np.ones(len(series.kept), dtype=bool)
    if finding.factor == "instrument":
        within = np.asarray(series.instrument == shape.subset)
    place = places.of_finding(history, series, finding)
    size = places.size_of(history, series, shape.column, within, ramp)
    suspect, evidence = "unknown", [_size_words(history, size)]
    if ramp:
        suspect = "wear_or_ageing"
        evidence += _slope_words(history, series, finding, within)
    else:
        evidence += _lot_words(history, series, finding)
        if finding.factor == "lot":
            suspect = "raw_material_lot"
    evidence += [f"{one[0].upper()}{one[1:]}." for one in map(of_moved, pairing.moved[1:])]
    steady = _steady_words(kind, pairing)
    evidence.append(steady[1])
    moved = f"{about(size.percent)}{_since(place, ramp, stretch)}"
    on = f" on {finding.level}" if finding.factor == "instrument" else ""
    end = f"; coincides with lot {finding.level}" if finding.factor == "lot" else ""
    what = f"{moved}{on}: {steady[0]}{end}."
    check = NEXT_CHECK[suspect] if checks else f"{NO_CHECKS} {NEXT_CHECK[suspect]}"
    return make(what, kind, suspect, evidence, place, size, check)


def hint(history: History, series: Series, finding: Finding) -> Verdict:
    """Tell of a change too weak to be told from chance, in a record without check standards."""
    shape = finding.shape
    within = np.ones(len(series.kept), dtype=bool)
    if finding.factor == "instrument":
        within = np.asarray(series.instrument == shape.subset)
    place = places.of_finding(history, series, finding)
    size = places.size_of(history, series, shape.column, within, shape.kind == "ramp")
    since = _since(place, shape.kind == "ramp", shape.kind == "stretch")
    moved = about(size.percent)
    what = (
        f"Perhaps {moved[0].lower()}{moved[1:]}{since}: too weak to be told from chance, and no "
        "check standard was run that could say more."
    )
    evidence = [_size_words(history, size), "So weak a change is often chance alone."]
    return make(what, "cannot_tell", "unknown", evidence, place, size, NO_CHECKS)


def _steady_words(kind: str, pairing: Pairing) -> tuple[str, str]:
    checks = pairing.checks
    if not checks:
        return (
            "process or measurement cannot be told, no check standard covers it",
            "No check standard was run often enough before and after.",
        )
    shown = joined(
        [f"{one.name.removeprefix('check standard ')} {percent(one.percent, 2)}" for one in checks]
    )
    if kind == "process":
        return (
            "the process moved, check standard steady",
            f"Check standard steady: {shown}; probability of a measurement fault "
            f"{100 * pairing.measurement:.0f} %.",
        )
    return (
        "process or measurement cannot be told from these check runs",
        f"Check standards: {shown}; probability of a measurement fault "
        f"{100 * pairing.measurement:.0f} %.",
    )


def _size_words(history: History, size: Size) -> str:
    return (
        f"Size {signed(size.size)} {history.unit} ({signed(size.low)} to {signed(size.high)}), "
        f"{percent(size.percent, 2)}."
    )


def _slope_words(
    history: History, series: Series, finding: Finding, within: BoolArray
) -> list[str]:
    from spc.straight_line import straight_line

    rows = np.flatnonzero(within & (np.arange(len(within)) >= finding.shape.start))
    if len(rows) < 4:
        return []
    values = history.means[series.kept]
    line = straight_line(rows.astype(float), values[rows])
    words = f"{signed(line.slope, 2)} {history.unit} per batch"
    if line.slope_interval is not None:
        low, high = line.slope_interval
        words += f" ({signed(low, 2)} to {signed(high, 2)})"
    newest = rows[-5:]
    return [
        f"{words} since {history.batches[series.kept[finding.shape.start]]}.",
        f"The last {len(newest)} batches average {number(float(values[newest].mean()))} "
        f"{history.unit}.",
    ]


def _lot_words(history: History, series: Series, finding: Finding) -> list[str]:
    """Whether the change begins with a lot, and how often chance would put it there."""
    lots = history.factor("lot")
    if lots is None:
        return []
    codes = lots.codes[series.kept]
    borders = int(np.sum((codes[1:] != codes[:-1]) & (codes[1:] >= 0) & (codes[:-1] >= 0)))
    if not borders:
        return []
    if finding.factor != "lot":
        return ["That it begins with a lot does not stand out."]
    places_in_all = len(codes) - 1
    return [
        f"It begins with lot {finding.level}, whose first batch is "
        f"{history.batches[series.kept[finding.shape.start]]}; chance would put it on a change of "
        f"lot once in {places_in_all / borders:.0f} times."
    ]


def _levels(history: History, series: Series, finding: Finding, kind: str) -> Verdict:
    starts = finding.shape.starts
    edges = [0, *starts.tolist(), len(series.kept)]
    values = history.means[series.kept]
    means = [float(values[a:b].mean()) for a, b in pairwise(edges)]
    names = [history.batches[series.kept[i]] for i in starts]
    inside = np.zeros(len(values), dtype=bool)
    inside[starts[0] :] = True
    place = _first_change(history, series, starts)
    lots = history.factor("lot")
    suspect, extra = "unstable_process", []
    if lots is not None:
        codes = lots.codes[series.kept]
        border = np.zeros(len(codes) + 1, dtype=bool)
        border[1:-1] = (codes[1:] != codes[:-1]) & (codes[1:] >= 0) & (codes[:-1] >= 0)
        hits = sum(bool(border[max(s - 1, 0) : s + 2].any()) for s in starts)
        chance = min(1.0, 3.0 * float(border.mean()))
        if border.any():
            extra = [f"{hits} of {len(starts)} changes lie beside a change of lot."]
        if hits == len(starts) and chance**hits < 0.05:
            suspect = "raw_material_lot"
    evidence = [
        f"Levels in turn: {joined([number(m) for m in means], 9)} {history.unit}.",
        f"Changes at {joined(names, 9)}.",
        *extra,
    ]
    if kind == "cannot_tell":
        evidence.append("No check standard covers this, or none that could tell.")
    what = (
        f"Not stable: {len(starts)} changes of level, at {joined(names, 9)}; levels from "
        f"{number(min(means))} to {number(max(means))} {history.unit}."
    )
    size = Size(means[1] - means[0], np.nan, np.nan, 100.0 * (means[1] / means[0] - 1.0))
    check = NEXT_CHECK[suspect]
    return make(what, kind, suspect, evidence, place, size, check)


def _first_change(history: History, series: Series, starts: IntArray) -> places.Place:
    """The first of several changes, its interval from the batches up to the second one."""
    end = int(starts[1]) if len(starts) > 1 else len(series.kept)
    logs = series.logs[:end]
    shape = find_step(Background(logs - logs.mean(), np.ones((end, 1))))
    low = high = int(starts[0])
    if shape is not None:
        low, high = interval(shape.starts, shape.weights)
        low, high = min(low, int(starts[0])), max(high, int(starts[0]))
    first, lower, upper = (history.batches[series.kept[i]] for i in (int(starts[0]), low, high))
    return places.Place(first, lower, upper, int(series.kept[starts[0]]))


def _steady_throughout(history: History, series: Series) -> str:
    """Process where every instrument in use has check standards that scatter far less."""
    factor = history.factor("instrument")
    names = (
        [""]
        if factor is None
        else sorted({factor.levels[c] for c in factor.codes[series.kept] if c >= 0})
    )
    spread = float(np.std(series.logs))
    for name in names:
        runs = usable(history.checks, name)
        if not runs:
            return "cannot_tell"
        if min(float(np.std(np.log(one.values))) for one in runs) > 0.5 * spread:
            return "cannot_tell"
    return "process" if names else "cannot_tell"


def _lots(history: History, series: Series, finding: Finding, kind: str) -> Verdict:
    lots = history.factor("lot")
    values = history.means[series.kept]
    codes = lots.codes[series.kept] if lots is not None else np.zeros(len(values), dtype=int)
    names = lots.levels if lots is not None else ()
    used = [c for c in np.unique(codes) if c >= 0 and (codes == c).sum() >= 3]
    means = {c: float(values[codes == c].mean()) for c in used}
    shown = "; ".join(f"{names[c]} {number(means[c])}" for c in used[:10])
    evidence = [f"Level by lot: {shown} {history.unit}."]
    runs = int(np.sum(np.diff(codes) != 0)) + 1
    if runs >= 2 * len(used):
        kind = "process"
        evidence.append("Lots alternate while instrument and bench stay: the lot moves the level.")
    if finding.level:
        code = names.index(finding.level)
        inside = codes == code
        size = Size(
            means[code] - float(values[~inside].mean()),
            np.nan,
            np.nan,
            100.0 * (means[code] / float(values[~inside].mean()) - 1.0),
        )
        what = f"Lot {finding.level} lies {percent(size.percent)} from the other lots."
    else:
        low, high = min(means.values()), max(means.values())
        size = Size(high - low, np.nan, np.nan, 100.0 * (high / low - 1.0))
        what = f"The level goes with the lot: from {number(low)} to {number(high)} {history.unit}."
    return make(what, kind, "raw_material_lot", evidence, None, size)

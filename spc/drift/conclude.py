"""Conclusions that the batches allow by themselves, put into words."""

from collections.abc import Sequence

import numpy as np

from spc.drift import places
from spc.drift.findings import FEWEST, Finding, Series
from spc.drift.history import History
from spc.drift.ratios import RecordFault, factor_ratio
from spc.drift.sizes import Size, step_size
from spc.drift.spread import SpreadChange
from spc.drift.verdict import NEXT_CHECK, Verdict
from spc.drift.wording import about, between, joined, number, percent, signed
from spc.intake import FloatArray


def make(
    what: str,
    cause_class: str,
    suspect: str,
    evidence: Sequence[str],
    place: places.Place | None = None,
    size: Size | None = None,
    next_check: str = "",
) -> Verdict:
    """Put a verdict together; missing numbers become None."""

    def plain(value: float | None) -> float | None:
        return float(value) if value is not None and np.isfinite(value) else None

    return Verdict(
        what=what,
        since=place.since if place else None,
        since_low=place.low if place else None,
        since_high=place.high if place else None,
        size=plain(size.size) if size else None,
        size_low=plain(size.low) if size else None,
        size_high=plain(size.high) if size else None,
        size_percent=plain(size.percent) if size else None,
        cause_class=cause_class,
        suspect=suspect,
        evidence=tuple(evidence),
        next_check=next_check or NEXT_CHECK[suspect],
    )


def one_batch(history: History, position: int) -> places.Place:
    """Give a place that is known to the batch."""
    name = history.batches[position]
    return places.Place(name, name, name, position)


def nothing(history: History, series: Series) -> Verdict:
    """Say that nothing moved."""
    evidence = [f"{len(series.kept)} batches; no lasting change, no stretch, no ramp stands out."]
    if len(series.lone):
        evidence.append(f"{_lone_names(history, series)} stood apart alone and was left out.")
    return make("Nothing has moved.", "none", "none", evidence)


def _lone_names(history: History, series: Series) -> str:
    return joined([history.batches[i] for i in series.lone])


def record_faults(history: History, faults: Sequence[RecordFault]) -> Verdict:
    """Tell of readings whose record contradicts itself; their commonest kind is the suspect."""
    kinds = [fault.suspect for fault in faults]
    suspect = max(sorted(set(kinds)), key=kinds.count)
    # A spindle code wins over slips: it explains several rows at once.
    if "spindle" in kinds:
        suspect = "spindle"
    mine = [fault for fault in faults if fault.suspect == suspect]
    names = joined(list(dict.fromkeys(history.batches[fault.position] for fault in mine)))
    evidence = [
        f"{history.batches[fault.position]}: shown {number(fault.shown)}, plausible "
        f"{number(fault.plausible)} {history.unit}, {number(fault.shown / fault.plausible, 3)} "
        f"times as much ({fault.reason})."
        for fault in faults[:8]
    ]
    converted = len(set(history.converted))
    if suspect == "units":
        labelled = f"{converted} batches converted by label; " if converted else ""
        rows = "1 row" if len(mine) == 1 else f"{len(mine)} rows"
        what = f"{labelled}{rows} ({names}) where label and number disagree: decide which unit."
    elif suspect == "spindle":
        what = (
            f"{names}: viscosity and torque disagree by one ratio of torque factors: the keyed "
            "spindle code is not that of the method."
        )
    else:
        rows = "1 reading" if len(mine) == 1 else f"{len(mine)} readings"
        right = joined([number(fault.plausible) for fault in mine])
        what = f"{rows} written wrongly ({names}); plausible {right}. Correct from the record?"
    first = min(fault.position for fault in mine)
    place = one_batch(history, first)
    worst = mine[0]
    size = Size(
        worst.shown - worst.plausible,
        float("nan"),
        float("nan"),
        100.0 * (worst.shown / worst.plausible - 1.0),
    )
    kind = "measurement" if suspect == "spindle" else "data"
    return make(what[0].upper() + what[1:], kind, suspect, evidence, place, size)


def short_record(history: History) -> Verdict:
    """Judge a record too short for a search: a lone batch against the spread of all products.

    Source: short runs by ln(value / own median), as ISO 7870-8 charts them; a median and a median
        absolute deviation in place of mean and moving range, so that the batch itself cannot hide.
    """
    known = np.flatnonzero(np.isfinite(history.means))
    evidence = [f"{len(known)} batches: fewer than {FEWEST}, so no change is looked for."]
    if len(known) >= 3:
        own = np.log(history.means[known])
        own = own - np.median(own)
        pool = [own]
        for other in history.others:
            logs = np.log(other.values[np.isfinite(other.values)])
            if len(logs) >= 3:
                pool.append(logs - np.median(logs))
        every = np.concatenate(pool)
        # Each series has lost its median, about one value's worth.
        spread = 1.4826 * float(np.median(np.abs(every)))
        spread *= float(np.sqrt(len(every) / max(len(every) - len(pool), 1)))
        far = int(np.argmax(np.abs(own)))
        if len(every) >= 12 and spread > 0 and abs(own[far]) > 4.0 * spread:
            position = int(known[far])
            change = 100.0 * float(np.expm1(own[far]))
            level = float(np.median(history.means[known]))
            size = Size(history.means[position] - level, float("nan"), float("nan"), change)
            evidence.append(
                f"ln(value / usual) of {history.batches[position]} is {signed(own[far], 3)}; "
                f"all {len(every)} batches of {len(pool)} products scatter by "
                f"{number(spread, 2)}."
            )
            what = f"{about(change)} in one batch, {history.batches[position]}."
            return make(
                what, "cannot_tell", "unknown", evidence, one_batch(history, position), size
            )
    return make("Nothing has moved that so few batches could show.", "none", "none", evidence)


def spindle(history: History, series: Series, column: FloatArray, finding: Finding) -> Verdict:
    """Tell of a change by a ratio of torque factors."""
    inside = column > 0.5
    change, error, _, _ = series.background.fit(column)
    names = [history.batches[i] for i in series.kept[inside]]
    place = places.of_finding(history, series, finding)
    within = np.ones(len(column), dtype=bool)
    if finding.factor == "instrument":
        within = np.asarray(series.instrument == finding.shape.subset)
    size = places.size_of(history, series, column, within, ramp=False)
    ratio = float(np.exp(change))
    usual = factor_ratio(ratio) or ratio
    low, high = np.exp(change - 1.96 * error), np.exp(change + 1.96 * error)
    evidence = [
        f"Ratio to the other batches {ratio:.3f} ({low:.3f} to {high:.3f}); "
        f"{_factor_words(history, usual)}."
    ]
    evidence += _torque_words(history, series, inside, within, ratio)
    evidence += _agreement(history, series, inside)
    stretch = finding.shape.kind == "stretch"
    if stretch:
        evidence.append("The level is back afterwards.")
    when = f"from {names[0]} to {names[-1]}" if stretch else f"since {place.since}"
    what = (
        f"{len(names)} batches {'low' if ratio < 1 else 'high'} by a ratio of torque factors "
        f"({ratio:.2f} ≈ {usual:.2f}{_pair_words(history, usual)}) {when}: suspect the mounted "
        "spindle."
    )
    return make(what, "measurement", "spindle", evidence, place, size)


def _factor_words(history: History, usual: float) -> str:
    words = f"{usual:.2f} is a usual ratio between torque factors of neighbouring spindles"
    return words + _pair_words(history, usual, ", here ")


def _pair_words(history: History, usual: float, lead: str = " = ") -> str:
    """Name the two spindles: known torque factors, else the next number in the set."""
    own = history.torque_factors.get(history.spindle)
    if own is not None:
        for name, factor in history.torque_factors.items():
            if name != history.spindle and abs(np.log(own / factor / usual)) < 0.04:
                return f"{lead}{history.spindle}/{name}"
    digits = "".join(c for c in history.spindle if c.isdigit())
    if digits and history.spindle.endswith(digits) and len(digits) < 3:
        # A larger number is a smaller spindle with a larger factor: less torque, a lower reading.
        other = int(digits) + (1 if usual < 1 else -1)
        if other > 0:
            stem = history.spindle[: -len(digits)]
            return f"{lead}{history.spindle}/{stem}{other}"
    return ""


def _torque_words(
    history: History, series: Series, inside: np.ndarray, within: np.ndarray, ratio: float
) -> list[str]:
    torque = history.torque[series.kept]
    on, off = torque[inside & np.isfinite(torque)], torque[~inside & within & np.isfinite(torque)]
    if not len(on) or not len(off):
        return ["Torque is not recorded, so it cannot confirm this."]
    moved = float(np.median(on) / np.median(off))
    if abs(np.log(moved / ratio)) < 0.1:
        return [
            f"Torque went along: {np.median(off):.1f} % to {np.median(on):.1f} %, ratio "
            f"{moved:.2f}; so the code keyed in stayed and the spindle did not."
        ]
    if abs(np.log(moved)) < 0.15:
        return ["Torque stayed as usual: the code keyed in differs, not the spindle."]
    return [f"Torque changed by a ratio of {moved:.2f}."]


def _agreement(history: History, series: Series, inside: np.ndarray) -> list[str]:
    grid = np.log(history.readings[series.kept][inside])
    count = np.isfinite(grid).sum(axis=1)
    if not (count > 1).any():
        return []
    apart = np.nanmax(grid[count > 1], axis=1) - np.nanmin(grid[count > 1], axis=1)
    return [f"Readings of one batch agree within {100 * float(apart.max()):.1f} % there."]


def lone_ratio(history: History, series: Series) -> Verdict | None:
    """Tell of a single batch that is off by a ratio of torque factors, its readings agreeing."""
    middle = float(np.median(history.means[series.kept]))
    sd = float(np.std(series.logs))
    for position in series.lone:
        ratio = float(history.means[position] / middle)
        usual = factor_ratio(ratio, max(0.05, 2.5 * sd))
        grid = history.readings[position]
        grid = grid[np.isfinite(grid)]
        if usual is None or abs(np.log(ratio)) < 0.4 or len(grid) < 2:
            continue
        if np.ptp(np.log(grid)) > 0.1 or not 0.15 < usual < 6.0:
            continue
        torque = history.torque[position]
        usual_torque = history.torque[series.kept]
        if np.isfinite(torque) and np.isfinite(usual_torque).any():
            moved = float(torque / np.nanmedian(usual_torque))
            if abs(np.log(moved / ratio)) > 0.1:
                continue
        name = history.batches[position]
        size = Size(float(history.means[position] - middle), np.nan, np.nan, 100.0 * (ratio - 1.0))
        what = (
            f"One batch, {name}, is off by a ratio of torque factors ({ratio:.2f} ≈ {usual:.2f}"
            f"{_pair_words(history, usual)}): suspect the mounted spindle."
        )
        evidence = [f"Its readings agree with each other; ratio to the usual level {ratio:.3f}."]
        return make(
            what, "measurement", "spindle", evidence, one_batch(history, int(position)), size
        )
    return None


def aeration(history: History, series: Series, spread: SpreadChange) -> Verdict:
    """Tell of readings of one batch that began to disagree: spread first, level second."""
    kept = series.usable
    start, stop = spread.start, min(spread.stop, len(kept))
    inside = np.zeros(len(kept), dtype=bool)
    inside[start:stop] = True
    names = history.batches
    place = places.Place(
        names[kept[start]],
        names[kept[spread.start_low]],
        names[kept[min(spread.start_high, len(kept) - 1)]],
        int(kept[start]),
    )
    size = step_size(history.means[kept], inside)
    grid = np.log(history.readings[kept])
    several = np.isfinite(grid).sum(axis=1) > 1
    apart = np.full(len(kept), np.nan)
    apart[several] = np.nanmax(grid[several], axis=1) - np.nanmin(grid[several], axis=1)
    wide = np.flatnonzero(inside & several & (apart > 2.77 * spread.before))
    evidence = [
        f"Spread within batches {100 * spread.after:.1f} % there, {100 * spread.before:.2f} % "
        f"before: {spread.after / spread.before:.1f} times as much "
        f"({spread.ratio_low:.1f} to {spread.ratio_high:.1f}).",
        f"Pairs further apart than {277 * spread.before:.1f} %: "
        f"{joined([names[kept[i]] for i in wide])}.",
        f"The level moved by {percent(size.percent)} beside it.",
    ]
    evidence += [
        f"{names[i]} carries the remark: {history.remarks[i]}."
        for i in kept[inside]
        if history.remarks and history.remarks[i]
    ][:3]
    what = (
        f"Readings of one batch disagree {spread.after / spread.before:.1f} times as much since "
        f"{place.since}{between(place.low, place.high)}: preparation or measurement spread first, "
        f"level ({percent(size.percent)}) second; air in the sample fits."
    )
    return make(what, "preparation", "aeration", evidence, place, size)


def alike(history: History, series: Series) -> Verdict:
    """Tell of neighbours that are alike, which makes usual limits too tight and is no cause."""
    r = series.logs - series.logs.mean()
    lag1 = float(r[1:] @ r[:-1] / (r @ r))
    band = 1.96 / np.sqrt(len(r))
    ratio = float(np.std(history.means[series.kept], ddof=1))
    moving = float(np.mean(np.abs(np.diff(history.means[series.kept])))) / 1.128
    evidence = [
        f"Correlation of neighbours {lag1:.2f}, band ± {band:.3f} for independent batches.",
        f"Total spread over the spread that moving ranges show: {ratio / moving:.2f}.",
        "No single step, stretch or ramp explains the record better than this does.",
    ]
    what = (
        "Neighbouring batches are alike, so the usual limits are too tight: flags are no evidence "
        "of separate causes."
    )
    return make(what, "none", "autocorrelation", evidence)

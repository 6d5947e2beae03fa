"""An event in the product placed on the clock, and how far every other series moved with it."""

from collections.abc import Sequence

import numpy as np

from spc.drift.checks import Moment, background_of, usable
from spc.drift.evidence import Background
from spc.drift.findings import Series
from spc.drift.history import History
from spc.drift.lone import lone_values
from spc.drift.pairing import MODEL_ERROR, MODEL_SHARE, Moved
from spc.drift.shapes import Shape
from spc.intake import BoolArray, FloatArray

_LEAST_EACH = 2  # values before and after, for a series to say anything
_LEAST_OTHER = 8


def moment_of(history: History, series: Series, shape: Shape) -> Moment | None:
    """Place a shape on the clock, half-way between the batches around it; None without times."""
    times = history.times[series.kept]
    if not np.isfinite(times).all():
        return None
    within = _subset(series, shape)
    inside = np.flatnonzero(within)

    def before(position: int) -> float:
        rank = int(np.searchsorted(inside, position))
        if rank == 0:
            return float(times[0]) - 1.0
        if rank >= len(inside):
            return float(times[-1])
        return 0.5 * float(times[inside[rank - 1]] + times[inside[rank]])

    if shape.kind == "ramp":
        rank = int(np.searchsorted(inside, shape.start))
        start = float(times[inside[rank - 1]]) if rank else float(times[0]) - 1e-6
        return Moment("ramp", start, np.inf, float(times[-1]))
    if shape.kind == "stretch":
        return Moment("stretch", before(shape.start), before(shape.stop), np.inf)
    return Moment("step", before(shape.start), np.inf, np.inf)


def _subset(series: Series, shape: Shape) -> BoolArray:
    if shape.subset < 0 or shape.kind == "level":
        return np.ones(len(series.kept), dtype=bool)
    return np.asarray(series.instrument == shape.subset)


def instruments_of(history: History, series: Series, within: BoolArray) -> list[str]:
    """Names of the instruments on which these batches were measured; "" where not recorded."""
    factor = history.factor("instrument")
    if factor is None:
        return [""]
    codes = factor.codes[series.kept][within]
    names = {factor.levels[code] if code >= 0 else "" for code in np.unique(codes)}
    return sorted(names)


def gather(
    history: History,
    series: Series,
    column: FloatArray,
    moment: Moment | None,
    instruments: Sequence[str],
) -> list[Moved]:
    """Measure how far the product and every series on its instruments moved with an event.

    Args:
        history: all that is recorded.
        series: the product's batches in use.
        column: the event in those batches, 1 at full size.
        moment: the event on the clock; None where there is none.
        instruments: whose check standards and other products are looked at.
    """
    moved = [_target(history, series, column)]
    if moment is None:
        return moved
    fresh = _fresh_lots(history, series, column)
    for instrument in instruments:
        for runs in usable(history.checks, instrument):
            one = _moved(
                f"check standard {runs.name} on {instrument}".removesuffix(" on "),
                "check",
                background_of(runs.values),
                moment.column(runs.times),
                runs.torque,
            )
            if one is not None:
                moved.append(one)
        for other in history.others:
            known = np.isfinite(other.times) & (other.values > 0)
            if other.instrument != instrument or known.sum() < _LEAST_OTHER:
                continue
            times, logs = other.times[known], np.log(other.values[known])
            order = np.argsort(times, kind="stable")
            times, logs, torque = times[order], logs[order], other.torque[known][order]
            kept = ~lone_values(logs)
            times, logs, torque = times[kept], logs[kept], torque[kept]
            if len(logs) < _LEAST_OTHER or np.ptp(logs) == 0:
                continue
            background = Background(logs - logs.mean(), np.ones((len(logs), 1)))
            on = moment.column(times)
            name = f"{other.name} on {instrument}".removesuffix(" on ")
            one = _moved(name, "other", background, on, torque)
            if one is not None:
                lots = np.array(other.lots)[known][order][kept] if other.lots else np.array([])
                shares = bool(len(lots)) and bool(set(lots[on > 0.5]) & fresh)
                moved.append(
                    Moved(
                        one.name, one.role, one.change, one.error, one.torque,
                        one.n_before, one.n_after, shares,
                    )
                )  # fmt: skip
    return moved


def _target(history: History, series: Series, column: FloatArray) -> Moved:
    found = _moved(
        "the product",
        "target",
        series.background,
        column,
        history.torque[series.kept],
        least=1,
    )
    if found is not None:
        return found
    return Moved("the product", "target", 0.0, 10.0, float("nan"), len(column), 0)


def _moved(
    name: str,
    role: str,
    background: Background,
    column: FloatArray,
    torque: FloatArray,
    least: int = _LEAST_EACH,
) -> Moved | None:
    after = int(np.sum(column > 0.5))
    before = int(np.sum(column < 0.5))
    if after < least or before < least or np.ptp(column) == 0:
        return None
    change, error, free, _ = background.fit(column)
    if free > 2:
        error *= float(np.sqrt(free / (free - 2.0)))
    unmoved = torque[(column < 0.5) & np.isfinite(torque)]
    usual = float(np.median(unmoved)) if len(unmoved) else float("nan")
    error = float(np.sqrt(error**2 + MODEL_ERROR**2 + (MODEL_SHARE * change) ** 2))
    return Moved(name, role, change, error, usual, before, after)


def _fresh_lots(history: History, series: Series, column: FloatArray) -> set[str]:
    lots = history.factor("lot")
    if lots is None:
        return set()
    codes = lots.codes[series.kept]
    new = set(codes[column > 0.5].tolist()) - set(codes[column < 0.5].tolist()) - {-1}
    return {lots.levels[code] for code in new}


def temperature_change(history: History, series: Series, column: FloatArray) -> float:
    """Recorded sample temperature in the event less outside, 0 where steady or not recorded."""
    recorded = history.temperature[series.kept]
    on, off = recorded[(column > 0.5) & np.isfinite(recorded)], None
    off = recorded[(column < 0.5) & np.isfinite(recorded)]
    if len(on) < 2 or len(off) < 2:
        return 0.0
    change = float(np.median(on) - np.median(off))
    noise = float(np.std(off)) + 0.02
    return change if abs(change) > 3.0 * noise else 0.0

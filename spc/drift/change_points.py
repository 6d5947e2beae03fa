"""One change in a bare series: step, stretch, ramp or several levels, with intervals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from spc.drift.evidence import PHI, Background
from spc.drift.lone import lone_values
from spc.drift.shapes import Shape, find_levels, find_ramp, find_step, find_stretch, interval
from spc.drift.sizes import Size, step_size
from spc.intake import FloatArray, as_series

FEWEST = 8


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """The likeliest change of a series, or none.

    Attributes:
        kind: "none", "step", "stretch", "ramp" or "levels".
        log_odds: log odds of the data with this kind of change (places averaged) against none.
            About 1.4 is passed by one quiet series in 40, see tests/spc/test_drift_shapes.py.
        start: index of the first changed value; None for "none".
        start_low: lower end of the 95 % set of starts.
        start_high: upper end.
        stop: index of the first value after a stretch; None if the change lasts.
        starts: index of each change, for "levels"; else the start.
        size: change of the level; at the end of the series for a ramp; None for "none".
        size_low: lower end of its 95 % interval, widened for alike neighbours.
        size_high: upper end.
        percent: size in percent of the level before; None where that is not above 0.
        lone: indices of single values that were left out.
        neighbours: correlation of neighbours if nothing changed.
    """

    kind: str
    log_odds: float
    start: int | None
    start_low: int | None
    start_high: int | None
    stop: int | None
    starts: tuple[int, ...]
    size: float | None
    size_low: float | None
    size_high: float | None
    percent: float | None
    lone: tuple[int, ...]
    neighbours: float


def change_point(values: ArrayLike, *, least: float = 1.4) -> ChangePoint:
    """Find the likeliest change of a series and say where it began and how big it is.

    Step, stretch (there and back), ramp (an even change to the end) and three or more changes of
    level are weighed against no change, neighbours being alike or not. Single wild values are left
    out. Below 8 values, or where all are equal, the answer is "none".

    Args:
        values: shape (n,), production order, finite.
        least: log odds below which the answer is "none".

    Source: see `spc.drift.evidence` and `spc.drift.shapes`.

    Example:
        >>> quiet = [3, 1, 2, 3, 2, 1, 2, 3, 1, 2]
        >>> change_point(quiet + [x + 9 for x in quiet]).start
        10
    """
    series = as_series(values)
    apart = lone_values(series)
    kept = np.flatnonzero(~apart)
    used = series[kept]
    lone = tuple(int(i) for i in np.flatnonzero(apart))
    if len(used) < FEWEST or np.ptp(used) == 0:
        return _none(lone, 0.0, -np.inf)
    centred = used - used.mean()
    background = Background(centred, np.ones((len(used), 1)))
    neighbours = float(background.phi_weights @ PHI)
    shapes = [
        shape
        for shape in (
            find_step(background),
            find_ramp(background),
            find_stretch(background),
            find_levels(background, centred),
        )
        if shape is not None
    ]
    if not shapes:
        return _none(lone, neighbours, -np.inf)
    best = max(shapes, key=lambda one: one.log_odds)
    if best.log_odds < least:
        return _none(lone, neighbours, best.log_odds)
    low, high = interval(best.starts, best.weights)
    if best.kind == "levels":
        low = high = best.start
    size = _size(used, best, background)
    return ChangePoint(
        kind=best.kind,
        log_odds=best.log_odds,
        start=int(kept[best.start]),
        start_low=int(kept[low]),
        start_high=int(kept[high]),
        stop=int(kept[best.stop]) if best.stop < len(kept) else None,
        starts=tuple(int(kept[i]) for i in best.starts)
        if best.kind == "levels"
        else (int(kept[best.start]),),
        size=size.size,
        size_low=size.low,
        size_high=size.high,
        percent=size.percent if np.isfinite(size.percent) else None,
        lone=lone,
        neighbours=neighbours,
    )


def _none(lone: tuple[int, ...], neighbours: float, log_odds: float) -> ChangePoint:
    return ChangePoint(
        "none", log_odds, None, None, None, None, (), None, None, None, None, lone, neighbours
    )


def _size(values: FloatArray, shape: Shape, background: Background) -> Size:
    if shape.kind in ("step", "stretch"):
        return step_size(values, shape.column > 0.5)
    if shape.kind == "levels":
        end = int(shape.starts[1]) if len(shape.starts) > 1 else len(values)
        return step_size(values[:end], shape.column[:end] > 0.5)
    change, error, free, _ = background.fit(shape.column)
    half = float(stdtrit(free, 0.975)) * error
    base = float(np.mean(values - change * shape.column))
    percent = 100.0 * change / base if base > 0 else float("nan")
    return Size(change, change - half, change + half, percent)

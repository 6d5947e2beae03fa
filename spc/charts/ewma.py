"""Exponentially weighted moving average: small lasting shifts."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.borders import highest_inside, lowest_inside
from spc.charts.stepping import as_per_row, as_row_index, as_rows
from spc.design import MOST_POINTS, as_points, as_reals, as_weight, as_width
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray, as_number, as_series, as_sigma
from spc.result import ControlChart


def ewma(
    values: ArrayLike,
    center: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 2.86,
    *,
    start: float | None = None,
    points_before: int = 0,
) -> ControlChart:
    """Chart the weighted memory of a series against its exact, widening limits.

    Finds a shift of one sigma about as fast as the four zone rules with less than half of
    their false alarms.

    Args:
        values: shape (n,), production order, finite.
        center: centre of the process, the first memory.
        sigma: short-term standard deviation of one value, 0 or more.
        weight: share of the newest value, in (0, 1].
        width: limits in standard deviations of the average, above 0.
        start: to carry on an earlier chart, its last average; the centre otherwise.
        points_before: how many points that earlier chart had, so that the limits carry on too.

    Returns:
        ControlChart: averages, limits center ± width · standard error with the standard error of
        point t = sigma √(weight / (2 - weight) · (1 - (1 - weight)^(2t))). Carried on, it equals
        the chart of the whole series to the last bit.

    Raises:
        ArgumentError: weight, width or sigma outside its rule.

    Source: J. M. Lucas & M. S. Saccucci, Technometrics 32 (1990) 1; NIST/SEMATECH e-Handbook
        6.3.2.4.

    Example:
        >>> ewma([52.0, 47.0], center=50, sigma=2.0539, weight=0.3).values.round(2).tolist()
        [50.6, 49.52]
    """
    series = as_series(as_reals(values, name="values"))
    middle = as_number(center, name="center")
    spread = as_sigma(as_number(sigma, name="sigma"))
    share, reach = as_weight(weight), as_width(width)
    seen = as_points(points_before, name="points_before", at_least=0)
    memory = middle if start is None else as_number(start, name="start")
    averages = np.empty_like(series)
    # One series is short; `ewma_many` takes the same steps for many of them.
    for i, value in enumerate(series.tolist()):
        memory += share * (value - memory)
        averages[i] = memory
    error = spread * _widening(share, np.arange(seen + 1, seen + series.size + 1))
    line = np.full(series.size, middle)
    return ControlChart(
        name="EWMA",
        values=averages,
        center=line,
        lower=line - reach * error,
        upper=line + reach * error,
        sigma=spread,
        standard_error=error,
    )


def _widening(share: float, order: IntArray) -> FloatArray:
    """Standard deviation of the average after so many points, for values of sigma 1."""
    widening: FloatArray = np.sqrt(
        share / (2 - share) * (1 - (1 - share) ** (2.0 * np.asarray(order)))
    )
    return widening


@dataclass(frozen=True, slots=True, eq=False)
class EwmaTable:
    """EWMA of many characteristics; `row` gives one of them as a chart.

    Attributes:
        values: averages, shape (rows, points); nan where the point is missing.
        outside: True where an average lies strictly beyond its limit, same shape.
        center: centre of each row.
        sigma: short-term standard deviation of each row.
        weight: share of the newest value.
        width: limits in standard deviations of the average.
        last: last average of each row: `start` for carrying on.
        n_seen: points each row has had in all: `points_before` for carrying on.
    """

    values: FloatArray
    outside: BoolArray
    center: FloatArray
    sigma: FloatArray
    weight: float
    width: float
    last: FloatArray
    n_seen: IntArray

    def row(self, index: int) -> ControlChart:
        """Return one characteristic as a chart of the points that it has.

        Raises:
            ArgumentError: no such row.
        """
        place = as_row_index(index, self.values.shape[0])
        values = self.values[place]
        present = values[~np.isnan(values)]
        before = int(self.n_seen[place]) - present.size
        line = np.full(present.size, self.center[place])
        error = self.sigma[place] * _widening(
            self.weight, np.arange(before + 1, before + present.size + 1)
        )
        return ControlChart(
            name="EWMA",
            values=present.copy(),
            center=line,
            lower=line - self.width * error,
            upper=line + self.width * error,
            sigma=float(self.sigma[place]),
            standard_error=error,
        )


def ewma_many(
    values: ArrayLike,
    center: ArrayLike,
    sigma: ArrayLike,
    weight: float = 0.2,
    width: float = 2.86,
    *,
    start: ArrayLike | None = None,
    points_before: ArrayLike = 0,
) -> EwmaTable:
    """Chart many characteristics at once; each row equals `ewma` to the last bit.

    Args:
        values: shape (rows, points), one characteristic a row, production order; nan is a missing
            point: it is skipped, and the memory stays.
        center: centre, one number or one a row.
        sigma: short-term standard deviation, 0 or more, one number or one a row.
        weight: as in `ewma`, the same for all.
        width: as in `ewma`, the same for all.
        start: to carry on, `last` of the earlier table.
        points_before: to carry on, `n_seen` of the earlier table.

    Raises:
        ArgumentError: values not two-dimensional, an infinite number, shapes that do not fit, and
            as in `ewma`.

    Example:
        >>> table = ewma_many([[52.0, 47.0], [47.0, 52.0]], center=50, sigma=2.0539, weight=0.3)
        >>> table.last.round(2).tolist()
        [49.52, 49.97]
    """
    points, missing = as_rows(values)
    n_points, n_rows = points.shape
    middle = as_per_row(center, n_rows, name="center")
    spread = as_per_row(sigma, n_rows, name="sigma")
    if (spread < 0).any():
        row = int(np.flatnonzero(spread < 0)[0])
        raise ArgumentError(f"sigma must not be negative, got {spread[row]:g} in row {row}")
    share, reach = as_weight(weight), as_width(width)
    memory = middle.copy() if start is None else as_per_row(start, n_rows, name="start")
    seen_before = as_per_row(points_before, n_rows, name="points_before")
    wrong = (seen_before < 0) | (seen_before > MOST_POINTS) | (seen_before % 1 != 0)
    if wrong.any():
        raise ArgumentError(
            f"points_before must be whole numbers of at least 0, at most {MOST_POINTS:,}, "
            f"got {seen_before[wrong][0]:g}"
        )
    before = seen_before.astype(np.int64)
    averages, outside = np.empty_like(points), np.empty(points.shape, dtype=bool)
    below, seen = np.empty(n_rows, dtype=bool), before.copy()
    # Rows that started together share their widening; it also stops growing, and with it the
    # limits, after some dozens of points.
    together = missing is None and bool((before == before[:1]).all())
    factors = _widening(share, np.arange(1, n_points + (before.max() if n_rows else 0) + 1))
    factor_before: float | FloatArray = -1.0
    for t in range(n_points):
        now = averages[t]
        np.subtract(points[t], memory, out=now)
        now *= share
        now += memory
        if missing is not None:
            np.copyto(now, memory, where=missing[t])
            seen += ~missing[t]
        else:
            seen += 1
        memory = now
        factor = factors[seen[0] - 1] if together else factors[np.maximum(seen, 1) - 1]
        if not together or factor != factor_before:
            half = reach * (spread * factor)
            low = lowest_inside(middle - half, middle)
            high = highest_inside(middle + half, middle)
            factor_before = factor
        np.greater(now, high, out=outside[t])
        np.less(now, low, out=below)
        outside[t] |= below
    last = memory.copy()
    if missing is not None:
        averages[missing], outside[missing] = np.nan, False
    return EwmaTable(averages.T, outside.T, middle, spread, share, reach, last, seen)

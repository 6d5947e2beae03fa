"""Cumulative sums of many characteristics at once, stepped through time together."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.cusum import NO_SPREAD, Cusum, as_design
from spc.charts.stepping import as_per_row, as_rows
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class CusumStates:
    """`CusumState` of many rows: arrays of shape (rows,)."""

    c_plus: FloatArray
    c_minus: FloatArray
    n_plus: IntArray
    n_minus: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class CusumTable:
    """Cumulative sums of many characteristics; `row` gives one of them with its shifts.

    Attributes:
        values: the series, shape (rows, points); nan where a point is missing.
        c_plus: sums towards high values, same shape; nan where the point is missing.
        c_minus: sums towards low values, counted positive.
        above: True where c_plus is strictly above the limit.
        below: True where c_minus is strictly above the limit.
        center: centre of each row.
        sigma: short-term standard deviation of each row.
        k: allowance in sigma.
        h: decision limit in sigma.
        start: the sums before the first point.
    """

    values: FloatArray
    c_plus: FloatArray
    c_minus: FloatArray
    above: BoolArray
    below: BoolArray
    center: FloatArray
    sigma: FloatArray
    k: float
    h: float
    start: CusumStates

    def outside(self) -> BoolArray:
        """Points that signal on either side."""
        return self.above | self.below

    @property
    def state(self) -> CusumStates:
        """What to hand to `start` when later points arrive."""
        plus, n_plus = _last(self.c_plus, self.start.c_plus, self.start.n_plus)
        minus, n_minus = _last(self.c_minus, self.start.c_minus, self.start.n_minus)
        return CusumStates(plus, minus, n_plus, n_minus)

    def row(self, index: int) -> Cusum:
        """Return one characteristic as a chart of the points that it has."""
        present = ~np.isnan(self.c_plus[index])
        plus, minus = self.c_plus[index][present], self.c_minus[index][present]
        return Cusum(
            values=self.values[index][present],
            c_plus=plus,
            c_minus=minus,
            n_plus=_counts(plus, int(self.start.n_plus[index])),
            n_minus=_counts(minus, int(self.start.n_minus[index])),
            center=float(self.center[index]),
            sigma=float(self.sigma[index]),
            k=self.k,
            h=self.h,
        )


def _counts(sums: FloatArray, before: int) -> IntArray:
    """Points since the sum was last zero, at each point."""
    order = np.arange(1, sums.size + 1)
    last_zero = np.maximum.accumulate(np.where(sums == 0, order, -before))
    return np.asarray(order - last_zero, dtype=np.int64)


def _last(sums: FloatArray, start: FloatArray, n_start: IntArray) -> tuple[FloatArray, IntArray]:
    """Last sum of each row, and the points that it has had since its last zero."""
    by_time = sums.T[::-1]  # latest first
    n_points, n_rows = by_time.shape
    if n_points == 0:
        return start.copy(), n_start.copy()
    zero, present = by_time == 0, ~np.isnan(by_time)
    stopped, seen = zero.any(axis=0), present.any(axis=0)
    first_zero = np.where(stopped, zero.argmax(axis=0), n_points)
    since = np.cumsum(present, axis=0)
    rows = np.arange(n_rows)
    count = since[np.minimum(first_zero, n_points - 1), rows] - stopped
    latest = np.where(seen, by_time[present.argmax(axis=0), rows], start)
    return latest, np.where(stopped, count, count + n_start).astype(np.int64)


def cusum_many(
    values: ArrayLike,
    center: ArrayLike,
    sigma: ArrayLike,
    k: float = 0.5,
    h: float = 5.0,
    *,
    head_start: float = 0.0,
    start: CusumStates | None = None,
) -> CusumTable:
    """Add up many characteristics at once; each row equals `cusum` to the last bit.

    Args:
        values: shape (rows, points), one characteristic a row, production order; nan is a missing
            point: it is skipped, and the sums stay.
        center: centre, one number or one a row.
        sigma: short-term standard deviation, above 0, one number or one a row.
        k: as in `cusum`, the same for all.
        h: as in `cusum`, the same for all.
        head_start: as in `cusum`.
        start: to carry on, `.state` of the earlier table.

    Raises:
        ArgumentError: values not two-dimensional, an infinite number, shapes that do not fit, and
            as in `cusum`.

    Example:
        >>> table = cusum_many([[0.2, 1.4, 2.1], [-2.0, -3.0, -2.6]], center=0, sigma=1)
        >>> table.below[1].tolist()
        [False, False, True]
    """
    points, missing = as_rows(values)
    n_rows = points.shape[1]
    middle = as_per_row(center, n_rows, name="center")
    spread = as_per_row(sigma, n_rows, name="sigma")
    if (spread <= 0).any():
        row = int(np.flatnonzero(spread <= 0)[0])
        raise ArgumentError(f"sigma must be above 0, got {spread[row]:g} in row {row}: {NO_SPREAD}")
    allowance, limit, early = as_design(k, h, head_start, start is not None)
    if start is None:
        first, none = np.full(n_rows, early), np.zeros(n_rows, dtype=np.int64)
        start = CusumStates(first, first.copy(), none, none.copy())
    plus = as_per_row(start.c_plus, n_rows, name="start.c_plus")
    minus = as_per_row(start.c_minus, n_rows, name="start.c_minus")
    c_plus, c_minus = np.empty_like(points), np.empty_like(points)
    above, below = np.empty(points.shape, dtype=bool), np.empty(points.shape, dtype=bool)
    z = np.empty(n_rows)
    for t, now in enumerate(points):
        np.subtract(now, middle, out=z)
        z /= spread
        before_plus, before_minus = plus, minus
        plus, minus = c_plus[t], c_minus[t]
        np.add(before_plus, z, out=plus)
        plus -= allowance
        np.maximum(plus, 0.0, out=plus)
        np.subtract(before_minus, z, out=minus)
        minus -= allowance
        np.maximum(minus, 0.0, out=minus)
        if missing is not None:
            np.copyto(plus, before_plus, where=missing[t])
            np.copyto(minus, before_minus, where=missing[t])
        np.greater(plus, limit, out=above[t])
        np.greater(minus, limit, out=below[t])
    if missing is not None:
        c_plus[missing] = c_minus[missing] = np.nan
        above[missing] = below[missing] = False
    return CusumTable(
        values=points.T,
        c_plus=c_plus.T,
        c_minus=c_minus.T,
        above=above.T,
        below=below.T,
        center=middle,
        sigma=spread,
        k=allowance,
        h=limit,
        start=start,
    )

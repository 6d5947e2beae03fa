"""Cumulative sums of many characteristics at once, stepped through time together."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.cusum import NO_SPREAD, Cusum, CusumState, as_design, standardised
from spc.charts.stepping import as_per_row, as_row_index, as_rows
from spc.design import MOST_POINTS
from spc.errors import ArgumentError
from spc.intake import LARGEST, BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class CusumStates:
    """`CusumState` of many rows: arrays of shape (rows,), or one number for all."""

    c_plus: FloatArray
    c_minus: FloatArray
    n_plus: IntArray
    n_minus: IntArray
    head_plus: FloatArray
    head_minus: FloatArray
    told_plus: BoolArray
    told_minus: BoolArray

    def row(self, index: int) -> CusumState:
        """Return the state of one characteristic."""
        return CusumState(
            float(self.c_plus[index]), float(self.c_minus[index]),
            int(self.n_plus[index]), int(self.n_minus[index]),
            float(self.head_plus[index]), float(self.head_minus[index]),
            bool(self.told_plus[index]), bool(self.told_minus[index]),
        )  # fmt: skip


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
        was = self.start
        plus, n_plus, head_plus, told_plus = _last(
            self.c_plus, self.above, was.c_plus, was.n_plus, was.head_plus, was.told_plus
        )
        minus, n_minus, head_minus, told_minus = _last(
            self.c_minus, self.below, was.c_minus, was.n_minus, was.head_minus, was.told_minus
        )
        return CusumStates(
            plus, minus, n_plus, n_minus, head_plus, head_minus, told_plus, told_minus
        )

    def row(self, index: int) -> Cusum:
        """Return one characteristic as a chart of the points that it has.

        Raises:
            ArgumentError: no such row.
        """
        place = as_row_index(index, self.values.shape[0])
        present = ~np.isnan(self.c_plus[place])
        plus, minus = self.c_plus[place][present], self.c_minus[place][present]
        start = self.start.row(place)
        return Cusum(
            values=self.values[place][present],
            c_plus=plus,
            c_minus=minus,
            n_plus=_counts(plus, start.n_plus),
            n_minus=_counts(minus, start.n_minus),
            center=float(self.center[place]),
            sigma=float(self.sigma[place]),
            k=self.k,
            h=self.h,
            start=start,
        )


def _counts(sums: FloatArray, before: int) -> IntArray:
    """Points since the sum was last zero, at each point."""
    order = np.arange(1, sums.size + 1)
    last_zero = np.maximum.accumulate(np.where(sums == 0, order, -before))
    return np.asarray(order - last_zero, dtype=np.int64)


def _last(
    sums: FloatArray,
    signals: BoolArray,
    start: FloatArray,
    n_start: IntArray,
    head: FloatArray,
    told: BoolArray,
) -> tuple[FloatArray, IntArray, FloatArray, BoolArray]:
    """Last sum of each row; points, head start and signals that it has since its last zero."""
    by_time = sums.T[::-1]  # latest first
    n_points, n_rows = by_time.shape
    if n_points == 0:
        return start.copy(), n_start.copy(), head.copy(), told.copy()
    zero, present = by_time == 0, ~np.isnan(by_time)
    stopped, seen = zero.any(axis=0), present.any(axis=0)
    first_zero = np.where(stopped, zero.argmax(axis=0), n_points)
    since = np.cumsum(present, axis=0)
    rows = np.arange(n_rows)
    count = since[np.minimum(first_zero, n_points - 1), rows] - stopped
    latest = np.where(seen, by_time[present.argmax(axis=0), rows], start)
    by_time_signals = signals.T[::-1]
    told_now = by_time_signals.any(axis=0) & (by_time_signals.argmax(axis=0) < first_zero)
    return (
        latest,
        np.where(stopped, count, count + n_start).astype(np.int64),
        np.where(stopped, 0.0, head),
        told_now | (~stopped & told),
    )


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
    before = _fresh(early, n_rows) if start is None else _as_states(start, n_rows)
    plus, minus = before.c_plus, before.c_minus
    _check_reach(points, middle, spread)
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
        start=before,
    )


def _check_reach(points: FloatArray, center: FloatArray, sigma: FloatArray) -> None:
    """Refuse a sigma so small that a value lies beyond any number of them."""
    if points.size == 0:
        return
    lowest = float(np.fmin.reduce(points, axis=None, initial=0.0))
    highest = float(np.fmax.reduce(points, axis=None, initial=0.0))
    farthest = max(-lowest, highest)
    if farthest + float(np.abs(center).max()) <= LARGEST * float(sigma.min()):
        return
    for row, (middle, spread) in enumerate(zip(center.tolist(), sigma.tolist(), strict=True)):
        there = points[:, row][~np.isnan(points[:, row])]
        standardised(there, middle, spread)


def _fresh(early: float, n_rows: int) -> CusumStates:
    one = CusumState(early, early, 0, 0, early, early)
    return CusumStates(
        *(np.full(n_rows, getattr(one, name)) for name in CusumStates.__dataclass_fields__)
    )


def _as_ones(part: FloatArray | IntArray | BoolArray) -> FloatArray | IntArray | BoolArray:
    """Return 1.0 for what was told and 0.0 for what was not; numbers as they are."""
    is_told = isinstance(part, np.ndarray) and part.dtype.kind == "b"
    return part.astype(np.float64) if is_told else part


def _as_states(start: CusumStates, n_rows: int) -> CusumStates:
    """Return states that a table can have left behind, one a row."""
    if not isinstance(start, CusumStates):
        raise ArgumentError(f"start must be the .state of an earlier table, got {start!r}")
    reals = {
        name: as_per_row(_as_ones(getattr(start, name)), n_rows, name=f"start.{name}")
        for name in CusumStates.__dataclass_fields__
    }
    for side in ("plus", "minus"):
        total, n, head, told = (reals[f"{what}_{side}"] for what in ("c", "n", "head", "told"))
        # As for one series: above zero while it counts points or holds a head start, only then.
        wrong = (total < 0) | (n < 0) | (n > MOST_POINTS) | (n % 1 != 0) | (head < 0)
        wrong |= ((n > 0) & (total == 0)) | ((n == 0) & ((total != head) | (told != 0)))
        wrong |= (told != 0) & (told != 1)
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            raise ArgumentError(
                f"start must be the .state of an earlier table, got c_{side} {total[row]:g}, "
                f"n_{side} {n[row]:g}, head_{side} {head[row]:g}, told_{side} {told[row]:g} "
                f"in row {row}"
            )
    return CusumStates(
        c_plus=reals["c_plus"],
        c_minus=reals["c_minus"],
        n_plus=reals["n_plus"].astype(np.int64),
        n_minus=reals["n_minus"].astype(np.int64),
        head_plus=reals["head_plus"],
        head_minus=reals["head_minus"],
        told_plus=reals["told_plus"].astype(bool),
        told_minus=reals["told_minus"].astype(bool),
    )

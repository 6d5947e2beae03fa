"""Tabular cumulative sums: small lasting shifts, when they began and how large they are.

The sums are stepped through time. The shorter way by running minima of the plain cumulative sum
is another order of rounding: on values rounded as viscosities are, it moves sums that lie exactly
on the limit across it.
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray, as_number, as_series

Side: TypeAlias = Literal["up", "down"]


@dataclass(frozen=True, slots=True)
class CusumState:
    """What a cumulative sum carries to its next point.

    Attributes:
        c_plus: sum towards high values, in sigma.
        c_minus: sum towards low values, in sigma.
        n_plus: points since c_plus was last zero.
        n_minus: points since c_minus was last zero.
    """

    c_plus: float = 0.0
    c_minus: float = 0.0
    n_plus: int = 0
    n_minus: int = 0


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift that a cumulative sum has found.

    Attributes:
        side: "up" or "down".
        start: index of the first point of the shift, the one after the sum was last zero; negative
            where it lies before the points of this chart.
        signal: index of the first point whose sum is strictly above the limit.
        last: index of the last point that signals before the sum is back at zero.
        n: points from start to signal, the counter of the tables.
        size: estimated distance from the centre, unit of the values, with its sign.
        level: estimated mean since the start, center + size.
    """

    side: Side
    start: int
    signal: int
    last: int
    n: int
    size: float
    level: float


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """Two-sided tabular cumulative sum of one series, in units of sigma.

    Attributes:
        values: the series, shape (n,).
        c_plus: sum towards high values.
        c_minus: sum towards low values, counted positive.
        n_plus: points since c_plus was last zero, this one included.
        n_minus: points since c_minus was last zero, this one included.
        center: centre of the process.
        sigma: short-term standard deviation of one value.
        k: allowance, half of the shift to be found, in sigma.
        h: decision limit in sigma.
    """

    values: FloatArray
    c_plus: FloatArray
    c_minus: FloatArray
    n_plus: IntArray
    n_minus: IntArray
    center: float
    sigma: float
    k: float
    h: float

    @property
    def above(self) -> BoolArray:
        """Points whose upper sum is strictly above the limit."""
        return self.c_plus > self.h

    @property
    def below(self) -> BoolArray:
        """Points whose lower sum is strictly above the limit."""
        return self.c_minus > self.h

    def outside(self) -> BoolArray:
        """Points that signal on either side."""
        return self.above | self.below

    @property
    def state(self) -> CusumState:
        """What to hand to `start` when later points arrive."""
        return CusumState(
            float(self.c_plus[-1]),
            float(self.c_minus[-1]),
            int(self.n_plus[-1]),
            int(self.n_minus[-1]),
        )

    def shifts(self) -> tuple[Shift, ...]:
        """Shifts in the order of their signals; a sum that stays up is one shift."""
        found = self._side("up", self.above, self.c_plus, self.n_plus)
        found += self._side("down", self.below, self.c_minus, self.n_minus)
        return tuple(sorted(found, key=lambda shift: (shift.signal, shift.side)))

    def _side(
        self, side: Side, signals: BoolArray, sums: FloatArray, counts: IntArray
    ) -> list[Shift]:
        at = np.flatnonzero(signals)
        starts = at - counts[at] + 1
        found = []
        for start in np.unique(starts).tolist():
            stretch = at[starts == start]
            first = int(stretch[0])
            n = int(counts[first])
            size = self.sigma * (self.k + float(sums[first]) / n)
            size = size if side == "up" else -size
            found.append(
                Shift(side, int(start), first, int(stretch[-1]), n, size, self.center + size)
            )
        return found


def cusum(
    values: ArrayLike,
    center: float,
    sigma: float,
    k: float = 0.5,
    h: float = 5.0,
    *,
    head_start: float = 0.0,
    start: CusumState | None = None,
) -> Cusum:
    """Add up what each value is off its centre beyond an allowance, on both sides.

    C+ = max(0, C+ + z - k) and C- = max(0, C- - z - k) with z = (value - center) / sigma, in this
    order of operations; a signal is a sum strictly above h. After a signal the sums go on. A shift
    began after the sum was last zero; its size is k + C / N at the first signal, which on the
    average is somewhat too large since only large sums signal.

    Args:
        values: shape (n,), production order, finite.
        center: centre of the process.
        sigma: short-term standard deviation of one value, above 0. For sums in the unit of the
            values give 1 here and k and h in that unit.
        k: allowance in sigma, half of the shift to be found, 0 or more.
        h: decision limit in sigma, above 0. k 0.5 and h 5 run 465 points between false signals.
        head_start: first value of both sums, usually h / 2, for a process just set right; below h.
        start: to carry on, `.state` of the earlier chart.

    Raises:
        ArgumentError: an argument outside its rule; head_start and start together.

    Source: D. C. Montgomery, Introduction to Statistical Quality Control (6th ed.), 9.1; head
        start J. M. Lucas & R. B. Crosier, Technometrics 24 (1982) 199; ISO 7870-4.

    Example:
        >>> chart = cusum([0.2, 1.4, 2.1, 1.6, 2.2, 1.9], center=0, sigma=1)
        >>> chart.c_plus.round(1).tolist()
        [0.0, 0.9, 2.5, 3.6, 5.3, 6.7]
        >>> [(shift.start, shift.signal, round(shift.size, 1)) for shift in chart.shifts()]
        [(1, 4, 1.8)]
    """
    series = as_series(values)
    middle = as_number(center, name="center")
    spread = as_number(sigma, name="sigma")
    if spread <= 0:
        raise ArgumentError(f"sigma must be above 0, got {spread:g}: {NO_SPREAD}")
    allowance, limit, early = as_design(k, h, head_start, start is not None)
    before = CusumState(early, early) if start is None else start
    n = series.size
    c_plus, c_minus = np.empty(n), np.empty(n)
    n_plus, n_minus = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    plus, minus = before.c_plus, before.c_minus
    count_plus, count_minus = before.n_plus, before.n_minus
    if not (0 <= plus < np.inf and 0 <= minus < np.inf and count_plus >= 0 and count_minus >= 0):
        raise ArgumentError(f"start must be the .state of an earlier chart, got {start}")
    # One series is short; `cusum_many` takes the same steps for many of them.
    for i, value in enumerate(series.tolist()):
        z = (value - middle) / spread
        plus = max(0.0, plus + z - allowance)
        minus = max(0.0, minus - z - allowance)
        count_plus = count_plus + 1 if plus > 0 else 0
        count_minus = count_minus + 1 if minus > 0 else 0
        c_plus[i], c_minus[i] = plus, minus
        n_plus[i], n_minus[i] = count_plus, count_minus
    return Cusum(series, c_plus, c_minus, n_plus, n_minus, middle, spread, allowance, limit)


NO_SPREAD = "values without spread have no cumulative sum, any other value is a signal by itself"


def as_design(k: float, h: float, head_start: float, carried: bool) -> tuple[float, float, float]:
    """Return allowance, decision limit and head start, checked."""
    allowance = as_number(k, name="k")
    if allowance < 0:
        raise ArgumentError(f"k must not be negative, got {allowance:g}")
    limit = as_number(h, name="h", above=0)
    early = as_number(head_start, name="head_start")
    if not 0 <= early < limit:
        raise ArgumentError(f"head_start must be in [0, h) with h = {limit:g}, got {early:g}")
    if carried and early != 0:
        raise ArgumentError(
            f"head_start must be 0 where start is given, got {early:g}: a sum that is carried on "
            "has its value already"
        )
    return allowance, limit, early

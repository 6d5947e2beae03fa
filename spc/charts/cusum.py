"""Tabular cumulative sums: small lasting shifts, when they began and how large they are.

The sums are stepped through time. The shorter way by running minima of the plain cumulative sum
is another order of rounding: on values rounded as viscosities are, it moves sums that lie exactly
on the limit across it.
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spc.design import as_allowance, as_decision_limit, as_points, as_reals
from spc.errors import ArgumentError
from spc.intake import LARGEST, BoolArray, FloatArray, IntArray, as_flag, as_number, as_series

Side: TypeAlias = Literal["up", "down"]


@dataclass(frozen=True, slots=True)
class CusumState:
    """What a cumulative sum carries to its next point.

    Attributes:
        c_plus: sum towards high values, in sigma.
        c_minus: sum towards low values, in sigma.
        n_plus: points since c_plus was last zero.
        n_minus: points since c_minus was last zero.
        head_plus: head start that is still in c_plus: it is there until the sum is zero.
        head_minus: head start that is still in c_minus.
        told_plus: True if c_plus has signalled since it was last zero, so that its shift has
            been reported.
        told_minus: the same of c_minus.
    """

    c_plus: float = 0.0
    c_minus: float = 0.0
    n_plus: int = 0
    n_minus: int = 0
    head_plus: float = 0.0
    head_minus: float = 0.0
    told_plus: bool = False
    told_minus: bool = False


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift that a cumulative sum has found.

    Attributes:
        side: "up" or "down".
        start: index of the first point of the shift, the one after the sum was last zero; negative
            where it lies before the points of this chart.
        signal: index of the first point whose sum is strictly above the limit.
        last: index of the last point that signals before the sum is back at zero, as far as the
            points of this chart go.
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
        start: the sums before the first point.
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
    start: CusumState

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
        (_, _, up), (_, _, down) = self._sides()
        if self.values.size == 0:
            return self.start
        return CusumState(
            float(up.sums[-1]), float(down.sums[-1]),
            int(up.counts[-1]), int(down.counts[-1]),
            up.head_left(), down.head_left(), up.has_told(), down.has_told(),
        )  # fmt: skip

    def shifts(self) -> tuple[Shift, ...]:
        """Shifts in the order of their signals; a sum that stays up is one shift.

        A chart that is carried on does not report the shift again that an earlier part has
        reported: the shifts of the parts are those of the whole series.
        """
        found = [
            Shift(
                side, int(start), first, last, n, size := self.sigma * distance, self.center + size
            )
            for side, sign, sums in self._sides()
            for start, first, last, n, distance in sums.shifts(self.k, sign)
        ]
        return tuple(sorted(found, key=lambda shift: (shift.signal, shift.side)))

    def _sides(self) -> "tuple[tuple[Side, int, _OneSide], tuple[Side, int, _OneSide]]":
        was = self.start
        up = _OneSide(
            self.c_plus, self.n_plus, self.above, was.n_plus, was.head_plus, was.told_plus
        )
        down = _OneSide(
            self.c_minus, self.n_minus, self.below, was.n_minus, was.head_minus, was.told_minus
        )
        return ("up", 1, up), ("down", -1, down)


@dataclass(frozen=True, slots=True, eq=False)
class _OneSide:
    """One of the two sums, with what it carried to its first point."""

    sums: FloatArray
    counts: IntArray
    signals: BoolArray
    n: int
    head: float
    told: bool

    def starts(self, at: IntArray) -> IntArray:
        """Index of the first point after the sum was last zero; 0 - n: before this chart."""
        return np.asarray(at - self.counts[at] + 1, dtype=np.int64)

    def head_left(self) -> float:
        """Head start in the last sum: all of it, until the sum has been zero."""
        return self.head if int(self.counts[-1]) == self.n + self.counts.size else 0.0

    def has_told(self) -> bool:
        """Whether the sum has signalled since it was last zero."""
        count = int(self.counts[-1])
        if count == self.n + self.counts.size and self.told:
            return True
        return count > 0 and bool(self.signals[-count:].any())

    def shifts(self, k: float, sign: int) -> list[tuple[int, int, int, int, float]]:
        """Start, first and last signal, points, distance in sigma of each new shift."""
        at = np.flatnonzero(self.signals)
        starts = self.starts(at)
        found = []
        for start in np.unique(starts).tolist():
            carried = start == -self.n  # not zero since before the first point
            if carried and self.told:
                continue
            stretch = at[starts == start]
            first = int(stretch[0])
            n = int(self.counts[first])
            added = float(self.sums[first]) - (self.head if carried else 0.0)
            found.append((start, first, int(stretch[-1]), n, sign * (k + added / n)))
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
    began after the sum was last zero; its size is k + (C - H) / N at the first signal, H being the
    head start as long as the sum has not been zero since it was given. That is the mean of the N
    values; on the average it is somewhat too large, since only large sums signal.

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
    series = as_series(as_reals(values, name="values"))
    middle = as_number(center, name="center")
    spread = as_number(sigma, name="sigma")
    if spread <= 0:
        raise ArgumentError(f"sigma must be above 0, got {spread:g}: {NO_SPREAD}")
    allowance, limit, early = as_design(k, h, head_start, start is not None)
    before = CusumState(early, early, 0, 0, early, early) if start is None else _as_state(start)
    z = standardised(series, middle, spread)
    n = series.size
    c_plus, c_minus = np.empty(n), np.empty(n)
    n_plus, n_minus = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    plus, minus = before.c_plus, before.c_minus
    count_plus, count_minus = before.n_plus, before.n_minus
    # One series is short; `cusum_many` takes the same steps for many of them.
    for i, distance in enumerate(z.tolist()):
        plus = max(0.0, plus + distance - allowance)
        minus = max(0.0, minus - distance - allowance)
        count_plus = count_plus + 1 if plus > 0 else 0
        count_minus = count_minus + 1 if minus > 0 else 0
        c_plus[i], c_minus[i] = plus, minus
        n_plus[i], n_minus[i] = count_plus, count_minus
    return Cusum(series, c_plus, c_minus, n_plus, n_minus, middle, spread, allowance, limit, before)


NO_SPREAD = "values without spread have no cumulative sum, any other value is a signal by itself"


def standardised(values: FloatArray, center: float, sigma: float) -> FloatArray:
    """Return (value - center) / sigma, or refuse a sigma too small for sums of it."""
    with np.errstate(over="ignore"):
        z = (values - center) / sigma
    if not (np.abs(z) <= LARGEST).all():
        raise ArgumentError(
            f"sigma must not be so small, got {sigma:g}: a value lies more than {LARGEST:g} sigma "
            "from the center, check the units"
        )
    return z


def _as_state(start: CusumState) -> CusumState:
    """Return a state that a chart can have left behind."""
    if not isinstance(start, CusumState):
        raise ArgumentError(f"start must be the .state of an earlier chart, got {start!r}")
    plus = _as_side(start, "plus", start.c_plus, start.n_plus, start.head_plus, start.told_plus)
    minus = _as_side(
        start, "minus", start.c_minus, start.n_minus, start.head_minus, start.told_minus
    )
    (c_plus, n_plus, head_plus, told_plus), (c_minus, n_minus, head_minus, told_minus) = plus, minus
    return CusumState(
        c_plus, c_minus, n_plus, n_minus, head_plus, head_minus, told_plus, told_minus
    )


def _as_side(
    start: CusumState, side: str, c: float, n: int, head: float, told: bool
) -> tuple[float, int, float, bool]:
    total = as_number(c, name=f"start.c_{side}")
    points = as_points(n, name=f"start.n_{side}", at_least=0)
    early = as_number(head, name=f"start.head_{side}")
    reported = as_flag(told, name=f"start.told_{side}")
    # A sum is above zero while it counts points or holds a head start, and only then.
    counting = points > 0 and total > 0
    waiting = points == 0 and total == early and not reported
    if min(total, early) < 0 or not (counting or waiting):
        raise ArgumentError(f"start must be the .state of an earlier chart, got {start}")
    return total, points, early, reported


def as_design(k: float, h: float, head_start: float, carried: bool) -> tuple[float, float, float]:
    """Return allowance, decision limit and head start, checked."""
    allowance, limit = as_allowance(k), as_decision_limit(h)
    early = as_number(head_start, name="head_start")
    if not 0 <= early < limit:
        raise ArgumentError(f"head_start must be in [0, h) with h = {limit:g}, got {early:g}")
    if carried and early != 0:
        raise ArgumentError(
            f"head_start must be 0 where start is given, got {early:g}: a sum that is carried on "
            "has its value already"
        )
    return allowance, limit, early

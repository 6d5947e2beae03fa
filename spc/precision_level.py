"""How the precision of a method goes with the level: the three relations of ISO 5725-2."""

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spc.elementwise import as_numbers, exponential, quotient
from spc.errors import ArgumentError
from spc.intake import FloatArray, as_series

Form: TypeAlias = Literal["proportional", "straight line", "power"]

# The straight line is fitted with the weights of the found s, and once more with those of that fit.
_FITS = 2


@dataclass(frozen=True, slots=True, eq=False)
class LevelRelation:
    """A standard deviation s as a function of the level m.

    Attributes:
        form: "proportional" s = b m, "straight line" s = a + b m, "power" lg s = c + d lg m.
        intercept: a, unit of the values; 0 for the other two forms.
        slope: b, s per unit of m; None for the power.
        constant: c, decimal logarithm of s at m = 1; None for the other two.
        exponent: d, 0 where s is constant and 1 where it is proportional; None for the other two.
        fitted: s by the relation at each level, shape (levels,).
        misfit_percent: root mean square of ln(s / fitted), times 100; infinite where a fitted s is
            not above 0 or a found s is 0.
    """

    form: Form
    intercept: float
    slope: float | None
    constant: float | None
    exponent: float | None
    fitted: FloatArray
    misfit_percent: float

    def at(self, level: ArrayLike) -> FloatArray:
        """Return s at other levels, above 0, of any shape; only between those of the study."""
        m = as_numbers(level, name="level", above=0.0)
        return _value(m, self.intercept, self.slope, self.constant, self.exponent)[()]


@dataclass(frozen=True, slots=True, eq=False)
class LevelRelations:
    """The three relations side by side; the simplest that fits well enough is the one to quote.

    Attributes:
        levels: general mean of each level, shape (levels,).
        sds: standard deviation at each.
        proportional: relation I, s = b m.
        straight_line: relation II, s = a + b m; None where a fitted s comes out at 0 or below, in
            either fit, where one s is so small that no other has a weight beside it, and below 2
            different levels.
        power: relation III, lg s = c + d lg m; None where an s is 0, and below 2 different levels.
    """

    levels: FloatArray
    sds: FloatArray
    proportional: LevelRelation
    straight_line: LevelRelation | None
    power: LevelRelation | None


def level_relations(levels: ArrayLike, sds: ArrayLike) -> LevelRelations:
    """Fit the three relations between a precision standard deviation and the level.

    Args:
        levels: general mean of each level, shape (levels,), above 0.
        sds: s_r or s_R at each level, 0 or more, same unit.

    Raises:
        ArgumentError: lengths differ, a level not above 0, a standard deviation below 0.

    Source: ISO 5725-2:1994, 7.5. The spread of a standard deviation is proportional to itself, so
        weights are 1 / s²: relation I becomes the mean of s / m; relation II is fitted twice, with
        the found s and then with the fitted ones, the second being the final result (7.5.3, from
        memory); relation III is an ordinary line through the logarithms.

    Example:
        >>> found = level_relations([10, 20, 40], [0.5, 1.0, 2.0])
        >>> round(found.proportional.slope, 6), round(found.power.exponent, 6)
        (0.05, 1.0)
    """
    m, s = as_series(levels, name="levels"), as_series(sds, name="sds")
    if m.size != s.size:
        raise ArgumentError(f"levels and sds must match, got {m.size} and {s.size}")
    m = as_numbers(m, name="levels", above=0.0)
    if (s < 0).any():
        raise ArgumentError(f"sds must not be negative, got {s.min():g}")
    several = bool((m != m[0]).any())
    slope = float(np.mean(quotient(s, m, name="levels")))
    return LevelRelations(
        levels=m,
        sds=s,
        proportional=_relation("proportional", m, s, slope=slope),
        straight_line=_straight_line(m, s) if several else None,
        power=_power(m, s) if several and bool((s > 0).all()) else None,
    )


def _straight_line(m: FloatArray, s: FloatArray) -> LevelRelation | None:
    fitted, intercept, slope = s, 0.0, 0.0
    for _ in range(_FITS):
        if (fitted <= 0).any():  # no weight
            return None
        weight = (fitted.min() / fitted) ** 2
        total = float(weight.sum())
        m_mean, s_mean = float(weight @ m) / total, float(weight @ s) / total
        away = (m - m_mean) / m.max()
        squares = float(weight @ (away * away))
        if squares == 0:  # one s is so small that its level alone has a weight
            return None
        rise = float(weight @ (away * (s - s_mean))) / squares
        slope = rise / float(m.max())
        intercept = s_mean - slope * m_mean
        fitted = intercept + slope * m
    if (fitted <= 0).any():
        return None
    return _relation("straight line", m, s, intercept=intercept, slope=slope)


def _power(m: FloatArray, s: FloatArray) -> LevelRelation:
    x, y = np.log10(m), np.log10(s)
    away = x - x.mean()
    exponent = float(away @ y) / float(away @ away)
    constant = float(y.mean()) - exponent * float(x.mean())
    return _relation("power", m, s, constant=constant, exponent=exponent)


def _relation(
    form: Form,
    m: FloatArray,
    s: FloatArray,
    *,
    intercept: float = 0.0,
    slope: float | None = None,
    constant: float | None = None,
    exponent: float | None = None,
) -> LevelRelation:
    fitted = np.atleast_1d(_value(m, intercept, slope, constant, exponent))
    told = bool((fitted > 0).all() and (s > 0).all())
    misfit = (
        100 * math.sqrt(float(np.mean((np.log(s) - np.log(fitted)) ** 2))) if told else math.inf
    )
    if not (s > 0).any() and not fitted.any():
        misfit = 0.0  # nothing varies, and the relation says so
    return LevelRelation(form, intercept, slope, constant, exponent, fitted, misfit)


def _value(
    m: FloatArray,
    intercept: float,
    slope: float | None,
    constant: float | None,
    exponent: float | None,
) -> FloatArray:
    if constant is not None and exponent is not None:
        power = math.log(10) * (constant + exponent * np.log10(m))
        return np.asarray(exponential(np.asarray(power), name="level"))
    return np.asarray(intercept + (0.0 if slope is None else slope) * m)

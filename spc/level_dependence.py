"""How the spread inside batches grows with the level: constant in the unit, or in percent."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError, TooFewPointsError
from spc.halving import halve
from spc.intake import GroupedValues, Groups, as_list, as_number, as_replicates, as_series

Scale: TypeAlias = Literal["absolute", "relative"]


@dataclass(frozen=True, slots=True)
class LevelDependence:
    """Repeatability level by level.

    Attributes:
        levels: mean of each level's values.
        s_r: repeatability standard deviation at each level.
        cv_percent: relative repeatability standard deviation at each level.
        slope: log-log slope of s_r against level: 0 constant in the unit, 1 constant in percent.
        recommended: the scale on which to pool.
    """

    levels: tuple[float, ...]
    s_r: tuple[float, ...]
    cv_percent: tuple[float, ...]
    slope: float
    recommended: Scale


def level_dependence(groups_by_level: Sequence[Groups]) -> LevelDependence:
    """Compare the repeatability of several levels, usually products.

    Args:
        groups_by_level: for each level its batches, as in `repeatability`; values above 0.

    Raises:
        TooFewPointsError: fewer than 2 levels, or a level without replicates.
        ArgumentError: a reading not above 0, a level whose replicates all agree exactly (its
            logarithm does not exist), levels that are all one.

    Source: ISO 5725-2:1994, 7.5 (dependence of precision on the level, log-log line).
    """
    by_level = as_list(groups_by_level, name="groups_by_level", what="levels")
    several = [
        as_replicates(groups, name=f"groups_by_level[{i}]") for i, groups in enumerate(by_level)
    ]
    if len(several) < 2:
        raise TooFewPointsError(
            f"groups_by_level needs at least 2 levels, got {len(several)}: one level tells nothing"
        )
    for i, level in enumerate(several):
        if (level.flat <= 0).any():
            raise ArgumentError(f"groups_by_level[{i}] must be above 0, got {level.flat.min():g}")
    levels = [level.mean() for level in several]
    deviations = [level.pooled_sd() for level in several]
    for i, deviation in enumerate(deviations):
        if deviation == 0:
            raise ArgumentError(
                f"groups_by_level[{i}] must hold readings that differ, got none: "
                "leave that level out"
            )
    if len(set(levels)) == 1:
        raise ArgumentError(f"groups_by_level must hold different levels, got only {levels[0]:g}")
    slope = loglog_slope(levels, deviations)
    return LevelDependence(
        levels=tuple(levels),
        s_r=tuple(deviations),
        cv_percent=tuple(100 * level.logarithms().pooled_sd() for level in several),
        slope=slope,
        recommended=recommend_scale(slope),
    )


def loglog_slope(levels: ArrayLike, sds: ArrayLike) -> float:
    """Fit ln(sd) = a + b ln(level) by least squares and return b.

    Args:
        levels: shape (k,), above 0, not all equal.
        sds: standard deviation at each level, above 0.

    Raises:
        TooFewPointsError: fewer than 2 levels.
        ArgumentError: lengths differ, a number not above 0, all levels equal.

    Source: ISO 5725-2:1994, 7.5 (log-log line).

    Example:
        >>> round(loglog_slope([100, 1000], [0.5, 5.0]), 3)
        1.0
    """
    level = as_series(levels, name="levels", at_least=2)
    sd = as_series(sds, name="sds", at_least=2)
    if level.size != sd.size:
        raise ArgumentError(f"levels and sds must match, got {level.size} and {sd.size}")
    for name, numbers in (("levels", level), ("sds", sd)):
        if (numbers <= 0).any():
            raise ArgumentError(f"{name} must be above 0, got {numbers.min():g}: leave it out")
    x = np.log(level)
    away = x - x.mean()
    if not (level != level[0]).any():
        raise ArgumentError(f"levels must differ to have a slope, got only {level[0]:g}")
    return float(away @ np.log(sd) / (away @ away))


def recommend_scale(slope: float) -> Scale:
    """Return the scale nearer to a log-log slope: 0 is constant in the unit, 1 in percent.

    Args:
        slope: from `loglog_slope` or `spread_slope`.

    Raises:
        ArgumentError: a slope that is no finite number.

    Source: own convention; the border lies half way.
    """
    return "relative" if as_number(slope, name="slope") >= 0.5 else "absolute"


def spread_slope(groups: Groups) -> float | None:
    """Return the log-log slope of the spread inside batches against their level.

    By maximum likelihood in s_i² ~ (constant · mean_i^slope)² χ²/f_i, so that single batches need
    no sorting into levels and duplicates that agree exactly need no logarithm. Limited to ±10; None
    where nothing varies or all batches have one mean.

    Args:
        groups: the readings of each batch, above 0.

    Raises:
        TooFewPointsError: no batch with two readings.
        ArgumentError: a reading not above 0.

    Source: ISO 5725-2:1994, 7.5 asks for the slope; M. Davidian & R. J. Carroll, JASA 82 (1987)
        1079 for pseudo-likelihood in a power of the mean.
    """
    several = as_replicates(groups)
    if (several.flat <= 0).any():
        raise ArgumentError(
            f"groups must be above 0 for a log-log slope, got {several.flat.min():g}: "
            "use scale='absolute'"
        )
    return slope_of(several)


def slope_of(several: GroupedValues) -> float | None:
    """Do the same for checked groups above 0."""
    squares, freedom = several.scaled().sums_of_squares(), several.sizes - 1
    x = np.log(several.means())
    x -= float((freedom * x).sum() / freedom.sum())
    if not (squares > 0).any() or not (np.abs(x) > 0).any():
        return None
    spread = squares[squares > 0]
    place = x[squares > 0]

    def uphill(slope: float) -> bool:
        # Sign of the likelihood's derivative: spread-weighted mean of x above its plain mean, 0.
        logs = np.log(spread) - 2 * slope * place
        weights = np.exp(logs - logs.max())
        return float((weights * place).sum()) > 0

    return halve(uphill, -10.0, 10.0)

"""Least-squares line through points, with the intervals of its slope and intercept."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from spc.errors import ArgumentError
from spc.intake import as_confidence, as_series, binary_scale, mean_of


@dataclass(frozen=True, slots=True)
class StraightLine:
    """y = intercept + slope x.

    Attributes:
        n: number of points.
        intercept: y at x = 0.
        slope: change of y per unit of x.
        residual_sd: standard deviation around the line, divisor n - 2; None for two points.
        intercept_interval: t interval, n - 2 degrees of freedom; None for two points, which any
            line fits exactly.
        slope_interval: likewise.
        confidence: of both intervals.
    """

    n: int
    intercept: float
    slope: float
    residual_sd: float | None
    intercept_interval: tuple[float, float] | None
    slope_interval: tuple[float, float] | None
    confidence: float


def straight_line(
    x: ArrayLike,
    y: ArrayLike,
    confidence: float = 0.95,
    *,
    x_name: str = "x",
    y_name: str = "y",
) -> StraightLine:
    """Fit a line by least squares; x counts as exact, the scatter of y as the same everywhere.

    Args:
        x: shape (n,), at least two different values.
        y: shape (n,).
        confidence: of the intervals.
        x_name: what the caller calls x, for messages.
        y_name: what the caller calls y, for messages.

    Raises:
        TooFewPointsError: fewer than 2 points.
        ArgumentError: lengths differ; all x equal.

    Source: N. R. Draper & H. Smith, Applied Regression Analysis, chapter 1.

    Example:
        >>> straight_line([0, 1, 2], [1.0, 3.0, 5.0]).slope
        2.0
    """
    level = as_confidence(confidence)
    across = as_series(x, name=x_name, at_least=2)
    up = as_series(y, name=y_name, at_least=2)
    if across.size != up.size:
        raise ArgumentError(f"{x_name} and {y_name} must match, got {across.size} and {up.size}")
    if (across == across[0]).all():
        raise ArgumentError(f"{x_name} must differ to have a slope, got only {across[0]:g}")
    n = int(across.size)
    x_mean, y_mean = mean_of(across), mean_of(up)
    # Scaled by the widest distance, so that no square over- or underflows.
    width = float(np.abs(across - x_mean).max())
    away = (across - x_mean) / width
    squares = float(away @ away)
    rise = float(away @ (up - y_mean)) / squares
    slope = rise / width
    intercept = y_mean - slope * x_mean
    if n == 2:
        return StraightLine(n, intercept, slope, None, None, None, level)
    left = up - y_mean - rise * away
    scale = binary_scale(left)
    left /= scale
    sd = scale * math.sqrt(float(left @ left) / (n - 2))
    t = float(stdtrit(n - 2, (1 + level) / 2))
    slope_half = t * sd / math.sqrt(squares) / width
    intercept_half = t * sd * math.sqrt(1 / n + (x_mean / width) ** 2 / squares)
    return StraightLine(
        n=n,
        intercept=intercept,
        slope=slope,
        residual_sd=sd,
        intercept_interval=(intercept - intercept_half, intercept + intercept_half),
        slope_interval=(slope - slope_half, slope + slope_half),
        confidence=level,
    )

"""Whether values look normal: each against the value that a normal sample would have there."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from spc.intake import FloatArray, as_series
from spc.summary import describe_spread


@dataclass(frozen=True, slots=True, eq=False)
class NormalPlot:
    """Values in rising order beside the normal scores of their ranks.

    Attributes:
        values: shape (n,), rising.
        scores: shape (n,), in standard deviations from the mean.
        order: where each value stood in the series that was given.
        mean: mean of the values.
        sd: their standard deviation, divisor n - 1: normal values lie near mean + sd × score.
    """

    values: FloatArray
    scores: FloatArray
    order: np.ndarray
    mean: float
    sd: float


def normal_plot(values: ArrayLike) -> NormalPlot:
    """Put values beside the normal scores of their ranks; a straight line is a normal shape.

    For looking at, not for a verdict: a bend at one end is skewness, steps are coarse recording,
    one point off at an end is a batch to look at.

    Args:
        values: shape (n,), any order, finite.

    Raises:
        TooFewPointsError: fewer than 2 values.
        NoSpreadError: all values equal.

    Source: G. Blom, Statistical Estimates and Transformed Beta-Variables, 1958: plotting positions
        (i - 3/8) / (n + 1/4). Equal values keep the order in which they came.

    Example:
        >>> [round(float(score), 3) for score in normal_plot([3.0, 1.0, 2.0]).scores]
        [-0.869, 0.0, 0.869]
    """
    series = as_series(values, at_least=2)
    about = describe_spread(series, purpose="make a normal plot")
    order = np.argsort(series, kind="stable")
    n = series.size
    scores = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    return NormalPlot(series[order], scores, order, about.mean, about.sd)

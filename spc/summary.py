"""Mean, standard deviation and lag-1 correlation, stable for values far from zero."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import NoSpreadError
from spc.intake import LARGEST, as_series, binary_scale


@dataclass(frozen=True, slots=True)
class Description:
    """Summary of a series in time order.

    Attributes:
        n: number of values.
        mean: arithmetic mean.
        sd: standard deviation, divisor n - 1.
        lag1: correlation of neighbours, Σ(x_i - m)(x_{i+1} - m) / Σ(x_i - m)²; None where the
            values do not vary.
    """

    n: int
    mean: float
    sd: float
    lag1: float | None

    @property
    def lag1_band(self) -> float:
        """Half-width of the band that holds lag1 of independent values 19 times in 20."""
        return 1.96 / math.sqrt(self.n)


def describe(values: ArrayLike) -> Description:
    """Summarise a series by two passes over the data.

    Args:
        values: shape (n,), time order, finite.

    Raises:
        TooFewPointsError: fewer than 2 values.

    Source: two-pass algorithm, T. F. Chan, G. H. Golub & R. J. LeVeque, The American
        Statistician 37 (1983) 242, around an exactly summed mean and in a unit in which no square
        over- or underflows; lag-1 as in NIST StRD, univariate summaries.

    Example:
        >>> describe([10000001, 10000003, 10000002])
        Description(n=3, mean=10000002.0, sd=1.0, lag1=-0.5)
    """
    series = as_series(values, at_least=2)
    if np.all(series == series[0]):
        return Description(int(series.size), float(series[0]), 0.0, None)
    mean = math.fsum(series.tolist()) / series.size  # one rounding, whatever cancels
    away = series - mean
    scale = binary_scale(away)
    away /= scale
    squares = float(away @ away)
    # What the rounding of the mean leaves, taken out exactly: Σ(a_i - r)(a_{i+1} - r).
    rest = float(np.mean(away))
    ends = float(away[0] + away[-1])
    products = float(away[:-1] @ away[1:]) - rest * ((series.size + 1) * rest - ends)
    squares -= series.size * rest * rest  # stays above 0: the values are not all equal
    lag1 = products / squares
    sd = scale * math.sqrt(squares / (series.size - 1))
    return Description(int(series.size), mean, sd, lag1)


def describe_spread(values: ArrayLike, *, purpose: str) -> Description:
    """Do as `describe`, and refuse values without a spread that could be divided by."""
    about = describe(values)
    if about.sd < 1 / LARGEST:
        raise NoSpreadError(
            f"values must vary to {purpose}, got {about.n} times {about.mean:g}: "
            "check the recording step"
        )
    return about

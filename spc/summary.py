"""Mean, standard deviation and lag-1 correlation, stable for values far from zero."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.intake import as_series, mean_of


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
        Statistician 37 (1983) 242, with the mean corrected by its own residuals; lag-1
        as in NIST StRD, univariate summaries.

    Example:
        >>> describe([10000001, 10000003, 10000002])
        Description(n=3, mean=10000002.0, sd=1.0, lag1=-0.5)
    """
    series = as_series(values, at_least=2)
    mean = mean_of(series)
    away = series - mean
    squares = float(away @ away)
    if np.all(series == series[0]) or squares == 0:
        return Description(int(series.size), mean, 0.0, None)
    # What the rounding of the mean leaves, taken out exactly: Σ(a_i - r)(a_{i+1} - r).
    rest = float(np.mean(away))
    ends = float(away[0] + away[-1])
    products = float(away[:-1] @ away[1:]) - rest * ((series.size + 1) * rest - ends)
    squares -= series.size * rest * rest  # stays above 0: the values are not all equal
    lag1 = products / squares
    return Description(int(series.size), mean, math.sqrt(squares / (series.size - 1)), lag1)

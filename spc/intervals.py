"""Intervals of standard deviations and variances from the chi-square distribution."""

import math
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammainccinv, gammaincinv

from spc.intake import FloatArray

Interval: TypeAlias = tuple[float, float]
# Coefficient, mean square, degrees of freedom.
Term: TypeAlias = tuple[float, float, float]


def variance_factors(freedom: ArrayLike, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Return what a sample variance is multiplied with to bound the true one on either side.

    Args:
        freedom: degrees of freedom, any shape, above 0, not only whole ones.
        confidence: of the interval, two-sided, risk halved.

    Returns:
        Two arrays of the shape of `freedom`; the upper factor is infinite where the quantile is
        too small for any number.

    Source: freedom × variance / true variance is chi-square for normal values. Each quantile comes
        from its own tail, so that confidences next to 1 keep their digits.
    """
    degrees = np.asarray(freedom, dtype=float)
    tail = (1 - confidence) / 2
    with np.errstate(divide="ignore"):
        return (
            np.asarray(degrees / (2 * gammainccinv(degrees / 2, tail))),
            np.asarray(degrees / (2 * gammaincinv(degrees / 2, tail))),
        )


def variance_interval(variance: float, freedom: float, confidence: float) -> Interval:
    """Return the chi-square interval of a variance."""
    if variance == 0:
        return 0.0, 0.0
    low, high = variance_factors(freedom, confidence)
    return variance * float(low), variance * float(high)


def sd_interval(sd: float, freedom: float, confidence: float) -> Interval:
    """Return the chi-square interval of a standard deviation."""
    if sd == 0:
        return 0.0, 0.0
    low, high = variance_factors(freedom, confidence)
    return sd * math.sqrt(low), sd * math.sqrt(high)


def index_interval(index: float, freedom: float, confidence: float) -> Interval:
    """Return the interval of a number that goes as one over a standard deviation."""
    low, high = variance_factors(freedom, confidence)
    return index / math.sqrt(high), index / math.sqrt(low)


def sum_interval(terms: Sequence[Term], confidence: float) -> Interval:
    """Return the modified large-sample interval of √Σ coefficient × mean square.

    Exact for one term; all coefficients 0 or more, the mean squares independent.

    Source: F. A. Graybill & C.-M. Wang, JASA 75 (1980) 869.
    """
    variance = math.fsum(coefficient * ms for coefficient, ms, _ in terms)
    if variance == 0:
        return 0.0, 0.0
    below = above = 0.0
    for coefficient, ms, freedom in terms:
        low, high = variance_factors(freedom, confidence)
        share = coefficient * ms / variance  # no square overflows
        if share > 0:
            below += ((1 - float(low)) * share) ** 2
            above += ((float(high) - 1) * share) ** 2
    return (
        math.sqrt(variance * max(0.0, 1 - math.sqrt(below))),
        math.sqrt(variance * (1 + math.sqrt(above))),
    )


def holding(estimate: float, interval: Interval) -> Interval:
    """Widen an interval to its estimate, which setting a component to 0 can push out of it."""
    return min(interval[0], estimate), max(interval[1], estimate)

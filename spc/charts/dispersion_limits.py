"""Limits of ranges and standard deviations: three of their own sigma, or equal probability."""

import math
from functools import lru_cache
from typing import Literal, TypeAlias

from scipy.special import chdtri, ndtr

from spc.constants import control_chart_constants, range_quantile
from spc.errors import ArgumentError

DispersionLimits: TypeAlias = Literal["three_sigma", "probability"]

# The chance of a normal value beyond one of its 3 sigma limits: 0.00135.
TAIL = float(ndtr(-3.0))


def range_factors(n: int, limits: DispersionLimits) -> tuple[float, float]:
    """Return lower and upper limit of the range of n values, as multiples of sigma.

    Source: "three_sigma": D1 and D2, ASTM MNL 7. "probability": quantiles of the distribution of
        the range by integration (see `range_distribution`).
    """
    if _checked(limits) == "probability":
        return _range_quantiles(n)
    constants = control_chart_constants(n)
    return constants.D1, constants.D2


def sd_factors(n: int, limits: DispersionLimits) -> tuple[float, float]:
    """Return lower and upper limit of the standard deviation of n values, multiples of sigma.

    Source: "three_sigma": B5 and B6, ASTM MNL 7. "probability": (n - 1) s² / sigma² is chi-square.
    """
    if _checked(limits) == "probability":
        freedom = n - 1
        # chdtri inverts the upper tail.
        low, high = float(chdtri(freedom, 1 - TAIL)), float(chdtri(freedom, TAIL))
        return math.sqrt(low / freedom), math.sqrt(high / freedom)
    constants = control_chart_constants(n)
    return constants.B5, constants.B6


def _checked(limits: DispersionLimits) -> DispersionLimits:
    if not isinstance(limits, str) or limits not in ("three_sigma", "probability"):
        raise ArgumentError(
            f"dispersion_limits must be 'three_sigma' or 'probability', got {limits!r}"
        )
    return limits


@lru_cache(maxsize=128)
def _range_quantiles(n: int) -> tuple[float, float]:
    return range_quantile(n, TAIL), range_quantile(n, 1 - TAIL)

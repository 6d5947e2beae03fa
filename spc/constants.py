"""Factors for control charts, for any subgroup size, from the theory of normal samples.

Printed tables stop at n = 25 and carry the rounding of their intermediate steps; here every
factor is computed from d2, d3 and c4 themselves.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr

from spc.halving import halve
from spc.intake import FloatArray, as_count, as_probability

# The range of n normal values: the smallest lies within ±REACH standard deviations for any
# practical n (a tail of 4e-23), and so does the range within twice that.
_REACH = 10.0
_PANELS, _NODES = 8, 48


@dataclass(frozen=True, slots=True)
class Constants:
    """Factors for subgroups of one size n, named as in the published tables.

    Attributes:
        d2: mean of the range of n standard normal values.
        d3: standard deviation of that range.
        c4: mean of the sample standard deviation of n standard normal values.
        c5: standard deviation of that sample standard deviation, sqrt(1 - c4²).
        A2: 3 / (d2 √n), limits of means from the mean range.
        A3: 3 / (c4 √n), limits of means from the mean standard deviation.
        B3: lower limit of s charts as a multiple of the mean s.
        B4: upper limit of s charts as a multiple of the mean s.
        B5: lower limit of s charts as a multiple of sigma.
        B6: upper limit of s charts as a multiple of sigma.
        D1: lower limit of range charts as a multiple of sigma.
        D2: upper limit of range charts as a multiple of sigma.
        D3: lower limit of range charts as a multiple of the mean range.
        D4: upper limit of range charts as a multiple of the mean range.
        E2: 3 / d2, limits of single values from the mean range.
    """

    d2: float
    d3: float
    c4: float
    c5: float
    A2: float
    A3: float
    B3: float
    B4: float
    B5: float
    B6: float
    D1: float
    D2: float
    D3: float
    D4: float
    E2: float


@lru_cache(maxsize=1)
def _quadrature() -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on (-1, 1), in panels: numpy's own are good to 100 nodes."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    middles = (2 * np.arange(_PANELS) + 1) / _PANELS - 1
    return (middles[:, np.newaxis] + nodes / _PANELS).ravel(), np.tile(weights / _PANELS, _PANELS)


def range_distribution(width: FloatArray, n: int) -> FloatArray:
    """Probability that n standard normal values span at most each `width`.

    Source: H. A. David & H. N. Nagaraja, Order Statistics (3rd ed. 2003), section 2.3:
        P(W ≤ w) = n ∫ φ(x) [Φ(x + w) - Φ(x)]^(n-1) dx, x the smallest value.
    """
    nodes, weights = _quadrature()
    smallest = _REACH * nodes
    outside = ndtr(smallest) + ndtr(-(smallest + width[:, np.newaxis]))
    with np.errstate(divide="ignore"):  # all mass outside: log 0, and the power is 0
        power = np.exp((n - 1) * np.log1p(-np.minimum(outside, 1.0)))
    density = np.exp(-0.5 * smallest * smallest) * (n / math.sqrt(2 * math.pi))
    probability: FloatArray = power @ (density * weights * _REACH)
    return probability


def _range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range: ∫(1 - P) dw and 2 ∫ w (1 - P) dw."""
    nodes, weights = _quadrature()
    width = _REACH * (nodes + 1)
    survival = (1 - range_distribution(width, n)) * weights * _REACH
    mean = float(survival.sum())
    # E[(W - mean)²] from E[W²] loses digits; ∫ 2 (w - mean)(1 - P) dw + mean² does not.
    variance = float((2 * (width - mean) * survival).sum()) + mean * mean
    return mean, math.sqrt(variance)


def _c4(n: int) -> float:
    """√(2/(n-1)) Γ(n/2) / Γ((n-1)/2)."""
    m = n - 1
    if m > 300:  # the difference of two large log-gammas loses digits; the series does not
        return 1 - 1 / (4 * m) + 1 / (32 * m**2) + 5 / (128 * m**3) - 21 / (2048 * m**4)
    return math.sqrt(2 / m) * math.exp(float(gammaln(n / 2)) - float(gammaln(m / 2)))


@lru_cache(maxsize=512)
def _constants(n: int) -> Constants:
    d2, d3 = _range_moments(n)
    c4 = _c4(n)
    c5 = math.sqrt(1 - c4 * c4)
    return Constants(
        d2=d2,
        d3=d3,
        c4=c4,
        c5=c5,
        A2=3 / (d2 * math.sqrt(n)),
        A3=3 / (c4 * math.sqrt(n)),
        B3=max(0.0, 1 - 3 * c5 / c4),
        B4=1 + 3 * c5 / c4,
        B5=max(0.0, c4 - 3 * c5),
        B6=c4 + 3 * c5,
        D1=max(0.0, d2 - 3 * d3),
        D2=d2 + 3 * d3,
        D3=max(0.0, 1 - 3 * d3 / d2),
        D4=1 + 3 * d3 / d2,
        E2=3 / d2,
    )


def control_chart_constants(n: int) -> Constants:
    """Return every factor for subgroups of n values.

    Args:
        n: subgroup size, 2 or more. Two for moving ranges.

    Raises:
        ArgumentError: n is not a whole number of at least 2.

    Source: definitions as in ASTM MNL 7 (table of factors) and ISO 7870-2, Table 2; computed,
        not copied, so the last printed digit of a table may differ by one.

    Example:
        >>> round(control_chart_constants(5).A2, 3)
        0.577
    """
    return _constants(as_count(n, name="n", at_least=2))


def range_quantile(n: int, probability: float) -> float:
    """Return the width that the range of n standard normal values stays within."""
    n = as_count(n, name="n", at_least=2)
    wanted = as_probability(probability, name="probability")

    def below(width: float) -> bool:
        return bool(range_distribution(np.array([width]), n)[0] < wanted)

    return halve(below, 0.0, 2 * _REACH)

"""Exact intervals for the distance of a mean from a limit, by the noncentral t distribution."""

import math
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr, ndtri

from spc.errors import ArgumentError
from spc.intake import FloatArray, as_confidence, as_count, as_number

_PANELS, _NODES = 32, 24
# Below it the density of s / sigma is too steep at 0 for the grid.
SMALLEST_FREEDOM = 0.5


@lru_cache(maxsize=64)
def _spread_grid(freedom: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and probabilities of s / sigma, where s has that many degrees of freedom."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    # s / sigma lies within 12 of its own standard deviations of 1, and is never negative.
    half = 12 / math.sqrt(2 * freedom)
    low, high = max(0.0, 1 - half), 1 + half
    # Few degrees of freedom: the density is no smooth function of the ratio at 0, but it is of
    # the ratio's sixth root.
    power = 6 if low == 0 else 1
    edges = np.linspace(low, high ** (1 / power), _PANELS + 1)
    middle, radius = (edges[1:] + edges[:-1]) / 2, (edges[1] - edges[0]) / 2
    root = (middle[:, np.newaxis] + radius * nodes).ravel()
    ratio, jacobian = root**power, power * root ** (power - 1)
    log_density = (
        _log_peak(freedom) + (freedom - 1) * np.log(ratio) - freedom / 2 * (ratio - 1) * (ratio + 1)
    )
    return ratio, np.exp(log_density) * jacobian * np.tile(weights * radius, _PANELS)


def _log_peak(freedom: float) -> float:
    """ln of the density of s / sigma at 1: 2 (f/2)^(f/2) e^(-f/2) / Γ(f/2)."""
    half = freedom / 2
    if freedom > 1000:  # Stirling's series; the difference of large logarithms loses digits
        return 0.5 * math.log(2 * half / math.pi) - 1 / (12 * half) + 1 / (360 * half**3)
    return math.log(2) + half * math.log(half) - half - float(gammaln(half))


def noncentral_t_probability(t: float, freedom: float, noncentrality: float) -> float:
    """Return the probability that a noncentral t variable is at most `t`.

    Args:
        t: any number.
        freedom: degrees of freedom, 0.5 or more, not only whole ones.
        noncentrality: any number.

    Raises:
        ArgumentError: a number that is not finite, freedom below 0.5.

    Source: definition, (z + noncentrality) / (s / sigma): the normal probability of
        z <= t s / sigma - noncentrality averaged over s / sigma by Gauss-Legendre quadrature.

    Example:
        >>> round(noncentral_t_probability(0.0, 10, 1.0), 4)  # that of a normal value below -1
        0.1587
    """
    ratio, probability = _spread_grid(_freedom(freedom))
    away = as_number(t, name="t") * ratio - as_number(noncentrality, name="noncentrality")
    return float(ndtr(away) @ probability)


def _freedom(value: float) -> float:
    freedom = as_number(value, name="freedom")
    if freedom < SMALLEST_FREEDOM:
        raise ArgumentError(f"freedom must be at least {SMALLEST_FREEDOM:g}, got {freedom:g}")
    return freedom


def one_sided_interval(
    index: float, n: int, freedom: float | None = None, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the two-sided interval of an index that has one limit only.

    3 √n times the index is a noncentral t variable with noncentrality 3 √n times the true index:
    the interval is exact for normal values and the standard deviation of the n values themselves.
    With another degree of freedom (a short-term sigma) it is as good as that number.

    Args:
        index: (limit - mean) / 3 s, of either sign.
        n: number of values behind the mean.
        freedom: degrees of freedom of s, 0.5 or more, by default n - 1.
        confidence: of the interval.

    Raises:
        ArgumentError: n below 2, freedom below 0.5, an index that is not finite.

    Source: noncentral t pivot; e.g. N. L. Johnson & B. L. Welch, Biometrika 31 (1940) 362.

    Example:
        >>> [round(end, 2) for end in one_sided_interval(1.33, 30)]
        [0.97, 1.69]
    """
    count = as_count(n, name="n", at_least=2)
    degrees = count - 1.0 if freedom is None else _freedom(freedom)
    tail = (1 - as_confidence(confidence)) / 2
    scale = 3 * math.sqrt(count)
    t = scale * as_number(index, name="index")
    return (
        _noncentrality(t, degrees, 1 - tail) / scale,
        _noncentrality(t, degrees, tail) / scale,
    )


def _noncentrality(t: float, freedom: float, probability: float) -> float:
    """Find the noncentrality at which `t` is that quantile: the probability falls as it grows.

    Newton's steps from the normal approximation, kept inside a bracket.
    """
    ratio, mass = _spread_grid(freedom)
    wide = math.sqrt(1 + t * t / (2 * freedom))
    low, high = t - 40 * wide, t + 40 * wide
    guess = t - float(ndtri(probability)) * wide
    for _ in range(200):
        away = t * ratio - guess
        excess = float(ndtr(away) @ mass) - probability
        low, high = (guess, high) if excess > 0 else (low, guess)
        slope = float(np.exp(-0.5 * away * away) @ mass) / math.sqrt(2 * math.pi)
        better = guess + excess / slope if slope > 0 else math.nan
        if not low < better < high:
            better = (low + high) / 2
        if abs(better - guess) <= 1e-13 * max(1.0, abs(better)):
            return better
        guess = better
    return guess

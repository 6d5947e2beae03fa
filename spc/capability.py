"""Capability and performance indices with their intervals; `capability_gate` comes before them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from spc.charts.frozen_limits import MOVING_RANGE_EFFICIENCY
from spc.constants import control_chart_constants
from spc.errors import ArgumentError, NoSpreadError
from spc.intake import LARGEST, as_confidence, as_count, as_number, as_series
from spc.intervals import Interval, index_interval
from spc.one_sided import one_sided_interval
from spc.specification import as_specification
from spc.summary import describe_spread

_FAR = 1e6


@dataclass(frozen=True, slots=True)
class Capability:
    """Indices of one characteristic against one specification.

    Cp and Cpk use the short-term sigma (what the process could do if it stayed put), Pp and Ppk
    the total standard deviation (what it did). None where an index does not exist: no Cp or Pp for
    a one-sided specification, no Cpm without a target.

    Attributes:
        n: number of values.
        mean: their mean.
        sd: their total standard deviation, divisor n - 1.
        sigma_within: short-term standard deviation.
        within_freedom: degrees of freedom of sigma_within.
        lower: lower specification limit or None.
        upper: upper specification limit or None.
        target: target or None.
        confidence: of every interval, two-sided.
        cp: (upper - lower) / 6 sigma_within.
        cpk: distance from the mean to the nearer limit / 3 sigma_within.
        pp: as cp with sd.
        ppk: as cpk with sd.
        cpm: (upper - lower) / 6 times the root mean square distance from the target.
        cp_interval: chi-square interval for the degrees of freedom of sigma_within; exact where
            those are.
        cpk_interval: two limits: Bissell's normal approximation; one limit: noncentral t with the
            degrees of freedom of sigma_within.
        pp_interval: exact chi-square interval, n - 1 degrees of freedom.
        ppk_interval: two limits: Bissell's normal approximation; one limit: the exact noncentral t.
        cpm_interval: Boyles' chi-square approximation, its degrees of freedom from the unbiased
            estimate of how far off target the process is.
    """

    n: int
    mean: float
    sd: float
    sigma_within: float
    within_freedom: float
    lower: float | None
    upper: float | None
    target: float | None
    confidence: float
    cp: float | None
    cpk: float
    pp: float | None
    ppk: float
    cpm: float | None
    cp_interval: Interval | None
    cpk_interval: Interval
    pp_interval: Interval | None
    ppk_interval: Interval
    cpm_interval: Interval | None


def capability(
    values: ArrayLike,
    lower: float | None = None,
    upper: float | None = None,
    target: float | None = None,
    sigma_within: float | None = None,
    confidence: float = 0.95,
    *,
    within_freedom: float | None = None,
) -> Capability:
    """Compute the indices from values in time order.

    Says nothing about whether they are earned: ask `capability_gate` first.

    Args:
        values: shape (n,), production order, finite.
        lower: lower specification limit, None if there is none (0 is not a specification).
        upper: upper specification limit, None if there is none.
        target: aim of the process, between the limits; only for Cpm, never assumed.
        sigma_within: short-term standard deviation; by default mean moving range / d2(2).
        confidence: of the intervals.
        within_freedom: degrees of freedom of a given `sigma_within`, such as Σ(n_i - 1) of pooled
            subgroups; by default those of a moving-range sigma, 0.62 (n - 1).

    Raises:
        TooFewPointsError: fewer than 2 values.
        NoSpreadError: all values equal.
        ArgumentError: no limit, lower not below upper, target outside, sigma_within not above 0.

    Source: ISO 22514-2; A. F. Bissell, Applied Statistics 39 (1990) 331; R. A. Boyles, J. Quality
        Technology 23 (1991) 17. Measured coverage of the 95 % intervals for 20 to
        200 normal values, centred and one sigma off centre (20,000 samples each): cp 94.5 to 95.0 %
        (its 0.62 (n - 1) degrees of freedom are an approximation), pp 94.8 to 95.2, ppk 94.7 to
        95.4, cpk 94.1 to 95.3. At 5 to 15 values (8,000 samples each) all lie between 94.3 and
        95.7 %, but cpk and ppk one sigma off centre at 5 values 97: Bissell's formula is one for
        many values. One-sided cpk 94.0 to 95.2 at 5 to 20 values. cpm, from 5 values on and up to
        three sigma off target (20,000 to 200,000 samples each): 94.2 to 95.2. Boyles' own freedom,
        from the plain distance to the target, covers 85.7 % three sigma off at 5 values and 93.1 at
        20: that distance comes out too large, and the freedom with it.

    Example:
        >>> round(capability([9, 11, 10, 12, 8], lower=4, upper=16).ppk, 3)
        1.265
    """
    series = as_series(values, at_least=2)
    about = describe_spread(series, purpose="have a capability")
    if sigma_within is None:
        sigma_within = float(np.abs(np.diff(series)).mean()) / control_chart_constants(2).d2
    return capability_from_summary(
        about.mean,
        about.sd,
        about.n,
        lower,
        upper,
        target,
        sigma_within=sigma_within,
        within_freedom=within_freedom,
        confidence=confidence,
    )


def capability_from_summary(
    mean: float,
    sd: float,
    n: int,
    lower: float | None = None,
    upper: float | None = None,
    target: float | None = None,
    *,
    sigma_within: float | None = None,
    within_freedom: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Compute the indices from a mean and standard deviations.

    Args:
        mean: mean of the n values.
        sd: their standard deviation, divisor n - 1, above 0.
        n: number of values, 2 or more.
        lower: as in `capability`.
        upper: as in `capability`.
        target: as in `capability`.
        sigma_within: short-term standard deviation from moving ranges; by default `sd` itself
            with its n - 1 degrees of freedom, so that Cp equals Pp.
        within_freedom: as in `capability`.
        confidence: of the intervals.

    Raises:
        NoSpreadError: sd is 0.
        ArgumentError: as in `capability`.

    Source: as in `capability`.

    Example:
        >>> round(capability_from_summary(16, 2, 50, lower=8, upper=20).cpk, 4)
        0.6667
    """
    middle = as_number(mean, name="mean")
    count = as_count(n, name="n", at_least=2)
    if as_number(sd, name="sd") == 0:
        raise NoSpreadError("sd must be above 0 to have a capability, got 0")
    total = as_number(sd, name="sd", above=0)
    low, high = as_specification(lower, upper)
    aim = _target(target, low, high)
    level = as_confidence(confidence)
    if sigma_within is None:
        within, freedom = total, count - 1.0
    else:
        within = as_number(sigma_within, name="sigma_within", above=0)
        freedom = MOVING_RANGE_EFFICIENCY * (count - 1)
    if within_freedom is not None:
        freedom = as_number(within_freedom, name="within_freedom", above=0)
    cp, pp = _both_sides(low, high, within), _both_sides(low, high, total)
    cpk, ppk = _nearer_side(middle, low, high, within), _nearer_side(middle, low, high, total)
    if max(abs(cpk), abs(ppk), cp or 0.0, pp or 0.0) > LARGEST:
        raise ArgumentError(
            f"sd and sigma_within must not vanish against the specification, got {total:g} and "
            f"{within:g}: check the unit"
        )
    cpm, cpm_interval = _cpm(middle, total, count, low, high, aim, level)
    one_sided = low is None or high is None
    nearer = _one_sided if one_sided else _bissell_interval
    return Capability(
        n=count,
        mean=middle,
        sd=total,
        sigma_within=within,
        within_freedom=freedom,
        lower=low,
        upper=high,
        target=aim,
        confidence=level,
        cp=cp,
        cpk=cpk,
        pp=pp,
        ppk=ppk,
        cpm=cpm,
        cp_interval=None if cp is None else index_interval(cp, freedom, level),
        cpk_interval=nearer(cpk, count, freedom, level),
        pp_interval=None if pp is None else index_interval(pp, count - 1, level),
        ppk_interval=nearer(ppk, count, count - 1.0, level),
        cpm_interval=cpm_interval,
    )


def _target(target: float | None, low: float | None, high: float | None) -> float | None:
    aim = None if target is None else as_number(target, name="target")
    if aim is not None and ((low is not None and aim < low) or (high is not None and aim > high)):
        raise ArgumentError(f"target must lie inside the specification, got {aim:g}")
    return aim


def _both_sides(low: float | None, high: float | None, sigma: float) -> float | None:
    return None if low is None or high is None else (high - low) / (6 * sigma)


def _nearer_side(mean: float, low: float | None, high: float | None, sigma: float) -> float:
    below = math.inf if low is None else (mean - low) / (3 * sigma)
    above = math.inf if high is None else (high - mean) / (3 * sigma)
    return min(below, above)


def _one_sided(index: float, n: int, freedom: float, level: float) -> Interval:
    return one_sided_interval(index, n, freedom, level)


def _bissell_interval(index: float, n: int, freedom: float, level: float) -> Interval:
    half = float(ndtri(0.5 + level / 2)) * math.sqrt(1 / (9 * n) + index**2 / (2 * freedom))
    return index - half, index + half


def _cpm(
    mean: float,
    sd: float,
    n: int,
    low: float | None,
    high: float | None,
    aim: float | None,
    level: float,
) -> tuple[float | None, Interval | None]:
    """Cpm with the mean square about the target, divisor n, and its effective freedom.

    n times that mean square over the variance is noncentral chi-square with n degrees of freedom
    and noncentrality n δ², δ the true distance from the target in standard deviations. Two moments
    of it make n (1 + δ²)² / (1 + 2 δ²) degrees of freedom. (n - 3)/(n - 1) d²/s² - 1/n is the
    unbiased estimate of δ² (mean of a noncentral F), cut at 0.
    """
    if low is None or high is None or aim is None:
        return None, None
    distance = abs(mean - aim)
    cpm = (high - low) / (6 * math.hypot(sd * math.sqrt((n - 1) / n), distance))
    # Beyond this many standard deviations only the ratio counts, and no square overflows.
    away = min(distance / sd, _FAR)
    off = max(0.0, (n - 3) / (n - 1) * away**2 - 1 / n)
    freedom = n * (1 + off) ** 2 / (1 + 2 * off)
    return cpm, index_interval(cpm, freedom, level)

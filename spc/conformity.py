"""Where a result lies against its specification, allowing for measurement uncertainty."""

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from spc.elementwise import ROUNDING, as_matching, as_numbers
from spc.errors import ArgumentError
from spc.intake import FloatArray, as_number, as_series, as_sigma
from spc.specification import as_specification

Verdict: TypeAlias = Literal["conforms", "not decided", "does not conform"]
NEITHER: Verdict = "not decided"


@dataclass(frozen=True, slots=True)
class AcceptanceInterval:
    """Results that conform although they are uncertain.

    Attributes:
        lower: smallest such result, itself included; None where the specification has no lower
            limit.
        upper: largest such result, or None.
        guard_band: distance from the specification, inwards.
        is_empty: the guard bands meet: no result at all can be judged to conform.
    """

    lower: float | None
    upper: float | None
    guard_band: float
    is_empty: bool


def acceptance_interval(
    lower: float | None = None, upper: float | None = None, *, guard_band: float
) -> AcceptanceInterval:
    """Move the specification limits inwards by a guard band.

    Args:
        lower: lower specification limit, None if there is none.
        upper: upper specification limit, None if there is none.
        guard_band: usually the expanded uncertainty U, same unit; 0 is "simple acceptance".

    Raises:
        ArgumentError: no limit, lower not below upper, a negative guard band.

    Source: JCGM 106:2012, 8.3.2 (guarded acceptance).

    Example:
        >>> found = acceptance_interval(1800, 2200, guard_band=73)
        >>> found.lower, found.upper
        (1873.0, 2127.0)
    """
    low, high = as_specification(lower, upper)
    band = as_sigma(guard_band, name="guard_band")
    inner_low = None if low is None else low + band
    inner_high = None if high is None else high - band
    empty = inner_low is not None and inner_high is not None and inner_low > inner_high
    return AcceptanceInterval(inner_low, inner_high, band, empty)


def guard_band_for(standard_uncertainty: float, highest_risk: float) -> float:
    """Return the guard band that holds the risk of a wrongly accepted result below a bound.

    Args:
        standard_uncertainty: u, above 0.
        highest_risk: probability that a result on the acceptance limit does not conform, between 0
            and 0.5; one limit only counts.

    Raises:
        ArgumentError: u not above 0, a risk not above 0 or above 0.5.

    Source: JCGM 106:2012, 8.3.2; w = U = 2u leaves 2.3 %.

    Example:
        >>> round(guard_band_for(36.5, 0.05), 1)  # 1.645 × 36.5
        60.0
    """
    u = as_number(standard_uncertainty, name="standard_uncertainty", above=0.0)
    risk = as_number(highest_risk, name="highest_risk")
    if not 0 < risk <= 0.5:
        raise ArgumentError(
            f"highest_risk must be above 0 and at most 0.5, got {risk:g} (0.025 is usual)"
        )
    return -float(ndtri(risk)) * u


def probability_of_conformity(
    values: ArrayLike,
    standard_uncertainty: ArrayLike,
    lower: float | None = None,
    upper: float | None = None,
) -> FloatArray:
    """Compute the probability that the true value lies within the specification.

    Given the result alone: nothing is assumed about what the process usually makes
    (`spc.global_risk` does).

    Args:
        values: results, a number or an array.
        standard_uncertainty: u of each result, k = 1, above 0, same unit.
        lower: lower specification limit, None if there is none.
        upper: upper specification limit, None if there is none.

    Returns:
        Array of the common shape, 0 to 1.

    Raises:
        ArgumentError: no limit, lower not below upper, an uncertainty not above 0.

    Source: JCGM 106:2012, 7.3 and 7.4 (normal distribution).

    Example:
        >>> round(float(probability_of_conformity(2180, 36.5, upper=2200)), 2)
        0.71
    """
    low, high = as_specification(lower, upper)
    value, u = as_matching(
        values=as_numbers(values, name="values"),
        standard_uncertainty=as_numbers(
            standard_uncertainty, name="standard_uncertainty", above=0.0
        ),
    )
    return share_between(value, u, low, high)[()]


@dataclass(frozen=True, slots=True, eq=False)
class GuardedVerdict:
    """Results against a specification with guard bands.

    Attributes:
        values: results, shape (n,).
        standard_uncertainty: of each.
        guard_band: w of each.
        probability: of conformity of each.
        verdicts: "conforms" a guard band or more inside every limit; "does not conform" more than
            a guard band beyond one; "not decided" between: this measurement cannot tell. What is
            done then is a rule of the site.
    """

    values: FloatArray
    standard_uncertainty: FloatArray
    guard_band: FloatArray
    probability: FloatArray
    verdicts: tuple[Verdict, ...]


def guarded_verdict(
    values: ArrayLike,
    standard_uncertainty: ArrayLike,
    lower: float | None = None,
    upper: float | None = None,
    *,
    guard_band: ArrayLike | None = None,
    coverage_factor: float = 2.0,
) -> GuardedVerdict:
    """Sort results into conforms, not decided, does not conform.

    Args:
        values: results, a number or shape (n,).
        standard_uncertainty: u, a number or one a result, above 0.
        lower: lower specification limit, None if there is none.
        upper: upper specification limit, None if there is none.
        guard_band: w, 0 or more; by default U = coverage_factor × u.
        coverage_factor: k, above 0.

    Raises:
        ArgumentError: no limit, lower not below upper, an uncertainty not above 0.

    Source: JCGM 106:2012, 8.3 (guarded acceptance and guarded rejection); ISO 10576-1:2003 (three
        outcomes).

    Example:
        >>> guarded_verdict([2000, 2180, 2300], 36.5, 1800, 2200).verdicts
        ('conforms', 'not decided', 'does not conform')
    """
    low, high = as_specification(lower, upper)
    series = as_series(np.atleast_1d(as_numbers(values, name="values")), name="values")
    u = as_numbers(standard_uncertainty, name="standard_uncertainty", above=0.0)
    k = as_number(coverage_factor, name="coverage_factor", above=0.0)
    band = k * u if guard_band is None else as_numbers(guard_band, name="guard_band")
    if (band < 0).any():
        raise ArgumentError(f"guard_band must not be negative, got {band.min():g}")
    value, u, band = as_matching(values=series, standard_uncertainty=u, guard_band=band)
    if value.shape != series.shape:
        raise ArgumentError(
            "standard_uncertainty and guard_band must be one number or one a result, "
            f"got shape {value.shape} for {series.size} results"
        )
    inside = np.full(value.shape, math.inf)  # distance to the nearer limit, negative beyond it
    if low is not None:
        inside = np.minimum(inside, value - low)
    if high is not None:
        inside = np.minimum(inside, high - value)
    # a result on a border stays on it although the subtraction above was rounded
    slack = ROUNDING * (np.abs(value) + band)
    verdicts: tuple[Verdict, ...] = tuple(
        "conforms" if distance >= w - e else "does not conform" if distance < -w - e else NEITHER
        for distance, w, e in zip(inside, band, slack, strict=True)
    )
    return GuardedVerdict(
        series, u.copy(), band.copy(), share_between(series, u, low, high), verdicts
    )


def share_between(
    value: FloatArray, sd: FloatArray, low: float | None, high: float | None
) -> FloatArray:
    """P(low <= X <= high), X normal around `value`; differences taken in the small tail."""
    with np.errstate(over="ignore"):  # a tiny sd: infinite distance is the right answer
        below = np.full(value.shape, -math.inf) if low is None else (low - value) / sd
        above = np.full(value.shape, math.inf) if high is None else (high - value) / sd
    flip = below > 0
    start, stop = np.where(flip, -above, below), np.where(flip, -below, above)
    return np.asarray(ndtr(stop) - ndtr(start), dtype=float)

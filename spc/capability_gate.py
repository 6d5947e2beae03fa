"""What must hold before a capability index is earned."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from spc.errors import ArgumentError
from spc.intake import as_count, as_flag, as_number, as_sigma, shown

Standing: TypeAlias = Literal["no number", "number", "preferred", "claim"]

# Fewer batches than this make no index: even at 30, an index of 1.33 means 0.97 to 1.69.
SMALLEST_N = 30
# 1.33 means 1.05 to 1.61 at 50 batches, and 1.13 to 1.53 at 100.
PREFERRED_N = 50
CLAIM_N = 100
LARGEST_MEASUREMENT_PERCENT = 30.0
LARGEST_CENSORED_FRACTION = 0.10


def capability_gate(
    *,
    n: int,
    points_outside: int,
    n_points: int,
    lag1: float | None,
    lag1_band: float,
    measurement_percent_of_tolerance: float | None = None,
    censored_fraction: float = 0.0,
    open_events: int = 0,
    one_specification: bool = True,
    one_condition: bool = True,
    as_made: bool = True,
    distribution_seen: bool | None = None,
) -> tuple[str, ...]:
    """Say why a capability index is not earned; empty where it is.

    Args:
        n: number of batches the index would stand on.
        points_outside: of them, beyond the control limits.
        n_points: plotted points that were judged.
        lag1: correlation of neighbours, None where it is undefined.
        lag1_band: half-width of the band for independent values.
        measurement_percent_of_tolerance: 6 s_r as a share of the tolerance, None if unknown.
        censored_fraction: share of results over or under range.
        open_events: signals in the window that nobody has closed.
        one_specification: False where the specification changed inside the window.
        one_condition: False where the results come from more than one measuring condition (method,
            spindle, speed, temperature, reading time, vessel).
        as_made: False where results after an adjustment are among them: those are cut off at the
            specification and flatter.
        distribution_seen: whether a person has looked at the plot of the distribution; None where
            nobody was asked, which gives no reason.

    Returns:
        Plain reasons, the most telling first. `capability_standing` says how far a number that is
        earned carries.

    Raises:
        ArgumentError: a count below 0, more points outside than plotted, or a number that is
            missing (nan) where it is judged.

    Source: practice around ISO 22514-2 (capability only for a stable process); n at least 30 and
        the borders 30 % and 10 % are conventions of the trade.

    Example:
        >>> capability_gate(n=12, points_outside=0, n_points=12, lag1=0.1, lag1_band=0.57)
        ('n = 12: 18 more batches for an index',)
    """
    n = as_count(n, name="n", at_least=0)
    n_points = as_count(n_points, name="n_points", at_least=0)
    points_outside = as_count(points_outside, name="points_outside", at_least=0)
    if points_outside > n_points:
        raise ArgumentError(
            f"points_outside must be at most n_points = {n_points}, got {points_outside}"
        )
    open_events = as_count(open_events, name="open_events", at_least=0)
    one_specification = as_flag(one_specification, name="one_specification")
    one_condition = as_flag(one_condition, name="one_condition")
    as_made = as_flag(as_made, name="as_made")
    if distribution_seen is not None:
        distribution_seen = as_flag(distribution_seen, name="distribution_seen")
    lag1 = None if lag1 is None else as_number(lag1, name="lag1")
    lag1_band = _band(lag1_band)
    share = measurement_percent_of_tolerance
    if share is not None:
        share = as_sigma(share, name="measurement_percent_of_tolerance")
    censored_fraction = as_sigma(censored_fraction, name="censored_fraction")
    reasons = []
    if points_outside > 0:
        reasons.append(f"{points_outside} of {n_points} batches beyond the control limits")
    if open_events > 0:
        events = "1 event" if open_events == 1 else f"{open_events} events"
        reasons.append(f"{events} nobody has closed")
    if lag1 is not None and abs(lag1) > lag1_band:
        how = "are alike" if lag1 > 0 else "alternate"
        number = f"{lag1:.2f}".replace("-", "−")
        reasons.append(
            f"neighbouring batches {how} (correlation {number}, chance stays within "
            f"±{lag1_band:.2f})"
        )
    if n < SMALLEST_N:
        missing = SMALLEST_N - n
        batches = "batch" if missing == 1 else "batches"
        reasons.append(f"n = {n}: {missing} more {batches} for an index")
    if share is not None and share > LARGEST_MEASUREMENT_PERCENT:
        reasons.append(
            f"the measurement takes {share:.0f} % of the tolerance "
            f"(at most {LARGEST_MEASUREMENT_PERCENT:.0f} %)"
        )
    if censored_fraction > LARGEST_CENSORED_FRACTION:
        reasons.append(
            f"{100 * censored_fraction:.0f} % of the results are over or under range "
            f"(at most {100 * LARGEST_CENSORED_FRACTION:.0f} %)"
        )
    if not one_specification:
        reasons.append("the specification changed inside the window")
    if not one_condition:
        reasons.append("the results come from more than one measuring condition")
    if not as_made:
        reasons.append("results after an adjustment are among them: take those as made")
    if distribution_seen is False:
        reasons.append("nobody has looked at the plot of the distribution yet")
    return tuple(reasons)


def _band(value: float) -> float:
    """Infinite where no correlation can be judged; else a number of 0 or more."""
    if isinstance(value, float) and math.isinf(value) and value > 0:
        return math.inf
    return as_sigma(value, name="lag1_band")


@dataclass(frozen=True, slots=True)
class CapabilityStanding:
    """How far an index carries.

    Attributes:
        standing: "no number" where a reason stands against it; "number": it may be shown with its
            interval; "preferred": on enough batches to be compared; "claim": enough to be claimed
            towards others, where the interval bears the claim out (`batches_needed`).
        n: batches it stands on.
        reasons: why there is no number; empty otherwise.
        more_for_number: batches missing for a number, 30 in all.
        more_for_preferred: batches missing for a preferred one, 50 in all.
        more_for_claim: batches missing for a claim, 100 in all.
    """

    standing: Standing
    n: int
    reasons: tuple[str, ...]
    more_for_number: int
    more_for_preferred: int
    more_for_claim: int


def capability_standing(n: int, reasons: Sequence[str] = ()) -> CapabilityStanding:
    """Tell what an index on n batches is good for, once its gate has spoken.

    Args:
        n: number of batches, 0 or more.
        reasons: from `capability_gate` with the same n; any reason means no number.

    Raises:
        ArgumentError: n below 0, reasons that are not texts.

    Source: borders 30, 50 and 100 are conventions of the trade: at an index of 1.33 they leave
        95 % intervals of ± 0.36, 0.28 and 0.20.

    Example:
        >>> capability_standing(60).standing, capability_standing(60).more_for_claim
        ('preferred', 40)
    """
    count = as_count(n, name="n", at_least=0)
    if isinstance(reasons, str) or not isinstance(reasons, Sequence):
        raise ArgumentError(f"reasons must be a sequence of texts, got {shown(reasons)}")
    against = tuple(reasons)
    for reason in against:
        if not isinstance(reason, str):
            raise ArgumentError(f"reasons must hold texts, got {shown(reason)}")
    standing: Standing = "claim"
    if count < SMALLEST_N or against:
        standing = "no number"
    elif count < PREFERRED_N:
        standing = "number"
    elif count < CLAIM_N:
        standing = "preferred"
    return CapabilityStanding(
        standing=standing,
        n=count,
        reasons=against,
        more_for_number=max(0, SMALLEST_N - count),
        more_for_preferred=max(0, PREFERRED_N - count),
        more_for_claim=max(0, CLAIM_N - count),
    )

"""Whether an index of capability has changed from one period to another, or may be the same."""

import math
from dataclasses import dataclass

from scipy.special import ndtri

from spc.capability import Capability
from spc.errors import ArgumentError
from spc.intake import as_confidence, as_instance
from spc.intervals import Interval


@dataclass(frozen=True, slots=True)
class CapabilityChange:
    """The difference of Ppk between two periods.

    Attributes:
        difference: later less earlier.
        interval: of it.
        confidence: of the interval.
        changed: whether the interval leaves out 0. False is no proof that nothing changed: with
            few batches only large changes show.
    """

    difference: float
    interval: Interval
    confidence: float
    changed: bool


def capability_change(
    before: Capability, after: Capability, confidence: float = 0.95
) -> CapabilityChange:
    """Compare the Ppk of two periods that share no batch, against one and the same specification.

    Args:
        before: the earlier period.
        after: the later one.
        confidence: of the interval.

    Raises:
        ArgumentError: the two were made against different specifications.

    Source: variance of each index 1 / (9 n) + Ppk² / (2 (n - 1)) after A. F. Bissell, Applied
        Statistics 39 (1990) 331; the difference of two independent, nearly normal estimates.

    Example:
        >>> from spc.capability import capability_from_summary
        >>> first = capability_from_summary(16, 2, 50, lower=8, upper=20)
        >>> second = capability_from_summary(15, 2, 50, lower=8, upper=20)
        >>> capability_change(first, second).changed
        False
    """
    first = as_instance(before, Capability, name="before")
    second = as_instance(after, Capability, name="after")
    if (first.lower, first.upper) != (second.lower, second.upper):
        raise ArgumentError(
            "before and after must be made against one specification: compute both again with the "
            "same limits"
        )
    level = as_confidence(confidence)
    difference = second.ppk - first.ppk
    half = float(ndtri(0.5 + level / 2)) * math.sqrt(_variance(first) + _variance(second))
    interval = (difference - half, difference + half)
    return CapabilityChange(difference, interval, level, not interval[0] <= 0 <= interval[1])


def _variance(one: Capability) -> float:
    return 1 / (9 * one.n) + one.ppk**2 / (2 * (one.n - 1))

"""Uncertainty budget: what the parts of a measurement add up to."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from spc.errors import TooFewPointsError
from spc.intake import as_choice, as_count, as_instance, as_list, as_number, as_sigma

Shape: TypeAlias = Literal["standard deviation", "rectangular", "triangular", "arcsine"]

# A half-width divided by this is a standard deviation (JCGM 100:2008, 4.3.7, 4.3.9, H.1.3.4).
DIVISORS: dict[Shape, float] = {
    "standard deviation": 1.0,
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "arcsine": math.sqrt(2),
}


@dataclass(frozen=True, slots=True)
class UncertaintyPart:
    """One line of a budget.

    Attributes:
        name: what it is.
        size: a standard deviation, or the half-width of the range for the other shapes; 0 or more,
            in percent or in a unit, the same for all lines.
        shape: "standard deviation"; "rectangular": anywhere within ± size alike; "triangular":
            rather in the middle; "arcsine": rather at the ends, as a swinging bath.
        sensitivity: what one unit of `size` does to the result, such as percent per °C.
        n_averaged: number of independent readings averaged.
    """

    name: str
    size: float
    shape: Shape = "standard deviation"
    sensitivity: float = 1.0
    n_averaged: int = 1

    @property
    def standard(self) -> float:
        """Standard uncertainty of the result from this line."""
        shape = as_choice(self.shape, tuple(DIVISORS), name=f"shape of {self.name}")
        size = as_sigma(self.size, name=f"size of {self.name}")
        sensitivity = as_number(self.sensitivity, name=f"sensitivity of {self.name}")
        n = as_count(self.n_averaged, name=f"n_averaged of {self.name}", at_least=1)
        return size * abs(sensitivity) / DIVISORS[shape] / math.sqrt(n)


@dataclass(frozen=True, slots=True)
class UncertaintyBudget:
    """Parts combined as root sum of squares.

    Attributes:
        parts: the lines, as given.
        standard: standard uncertainty of each line.
        variance_percent: share of each line in the combined variance; all 0 where nothing varies.
        combined: combined standard uncertainty u.
        coverage_factor: k.
        expanded: U = k u.
    """

    parts: tuple[UncertaintyPart, ...]
    standard: tuple[float, ...]
    variance_percent: tuple[float, ...]
    combined: float
    coverage_factor: float
    expanded: float


def uncertainty_budget(
    parts: Sequence[UncertaintyPart], coverage_factor: float = 2.0
) -> UncertaintyBudget:
    """Combine independent parts of uncertainty.

    Args:
        parts: lines, all in the same unit or all in percent, independent of each other.
        coverage_factor: k, above 0; 2 is about 95 %.

    Raises:
        TooFewPointsError: no lines.
        ArgumentError: an unknown shape, a negative size, n_averaged below 1.

    Source: JCGM 100:2008, 5.1.2 (independent quantities) and 6.2.1 (expanded uncertainty).

    Example:
        >>> budget = uncertainty_budget(
        ...     [UncertaintyPart("repeatability", 3.0), UncertaintyPart("day", 4.0)])
        >>> budget.combined, budget.expanded
        (5.0, 10.0)
    """
    k = as_number(coverage_factor, name="coverage_factor", above=0.0)
    listed = as_list(parts, name="parts", what="UncertaintyPart")
    lines = tuple(
        as_instance(part, UncertaintyPart, name=f"parts[{i}]") for i, part in enumerate(listed)
    )
    if not lines:
        raise TooFewPointsError("parts needs at least 1 line, got 0: name what is uncertain")
    standard = tuple(line.standard for line in lines)
    combined = math.hypot(*standard)
    return UncertaintyBudget(
        parts=lines,
        standard=standard,
        variance_percent=tuple(
            100 * (part / combined) ** 2 if combined else 0.0 for part in standard
        ),
        combined=combined,
        coverage_factor=k,
        expanded=k * combined,
    )

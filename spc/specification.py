"""Specification limits: one door for every statistic that is held against them."""

from typing import TypeAlias

from spc.errors import ArgumentError
from spc.intake import as_number

Sides: TypeAlias = tuple[float | None, float | None]


def as_specification(lower: float | None, upper: float | None) -> Sides:
    """Return checked specification limits: at least one of them, lower below upper."""
    low = None if lower is None else as_number(lower, name="lower")
    high = None if upper is None else as_number(upper, name="upper")
    if low is None and high is None:
        raise ArgumentError("lower or upper must be given: give at least one specification limit")
    if low is not None and high is not None and low >= high:
        raise ArgumentError(f"lower must be below upper, got {low:g} and {high:g}")
    return low, high

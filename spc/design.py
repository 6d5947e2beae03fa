"""What charts and rules are set up with: each setting checked in one place, by one sentence.

Charts and their run lengths take the same settings, so they must refuse the same ones.
"""

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import FloatArray, IntArray, as_count, as_floats, as_number

# Counts beyond this are slips of the hand: their arrays would not fit a machine.
MOST_POINTS = 10_000_000


def as_points(value: int, *, name: str, at_least: int) -> int:
    """Return a count of points, runs or series that a machine can hold."""
    number = as_count(value, name=name, at_least=at_least)
    if number > MOST_POINTS:
        raise ArgumentError(f"{name} must be at most {MOST_POINTS:,}, got {number:,}")
    return number


def as_reals(values: ArrayLike, *, name: str) -> FloatArray:
    """Return floats of the same shape; the array itself where it holds floats already."""
    if type(values) is np.ndarray and values.dtype == np.float64:
        return values
    return as_floats(values, name)


def as_indices(index: ArrayLike) -> IntArray | None:
    """Return whole numbers of at least 0 in one dimension, or None where they are anything else."""
    try:
        given = np.asarray(index)
    except ValueError:
        return None
    if given.size == 0 and given.ndim == 1:
        return np.empty(0, dtype=np.int64)
    if given.ndim != 1 or given.dtype.kind not in "iu" or given.min() < 0:
        return None
    if given.max() > np.iinfo(np.int64).max - 2:
        return None
    return given.astype(np.int64)


def as_weight(weight: float) -> float:
    """Return the share that an EWMA gives its newest value, in (0, 1]."""
    share = as_number(weight, name="weight")
    if not 0 < share <= 1:
        raise ArgumentError(f"weight must be in (0, 1], got {share:g}")
    return share


def as_width(width: float) -> float:
    """Return the width of limits in standard deviations, above 0."""
    return as_number(width, name="width", above=0)


def as_allowance(k: float) -> float:
    """Return the allowance of a cumulative sum, 0 or more."""
    allowance = as_number(k, name="k")
    if allowance < 0:
        raise ArgumentError(f"k must not be negative, got {allowance:g}")
    return allowance


def as_decision_limit(h: float) -> float:
    """Return the decision limit of a cumulative sum, above 0."""
    return as_number(h, name="h", above=0)

"""What charts and rules are set up with: each setting checked in one place, by one sentence.

Charts and their run lengths take the same settings, so they must refuse the same ones.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import LARGEST, FloatArray, IntArray, as_count, as_number

# Counts beyond this are slips of the hand: their arrays would not fit a machine.
MOST_POINTS = 10_000_000


def as_finite(value: float, *, name: str, above: float = -math.inf) -> float:
    """Return one real number strictly above `above`, so small that no later step overflows.

    Text, dates, complex numbers and arrays are refused, also those that Python would convert.
    """
    kind = getattr(getattr(value, "dtype", None), "kind", "f")
    if isinstance(value, str | bytes | np.ma.MaskedArray) or kind not in "biuf":
        raise ArgumentError(f"{name} must be one number, got {value!r}")
    if isinstance(value, np.ndarray) and value.ndim:
        raise ArgumentError(f"{name} must be one number, got an array of shape {value.shape}")
    try:
        number = as_number(value, name=name, above=above)
    except OverflowError:
        number = math.inf if value > 0 else -math.inf
    if abs(number) > LARGEST:
        raise ArgumentError(
            f"{name} must lie between -{LARGEST:g} and {LARGEST:g}, got {number:g}: check its unit"
        )
    return number


def as_points(value: int, *, name: str, at_least: int) -> int:
    """Return a count of points, runs or series that a machine can hold."""
    number = as_count(value, name=name, at_least=at_least)
    if number > MOST_POINTS:
        raise ArgumentError(f"{name} must be at most {MOST_POINTS:,}, got {number:,}")
    return number


def as_flag(value: bool, *, name: str) -> bool:
    """Return True or False, and take nothing else for one of them."""
    if not isinstance(value, bool | np.bool_):
        raise ArgumentError(f"{name} must be True or False, got {value!r}")
    return bool(value)


def as_reals(values: ArrayLike, *, name: str) -> FloatArray:
    """Return floats of the same shape, nan for a masked entry or None; perhaps the array itself.

    Text, dates and complex numbers are refused rather than converted.
    """
    given: Any = values
    try:
        if isinstance(given, np.ma.MaskedArray) and given.dtype.kind in "biuf":
            given = np.ma.filled(given.astype(np.float64), np.nan)
        given = np.asarray(given)
    except (TypeError, ValueError) as error:
        raise ArgumentError(
            f"{name} must hold numbers only, rows of one length: {error}"
        ) from error
    if given.dtype.kind == "O":
        return _from_objects(given, name)
    if given.dtype.kind not in "biuf":
        first = given.ravel()[0] if given.size else given.dtype
        came = repr(first.item()) if given.size and given.dtype.kind in "US" else str(first)
        raise ArgumentError(f"{name} must hold numbers only, got {came}")
    reals: FloatArray = given.astype(np.float64, copy=False)
    return reals


def _from_objects(given: Any, name: str) -> FloatArray:
    """Read fractions, decimals and the like one by one, and show the first that is no number."""
    reals = np.full(given.shape, np.nan)
    for place, one in enumerate(given.ravel().tolist()):
        if one is None:
            continue
        if isinstance(one, str | bytes):
            raise ArgumentError(f"{name} must hold numbers only, got {one!r}")
        try:
            reals.flat[place] = float(one)
        except (TypeError, ValueError, OverflowError) as error:
            raise ArgumentError(f"{name} must hold numbers only, got {one!r}") from error
    return reals


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
    share = as_finite(weight, name="weight")
    if not 0 < share <= 1:
        raise ArgumentError(f"weight must be in (0, 1], got {share:g}")
    return share


def as_width(width: float) -> float:
    """Return the width of limits in standard deviations, above 0."""
    return as_finite(width, name="width", above=0)


def as_allowance(k: float) -> float:
    """Return the allowance of a cumulative sum, 0 or more."""
    allowance = as_finite(k, name="k")
    if allowance < 0:
        raise ArgumentError(f"k must not be negative, got {allowance:g}")
    return allowance


def as_decision_limit(h: float) -> float:
    """Return the decision limit of a cumulative sum, above 0."""
    return as_finite(h, name="h", above=0)

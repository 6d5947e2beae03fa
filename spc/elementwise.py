"""Checks for formulas that work on one number as on an array of any shape."""

import math

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import FloatArray, as_floats, as_series

# A result on a border counts as inside, also where binary fractions miss it in the last digit.
ROUNDING = 1e-12
# Beyond this power of e a float64 is infinite.
LARGEST_EXPONENT = 700.0


def as_numbers(values: ArrayLike, *, name: str, above: float = -math.inf) -> FloatArray:
    """Return a checked copy of the same shape: finite numbers strictly above `above`."""
    given = as_floats(values, name)
    shape = given.shape
    series = as_series(given.ravel(), name=name)
    low = series <= above
    if low.any():
        raise ArgumentError(
            f"{name} must be above {above:g}, got {series[low][0]:g}: leave such rows out"
        )
    return series.reshape(shape)


def as_matching(**named: FloatArray) -> tuple[FloatArray, ...]:
    """Stretch arrays to one common shape."""
    try:
        return tuple(np.broadcast_arrays(*named.values()))
    except ValueError as error:
        shapes = " and ".join(str(numbers.shape) for numbers in named.values())
        raise ArgumentError(
            f"{' and '.join(named)} must match in shape, got {shapes}: give one number a row"
        ) from error


def exponential(exponent: FloatArray, *, name: str) -> FloatArray:
    """Return e to the exponent, or refuse where a float cannot hold it."""
    largest = float(np.abs(exponent).max())
    if largest > LARGEST_EXPONENT:
        raise ArgumentError(
            f"{name} gives a factor of e to the {largest:.3g}, which no number holds: "
            "check its unit"
        )
    return np.asarray(np.exp(exponent), dtype=float)[()]


def quotient(top: ArrayLike, bottom: FloatArray, *, name: str) -> FloatArray:
    """Divide by `bottom` (called `name`), or refuse where a float cannot hold the result."""
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        result = np.asarray(np.divide(top, bottom), dtype=float)
    if not np.isfinite(result).all():
        raise ArgumentError(
            f"{name} is too small to divide by, got {float(np.abs(bottom).min()):g}: check its unit"
        )
    return result[()]

"""The one door by which numbers enter: copies, float64, checked, with a plain refusal."""

import math
import operator
import reprlib
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from numbers import Real
from typing import Any, TypeAlias, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import ArgumentError, TooFewPointsError

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
Groups: TypeAlias = ArrayLike | Sequence[ArrayLike]

# Well below where a sum of squares overflows and a spread would quietly become infinite.
LARGEST = 1e100
# Whole numbers beyond it are no longer told apart as floats.
LARGEST_COUNT = 2**53
# Quantiles of smaller probabilities are lost.
SMALLEST_PROBABILITY = 1e-300


Kind = TypeVar("Kind")
Choice = TypeVar("Choice", bound=str)

# What numpy calls an array, and what a person does.
_NOT_NUMBERS = {
    "b": "yes-or-no values",
    "c": "complex numbers",
    "M": "times",
    "m": "durations",
    "S": "bytes",
    "U": "text",
    "V": "records",
}


def shown(value: object) -> str:
    """Return a short form of anything for a message."""
    return reprlib.repr(value)


def is_missing(value: object) -> bool:
    """Whether something stands for "no value": None, nan, a missing time, a blank text."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return True
    try:
        return not bool(value == value)
    except (TypeError, ValueError):  # pandas' NA has no truth value
        return True


def as_floats(values: Any, name: str) -> FloatArray:
    """Copy to float64; masked and missing entries become nan, so that none is lost silently."""
    if isinstance(values, np.ma.MaskedArray):
        given = as_floats(np.asarray(values.data), name)
        given[np.ma.getmaskarray(values)] = np.nan
        return given
    try:
        found = np.asarray(values)
    except (TypeError, ValueError, OverflowError) as error:
        raise ArgumentError(
            f"{name} must hold numbers only, in rows of one length: {error}"
        ) from error
    kind = found.dtype.kind
    if kind in _NOT_NUMBERS:
        first = shown(found.ravel()[0].item()) if found.size else "none"
        raise ArgumentError(
            f"{name} must hold numbers only, got {_NOT_NUMBERS[kind]}, the first {first}: "
            "read them as numbers first"
        )
    if kind == "O":
        numbers = [_as_float(one, name) for one in found.ravel()]
        return np.array(numbers, dtype=np.float64).reshape(found.shape)
    with np.errstate(over="ignore"):  # of a longer float: infinite, and refused as that
        return np.array(found, dtype=np.float64)


def _as_float(value: object, name: str) -> float:
    if isinstance(value, (Real, Decimal, np.integer, np.floating)) and not isinstance(value, bool):
        try:
            return float(value)
        except (OverflowError, ValueError) as error:
            raise ArgumentError(
                f"{name} must hold numbers of ordinary size, got {shown(value)}: {error}"
            ) from error
    if not isinstance(value, str) and is_missing(value):
        return math.nan
    raise ArgumentError(f"{name} must hold numbers only, got {shown(value)}")


def _first_bad(bad: BoolArray, values: FloatArray) -> str:
    where = np.flatnonzero(bad)
    more = f" (and {where.size - 1} more)" if where.size > 1 else ""
    return f"got {values[where[0]]} at index {where[0]}{more}"


def as_series(values: ArrayLike, *, name: str = "values", at_least: int = 1) -> FloatArray:
    """Return a checked copy: one-dimensional, finite, at least `at_least` points."""
    series = as_floats(values, name)
    if series.ndim != 1:
        raise ArgumentError(f"{name} must be one-dimensional, got shape {series.shape}")
    bad = ~np.isfinite(series)
    if bad.any():
        raise ArgumentError(
            f"{name} must be finite numbers, {_first_bad(bad, series)}: leave such points out"
        )
    too_large = np.abs(series) > LARGEST
    if too_large.any():
        raise ArgumentError(
            f"{name} must lie between -{LARGEST:g} and {LARGEST:g}, {_first_bad(too_large, series)}"
        )
    if series.size < at_least:
        points = "1 point" if at_least == 1 else f"{at_least} points"
        raise TooFewPointsError(
            f"{name} needs at least {points}, got {series.size}: wait for more data"
        )
    return series


def as_number(value: float, *, name: str, above: float = -math.inf) -> float:
    """Return a finite float strictly above `above`, of a size that a square can be taken of."""
    if type(value) is float or type(value) is int:
        number = _as_float(value, name)
    else:
        try:
            given = as_floats(value, name)
        except ArgumentError as error:
            raise ArgumentError(f"{name} must be one number, got {shown(value)}") from error
        if given.ndim or value is None:
            raise ArgumentError(f"{name} must be one number, got {shown(value)}")
        number = float(given)
    if not math.isfinite(number) or number <= above:
        rule = "finite" if above == -math.inf else f"finite and above {above:g}"
        raise ArgumentError(f"{name} must be {rule}, got {number:g}")
    if abs(number) > LARGEST or (above >= 0 and number < 1 / LARGEST):
        sizes = f"{1 / LARGEST if above >= 0 else -LARGEST:g} and {LARGEST:g}"
        raise ArgumentError(f"{name} must lie between {sizes}, got {number:g}: check its unit")
    return number


def as_sigma(value: float, *, name: str = "sigma") -> float:
    """Return a standard deviation: finite and not negative."""
    sigma = as_number(value, name=name)
    if sigma < 0:
        raise ArgumentError(f"{name} must not be negative, got {sigma:g}")
    return sigma


def as_center_and_sigma(center: float | None, sigma: float | None) -> tuple[float, float] | None:
    """Return a centre and a standard deviation fixed earlier, or None where both are left open."""
    if (center is None) != (sigma is None):
        raise ArgumentError("center and sigma belong together: give both or neither")
    if center is None or sigma is None:
        return None
    return as_number(center, name="center"), as_sigma(sigma)


def as_count(value: int, *, name: str, at_least: int) -> int:
    """Return a whole number of at least `at_least`."""
    try:
        number = operator.index(value)
    except TypeError as error:
        raise ArgumentError(f"{name} must be a whole number, got {shown(value)}") from error
    if isinstance(value, bool):
        raise ArgumentError(f"{name} must be a whole number, got {value}")
    if number < at_least:
        raise ArgumentError(f"{name} must be at least {at_least}, got {shown(number)}")
    if number > LARGEST_COUNT:
        raise ArgumentError(f"{name} must be at most {LARGEST_COUNT}, got {shown(number)}")
    return number


def as_flag(value: bool, *, name: str) -> bool:
    """Return True or False; a text such as "no" would count as true."""
    if not isinstance(value, (bool, np.bool_)):
        raise ArgumentError(f"{name} must be True or False, got {shown(value)}")
    return bool(value)


def as_choice(value: Choice, choices: Sequence[Choice], *, name: str) -> Choice:
    """Return one of several words, else list them."""
    if not isinstance(value, str) or value not in choices:
        *most, last = (f"'{choice}'" for choice in choices)
        raise ArgumentError(f"{name} must be {', '.join(most)} or {last}, got {shown(value)}")
    return value


def as_list(values: Any, *, name: str, what: str) -> list[Any]:
    """Return the members of anything that can be walked over."""
    try:
        return list(values)
    except TypeError as error:
        raise ArgumentError(f"{name} must be a sequence of {what}, got {shown(values)}") from error


def as_instance(value: Kind, kind: type[Kind], *, name: str) -> Kind:
    """Return an object of the class asked for."""
    if not isinstance(value, kind):
        raise ArgumentError(f"{name} must be of {kind.__name__}, got {shown(value)}")
    return value


def as_confidence(value: float) -> float:
    """Return a confidence level strictly between 0 and 1."""
    level = as_number(value, name="confidence")
    if not 0 < level < 1:
        raise ArgumentError(f"confidence must lie between 0 and 1, got {level:g} (0.95 is usual)")
    return level


def as_probability(value: float, *, name: str) -> float:
    """Return a probability strictly between 0 and 1."""
    share = as_number(value, name=name)
    if not SMALLEST_PROBABILITY <= share < 1:
        raise ArgumentError(f"{name} must lie between 0 and 1, got {share:g}")
    return share


@dataclass(frozen=True, slots=True, eq=False)
class GroupedValues:
    """Groups of unequal size laid end to end.

    Attributes:
        flat: all values, group after group, in the order given.
        sizes: number of values in each group, at least 1.
        starts: index in `flat` of each group's first value.
    """

    flat: FloatArray
    sizes: IntArray
    starts: IntArray

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return int(self.sizes.size)

    def spread_out(self, per_group: FloatArray) -> FloatArray:
        """Repeat one number a group so that it lines up with `flat`."""
        return np.repeat(per_group, self.sizes)

    def means(self) -> FloatArray:
        """Mean of each group; differences from its first value keep constant groups exact."""
        first = self.flat[self.starts]
        away = np.add.reduceat(self.flat - self.spread_out(first), self.starts)
        return first + away / self.sizes

    def sums_of_squares(self) -> FloatArray:
        """Sum of squared deviations from the group's own mean (second pass over the data)."""
        away = self.flat - self.spread_out(self.means())
        return np.add.reduceat(away * away, self.starts)

    def ranges(self) -> FloatArray:
        """Largest minus smallest of each group."""
        largest = np.maximum.reduceat(self.flat, self.starts)
        smallest = np.minimum.reduceat(self.flat, self.starts)
        return np.asarray(largest - smallest, dtype=float)

    def mean(self) -> float:
        """Mean of all values together, each with the same weight."""
        return mean_of(self.flat)

    def pooled_sd(self) -> float:
        """Standard deviation inside the groups, pooled by degrees of freedom."""
        away = self.flat - self.spread_out(self.means())
        scale = binary_scale(away)
        away /= scale
        return scale * math.sqrt(float(away @ away) / int((self.sizes - 1).sum()))

    def scaled(self) -> "GroupedValues":
        """The same groups in a unit in which no square over- or underflows."""
        return GroupedValues(self.flat / binary_scale(self.flat), self.sizes, self.starts)

    def logarithms(self) -> "GroupedValues":
        """The same groups of ln(value); all values above 0."""
        return GroupedValues(np.log(self.flat), self.sizes, self.starts)

    def with_replicates(self) -> "GroupedValues":
        """Only the groups that hold two values or more."""
        several = self.sizes > 1
        return _laid_out(self.flat[np.repeat(several, self.sizes)], self.sizes[several])


def _laid_out(flat: FloatArray, sizes: IntArray) -> GroupedValues:
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1])) if sizes.size else sizes
    return GroupedValues(flat, sizes, starts.astype(np.int64))


def as_groups(groups: Groups, *, name: str = "subgroups") -> GroupedValues:
    """Return checked groups from a sequence of arrays or a 2-D array; nan means missing."""
    if isinstance(groups, np.ndarray) and groups.ndim == 2:
        table = as_floats(groups, name)
        sizes = np.full(table.shape[0], table.shape[1], dtype=np.int64)
        flat = table.ravel()
    else:
        listed = as_list(groups, name=name, what="arrays")
        rows = [as_floats(group, f"{name}[{i}]") for i, group in enumerate(listed)]
        for i, row in enumerate(rows):
            if row.ndim != 1:
                raise ArgumentError(
                    f"{name} must be a sequence of 1-D arrays or one 2-D array, "
                    f"got shape {row.shape} at {name}[{i}]"
                )
        sizes = np.array([row.size for row in rows], dtype=np.int64)
        flat = np.concatenate(rows) if rows else np.empty(0)
    owner = np.repeat(np.arange(sizes.size), sizes)
    bad = np.isinf(flat) | (np.abs(flat) > LARGEST)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise ArgumentError(
            f"{name} must be finite, or nan for a missing value, "
            f"got {flat[at]:g} in {name}[{owner[at]}]"
        )
    present = ~np.isnan(flat)
    sizes = np.bincount(owner[present], minlength=sizes.size).astype(np.int64)
    if (sizes == 0).any():
        raise ArgumentError(
            f"{name}[{int(np.flatnonzero(sizes == 0)[0])}] holds no value: leave that group out"
        )
    return _laid_out(flat[present], sizes)


def as_replicates(groups: Groups, *, name: str = "groups") -> GroupedValues:
    """Return the checked groups that hold two readings or more; there must be one."""
    several = as_groups(groups, name=name).with_replicates()
    if several.n_groups == 0:
        raise TooFewPointsError(
            f"{name} needs a batch with two readings or more, got none: measure duplicates"
        )
    return several


def binary_scale(numbers: FloatArray) -> float:
    """Return a power of two about as large as the largest number, 1.0 where all are 0.

    Dividing by it rounds nothing, and no square of the quotients over- or underflows.
    """
    largest = float(np.abs(numbers).max(initial=0.0))
    return math.ldexp(1.0, math.frexp(largest)[1]) if largest > 0 else 1.0


def mean_of(series: FloatArray) -> float:
    """Mean by differences from the first value, corrected once: exact for a constant series."""
    rough = float(series[0] + np.mean(series - series[0]))
    return rough + float(np.mean(series - rough))

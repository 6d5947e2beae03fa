"""The one door by which numbers enter: copies, float64, checked, with a plain refusal."""

import math
import operator
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import ArgumentError, TooFewPointsError

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
Groups: TypeAlias = ArrayLike | Sequence[ArrayLike]

# Well below where a sum of squares overflows and a spread would quietly become infinite.
LARGEST = 1e100


def _floats(values: Any, name: str) -> FloatArray:
    """Copy to float64; masked entries become nan, so that no mask is lost without a word."""
    try:
        if isinstance(values, np.ma.MaskedArray):
            return np.array(np.ma.filled(values.astype(float), np.nan), dtype=np.float64)
        return np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ArgumentError(f"{name} must hold numbers only: {error}") from error


def _first_bad(bad: BoolArray, values: FloatArray) -> str:
    where = np.flatnonzero(bad)
    more = f" (and {where.size - 1} more)" if where.size > 1 else ""
    return f"got {values[where[0]]} at index {where[0]}{more}"


def as_series(values: ArrayLike, *, name: str = "values", at_least: int = 1) -> FloatArray:
    """Return a checked copy: one-dimensional, finite, at least `at_least` points."""
    series = _floats(values, name)
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
    """Return a finite float strictly above `above`."""
    try:
        number = float(value)
    except (TypeError, ValueError) as error:
        raise ArgumentError(f"{name} must be one number, got {value!r}") from error
    if not math.isfinite(number) or number <= above:
        rule = "finite" if above == -math.inf else f"finite and above {above:g}"
        raise ArgumentError(f"{name} must be {rule}, got {number:g}")
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
        raise ArgumentError(f"{name} must be a whole number, got {value!r}") from error
    if number < at_least:
        raise ArgumentError(f"{name} must be at least {at_least}, got {number}")
    return number


def as_confidence(value: float) -> float:
    """Return a confidence level strictly between 0 and 1."""
    level = as_number(value, name="confidence")
    if not 0 < level < 1:
        raise ArgumentError(f"confidence must lie between 0 and 1, got {level:g} (0.95 is usual)")
    return level


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
        freedom = int((self.sizes - 1).sum())
        return math.sqrt(float(self.sums_of_squares().sum()) / freedom)

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
        table = _floats(groups, name)
        sizes = np.full(table.shape[0], table.shape[1], dtype=np.int64)
        flat = table.ravel()
    else:
        if not isinstance(groups, Iterable):
            raise ArgumentError(f"{name} must be a sequence of arrays, got {groups!r}")
        rows = [_floats(group, f"{name}[{i}]") for i, group in enumerate(groups)]
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


def mean_of(series: FloatArray) -> float:
    """Mean by differences from the first value, corrected once: exact for a constant series."""
    rough = float(series[0] + np.mean(series - series[0]))
    return rough + float(np.mean(series - rough))

"""One-way analysis of variance with its variance components, exact for values far from zero."""

import math
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, fdtri

from spc.errors import ArgumentError, TooFewPointsError
from spc.halving import halve
from spc.intake import FloatArray, IntArray, as_confidence, as_series
from spc.intervals import Interval, variance_interval
from spc.labels import Labels, as_labels

# A number in two parts, high + low, that together hold about 32 digits.
Double: TypeAlias = tuple[FloatArray, FloatArray]

_SPLIT = 134217729.0  # 2^27 + 1
# Squares of smaller differences are no full numbers any more.
SMALLEST_RANGE = 1e-140


def _two_sum(a: FloatArray, b: FloatArray) -> Double:
    total = a + b
    part = total - a
    return total, (a - (total - part)) + (b - part)


def _add(a: Double, b: Double) -> Double:
    high, error = _two_sum(a[0], b[0])
    low, rest = _two_sum(a[1], b[1])
    high, error = _two_sum(high, error + low)
    return _two_sum(high, error + rest)


def _minus(a: Double) -> Double:
    return -a[0], -a[1]


def _divided(a: Double, count: FloatArray) -> Double:
    """a / count, with the exact remainder of the first quotient."""
    quotient = a[0] / count
    big = quotient * _SPLIT
    upper = big - (big - quotient)
    lower = quotient - upper  # count is below 2^26, so both products are exact
    remainder = ((a[0] - upper * count) - lower * count) + a[1]
    return _two_sum(quotient, remainder / count)


def _group_sums(values: Double, sizes: IntArray) -> Double:
    """Sum of each stretch of `sizes` values, by halving: a few array passes for any sizes."""
    high, low = values
    while (sizes > 1).any():
        starts = np.cumsum(sizes) - sizes
        position = np.arange(high.size) - np.repeat(starts, sizes)
        left = np.flatnonzero(position % 2 == 0)
        paired = position[left] + 1 < np.repeat(sizes, sizes)[left]
        right = left + paired
        other = (np.where(paired, high[right], 0.0), np.where(paired, low[right], 0.0))
        high, low = _add((high[left], low[left]), other)
        sizes = (sizes + 1) // 2
    return high, low


@dataclass(frozen=True, slots=True, eq=False)
class SumsOfSquares:
    """Values cut into groups: what every analysis of variance here is made of.

    Attributes:
        sizes: number of values in each group.
        means: mean of each group.
        away: mean of each group minus the grand mean, to full relative precision.
        grand_mean: mean of all values.
        between: Σ size × away².
        within: sum of squared deviations from the own mean, one a group.
    """

    sizes: IntArray
    means: FloatArray
    away: FloatArray
    grand_mean: float
    between: float
    within: FloatArray


def sums_of_squares(values: FloatArray, index: IntArray) -> SumsOfSquares:
    """Split the spread of checked values by group index 0 … k-1 (each must occur).

    Differences from a value of the same group, kept in two parts, so that neither a large common
    level nor a small difference of means costs digits.

    Raises:
        ArgumentError: values that differ by so little that no number holds the square.

    Source: two-sum of D. E. Knuth, The Art of Computer Programming 2 (3rd ed.), 4.2.2, theorem B;
        centring as T. F. Chan, G. H. Golub & R. J. LeVeque, The American Statistician 37 (1983).
    """
    order = np.argsort(index, kind="stable")
    flat = values[order]
    sizes = np.bincount(index).astype(np.int64)
    counts = sizes.astype(float)
    starts = np.cumsum(sizes) - sizes
    ranges = np.maximum.reduceat(flat, starts) - np.minimum.reduceat(flat, starts)
    ranges = np.append(ranges, np.ptp(flat))
    if ((ranges > 0) & (ranges < SMALLEST_RANGE)).any():
        raise ArgumentError(
            f"values must differ by at least {SMALLEST_RANGE:g} where they differ, got "
            f"{ranges[ranges > 0].min():g}: no number holds its square, take another unit"
        )
    first = flat[starts]
    away_from_first = _two_sum(flat, -np.repeat(first, sizes))
    mean_away = _divided(_group_sums(away_from_first, sizes), counts)
    spread_out = (np.repeat(mean_away[0], sizes), np.repeat(mean_away[1], sizes))
    deviation = _add(away_from_first, _minus(spread_out))[0]
    within = _group_sums((deviation * deviation, np.zeros_like(flat)), sizes)[0]

    everything = np.array([flat.size], dtype=np.int64)
    reference = np.full_like(flat, flat[0])
    total = _group_sums(_two_sum(flat, -reference), everything)
    grand = _divided(total, everything.astype(float))
    of_group = _add(_two_sum(first, -reference[: first.size]), mean_away)
    away = _add(of_group, (np.repeat(-grand[0], first.size), np.repeat(-grand[1], first.size)))[0]
    return SumsOfSquares(
        sizes=sizes,
        means=first + mean_away[0],
        away=away,
        grand_mean=float(flat[0] + grand[0][0]),
        between=math.fsum(counts * away * away),
        within=within,
    )


@dataclass(frozen=True, slots=True, eq=False)
class OneWay:
    """One-way analysis of variance, groups taken as random for the components.

    Attributes:
        groups: the labels, sorted.
        sizes: number of values in each group.
        means: mean of each group.
        grand_mean: mean of all values.
        ss_between: sum of squares between groups.
        ss_within: sum of squares within groups.
        df_between: number of groups - 1.
        df_within: number of values - number of groups.
        ms_between: mean square between groups.
        ms_within: mean square within groups.
        f: ms_between / ms_within. Conventions: infinite where only the groups differ; None where
            no value differs from another.
        p: probability of so large an f by chance; None with f.
        r_squared: share of the total sum of squares that lies between groups; None with f.
        effective_size: n0, the group size that counts; the group size itself where all are equal.
        variance_within: variance of values in one group, ms_within.
        variance_between: variance of the groups' true means, (ms_between - ms_within) / n0.
        between_set_to_zero: True where that difference was negative and 0 stands for it.
        variance_within_interval: chi-square interval, exact.
        ratio_interval: interval of variance_between / variance_within, exact for any sizes, cut at
            0; None where ms_within is 0.
        confidence: of both intervals.
    """

    groups: tuple[Any, ...]
    sizes: IntArray
    means: FloatArray
    grand_mean: float
    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    ms_between: float
    ms_within: float
    f: float | None
    p: float | None
    r_squared: float | None
    effective_size: float
    variance_within: float
    variance_between: float
    between_set_to_zero: bool
    variance_within_interval: Interval
    ratio_interval: Interval | None
    confidence: float


def one_way(values: ArrayLike, group: Labels, confidence: float = 0.95) -> OneWay:
    """Split the spread of values into that between groups and that within them.

    Args:
        values: shape (n,), finite.
        group: a label for each value; sizes may differ.
        confidence: of the intervals.

    Raises:
        TooFewPointsError: fewer than 2 groups, or no group with 2 values.
        ArgumentError: a value not finite, a label missing, lengths that differ.

    Source: S. R. Searle, G. Casella & C. E. McCulloch, Variance Components (1992), 3.6
        (components, unequal sizes); A. Wald, Annals of Mathematical Statistics 11 (1940) 96
        (interval of the ratio).

    Example:
        >>> batches = one_way([10, 12, 15, 17, 11, 13], ["a", "a", "b", "b", "c", "c"])
        >>> batches.ms_between, batches.ms_within, batches.f
        (14.0, 2.0, 7.0)
    """
    level = as_confidence(confidence)
    series = as_series(values, at_least=3)
    labels, index = as_labels(group, name="group", size=series.size)
    if len(labels) < 2:
        raise TooFewPointsError("group needs at least 2 different labels, got 1: add another group")
    if len(labels) == series.size:
        raise TooFewPointsError(
            "group needs a label with two values or more, got one value each: measure duplicates"
        )
    split = sums_of_squares(series, index)
    ss_within = math.fsum(split.within)
    df_between, df_within = len(labels) - 1, series.size - len(labels)
    ms_between, ms_within = split.between / df_between, ss_within / df_within
    f, p = f_ratio(ms_between, ms_within, df_between, df_within)
    counts = split.sizes.astype(float)
    size = float((series.size - (counts @ counts) / series.size) / df_between)
    component = (ms_between - ms_within) / size
    return OneWay(
        groups=labels,
        sizes=split.sizes,
        means=split.means,
        grand_mean=split.grand_mean,
        ss_between=split.between,
        ss_within=ss_within,
        df_between=df_between,
        df_within=df_within,
        ms_between=ms_between,
        ms_within=ms_within,
        f=f,
        p=p,
        r_squared=None if f is None else split.between / (split.between + ss_within),
        effective_size=size,
        variance_within=ms_within,
        variance_between=max(0.0, component),
        between_set_to_zero=component < 0,
        variance_within_interval=variance_interval(ms_within, df_within, level),
        ratio_interval=_ratio_interval(split, ms_within, df_within, level),
        confidence=level,
    )


def f_ratio(
    above: float, below: float, df_above: float, df_below: float
) -> tuple[float | None, float | None]:
    """F and its tail probability: (None, None) for 0 / 0, (inf, 0) where only `below` is 0."""
    if below > 0:
        f = above / below
        return f, float(fdtrc(df_above, df_below, f))
    return (math.inf, 0.0) if above > 0 else (None, None)


def _ratio_interval(
    split: SumsOfSquares, ms_within: float, df_within: int, confidence: float
) -> Interval | None:
    """Ratios at which Wald's weighted F meets its two critical values."""
    if ms_within <= 0:
        return None
    counts = split.sizes.astype(float)
    df_between = counts.size - 1

    def weighted_f(ratio: float) -> float:
        weight = counts / (1 + counts * ratio)
        around = split.away - float(weight @ split.away) / float(weight.sum())
        return float(weight @ (around * around)) / df_between / ms_within

    def ratio_where(critical: float) -> float:
        if weighted_f(0.0) <= critical:
            return 0.0
        low, high = 0.0, 1.0
        while high < 1e300 and weighted_f(high) > critical:
            low, high = high, 2 * high
        return halve(lambda ratio: weighted_f(ratio) > critical, low, high)

    tail = (1 - confidence) / 2
    return (
        ratio_where(float(fdtri(df_between, df_within, 1 - tail))),
        ratio_where(float(fdtri(df_between, df_within, tail))),
    )

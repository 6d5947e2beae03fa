"""Whole plants at once: limits, rules, repeatability and performance of many characteristics.

The batches of all characteristics lie end to end in one array; `offsets` says where each begins.
Every number equals that of the one-characteristic function (`individuals`, `describe`,
`zone_rule_flags`, `repeatability`, `capability`) to about twelve digits. What a characteristic is
too short for is nan here, where the one-characteristic function would refuse; the other
characteristics keep their numbers.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from spc.constants import control_chart_constants
from spc.errors import ArgumentError
from spc.intake import (
    LARGEST,
    BoolArray,
    FloatArray,
    IntArray,
    as_confidence,
    as_floats,
    as_instance,
    as_series,
    shown,
)
from spc.intervals import variance_factors
from spc.one_sided import one_sided_interval
from spc.patterns import Rule
from spc.repeatability import LIMIT_FACTOR
from spc.result import ControlChart
from spc.run_rules import FOUR_ZONE_RULES
from spc.signals import checked_rules, points_before, zone_rule_flags
from spc.summary import describe

# Points worked on at a time: their scratch arrays stay in the cache, and no fresh memory is asked
# for, which would take longer than the arithmetic.
_BLOCK = 32_768
# Sums of squares below it have lost digits; such a characteristic is summed up by itself.
_SMALLEST_SQUARES = 1e-280


@dataclass(frozen=True, slots=True, eq=False)
class ManyLimits:
    """Limits and summary of each characteristic; arrays of shape (characteristics,).

    Attributes:
        offsets: index of each characteristic's first batch.
        n: number of batches.
        center: mean, the centre line.
        mr_bar: mean moving range; nan below 2 batches.
        sigma: short-term standard deviation, mr_bar / d2; nan below 2 batches.
        lower: center - 3 sigma.
        upper: center + 3 sigma.
        sd: total standard deviation; nan below 2 batches.
        lag1: correlation of neighbours; nan where the batches do not vary.
        lag1_band: half-width of its band, 1.96 / √n.
    """

    offsets: IntArray
    n: IntArray
    center: FloatArray
    mr_bar: FloatArray
    sigma: FloatArray
    lower: FloatArray
    upper: FloatArray
    sd: FloatArray
    lag1: FloatArray
    lag1_band: FloatArray


def limits_many(values: ArrayLike, offsets: ArrayLike) -> ManyLimits:
    """Compute individuals limits and the summary of many characteristics.

    Args:
        values: shape (n,), one number a batch, characteristic after characteristic, each in
            production order; finite.
        offsets: shape (characteristics,), index of each one's first batch: 0 first, ascending.

    Raises:
        ArgumentError: offsets that do not cut the values into parts of one batch or more.

    Source: as `individuals` and `describe`.

    Example:
        >>> limits = limits_many([10, 12, 11, 5, 5], offsets=[0, 3])
        >>> limits.center.tolist(), limits.sigma.round(3).tolist()
        ([11.0, 5.0], [1.329, 0.0])
    """
    series, starts, n = _parts(values, offsets)
    pairs = np.where(n > 1, n - 1, 1)
    parts = list(_blocks(n))
    scratch = np.empty((2, max(block.stop - block.start for _, block in parts)))
    sums = np.empty((5, n.size))
    for rows, block in parts:
        sums[:, rows] = _moments(
            series[block],
            starts[rows] - block.start,
            n[rows],
            scratch[:, : block.stop - block.start],
        )
    center, moves, squares, products, edge = sums
    products -= edge
    mr_bar = np.where(n > 1, moves / pairs, np.nan)
    moving = squares > 0
    sigma = mr_bar / control_chart_constants(2).d2
    sd = np.where(n > 1, np.sqrt(squares / pairs), np.nan)
    lag1 = np.where(moving, products / np.where(moving, squares, 1.0), np.nan)
    for row in np.flatnonzero((moves > 0) & (squares < _SMALLEST_SQUARES)).tolist():
        about = describe(series[starts[row] : starts[row] + n[row]])
        sd[row], lag1[row] = about.sd, np.nan if about.lag1 is None else about.lag1
    return ManyLimits(
        offsets=starts,
        n=n,
        center=center,
        mr_bar=mr_bar,
        sigma=sigma,
        lower=center - 3 * sigma,
        upper=center + 3 * sigma,
        sd=sd,
        lag1=lag1,
        lag1_band=1.96 / np.sqrt(n),
    )


def _moments(
    series: FloatArray, starts: IntArray, n: IntArray, scratch: FloatArray
) -> tuple[FloatArray, ...]:
    """Mean, Σ|steps|, Σa², Σ a_i a_{i+1} and what to take off the latter, for each characteristic.

    As in `describe`, the mean is corrected once by its own residuals; a series that never moves is
    its own mean exactly.
    """
    away, work = scratch
    np.subtract(series[1:], series[:-1], out=work[1:])
    np.abs(work, out=work)
    work[starts] = 0.0
    moves = np.add.reduceat(work, starts)
    rough = np.where(moves > 0, np.add.reduceat(series, starts) / n, series[starts])
    np.subtract(series, np.repeat(rough, n), out=away)
    correction = np.add.reduceat(away, starts) / n
    np.multiply(away, away, out=work)
    squares = np.maximum(np.add.reduceat(work, starts) - n * correction**2, 0.0)
    squares[moves == 0] = 0.0
    np.multiply(away[1:], away[:-1], out=work[1:])
    work[starts] = 0.0
    # Σ (a_i - c)(a_{i+1} - c) = Σ a_i a_{i+1} - c (2 n c - ends - (n - 1) c)
    ends = away[starts] + away[starts + n - 1]
    edge = correction * (2 * n * correction - ends - (n - 1) * correction)
    return rough + correction, moves, squares, np.add.reduceat(work, starts), edge


def _blocks(n: IntArray) -> Iterator[tuple[slice, slice]]:
    """Cut the characteristics into blocks that fit the cache: which of them, and their points."""
    ends = np.cumsum(n).tolist()
    first = begin = 0
    for row, end in enumerate(ends):
        last = row + 1 == len(ends)
        if last or ends[row + 1] - begin > _BLOCK:
            yield slice(first, row + 1), slice(begin, end)
            first, begin = row + 1, end


def rule_flags_many(
    values: ArrayLike, limits: ManyLimits, rules: Sequence[Rule] = FOUR_ZONE_RULES
) -> BoolArray:
    """Apply run rules to many characteristics; no pattern reaches across from one to the next.

    Args:
        values: as in `limits_many`, with the offsets of `limits`.
        limits: centre and sigma of each characteristic, its own or, with `dataclasses.replace`,
            frozen ones. Without a sigma
            (nan) nothing signals; with sigma 0 a point off the centre is infinitely far from it.
        rules: rows of RULES.

    Returns:
        Boolean array of shape (rules, n).

    Raises:
        ArgumentError: values and limits that do not match, rules that are none.

    Source: as `zone_rule_flags`.
    """
    limits = as_instance(limits, ManyLimits, name="limits")
    series, starts, n = _parts(values, limits.offsets)
    rules = checked_rules(rules)
    for name in ("center", "sigma"):
        if getattr(limits, name).shape != n.shape:
            raise ArgumentError(
                f"limits must hold one {name} for each of {n.size} characteristics, got shape "
                f"{getattr(limits, name).shape}"
            )
    flags = np.empty((len(rules), series.size), dtype=bool)
    for rows, block in _blocks(n):
        z = _standardised(series[block], n[rows], limits.center[rows], limits.sigma[rows])
        flags[:, block] = zone_rule_flags(z, rules, values=series[block])
    # The first points of each characteristic have looked back across its border: judge them again,
    # by themselves.
    memory = np.arange(points_before(rules))
    there = memory < n[:, np.newaxis]
    first = np.where(there, starts[:, np.newaxis] + memory, 0)[there]
    count = np.minimum(n, memory.size)
    heads, values_there = np.full(there.shape, np.nan), np.full(there.shape, np.nan)
    values_there[there] = series[first]
    heads[there] = _standardised(series[first], count, limits.center, limits.sigma)
    flags[:, first] = zone_rule_flags(heads, rules, values=values_there)[:, there]
    return flags


def _standardised(
    series: FloatArray, n: IntArray, center: FloatArray, sigma: FloatArray
) -> FloatArray:
    """Distance of each point from its centre in sigma, with the convention of `ControlChart.z`."""
    line, spread = np.repeat(center, n), np.repeat(sigma, n)
    return ControlChart("", series, line, line, line, 0.0, spread).z


@dataclass(frozen=True, slots=True, eq=False)
class ManyRepeatability:
    """Repeatability of each characteristic; arrays of shape (characteristics,), nan without pairs.

    Attributes:
        s_r: repeatability standard deviation.
        limit: repeatability limit 2.8 s_r.
        low: lower end of the interval of s_r.
        high: upper end of the interval of s_r.
        degrees_of_freedom: Σ(n_i - 1).
    """

    s_r: FloatArray
    limit: FloatArray
    low: FloatArray
    high: FloatArray
    degrees_of_freedom: IntArray


def repeatability_many(
    sizes: ArrayLike, squares: ArrayLike, offsets: ArrayLike, confidence: float = 0.95
) -> ManyRepeatability:
    """Pool the spread inside batches, characteristic by characteristic, from a batch table.

    Args:
        sizes: shape (n,), readings of each batch, 1 or more.
        squares: shape (n,), sum of squared deviations of its readings from their mean, 0 or more.
        offsets: as in `limits_many`.
        confidence: of the interval.

    Raises:
        ArgumentError: shapes that do not match, a size below 1, a negative sum of squares.

    Source: as `repeatability`.

    Example:
        >>> repeatability_many([2, 2, 2], [2.0, 2.0, 0.0], offsets=[0]).s_r.round(4).tolist()
        [1.1547]
    """
    sums, starts, n = _parts(squares, offsets, name="squares", least=0.0)
    counts = _finite(sizes, "sizes", least=1.0)
    if counts.size != sums.size:
        raise ArgumentError(f"sizes and squares must match, got {counts.size} and {sums.size}")
    _refuse_fractions(counts)
    level = as_confidence(confidence)
    freedom = np.add.reduceat(counts, starts) - n
    known = freedom > 0
    safe = np.where(known, freedom, 1.0)
    s_r = np.where(known, np.sqrt(np.add.reduceat(sums, starts) / safe), np.nan)
    low, high = variance_factors(safe, level)
    return ManyRepeatability(
        s_r=s_r,
        limit=LIMIT_FACTOR * s_r,
        low=s_r * np.sqrt(low),
        high=s_r * np.sqrt(high),
        degrees_of_freedom=freedom.astype(np.int64),
    )


@dataclass(frozen=True, slots=True, eq=False)
class ManyPerformance:
    """Performance of each characteristic; arrays of shape (characteristics,).

    nan where an index does not exist: fewer than 2 batches, no spread, no limit; pp also for one
    limit only.

    Attributes:
        pp: (upper - lower) / 6 sd.
        ppk: distance from the mean to the nearer limit / 3 sd.
        ppk_low: lower end of its interval: Bissell's for two limits, exact for one.
        ppk_high: upper end of it.
    """

    pp: FloatArray
    ppk: FloatArray
    ppk_low: FloatArray
    ppk_high: FloatArray


def performance_many(
    limits: ManyLimits, lower: ArrayLike, upper: ArrayLike, confidence: float = 0.95
) -> ManyPerformance:
    """Compute performance indices from the total standard deviations.

    Args:
        limits: from `limits_many`.
        lower: lower specification limit of each characteristic, nan where there is none.
        upper: upper specification limit of each, nan where there is none.
        confidence: of the interval.

    Raises:
        ArgumentError: shapes that do not match, lower not below upper.

    Source: as `capability`.
    """
    limits = as_instance(limits, ManyLimits, name="limits")
    low, high = _one_limit_each(lower, "lower"), _one_limit_each(upper, "upper")
    shape = limits.n.shape
    if low.shape != shape or high.shape != shape:
        raise ArgumentError(
            f"lower and upper must have one limit (or nan) for each of {limits.n.size} "
            f"characteristics, got shapes {low.shape} and {high.shape}"
        )
    if (low >= high).any():
        row = int(np.flatnonzero(low >= high)[0])
        raise ArgumentError(
            f"lower must be below upper, got {low[row]:g} and {high[row]:g} "
            f"for characteristic {row}"
        )
    z = float(ndtri(0.5 + as_confidence(confidence) / 2))
    # A spread that no index can stand on counts as none.
    sd = np.where(limits.sd > 1 / LARGEST, limits.sd, np.nan)
    ppk = np.fmin((limits.center - low) / (3 * sd), (high - limits.center) / (3 * sd))
    half = z * np.sqrt(1 / (9 * limits.n) + ppk**2 / (2 * np.maximum(limits.n - 1, 1)))
    ppk_low, ppk_high = ppk - half, ppk + half
    for row in np.flatnonzero((np.isnan(low) ^ np.isnan(high)) & ~np.isnan(ppk)).tolist():
        ppk_low[row], ppk_high[row] = one_sided_interval(
            float(ppk[row]), int(limits.n[row]), confidence=confidence
        )
    return ManyPerformance((high - low) / (6 * sd), ppk, ppk_low, ppk_high)


def _one_limit_each(limit: ArrayLike, name: str) -> FloatArray:
    given = as_floats(limit, name)
    bad = np.abs(given) > LARGEST
    if bad.any():
        raise ArgumentError(
            f"{name} must be a number of ordinary size, or nan where there is no limit, "
            f"got {given[bad][0]:g}"
        )
    return given


def _refuse_fractions(counts: FloatArray) -> None:
    work = np.empty(min(counts.size, _BLOCK))
    for begin in range(0, counts.size, _BLOCK):
        part = counts[begin : begin + _BLOCK]
        odd = np.rint(part, out=work[: part.size]) != part
        if odd.any():
            raise ArgumentError(f"sizes must be whole numbers of readings, got {part[odd][0]:g}")


def _finite(values: ArrayLike, name: str, least: float) -> FloatArray:
    """The values themselves where they are float64 already: no copy, nothing is changed in them."""
    try:
        series = np.asarray(values)
    except ValueError as error:
        raise ArgumentError(
            f"{name} must hold numbers only, in rows of one length: {error}"
        ) from error
    if series.dtype != np.float64 or isinstance(values, np.ma.MaskedArray):
        series = as_floats(values, name)
    # Least and largest tell of nan, infinity and overflow in two quick passes; the door that
    # takes a copy is asked only when there is something to say.
    if (
        series.ndim != 1
        or series.size == 0
        or not (-LARGEST <= series.min() <= series.max() <= LARGEST)
    ):
        series = as_series(series, name=name)
    if least > -LARGEST and series.min() < least:
        rule = "not be negative" if least == 0 else f"be at least {least:g}"
        raise ArgumentError(f"{name} must {rule}, got {series.min():g}")
    return series


def _parts(
    values: ArrayLike, offsets: ArrayLike, *, name: str = "values", least: float = -LARGEST
) -> tuple[FloatArray, IntArray, IntArray]:
    series = _finite(values, name, least)
    try:
        given = np.asarray(offsets)
    except ValueError as error:
        raise ArgumentError(f"offsets must be a list of whole numbers: {error}") from error
    if given.ndim != 1 or given.size == 0 or not np.issubdtype(given.dtype, np.integer):
        raise ArgumentError(
            f"offsets must be a list of whole numbers, one a characteristic, got {shown(offsets)}"
        )
    starts = given.astype(np.int64)
    n = np.diff(np.append(starts, series.size))
    if starts[0] != 0 or (n < 1).any():
        raise ArgumentError(
            f"offsets must begin with 0 and ascend, each below the {series.size} {name}: leave out "
            "a characteristic without batches"
        )
    return series, starts, n

"""When the readings of a batch began to lie further apart: preparation or measurement first."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri

from spc.drift.evidence import log_sum
from spc.drift.shapes import coarse_places, interval
from spc.errors import TooFewPointsError
from spc.intake import FloatArray, IntArray

_RATIOS = np.exp(np.linspace(np.log(1.5), np.log(10.0), 12))
_LEAST = 3  # batches on either side
_FEWEST = 10
_MASS = 0.97
"""Of the set of starts: with ends and ratios averaged so roughly, it covers 95 %, measured."""


@dataclass(frozen=True, slots=True, eq=False)
class SpreadChange:
    """A change of the spread within batches (or of single values), against none.

    Attributes:
        log_odds: log odds of the data with one change (place and ratio averaged) against none,
            the batch that speaks most for it left out.
        start: first batch with the new spread, an index into the batches given.
        start_low: lower end of the 95 % set of places.
        start_high: upper end.
        stop: first batch after it, n if it lasts.
        before: standard deviation outside the stretch, as a fraction if logs were taken.
        after: standard deviation inside.
        ratio_low: lower end of the 95 % interval of after over before (F distribution).
        ratio_high: upper end.
        n_used: batches with a spread.
    """

    log_odds: float
    start: int
    start_low: int
    start_high: int
    stop: int
    before: float
    after: float
    ratio_low: float
    ratio_high: float
    n_used: int


def spread_change(readings: ArrayLike) -> SpreadChange:
    """Find where the spread within batches rose, for good or for a stretch.

    Ratios of standard deviations from 1.5 to 10 are weighed alike on a log scale, every stretch of
    at least 3 batches alike. One wild pair is not a change: the weight is taken without the batch
    that adds most to it. Where all ranges are 0 the log odds are -inf.

    Args:
        readings: shape (n, r), positive, nan where fewer; batches with one reading are passed over.

    Raises:
        TooFewPointsError: fewer than 10 batches with two readings.

    Source: as for a change of variance of normal values, Inclan, J. Bus. Econ. Stat. 11 (1993)
        289 (from memory); our grid of ratios in place of a conjugate prior.
    """
    grid = np.log(np.atleast_2d(np.array(readings, dtype=float)))
    count = np.sum(np.isfinite(grid), axis=1)
    used = np.flatnonzero(count > 1)
    if len(used) < _FEWEST:
        raise TooFewPointsError(
            f"readings needs at least {_FEWEST} batches with two readings, got {len(used)}"
        )
    rows = grid[used]
    away = rows - np.nanmean(rows, axis=1, keepdims=True)
    return _variance_change(np.nansum(away**2, axis=1), (count[used] - 1).astype(float), used)


def value_spread_change(values: ArrayLike) -> SpreadChange:
    """Find where single values in order began to scatter more around their own line of means.

    Half the squared differences of neighbours stand for the variance, so that slow changes of
    level do not count; they overlap, so every second one is used.

    Source: von Neumann, Ann. Math. Stat. 12 (1941) 367, mean square successive difference.
    """
    series = np.log(np.array(values, dtype=float))
    half = np.diff(series)[::2] ** 2 / 2.0
    if len(half) < _FEWEST:
        raise TooFewPointsError(f"values needs at least {2 * _FEWEST} points, got {len(series)}")
    return _variance_change(half, np.ones(len(half)), np.arange(len(half)) * 2)


def _variance_change(squares: FloatArray, free: FloatArray, used: IntArray) -> SpreadChange:
    n = len(used)
    total = float(squares.sum())
    edges = coarse_places(0, n + 1)
    if total <= 0:
        return SpreadChange(-np.inf, int(used[0]), 0, n, n, 0.0, 0.0, np.nan, np.nan, n)
    odds = _odds(squares, free, edges)
    best, end = np.unravel_index(int(np.argmax(odds)), odds.shape)
    start, stop = int(edges[best]), int(edges[end])
    inside = np.zeros(n, dtype=bool)
    inside[start:stop] = True
    # Once more without the batch that speaks most for it.
    worst = start + int(np.argmax(squares[start:stop] / free[start:stop]))
    kept = np.arange(n) != worst
    without = _odds(squares[kept], free[kept], coarse_places(0, n))
    finite = np.isfinite(odds)
    log_odds = float(log_sum(odds[finite]) - np.log(finite.sum()))
    rest = np.isfinite(without)
    if rest.any():
        log_odds = min(log_odds, float(log_sum(without[rest]) - np.log(rest.sum())))
    else:  # all other ranges are 0: nothing but that one batch speaks for it
        log_odds = -np.inf
    weights = np.where(finite, np.exp(odds - log_sum(odds[finite])), 0.0).sum(axis=1)
    low, high = interval(edges, weights, _MASS)
    after = squares[inside].sum() / free[inside].sum()
    before = max(squares[~inside].sum() / free[~inside].sum(), 1e-300)
    degrees = float(free[inside].sum()), float(free[~inside].sum())
    ratio = after / before
    low_ratio = ratio / float(fdtri(*degrees, 0.975))
    high_ratio = ratio / float(fdtri(*degrees, 0.025))
    last = len(used) - 1
    return SpreadChange(
        log_odds=log_odds,
        start=int(used[min(start, last)]),
        start_low=int(used[min(low, last)]),
        start_high=int(used[min(high, last)]),
        stop=int(used[stop]) if stop < n else int(used[-1]) + 1,
        before=float(np.sqrt(before)),
        after=float(np.sqrt(after)),
        ratio_low=float(np.sqrt(low_ratio)),
        ratio_high=float(np.sqrt(high_ratio)),
        n_used=n,
    )


def _odds(squares: FloatArray, free: FloatArray, edges: IntArray) -> FloatArray:
    """Log odds of a higher spread between each two edges, ratio averaged; -inf where too short."""
    n = len(squares)
    edges = edges[edges <= n]
    sums = np.concatenate([[0.0], np.cumsum(squares)])[edges]
    degrees = np.concatenate([[0.0], np.cumsum(free)])[edges]
    inside = sums[None, :] - sums[:, None]
    inside_free = degrees[None, :] - degrees[:, None]
    length = edges[None, :] - edges[:, None]
    # Most of a record with more spread is a little with less: no rise that began anywhere.
    allowed = (length >= _LEAST) & (edges[:, None] >= _LEAST) & (5 * length <= 4 * n)
    # A stretch that ends inside the record must leave enough batches after it.
    allowed &= (edges[None, :] == n) | (edges[None, :] <= n - _LEAST)
    total, total_free = float(squares.sum()), float(free.sum())
    found = np.full(length.shape, -np.inf)
    if total <= 0:
        return found
    part, part_free = inside[allowed], inside_free[allowed]
    left = total - part[:, None] * (1.0 - 1.0 / _RATIOS[None, :] ** 2)
    left = np.maximum(left, 1e-12 * total)
    each = -part_free[:, None] * np.log(_RATIOS) - 0.5 * total_free * np.log(left / total)
    found[allowed] = log_sum(each, axis=1) - np.log(len(_RATIOS))
    # A rise that lasts is as likely beforehand as one that ends: half the weight each.
    lasting = allowed & (edges[None, :] == n)
    if lasting.any() and (allowed & ~lasting).any():
        share = np.log(allowed.sum()) - np.log(2.0)
        found[lasting] += share - np.log(lasting.sum())
        ends = allowed & ~lasting
        found[ends] += share - np.log(ends.sum())
    return found

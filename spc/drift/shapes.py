"""The shapes a change can have, each weighed against no change: step, stretch, ramp, levels."""

from dataclasses import dataclass

import numpy as np

from spc.drift.evidence import Background, log_sum
from spc.intake import BoolArray, FloatArray, IntArray

SHORTEST = 2
"""Batches on either side of a change, and in a stretch: one alone is a lone value."""
_COARSE = 160  # a longer series is first tried at fewer places …
_FEWER = 96
_SEEDS = (2, 3, 5, 8, 13, 21)  # … and at the ends of its most unusual stretches of these lengths
_RAMP_LEAST = 5
_LEVEL_LEAST = 4
_MOST_LEVELS = 8
_SIMPLER = 2.0  # log odds that one more change of level must win


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """One shape of change, averaged over its places, against no change.

    Attributes:
        kind: "step", "stretch", "ramp" or "levels".
        subset: number of the group it is confined to; -1 for all values.
        log_odds: log odds of the data with the shape (place averaged) against without.
        starts: places of the start that were weighed, rising.
        weights: posterior of each of them.
        start: the most likely.
        stop: first place after a stretch; n otherwise.
        column: the shape at its most likely place, 1 at full size, shape (n,).
        pairs: for a stretch, the posterior over (start, stop), None otherwise.
        stops: the stops that belong to `pairs`.
    """

    kind: str
    subset: int
    log_odds: float
    starts: IntArray
    weights: FloatArray
    start: int
    stop: int
    column: FloatArray
    pairs: FloatArray | None = None
    stops: IntArray | None = None


def interval(places: IntArray, weights: FloatArray, mass: float = 0.95) -> tuple[int, int]:
    """Return the ends of the likeliest places that together hold `mass`.

    The last place is taken only where the total with it is nearer to `mass` than without: places
    are whole batches, and always rounding up would hold far more than was asked.

    Source: highest posterior density set.
    """
    order = np.argsort(-weights, kind="stable")
    total = np.cumsum(weights[order])
    count = int(np.searchsorted(total, mass)) + 1
    count = min(count, len(order))
    if count > 1 and mass - total[count - 2] < total[count - 1] - mass:
        count -= 1
    kept = places[order[:count]]
    return int(kept.min()), int(kept.max())


def coarse_places(low: int, high: int) -> IntArray:
    """Return the places low, …, high - 1; in a long series evenly spaced ones."""
    count = max(high - low, 0)
    if count <= _COARSE:
        return np.arange(low, high)
    return np.unique(np.linspace(low, high - 1, _FEWER).round().astype(np.int64))


def _with_seeds(ranks: IntArray, values: FloatArray) -> IntArray:
    """Add the ends of the most unusual short stretches, which a coarse grid would step over."""
    away = values - np.median(values)
    total = np.concatenate([[0.0], np.cumsum(away)])
    added = [ranks]
    for length in _SEEDS:
        sums = np.abs(total[length:] - total[:-length])
        top = np.argpartition(sums, -4)[-4:] if len(sums) > 4 else np.arange(len(sums))
        added += [top, top + length]
    found = np.unique(np.concatenate(added))
    return found[found < len(values)]


def steps(clock: FloatArray, starts: FloatArray, within: BoolArray | None = None) -> FloatArray:
    """Columns that are 1 from each start on, 0 before: (n, starts)."""
    columns = (clock[:, None] >= starts[None, :]).astype(float)
    return columns if within is None else np.asarray(columns * within[:, None])


def ramps(clock: FloatArray, starts: FloatArray, within: BoolArray | None = None) -> FloatArray:
    """Columns that are 0 before each start and then rise evenly to 1 at the end: (n, starts)."""
    span = np.maximum(clock[-1] - starts, 1e-12)
    columns = np.clip((clock[:, None] - starts[None, :]) / span, 0.0, 1.0)
    return columns if within is None else np.asarray(columns * within[:, None])


def find_step(
    background: Background, within: BoolArray | None = None, subset: int = -1
) -> Shape | None:
    """Weigh a lasting step at every place, or one confined to some of the values."""
    return _one_place(background, "step", within, subset)


def find_ramp(
    background: Background, within: BoolArray | None = None, subset: int = -1
) -> Shape | None:
    """Weigh an even change from every place on to the end; place 0 is a trend from the start."""
    return _one_place(background, "ramp", within, subset)


def _one_place(
    background: Background, kind: str, within: BoolArray | None, subset: int
) -> Shape | None:
    n = background.n
    inside = np.arange(n) if within is None else np.flatnonzero(within)
    least = SHORTEST if kind == "step" else _RAMP_LEAST
    if len(inside) < 2 * least:
        return None
    clock = np.arange(n, dtype=float)
    # A start is the first changed value of the subset; what lies between two of them is one place.
    first = 0 if kind == "ramp" else SHORTEST
    ranks = coarse_places(first, len(inside) - least + 1)
    make = steps if kind == "step" else ramps
    # A ramp shows its first change one step after it begins: its start is the batch before.
    shift = 0.0 if kind == "step" else -1.0

    def columns(of: IntArray) -> FloatArray:
        return make(clock, np.asarray(inside[of] + shift, dtype=float), within)

    odds = background.weigh(columns(ranks))
    log_odds = float(log_sum(odds)) - float(np.log(len(ranks)))
    if len(inside) > _COARSE and log_odds > 0.0:
        likely = ranks[odds > odds.max() - 12.0]
        gap = int(np.diff(ranks).max())
        near = np.unique(likely[:, None] + np.arange(-gap, gap + 1)[None, :])
        ranks = near[(near >= first) & (near <= len(inside) - least)]
        if len(ranks) > 4 * _COARSE:
            ranks = ranks[:: len(ranks) // (4 * _COARSE) + 1]
        odds = background.weigh(columns(ranks))
    weights = np.exp(odds - log_sum(odds))
    best = int(np.argmax(weights))
    return Shape(
        kind=kind,
        subset=subset,
        log_odds=log_odds,
        starts=inside[ranks],
        weights=weights,
        start=int(inside[ranks[best]]),
        stop=n,
        column=columns(ranks[best : best + 1])[:, 0],
    )


def find_stretch(
    background: Background, within: BoolArray | None = None, subset: int = -1
) -> Shape | None:
    """Weigh a stretch that begins, ends and returns to the old level, at every pair of places."""
    n = background.n
    inside = np.arange(n) if within is None else np.flatnonzero(within)
    count = len(inside)
    if count < 4 * SHORTEST:
        return None
    ranks = coarse_places(0, count)
    if len(ranks) < count:
        ranks = _with_seeds(ranks, background.values[inside])
    clock = np.arange(n, dtype=float)
    columns = steps(clock, inside[ranks].astype(float), within)
    length = ranks[None, :] - ranks[:, None]
    allowed = (length >= SHORTEST) & (length <= count // 2)
    allowed &= (ranks[:, None] >= SHORTEST) & (ranks[None, :] <= count - SHORTEST)
    if not allowed.any():
        return None
    odds = background.weigh_differences(columns, allowed)
    log_odds = float(log_sum(odds[allowed])) - float(np.log(allowed.sum()))
    weights = np.exp(odds - log_sum(odds[allowed]))
    best, end = np.unravel_index(int(np.argmax(weights)), weights.shape)
    return Shape(
        kind="stretch",
        subset=subset,
        log_odds=log_odds,
        starts=inside[ranks],
        weights=weights.sum(axis=1),
        start=int(inside[ranks[best]]),
        stop=int(inside[ranks[end]]),
        column=columns[:, best] - columns[:, end],
        pairs=weights,
        stops=inside[ranks],
    )


def level_starts(values: FloatArray, most: int = _MOST_LEVELS) -> list[IntArray]:
    """Return the best places of 1, 2, … changes of level by least squares, the first value at 0.

    Source: optimal partitioning by dynamic programming, Auger & Lawrence, Bull. Math. Biol. 51
        (1989) 39 (from memory); at least 4 values a level. Long series are taken in blocks.
    """
    n = len(values)
    edges = coarse_places(0, n + 1) if n > _COARSE else np.arange(n + 1)
    total = np.concatenate([[0.0], np.cumsum(values)])[edges]
    square = np.concatenate([[0.0], np.cumsum(values**2)])[edges]
    length = (edges[None, :] - edges[:, None]).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = square[None, :] - square[:, None] - (total[None, :] - total[:, None]) ** 2 / length
    cost = np.where(length >= _LEVEL_LEAST, cost, np.inf)
    best = cost[0]
    back: list[IntArray] = []
    found: list[IntArray] = []
    for changes in range(1, most + 1):
        reached = best[:, None] + cost
        back.append(np.argmin(reached, axis=0))
        best = np.min(reached, axis=0)
        if not np.isfinite(best[-1]):
            break
        places = [len(edges) - 1]
        for step in reversed(range(changes)):
            places.append(int(back[step][places[-1]]))
        found.append(edges[np.array(places[:0:-1])])
    return found


def find_levels(background: Background, values: FloatArray) -> Shape | None:
    """Weigh three and more changes of level in one series, their places by least squares.

    The odds are lowered by the log of the number of ways to place so many changes and raised by
    log 2 a change, for the neighbouring places that fit about as well: a rough sum over places.
    Of the numbers of changes the smallest is told that is nearly as likely as the likeliest.
    """
    n = background.n
    clock = np.arange(n, dtype=float)
    tried: list[tuple[float, IntArray]] = []
    for starts in level_starts(values):
        changes = len(starts)
        if changes < 3:
            continue
        odds = background.weigh_together(steps(clock, starts.astype(float)))
        ways = float(np.sum(np.log(n - np.arange(changes)) - np.log(1 + np.arange(changes))))
        tried.append((odds + changes * float(np.log(2.0)) - ways, starts))
    if not tried:
        return None
    odds = max(one for one, _ in tried)
    starts = next(places for one, places in tried if one > odds - _SIMPLER)
    return Shape(
        kind="levels",
        subset=-1,
        log_odds=odds,
        starts=starts,
        weights=np.full(len(starts), 1.0 / len(starts)),
        start=int(starts[0]),
        stop=n,
        column=steps(clock, starts[:1].astype(float))[:, 0],
    )

"""Zone rules as an exact Markov chain over all that they remember."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from spc.absorbing import QuietTime, Step, follow
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray
from spc.patterns import Rule, ZonePattern

MOST_STATES = 3000
_SIGNAL = 2**56


@dataclass(frozen=True, slots=True, eq=False)
class ZoneChain:
    """What a point in each cell of the line does to each state, whatever the shift.

    `edges` cut the line at every border; move i leads from state `source` to `target` by a point
    in `cell`. A point that signals leads nowhere. State 0 is the fresh start.
    """

    n_states: int
    edges: FloatArray
    source: IntArray
    target: IntArray
    cell: IntArray

    def step(self, shift: float) -> Step:
        """Chances of the quiet states in, those one point later out."""
        # From the nearer tail, so that far cells keep their digits.
        below, above = ndtr(self.edges - shift), ndtr(shift - self.edges)
        chance = np.where(self.edges[:-1] > shift, above[:-1] - above[1:], below[1:] - below[:-1])
        move = chance[self.cell]

        def one_point(state: FloatArray) -> FloatArray:
            after = np.bincount(self.target, state[self.source] * move, self.n_states)
            return after.astype(np.float64, copy=False)

        return one_point

    def quiet_time(self, shift: float, *, settled: bool) -> QuietTime:
        """Chance to stay quiet under a shift, from a fresh start or from long quiet in control."""
        start = np.zeros(self.n_states)
        start[0] = 1.0
        if settled:
            start = follow(self.step(0.0), start).state
        return follow(self.step(shift), start)


def has_zone_chain(rules: Sequence[Rule]) -> bool:
    """Tell whether each rule is its zone pattern and nothing else."""
    return all(rule.pattern is not None and not rule.on_values for rule in rules)


def zone_chain(rules: Sequence[Rule]) -> ZoneChain:
    """Return the chain of a set of zone rules; their order does not matter."""
    return _zone_chain(tuple({rule.pattern: None for rule in rules if rule.pattern is not None}))


def _too_many() -> ArgumentError:
    return ArgumentError(
        f"rules remember too much, more than {MOST_STATES} states: take fewer or shorter rules, "
        "or count signals on simulated points"
    )


@lru_cache(maxsize=64)
def _memory(count: int, window: int) -> IntArray:
    """What one count of hits remembers: row = state, columns = next state after miss, after hit.

    -1 is a signal. A state is the hits of the last window - 1 points, newest first.
    """
    number = {0: 0}
    rows: list[tuple[int, int]] = []
    waiting = [0]
    for bits in waiting:  # grows while it is read
        after_both = []
        for hit in (0, 1):
            seen = bits << 1 | hit
            if hit and seen.bit_count() >= count:
                after_both.append(-1)
                continue
            after = _without_idle_bits(seen & (1 << window - 1) - 1, count, window)
            if after not in number:
                if len(number) == MOST_STATES:
                    raise _too_many()
                number[after] = len(number)
                waiting.append(after)
            after_both.append(number[after])
        rows.append((after_both[0], after_both[1]))
    return np.array(rows, dtype=np.int64)


def _without_idle_bits(bits: int, count: int, window: int) -> int:
    """Forget hits that can be in no future signal, so that equal futures are one state.

    Bit j-1 is the point j steps ago. In t steps the window reaches back to age window - t; the
    hit of age j matters only if some such window, filled with hits, could reach the count.
    """
    useful = 0  # how far back some window that can still signal reaches
    for t in range(1, window):
        if (bits & (1 << (window - t)) - 1).bit_count() + t >= count:
            useful = window - t
            break
    return bits & (1 << useful) - 1


def _hit_cells(pattern: ZonePattern, low: FloatArray, high: FloatArray) -> list[BoolArray]:
    """Which cells of the line are hits: one array for each count that the pattern keeps."""
    above, below = low >= pattern.distance, high <= -pattern.distance
    if pattern.region == "one side":
        return [above, below]
    return [above | below] if pattern.region == "either side" else [~(above | below)]


@lru_cache(maxsize=64)
def _zone_chain(patterns: tuple[ZonePattern, ...]) -> ZoneChain:
    """Collect the states that can be reached from a fresh start, one more point at a time."""
    borders = sorted({sign * one.distance for one in patterns for sign in (-1.0, 1.0)})
    edges = np.array([-np.inf, *borders, np.inf])
    if borders[0] == borders[-1]:  # both borders are the centre line
        edges = np.array([-np.inf, 0.0, np.inf])
    counts = [
        (_memory(one.count, one.window), hits)
        for one in patterns
        for hits in _hit_cells(one, edges[:-1], edges[1:])
    ]
    # A state as one number: the states of its counts, each with its weight. A table for each
    # count: that number after a point in each cell, or so far below 0 that the sum is too.
    alone = np.zeros(edges.size - 1, dtype=np.int64)  # what single points do, in any state
    tables, weight = [], 1
    for memory, hits in counts:
        after = memory[:, hits.astype(np.int64)]
        table = np.where(after < 0, -_SIGNAL, weight * after)
        if len(table) == 1:
            alone += table[0]
        else:
            tables.append(table)
            weight *= len(table)
    if weight >= _SIGNAL:
        raise _too_many()
    known = newest = np.zeros(1, dtype=np.int64)
    moves: list[tuple[IntArray, IntArray, IntArray]] = []
    while newest.size:
        code = np.tile(alone, (newest.size, 1))
        rest = newest
        for table in tables:
            rest, state = np.divmod(rest, len(table))
            code += table[state]
        place, cell = (code >= 0).nonzero()
        reached = code[place, cell]
        moves.append((newest[place], reached, cell))
        newest = np.setdiff1d(reached, known)
        known = np.sort(np.concatenate([known, newest]))
        if known.size > MOST_STATES:
            raise _too_many()
    source, target, cell = (np.concatenate(column) for column in zip(*moves, strict=True))
    return ZoneChain(
        known.size, edges, np.searchsorted(known, source), np.searchsorted(known, target), cell
    )

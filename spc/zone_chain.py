"""Zone rules as an exact Markov chain over all that they remember."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from spc.absorbing import QuietTime, follow
from spc.intake import BoolArray, FloatArray, IntArray
from spc.patterns import Rule, ZonePattern

MOST_STATES = 3000
_SIGNAL = 2**56
_SMALL_TABLE = 1000


@dataclass(frozen=True, slots=True, eq=False)
class ZoneChain:
    """What a point in each cell of the line does to each state, whatever the shift.

    Attributes:
        edges: borders that cut the line into cells, ascending, infinite at both ends.
        cells: those in which some point may be quiet.
        table: shape (states, cells), the next state; as many as there are states: a signal. State
            0 is the fresh start.
    """

    edges: FloatArray
    cells: IntArray
    table: IntArray

    @property
    def n_states(self) -> int:
        """Number of states."""
        return len(self.table)

    def moves(self, cell: int) -> tuple[IntArray, IntArray]:
        """Return source and target of the quiet moves by a point in one of `cells`."""
        source = np.flatnonzero(self.table[:, cell] < self.n_states)
        return source, self.table[source, cell]

    def quiet_time(self, shift: float, *, settled: bool) -> QuietTime:
        """Chance to stay quiet under a shift, from a fresh start or from long quiet in control.

        Followed from the end: the chance of each state to stay quiet for one point more.
        """
        start = self._settled() if settled else np.zeros(self.n_states + 1)
        if not settled:
            start[0] = 1.0
        chance = self._chance(shift)

        def one_point_more(quiet: FloatArray) -> FloatArray:
            after = np.zeros(quiet.size)
            np.dot(quiet.take(self.table), chance, out=after[:-1])
            return after

        quiet = np.ones(self.n_states + 1)
        quiet[-1] = 0.0
        return follow(one_point_more, quiet, weights=start)

    def _settled(self) -> FloatArray:
        """Chances of the states after long quiet in control."""
        chance = self._chance(0.0)
        source, cell = (self.table < self.n_states).nonzero()
        target, move = self.table[source, cell], chance[cell]

        def one_point_later(state: FloatArray) -> FloatArray:
            return np.bincount(target, state[source] * move, state.size).astype(np.float64)

        start = np.zeros(self.n_states + 1)
        start[0] = 1.0
        return follow(one_point_later, start).state

    def _chance(self, shift: float) -> FloatArray:
        """Chance of a point in each of the cells."""
        # From the nearer tail, so that far cells keep their digits.
        below, above = ndtr(self.edges - shift), ndtr(shift - self.edges)
        chance = np.where(self.edges[:-1] > shift, above[:-1] - above[1:], below[1:] - below[:-1])
        return np.asarray(chance[self.cells])


def zone_chain(rules: Sequence[Rule]) -> ZoneChain | None:
    """Return the chain of a set of zone rules; their order does not matter.

    None where a rule is more than its zone pattern, or where the rules remember more than
    MOST_STATES states: then the run length is found by simulation.
    """
    if not all(rule.pattern is not None and not rule.on_values for rule in rules):
        return None
    return _zone_chain(tuple({rule.pattern: None for rule in rules if rule.pattern is not None}))


@lru_cache(maxsize=64)
def _memory(count: int, window: int) -> IntArray | None:
    """What one count of hits remembers: row = state, columns = next state after miss, after hit.

    -1 is a signal. A state is the hits of the last window - 1 points, newest first. None if there
    are too many.
    """
    if count == window:  # only the hits in a row count
        return np.array([(0, hits) for hits in (*range(1, count), -1)], dtype=np.int64)
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
                    return None
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
def _zone_chain(patterns: tuple[ZonePattern, ...]) -> ZoneChain | None:
    """Collect the states that can be reached from a fresh start, one more point at a time."""
    borders = sorted({sign * one.distance for one in patterns for sign in (-1.0, 1.0)})
    edges = np.array([-np.inf, *borders, np.inf])
    if borders[0] == borders[-1]:  # both borders are the centre line
        edges = np.array([-np.inf, 0.0, np.inf])
    # A state as one number: the states of its patterns, each with its weight. A table for each
    # pattern: that number after a point in each cell, or so far below 0 that the sum is too.
    alone = np.zeros(edges.size - 1, dtype=np.int64)  # what single points do, in any state
    tables, weights, sizes = [], [], []
    weight = 1
    for one in patterns:
        memory = _memory(one.count, one.window)
        hits = _hit_cells(one, edges[:-1], edges[1:])
        if memory is None or weight * len(memory) ** len(hits) >= _SIGNAL:
            return None
        for table in _tables(memory, hits, weight):
            if len(table) == 1:
                alone += table[0]
                continue
            tables.append(table)
            weights.append(weight)
            sizes.append(len(table))
            weight *= len(table)
    cells = np.flatnonzero(alone >= 0)
    if not tables:
        return ZoneChain(edges, cells, np.zeros((1, cells.size), dtype=np.int64))
    joined = np.concatenate(tables)[:, cells]
    reached = _reached(joined, np.array(weights), np.array(sizes))
    return None if reached is None else ZoneChain(edges, cells, reached)


def _tables(memory: IntArray, hits: list[BoolArray], weight: int) -> list[IntArray]:
    """What a point in each cell makes of each state of a pattern, as numbers to be added up.

    The two sides of a pattern are one table where it stays small: fewer steps later on.
    """

    def table(cells: BoolArray, factor: int) -> IntArray:
        after = np.where(memory < 0, -_SIGNAL, factor * memory)
        return np.asarray(after[:, cells.view(np.int8)])

    if len(hits) == 1:
        return [table(hits[0], weight)]
    above, below = table(hits[0], weight), table(hits[1], weight * len(memory))
    if len(memory) ** 2 > _SMALL_TABLE:
        return [above, below]
    both = below[:, np.newaxis] + above
    return [both.reshape(-1, both.shape[2])]


def _reached(tables: IntArray, weights: IntArray, sizes: IntArray) -> IntArray | None:
    """Number the states that can be reached, and say where each cell leads; plain array steps."""
    offsets = np.cumsum(sizes) - sizes
    known = np.array([0, 2 * _SIGNAL])  # ascending, and one that is never reached behind them
    newest = known[:1]
    order, levels = [newest], []
    while newest.size:
        rows = newest[:, np.newaxis] // weights
        rows %= sizes
        rows += offsets
        code = np.add.reduce(tables.take(rows, axis=0), axis=1)
        levels.append(code)
        reached = code[code >= 0]
        new = reached[known[known.searchsorted(reached)] != reached]
        new.sort()
        first = np.empty(new.size, dtype=bool)
        first[:1] = True
        np.not_equal(new[1:], new[:-1], out=first[1:])
        newest = new[first]
        order.append(newest)
        known = np.concatenate((known, newest))
        known.sort()
        if known.size - 1 > MOST_STATES:
            return None
    code, states = np.concatenate(levels), np.concatenate(order)
    number = np.empty(states.size + 1, dtype=np.int64)
    number[known.searchsorted(states)] = np.arange(states.size)
    number[-1] = states.size
    code[code < 0] = known[-1]
    return np.asarray(number[known.searchsorted(code)])

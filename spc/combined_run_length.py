"""Run lengths of any set of rules with an EWMA chart beside them.

Zone rules are a chain of what they remember, the average is a chain of cells; together a state is
a pair of both. Sets that are no zone chain, or too large a one, are simulated.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from spc.absorbing import QuietTime, RunLength, checked_mean, follow, run_length_from
from spc.chart_run_length import (
    as_followed_weight,
    ewma_run_length,
    extrapolated,
    final_border,
    widening,
)
from spc.design import as_points, as_width
from spc.intake import FloatArray, IntArray, as_flag, as_number
from spc.patterns import Rule
from spc.run_rules import FOUR_ZONE_RULES
from spc.signals import checked_rules
from spc.simulated_run_length import RUNS, SEED, Average, as_seed, simulated_run_length
from spc.zone_chain import ZoneChain, zone_chain

_CELLS = 51
_FINE = 2 * _CELLS + 1
# States of the rules; more would take many seconds, a simulation takes fewer.
_MOST_STATES = 600
# Multiplications in one product that the usual libraries leave to one processor.
_ONE_PROCESSOR = 250_000


def combined_run_length(
    rules: Sequence[Rule] = FOUR_ZONE_RULES,
    shift: float = 0.0,
    *,
    weight: float = 0.2,
    width: float = 2.86,
    fixed_limits: bool = False,
    settled: bool = False,
    runs: int = RUNS,
    seed: int = SEED,
) -> RunLength:
    """Return the run length of rules on the points with an EWMA chart of the same points.

    Args:
        rules: any rules, on single points or on zones or with trend and alternation.
        shift: lasting shift of the mean, in sigma.
        weight: of the EWMA chart, in (0, 1].
        width: limits of the average in its standard deviations.
        fixed_limits: True for the final limits from the first point on.
        settled: as in `run_length`; the limits are final then.
        runs: simulated series, where the set is simulated; at least 100.
        seed: of that simulation.

    Returns:
        RunLength. Zone rules are a Markov chain with the cells of the average: the mean to about
        1 in 10,000. Where its `standard_error` is given the set was simulated.

    Raises:
        ArgumentError: no rule, an argument outside its rule, or a run too long to compute.

    Source: zone rules as C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393; the average as
        D. Brook & D. A. Evans, Biometrika 59 (1972) 539.

    Example:
        >>> round(combined_run_length(FOUR_ZONE_RULES).mean)
        86
    """
    chosen, moved = checked_rules(rules, at_least=1), as_number(shift, name="shift")
    number = as_points(runs, name="runs", at_least=100)
    start = as_seed(seed)
    average = Average(
        as_followed_weight(weight), as_width(width), as_flag(fixed_limits, name="fixed_limits")
    )
    late = as_flag(settled, name="settled")
    single = _single_point_limit(chosen)
    if single is not None:
        return ewma_run_length(
            average.weight, average.width, moved, limit=single, fixed_limits=average.fixed_limits,
            settled=late,
        )  # fmt: skip
    chain = zone_chain(chosen)
    if chain is None or chain.n_states > _MOST_STATES:
        return simulated_run_length(chosen, moved, number, start, late, average)
    return _combined(chosen, moved, average, late)


def _single_point_limit(rules: tuple[Rule, ...]) -> float | None:
    """Return the distance of the one rule for single points, where that is all there is."""
    pattern = rules[0].pattern
    chain = zone_chain(rules)
    if len(rules) > 1 or pattern is None or chain is None:
        return None
    alone = pattern.window == 1 and pattern.region != "within" and pattern.distance > 0
    return pattern.distance if alone else None


class _Moves(NamedTuple):
    """What points in one cell of the line, from `low` to `high`, do to the states of the rules."""

    low: float
    high: float
    source: IntArray  # ordered by target
    first: IntArray  # where each target begins in it
    target: IntArray


def _moves(chain: ZoneChain) -> list[_Moves]:
    found = []
    for place, cell in enumerate(chain.cells.tolist()):
        source, target = chain.moves(place)
        order = np.argsort(target, kind="stable")
        targets, first = np.unique(target[order], return_index=True)
        low, high = chain.edges[cell : cell + 2].tolist()
        found.append(_Moves(low, high, source[order], first, targets))
    return found


@lru_cache(maxsize=64)
def _combined(rules: tuple[Rule, ...], shift: float, average: Average, settled: bool) -> RunLength:
    chain = zone_chain(rules)
    assert chain is not None  # noqa: S101  the caller has looked
    coarse, fine = (_quiet_time(chain, shift, average, settled, cells) for cells in (_CELLS, _FINE))
    mean = checked_mean(extrapolated(coarse.mean(), fine.mean(), _CELLS, _FINE))
    method = (
        f"Markov chain over {chain.n_states} states of the rules and {_FINE} cells of the "
        "average, extrapolated"
    )
    return replace(run_length_from(fine, method), mean=mean)


def _quiet_time(
    chain: ZoneChain, shift: float, average: Average, settled: bool, cells: int
) -> QuietTime:
    weight, width, fixed_limits = average
    final = final_border(weight, width)
    edges = np.linspace(-1.0, 1.0, cells + 1)
    middles = 0.5 * (edges[:-1] + edges[1:])
    moves = _moves(chain)

    def point(
        before: FloatArray, border: float, moved: float
    ) -> Callable[[FloatArray], FloatArray]:
        # The point that takes the average from `before` to an edge, for each cell of the line.
        needed = (border * edges - (1 - weight) * before[:, np.newaxis]) / weight
        chances = [
            np.diff(ndtr(np.clip(needed, one.low, one.high) - moved), axis=1) for one in moves
        ]

        def step(state: FloatArray) -> FloatArray:
            table = state.reshape(chain.n_states, before.size)
            after = np.zeros((chain.n_states, cells))
            for one, chance in zip(moves, chances, strict=True):
                gathered = np.add.reduceat(table[one.source], one.first, axis=0)
                after[one.target] += _product(gathered, chance)
            return after.ravel()

        return step

    start = np.zeros(chain.n_states)
    start[0] = 1.0
    stay = point(final * middles, final, shift)
    if settled:
        first = point(np.zeros(1), final, 0.0)(start)
        late = follow(point(final * middles, final, 0.0), first).state
        return follow(stay, late)
    quiet: list[float] = []
    before, state = np.zeros(1), start
    for border, points in widening(weight, width, fixed_limits):
        state = point(before, border, shift)(state)
        quiet.append(float(state.sum()))
        before = border * middles
        if points > 1:
            same = point(before, border, shift)
            for _ in range(points - 1):
                state = same(state)
                quiet.append(float(state.sum()))
    return follow(stay, state, quiet)


def _product(rows: FloatArray, table: FloatArray) -> FloatArray:
    """Multiply a few rows at a time: a larger product is shared out among processors.

    Hundreds of such small shares wait for each other, on a busy machine many times as long as
    they work.
    """
    result = np.empty((len(rows), table.shape[1]))
    at_a_time = max(1, _ONE_PROCESSOR // table.size)
    for first in range(0, len(rows), at_a_time):
        part = slice(first, first + at_a_time)
        np.matmul(rows[part], table, out=result[part])
    return result

"""How long run rules stay quiet: run lengths, false alarms a week, delay to see a shift.

Zone rules are an exact Markov chain (`zone_chain.py`). Sets with a trend or an alternation, or
with too long a memory, are simulated (`simulated_run_length.py`), and say so. EWMA and CUSUM:
`chart_run_length.py`; rules with an EWMA beside them: `combined_run_length.py`. All of them take
`shift` and `settled`, and the delay to see a shift is `run_length(..., shift, settled=True)`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spc.absorbing import QuietTime, RunLength, checked_mean, run_length_from
from spc.combined_run_length import combined_run_length
from spc.design import as_points
from spc.errors import ArgumentError
from spc.intake import FloatArray, IntArray, as_flag, as_number
from spc.patterns import Rule
from spc.run_rules import THREE_SIGMA_RULES
from spc.signals import checked_rules
from spc.simulated_run_length import (
    RUNS,
    SEED,
    as_seed,
    simulated_run_length,
    simulated_run_lengths,
)
from spc.zone_chain import zone_chain


def average_run_length(
    rules: Sequence[Rule], shift: float = 0.0, *, settled: bool = False
) -> float:
    """Return the mean number of points until the first signal of any of the rules.

    Args:
        rules: any rules; windows need not be full, as `zone_rule_flags` does it.
        shift: lasting shift of the mean, in sigma.
        settled: as in `run_length`.

    Returns:
        Exact for zone rules. A set with a trend or an alternation, or of zone rules that remember
        more than 3000 states, is simulated by 25,000 runs from a fixed seed; `run_length` gives
        its standard error, about 0.6 %.

    Raises:
        ArgumentError: no rule, a rule of unknown window, or a run too long to compute.

    Source: C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393.

    Example:
        >>> from spc import FOUR_ZONE_RULES
        >>> round(average_run_length(FOUR_ZONE_RULES), 2)
        91.75
    """
    chosen, moved = checked_rules(rules, at_least=1), as_number(shift, name="shift")
    late = as_flag(settled, name="settled")
    time = _quiet_time(chosen, moved, late)
    if time is None:
        return simulated_run_length(chosen, moved, RUNS, SEED, late).mean
    return checked_mean(time.mean())


def run_length(
    rules: Sequence[Rule],
    shift: float = 0.0,
    *,
    settled: bool = False,
    runs: int = RUNS,
    seed: int = SEED,
) -> RunLength:
    """Return mean, median and 95 % point of the run length of a set of rules.

    In control this is the time between false alarms; with a shift, the delay to see it. The
    distribution is skewed: half of all charts signal before 0.7 of the mean.

    Args:
        rules: any rules.
        shift: lasting shift of the mean, in sigma.
        settled: False: the shift is there from the first point of a fresh chart on. True: it
            comes when the chart has been quiet in control for long (in a simulation for twice as
            long as the rules remember, at least 30 points), so that the rules remember something.
        runs: simulated series, where the set is simulated; at least 100.
        seed: of that simulation; the same seed gives the same numbers.

    Raises:
        ArgumentError: no rule, a rule of unknown window, or a run too long to compute.

    Source: Markov chain as C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393.

    Example:
        >>> from spc import THREE_SIGMA
        >>> run_length(THREE_SIGMA).median
        257
    """
    chosen, moved = checked_rules(rules, at_least=1), as_number(shift, name="shift")
    number, start = as_points(runs, name="runs", at_least=100), as_seed(seed)
    late = as_flag(settled, name="settled")
    chain, time = zone_chain(chosen), _quiet_time(chosen, moved, late)
    if chain is None or time is None:
        return simulated_run_length(chosen, moved, number, start, late)
    states = chain.n_states
    method = f"exact Markov chain of {states} state{'' if states == 1 else 's'}"
    return run_length_from(time, method)


@dataclass(frozen=True, slots=True, eq=False)
class RunLengthDistribution:
    """Chances of the run length, point by point.

    Attributes:
        points: 1, 2, …, shape (n,).
        probability: chance that the first signal is at that point.
        cumulative: chance that it is at that point or before.
    """

    points: IntArray
    probability: FloatArray
    cumulative: FloatArray


def run_length_distribution(
    rules: Sequence[Rule], points: int, shift: float = 0.0, *, settled: bool = False
) -> RunLengthDistribution:
    """Return the chance of the first signal at each of the first points.

    Args:
        rules: any rules; sets with a trend or an alternation are simulated.
        points: how far, 1 or more.
        shift: lasting shift of the mean, in sigma.
        settled: as in `run_length`.

    Example:
        >>> from spc import THREE_SIGMA
        >>> run_length_distribution(THREE_SIGMA, 3).cumulative.round(4).tolist()
        [0.0027, 0.0054, 0.0081]
    """
    chosen, moved = checked_rules(rules, at_least=1), as_number(shift, name="shift")
    far = as_points(points, name="points", at_least=1)
    late = as_flag(settled, name="settled")
    time = _quiet_time(chosen, moved, late)
    if time is not None:
        cumulative = 1 - time.after(far)
    else:
        lengths = simulated_run_lengths(chosen, moved, RUNS, SEED, late)
        counted = np.bincount(np.minimum(lengths, far + 1), minlength=far + 2)[1 : far + 1]
        cumulative = np.cumsum(counted) / lengths.size
    return RunLengthDistribution(
        points=np.arange(1, far + 1),
        probability=np.diff(cumulative, prepend=0.0),
        cumulative=cumulative,
    )


def false_alarms_per_week(
    points_per_week: float,
    rules: Sequence[Rule] = THREE_SIGMA_RULES,
    *,
    with_ewma: bool = False,
    weight: float = 0.2,
    width: float = 2.86,
) -> float:
    """Return how many signals a week come from chance alone.

    Args:
        points_per_week: plotted points a week over all charts, 0 or more.
        rules: the rules in use.
        with_ewma: True where an EWMA chart stands beside the rules.
        weight: of that EWMA chart.
        width: of that EWMA chart.

    Raises:
        ArgumentError: an argument outside its rule, or a run too long to compute.

    Example:
        >>> round(false_alarms_per_week(300), 1)
        0.8
    """
    points = as_number(points_per_week, name="points_per_week")
    if points < 0:
        raise ArgumentError(f"points_per_week must not be negative, got {points:g}")
    if as_flag(with_ewma, name="with_ewma"):
        return points / combined_run_length(rules, weight=weight, width=width).mean
    return points / average_run_length(rules)


@lru_cache(maxsize=256)
def _quiet_time(rules: tuple[Rule, ...], shift: float, settled: bool) -> QuietTime | None:
    """Follow the chain of the rules; None where they have none and are to be simulated."""
    chain = zone_chain(rules)
    return None if chain is None else chain.quiet_time(shift, settled=settled)

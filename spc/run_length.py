"""How long run rules stay quiet: run lengths, false alarms a week, delay to see a shift.

Zone rules are an exact Markov chain (`zone_chain.py`). Sets with a trend or an alternation are
simulated (`simulated_run_length.py`), and say so. EWMA and CUSUM: `chart_run_length.py`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spc.absorbing import SHARES, QuietTime, RunLength, checked_mean, run_length_from
from spc.chart_run_length import ewma_average_run_length
from spc.errors import ArgumentError
from spc.intake import FloatArray, IntArray, as_count, as_number
from spc.patterns import Rule
from spc.run_rules import THREE_SIGMA_RULES
from spc.signals import checked_rules
from spc.simulated_run_length import simulated_run_lengths
from spc.zone_chain import has_zone_chain, zone_chain

RUNS = 25_000
SEED = 1


def average_run_length(rules: Sequence[Rule], shift: float = 0.0) -> float:
    """Return the mean number of points until the first signal of any of the rules.

    Args:
        rules: any rules; windows need not be full, as `zone_rule_flags` does it.
        shift: lasting shift of the mean from the first point on, in sigma.

    Returns:
        Exact for zone rules. A set with a trend or an alternation is simulated, by 25,000 runs
        from a fixed seed; `run_length` gives its standard error, about 0.6 %.

    Raises:
        ArgumentError: no rule, a rule of unknown window, or a run too long to compute.

    Source: C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393.

    Example:
        >>> from spc import FOUR_ZONE_RULES
        >>> round(average_run_length(FOUR_ZONE_RULES), 2)
        91.75
    """
    chosen, moved = _some(rules), as_number(shift, name="shift")
    if not has_zone_chain(chosen):
        return float(simulated_run_lengths(chosen, moved, RUNS, SEED, False).mean())
    return checked_mean(_quiet_time(chosen, moved, False).mean())


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
            comes when the chart has been quiet in control for long (30 points in a simulation),
            so that the rules remember something.
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
    chosen, moved = _some(rules), as_number(shift, name="shift")
    number = as_count(runs, name="runs", at_least=100)
    start = as_count(seed, name="seed", at_least=0)
    if has_zone_chain(chosen):
        states = zone_chain(chosen).n_states
        method = f"exact Markov chain of {states} state{'' if states == 1 else 's'}"
        return run_length_from(_quiet_time(chosen, moved, bool(settled)), method)
    lengths = simulated_run_lengths(chosen, moved, number, start, bool(settled))
    median, percent_95 = np.quantile(lengths, SHARES, method="inverted_cdf").tolist()
    return RunLength(
        mean=float(lengths.mean()),
        median=median,
        percent_95=percent_95,
        method=f"simulation of {lengths.size} series, seed {start}",
        standard_error=float(lengths.std(ddof=1)) / math.sqrt(lengths.size),
    )


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
    chosen, moved = _some(rules), as_number(shift, name="shift")
    far = as_count(points, name="points", at_least=1)
    if has_zone_chain(chosen):
        cumulative = 1 - _quiet_time(chosen, moved, bool(settled)).after(far)
    else:
        lengths = simulated_run_lengths(chosen, moved, RUNS, SEED, bool(settled))
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
        with_ewma: True where an EWMA chart stands beside the 3-sigma rule.
        weight: of that EWMA chart.
        width: of that EWMA chart.

    Raises:
        ArgumentError: EWMA beside other rules than 3 sigma; that run length is not computed here.

    Example:
        >>> round(false_alarms_per_week(300), 1)
        0.8
    """
    points = as_number(points_per_week, name="points_per_week")
    if points < 0:
        raise ArgumentError(f"points_per_week must not be negative, got {points:g}")
    if not with_ewma:
        return points / average_run_length(rules)
    if [rule.key for rule in rules] != [rule.key for rule in THREE_SIGMA_RULES]:
        raise ArgumentError("with_ewma goes with THREE_SIGMA_RULES only")
    return points / ewma_average_run_length(weight, width)


def _some(rules: Sequence[Rule]) -> tuple[Rule, ...]:
    chosen = checked_rules(rules)
    if not chosen:
        raise ArgumentError("rules must hold at least one rule, got none")
    return chosen


@lru_cache(maxsize=256)
def _quiet_time(rules: tuple[Rule, ...], shift: float, settled: bool) -> QuietTime:
    return zone_chain(rules).quiet_time(shift, settled=settled)

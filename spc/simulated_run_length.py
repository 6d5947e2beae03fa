"""Run lengths by simulation, for sets that no chain of zones can describe.

Trend and alternation compare values with each other, so their memory is a real number, not a
zone. The series are normal and independent, one row each; a row drops out when it signals.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray
from spc.patterns import Rule
from spc.signals import points_before, zone_rule_flags

# How long a chart runs in control before a shift that comes late; those that signal are left out.
QUIET_POINTS = 30
_AT_A_TIME = 1_000_000
_MOST_POINTS = 300_000_000


@lru_cache(maxsize=32)
def simulated_run_lengths(
    rules: tuple[Rule, ...], shift: float, runs: int, seed: int, settled: bool
) -> IntArray:
    """Run lengths of `runs` simulated series, shape (runs,); fewer if `settled`.

    Raises:
        ArgumentError: a rule of unknown window, or rules that signal too seldom to wait for.
    """
    memory = points_before(rules)
    rng = np.random.default_rng(seed)
    tail = np.empty((runs, 0))
    if settled:
        points = rng.standard_normal((runs, QUIET_POINTS))
        tail = points[~_first(points, rules, 0)[1]][:, -memory:] if memory else tail
        if tail.shape[0] == 0:
            raise ArgumentError(
                f"settled: none of {runs} series stayed quiet for {QUIET_POINTS} points: "
                "give more runs or leave settled out"
            )
    found: list[IntArray] = []
    passed = simulated = 0
    while tail.shape[0]:
        if simulated > _MOST_POINTS:
            raise ArgumentError(
                f"rules signal too seldom to simulate {runs} runs to their end: give fewer runs"
            )
        steps = int(np.clip(_AT_A_TIME // tail.shape[0], 64, 4096))
        fresh = rng.standard_normal((tail.shape[0], steps))
        fresh += shift
        simulated += fresh.size
        points = np.concatenate([tail, fresh], axis=1)
        point, signals = _first(points, rules, tail.shape[1])
        found.append(passed + 1 + point[signals])
        tail = points[~signals][:, -memory:] if memory else np.empty((int((~signals).sum()), 0))
        passed += steps
    lengths = np.concatenate(found)
    lengths.flags.writeable = False  # the cache hands the same array to everybody
    return lengths


def _first(points: FloatArray, rules: Sequence[Rule], earlier: int) -> tuple[IntArray, BoolArray]:
    """First signal of each row, counted after the earlier points, and whether there is one."""
    signals = np.logical_or.reduce(zone_rule_flags(points, rules), axis=0)[:, earlier:]
    first = signals.argmax(axis=1)
    return first, signals[np.arange(first.size), first]

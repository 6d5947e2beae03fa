"""Run lengths by simulation, for sets that no chain of zones can describe.

Trend and alternation compare values with each other, so their memory is a real number, not a
zone; and some zone rules remember too much for a chain. The series are normal and independent,
one row each; a row drops out when it signals.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from spc.absorbing import SHARES, RunLength
from spc.charts.ewma import ewma_many
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray, as_count
from spc.patterns import Rule
from spc.signals import points_before, zone_rule_flags

RUNS = 25_000
SEED = 1
# How long a chart runs in control before a shift that comes late, at the least, and in lengths of
# what it remembers; series that signal meanwhile are left out.
QUIET_POINTS = 30
_MEMORIES = 2
_AT_A_TIME = 1_000_000
_MOST_POINTS = 300_000_000
_FARTHEST = 1e6


class Average(NamedTuple):
    """An EWMA chart of the same points."""

    weight: float
    width: float
    fixed_limits: bool

    def memory(self) -> int:
        """Points after which less than 1 in 1000 of an average is older."""
        return 1 if self.weight == 1 else math.ceil(math.log(1e-3) / math.log1p(-self.weight))


class _Memory(NamedTuple):
    """What quiet series carry on: the last points, shape (series, points), and their averages."""

    points: FloatArray
    average: FloatArray
    seen: int

    def of(self, rows: BoolArray) -> "_Memory":
        return _Memory(self.points[rows], self.average[rows], self.seen)


def as_seed(seed: int) -> int:
    """Return the seed of a simulation."""
    return as_count(seed, name="seed", at_least=0)


def simulated_run_length(
    rules: tuple[Rule, ...],
    shift: float,
    runs: int,
    seed: int,
    settled: bool,
    average: Average | None = None,
) -> RunLength:
    """Return mean with its standard error, median and 95 % point of simulated run lengths."""
    lengths = simulated_run_lengths(rules, shift, runs, seed, settled, average)
    median, percent_95 = np.quantile(lengths, SHARES, method="inverted_cdf").tolist()
    return RunLength(
        mean=float(lengths.mean()),
        median=median,
        percent_95=percent_95,
        method=f"simulation of {lengths.size} series, seed {seed}",
        standard_error=float(lengths.std(ddof=1)) / math.sqrt(lengths.size),
    )


@lru_cache(maxsize=32)
def simulated_run_lengths(
    rules: tuple[Rule, ...],
    shift: float,
    runs: int,
    seed: int,
    settled: bool,
    average: Average | None = None,
) -> IntArray:
    """Run lengths of `runs` simulated series, shape (runs,); fewer if `settled`.

    Raises:
        ArgumentError: a rule of unknown window, rules that signal too seldom to wait for, or so
            often that no series lives to be settled.
    """
    memory = points_before(rules)
    # Beyond it a larger shift signals no sooner, and the values would lose their digits.
    shift = float(np.clip(shift, -_FARTHEST, _FARTHEST))
    rng = np.random.default_rng(seed)
    # Limits that are final from the first point on are those of an average that has seen many.
    seen = 0 if average is None or not (average.fixed_limits or settled) else 6 * average.memory()
    tail = _Memory(np.empty((runs, 0)), np.zeros(runs), seen)
    if settled:
        long = max(memory, 0 if average is None else average.memory())
        quiet = left = max(QUIET_POINTS, _MEMORIES * long)
        while left and tail.average.size:
            fresh = rng.standard_normal((tail.average.size, min(left, _steps(tail.average.size))))
            _, signals, tail = _look(fresh, tail, rules, average, memory)
            tail, left = tail.of(~signals), left - fresh.shape[1]
        if tail.average.size < 2:
            raise ArgumentError(
                f"settled: {tail.average.size} of {runs} series stayed quiet for {quiet} points: "
                "give more runs or leave settled out"
            )
    found: list[IntArray] = []
    passed = simulated = 0
    while tail.average.size:
        if simulated > _MOST_POINTS:
            raise ArgumentError(
                f"rules signal too seldom to simulate {runs} runs to their end: give fewer runs"
            )
        steps = _steps(tail.average.size)
        fresh = rng.standard_normal((tail.average.size, steps))
        fresh += shift
        simulated += fresh.size
        first, signals, tail = _look(fresh, tail, rules, average, memory)
        found.append(passed + 1 + first[signals])
        tail = tail.of(~signals)
        passed += steps
    lengths = np.concatenate(found)
    lengths.flags.writeable = False  # the cache hands the same array to everybody
    return lengths


def _steps(series: int) -> int:
    """How many points of so many series are simulated at a time."""
    return int(np.clip(_AT_A_TIME // series, 64, 4096))


def _look(
    fresh: FloatArray,
    before: _Memory,
    rules: Sequence[Rule],
    average: Average | None,
    memory: int,
) -> tuple[IntArray, BoolArray, _Memory]:
    """First signal of each row, counted in the fresh points; whether there is one; what remains."""
    earlier = before.points.shape[1]
    points = np.concatenate([before.points, fresh], axis=1)
    signals = np.logical_or.reduce(zone_rule_flags(points, rules), axis=0)[:, earlier:]
    last = before.average
    if average is not None:
        chart = ewma_many(
            fresh, 0.0, 1.0, average.weight, average.width,
            start=before.average, points_before=before.seen,
        )  # fmt: skip
        signals = signals | chart.outside
        last = chart.last
    first = signals.argmax(axis=1)
    tail = points[:, -memory:] if memory else np.empty((points.shape[0], 0))
    seen = before.seen + fresh.shape[1]
    return first, signals[np.arange(first.size), first], _Memory(tail, last, seen)

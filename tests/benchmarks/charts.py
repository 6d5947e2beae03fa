"""Time charts of many characteristics against one numpy addition of two arrays of their points.

Run as a script: prints the ratios of the best of repeated runs and ends with 1 where one is above
its limit: EWMA and both CUSUM sides across 10,000 characteristics of 1,000 points, and limits,
rules, repeatability and performance of 400 characteristics with 500,000 batches.
"""

import sys
import time
from collections.abc import Callable

import numpy as np

import spc

MEMORY_LIMIT, PLANT_LIMIT = 70.0, 60.0


def seconds(work: Callable[[], object]) -> float:
    """Time one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def ratio(work: Callable[[], object], add: Callable[[], object], rounds: int) -> tuple[float, str]:
    """Measure both in turn and compare the best: other work on the machine only adds time."""
    work()
    add()
    pairs = [(seconds(add), seconds(work)) for _ in range(rounds)]
    addition, worked = (min(column) for column in zip(*pairs, strict=True))
    return (
        worked / addition,
        f"{worked * 1e3:.1f} ms; one addition: {addition * 1e3:.2f} ms; "
        f"ratio {worked / addition:.1f}",
    )


def memory_charts(rng: np.random.Generator) -> float:
    """EWMA and CUSUM stepped through time."""
    values = rng.normal(2000, 70, (10_000, 1_000)).round(1)
    other = rng.normal(size=values.shape)
    center, sigma = np.full(10_000, 2000.0), np.full(10_000, 70.0)

    def work() -> object:
        return spc.ewma_many(values, center, sigma), spc.cusum_many(values, center, sigma)

    found, said = ratio(work, lambda: values + other, 5)
    print(f"EWMA and CUSUM, 10,000 x 1,000 points: {said} (limit {MEMORY_LIMIT:.0f})")
    return found


def plant(rng: np.random.Generator) -> float:
    """Everything that a wall of charts needs, from a batch table."""
    n, characteristics = 500_000, 400
    cuts = np.sort(rng.choice(np.arange(1, n), characteristics - 1, replace=False))
    offsets = np.concatenate(([0], cuts))
    means, other = rng.normal(2000, 70, n), rng.normal(size=n)
    sizes, squares = np.full(n, 2.0), 144 * rng.chisquare(1, n)
    lower, upper = np.full(characteristics, 1800.0), np.full(characteristics, 2200.0)

    def work() -> object:
        limits = spc.limits_many(means, offsets)
        return (
            spc.rule_flags_many(means, limits),
            spc.repeatability_many(sizes, squares, offsets),
            spc.performance_many(limits, lower, upper),
        )

    found, said = ratio(work, lambda: means + other, 41)
    print(f"400 characteristics, 500,000 batches: {said} (limit {PLANT_LIMIT:.0f})")
    return found


def main() -> int:
    """Print both ratios."""
    rng = np.random.default_rng(1)
    return 0 if (memory_charts(rng) <= MEMORY_LIMIT) & (plant(rng) <= PLANT_LIMIT) else 1


if __name__ == "__main__":
    sys.exit(main())

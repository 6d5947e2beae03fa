"""How fast run rules and their run lengths are, as ratios measured in one run.

Run as a script: prints a table; ends with 1 if a limit is missed. One pass = adding two arrays
of as many numbers. The best of repeated rounds, both sides of a ratio in turn: other work on the
machine only ever adds time.
"""

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

import spc
from dashboard.rule_sets import EWMA_WEIGHT, EWMA_WIDTH, RULE_SETS
from spc import zone_chain

CHARACTERISTICS, POINTS = 500, 1_000
LONG = 1_000_000


def seconds(work: Callable[[], object]) -> float:
    """Time one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare(work: Callable[[], object], peer: Callable[[], object], rounds: int) -> float:
    """Best time of `work` over that of `peer`."""
    for _ in range(min(3, rounds)):
        peer()
        work()
    pairs = [(seconds(work), seconds(peer)) for _ in range(rounds)]
    ours, theirs = (min(column) for column in zip(*pairs, strict=True))
    return ours / theirs


def pandas_rules(z: np.ndarray) -> list[pd.Series]:
    """The eight rules the good pandas way: rolling sums of hits in each characteristic."""
    key = np.repeat(np.arange(z.shape[0]), z.shape[1])
    flat = pd.Series(z.ravel())
    step = np.sign(flat.groupby(key).diff())
    turn = (step * step.groupby(key).shift()) < 0
    counts = [
        *((side > 2, 3, 2) for side in (flat, -flat)),
        *((side > 1, 5, 4) for side in (flat, -flat)),
        *((side > 0, 9, 9) for side in (flat, -flat)),
        *((side > 0, 5, 5) for side in (step, -step)),
        (turn, 12, 12),
        (flat.abs() <= 1, 15, 15),
        (flat.abs() > 1, 8, 8),
    ]
    flags = [flat.abs() > 3]
    for hits, window, count in counts:
        sums = hits.astype("uint8").groupby(key).rolling(window, min_periods=1).sum()
        flags.append((sums.to_numpy() >= count) & hits.to_numpy())
    return flags


def simulate(runs: int = 20_000) -> float:
    """Average run length of the four rules by the fast rules of this package."""
    rng = np.random.default_rng(1)
    before, passed, total = np.empty((runs, 0)), 0, 0
    while before.shape[0]:
        points = np.concatenate([before, rng.standard_normal((before.shape[0], 64))], axis=1)
        found = spc.zone_rule_flags(points).any(axis=0)[:, before.shape[1] :]
        ended = found.any(axis=1)
        total += int((passed + 1 + found[ended].argmax(axis=1)).sum())
        before, passed = points[~ended, -7:], passed + 64
    return total / runs


def chain() -> float:
    """Average run length of the four rules by the chain, nothing kept from earlier calls."""
    zone_chain._zone_chain.cache_clear()
    zone_chain._memory.cache_clear()
    return next_shift()


def next_shift() -> float:
    """The same for another shift: the chain is there, its chances are not."""
    spc.run_length.__globals__["_quiet_time"].cache_clear()
    return spc.average_run_length(spc.FOUR_ZONE_RULES)


def offered_sets() -> None:
    """Mean, median, 95 % point and false alarms a week of all sets that the dashboard offers."""
    for chosen in RULE_SETS.values():
        if chosen.with_ewma:
            spc.combined_run_length(chosen.rules, weight=EWMA_WEIGHT, width=EWMA_WIDTH)
        else:
            spc.run_length(chosen.rules)
        chosen.false_alarms_per_week(300)


def every_set() -> None:
    """The same for every set that the package names, and for four rules with an EWMA."""
    for rules in (spc.THREE_SIGMA, spc.FOUR_ZONE_RULES, spc.EIGHT_RULES, spc.ISO_7870_2_RULES):
        spc.run_length(rules)
    spc.combined_run_length(spc.FOUR_ZONE_RULES)
    spc.ewma_run_length()
    spc.cusum_run_length()


def main() -> int:
    """Print the table and tell whether every limit is kept."""
    once = seconds(offered_sets)  # first, while nothing is cached
    all_once = seconds(every_set)
    rng = np.random.default_rng(1)
    z = rng.normal(size=(CHARACTERISTICS, POINTS))
    flat, other = z.ravel(), rng.normal(size=z.size)
    values = rng.normal(size=LONG)
    more = rng.normal(size=LONG)
    chart = spc.individuals(values, center=0, sigma=1).location
    eight = spc.EIGHT_RULES
    peer = np.logical_or.reduce(pandas_rules(z))
    if (peer != spc.zone_rule_flags(z, eight).any(axis=0).ravel()).any():
        print("pandas and the package disagree: nothing to compare")
        return 1
    rows = [
        (
            f"eight rules over {z.size:,} points, in passes",
            compare(lambda: spc.zone_rule_flags(flat, eight), lambda: flat + other, 41),
            16.0,
        ),
        (
            f"the same in {CHARACTERISTICS} characteristics, in passes",
            compare(lambda: spc.zone_rule_flags(z, eight), lambda: flat + other, 41),
            None,
        ),
        (
            "pandas groupby.rolling.sum for those, over ours",
            compare(lambda: spc.zone_rule_flags(z, eight), lambda: pandas_rules(z), 3) ** -1,
            -50.0,
        ),
        (
            f"flags of the four rules over {LONG:,} points, in passes",
            compare(lambda: spc.zone_rule_flags(values), lambda: values + more, 41),
            8.0,
        ),
        (
            f"signals of a chart of {LONG:,} points, four rules, in passes",
            compare(lambda: spc.run_rule_signals(chart), lambda: values + more, 41),
            8.0,
        ),
        (
            "20,000 simulated runs of the four rules, over the chain",
            compare(next_shift, simulate, 11) ** -1,
            -50.0,
        ),
        ("the same with the chain made anew", compare(chain, simulate, 21) ** -1, -50.0),
        ("run lengths of all sets that the dashboard offers, first call, seconds", once, 2.0),
        ("the same of all sets that the package names, seconds", all_once, None),
    ]
    missed = 0
    print(f"{'what':<72} {'measured':>9}  limit")
    for what, ratio, limit in rows:
        rule = (
            "" if limit is None else f"at least {-limit:g}" if limit < 0 else f"at most {limit:g}"
        )
        kept = limit is None or (ratio >= -limit if limit < 0 else ratio <= limit)
        missed += not kept
        print(f"{what:<72} {ratio:>9.2f}  {rule}{'' if kept else '  MISSED'}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())

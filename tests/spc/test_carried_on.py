"""Rules, EWMA and CUSUM against scalar loops: whole, at the first points, and carried on.

The same flags whether a series is judged at once or brought up to date piece by piece, from the 14
earlier points (rules) or the carried state (EWMA, CUSUM); on continuous values and on values
recorded to 0.1 and to 1, which lie exactly on centre lines and zone borders.
"""

import math
from itertools import pairwise

import numpy as np
import pytest

import spc

CENTER, SIGMA = 50.0, 2.0  # so that values recorded to 1 and to 0.1 meet every zone border
ROUNDED = pytest.mark.parametrize("decimals", [None, 1, 0])
# Windows are not full at the first points, so there are many short series beside the long one.
LENGTHS = [1, 2, 3, 4, 5, 6, 7, 8, 9, 13, 14, 15, 16, 40, 700]
FRAME = 14


def series(decimals):
    rng = np.random.default_rng(33)
    for n in [*LENGTHS * 4, 3000]:
        # Wide, drifting, quiet and saw-toothed stretches, so that every rule signals somewhere.
        kind = rng.integers(0, 4)
        values = rng.normal(CENTER + (1.5 if kind == 1 else 0), SIGMA * (2, 1, 0.4, 1)[kind], n)
        if kind == 3:
            values = CENTER + np.abs(values - CENTER) * (-1.0) ** np.arange(n)
        if n > 100:
            values[40:60] = CENTER + 1.1 * np.arange(20)
        yield (values if decimals is None else values.round(decimals)).tolist()


def rule_loop(rule, values):
    """Judge each point by looking at it and those before it, one by one."""
    flags = []
    for i in range(len(values)):
        window = values[max(0, i + 1 - (rule.window or rule.pattern.window)) : i + 1]
        if rule.on_values:
            steps = [(b > a) - (b < a) for a, b in pairwise(window)]
            whole = len(steps) == rule.window - 1 and 0 not in steps
            turning = all(a != b for a, b in pairwise(steps))
            flags.append(whole and (turning if "alternating" in rule.key else len(set(steps)) == 1))
            continue
        z = [(x - CENTER) / SIGMA for x in window]  # exact: small numbers and a power of two
        d, region = rule.pattern.distance, rule.pattern.region
        if region == "one side":
            sides = [[p > d for p in z], [p < -d for p in z]]
        elif region == "either side":
            sides = [[abs(p) > d for p in z]]
        else:
            sides = [[abs(p) <= d for p in z]]
        flags.append(any(side[-1] and sum(side) >= rule.pattern.count for side in sides))
    return flags


def pieces(n, rng):
    """Where a series of n points is cut: one point at a time, or in stretches."""
    start = 0
    while start < n:
        stop = min(n, start + int(rng.choice([1, 1, 2, 5, 14, 15, 60])))
        yield start, stop
        start = stop


@ROUNDED
def test_rules_equal_the_loop_whole_and_carried_on(decimals):
    rng = np.random.default_rng(1)
    assert spc.points_before(spc.RULES) == FRAME
    seen = set()
    for values in series(decimals):
        expected = {
            (i, rule.key)
            for rule in spc.RULES
            for i, flag in enumerate(rule_loop(rule, values))
            if flag
        }
        seen |= {key for _, key in expected}
        chart = spc.individuals(values, center=CENTER, sigma=SIGMA).location
        whole = spc.run_rule_signals(chart, spc.RULES)
        assert set(zip(whole.index.tolist(), whole.rule, strict=True)) == expected
        found = set()
        for start, stop in pieces(len(values), rng):
            lead = max(0, start - FRAME)
            part = spc.individuals(values[lead:stop], center=CENTER, sigma=SIGMA).location
            new = spc.run_rule_signals(part, spc.RULES, earlier=start - lead)
            found |= {(i + lead, key) for i, key in zip(new.index.tolist(), new.rule, strict=True)}
        assert found == expected
    assert seen == {rule.key for rule in spc.RULES}


@ROUNDED
@pytest.mark.parametrize("width", [2.86, 1.0])
def test_ewma_equals_the_loop_whole_and_carried_on(decimals, width):
    rng = np.random.default_rng(2)
    alarms = 0
    for values in series(decimals):
        memory, expected = CENTER, []
        for t, value in enumerate(values, start=1):
            memory += 0.2 * (value - memory)
            error = SIGMA * math.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2.0 * t)))
            expected.append((memory, abs(memory - CENTER) > width * error))
        whole = spc.ewma(values, CENTER, SIGMA, width=width)
        assert list(zip(whole.values, whole.outside(), strict=True)) == expected
        alarms += sum(flag for _, flag in expected)
        averages, flags, last = [], [], None
        for start, stop in pieces(len(values), rng):
            part = spc.ewma(values[start:stop], CENTER, SIGMA, width=width, start=last,
                            points_before=start)  # fmt: skip
            last = float(part.values[-1])
            averages += part.values.tolist()
            flags += part.outside().tolist()
        assert list(zip(averages, flags, strict=True)) == expected
        table = spc.ewma_many([values], CENTER, SIGMA, width=width)
        assert table.outside[0].tolist() == flags
    assert alarms > 50


@ROUNDED
@pytest.mark.parametrize("h", [4.0, 5.0])
def test_cusum_equals_the_loop_whole_and_carried_on(decimals, h):
    rng = np.random.default_rng(3)
    alarms = ties = 0
    for values in series(decimals):
        plus = minus = 0.0
        expected = []
        for value in values:
            z = (value - CENTER) / SIGMA
            plus, minus = max(0.0, plus + z - 0.5), max(0.0, minus - z - 0.5)
            expected.append((plus, minus, plus > h, minus > h))
        alarms += sum(up or down for _, _, up, down in expected)
        ties += sum(h in (plus, minus) for plus, minus, _, _ in expected)
        whole = spc.cusum(values, CENTER, SIGMA, h=h)
        columns = (whole.c_plus, whole.c_minus, whole.above, whole.below)
        assert list(zip(*columns, strict=True)) == expected
        found, state = [], None
        for start, stop in pieces(len(values), rng):
            part = spc.cusum(values[start:stop], CENTER, SIGMA, h=h, start=state)
            state = part.state
            found += zip(part.c_plus, part.c_minus, part.above, part.below, strict=True)
        assert found == expected
        table = spc.cusum_many([values], CENTER, SIGMA, h=h)
        assert table.above[0].tolist() == whole.above.tolist()
        assert table.below[0].tolist() == whole.below.tolist()
    assert alarms > 50
    assert ties > 0 or decimals != 0

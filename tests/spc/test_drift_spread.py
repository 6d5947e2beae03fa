"""Spread changes: a scenario, the likelihood by loops, and what was measured."""

import numpy as np
import pytest

import spc
from spc.drift.spread import value_spread_change


def pairs(rng, n, spread, batch_sd=0.03):
    level = 2000 * np.exp(batch_sd * rng.normal(size=(n, 1)))
    return level * np.exp(np.reshape(spread, (-1, 1)) * rng.normal(size=(n, 2)))


def test_aeration(batches):
    found = spc.spread_change(np.array(list(batches("S09_aeration"))))
    # Worked out apart: 0.69 % in the first 20 batches; ranges out at B022, B024, B025 and B026.
    assert found.log_odds > 3
    assert found.start_low <= 21 <= found.start_high
    assert found.before == pytest.approx(0.0069, abs=0.001)
    assert found.after / found.before > 3


@pytest.mark.parametrize("name", ["F01_baseline_duplicates", "S04_lot_change", "S05_early_reading"])
def test_spread_that_stays(batches, name):
    assert spc.spread_change(np.array(list(batches(name)))).log_odds < 0


def test_odds_by_loops():
    rng = np.random.default_rng(2)
    readings = pairs(rng, 12, np.where(np.arange(12) >= 7, 0.02, 0.006))
    half = np.diff(np.log(readings), axis=1)[:, 0] ** 2 / 2
    ratios = np.exp(np.linspace(np.log(1.5), np.log(10), 12))

    def log_average(half):
        n = len(half)
        lasting, ending = [], []
        for a in range(3, n):
            for b in range(a + 3, n + 1):
                if 5 * (b - a) > 4 * n or n - 3 < b < n:
                    continue
                each = []
                for ratio in ratios:
                    scale = np.ones(n)
                    scale[a:b] = ratio**2
                    # Normal deviations with one unknown variance, 1/σ beforehand.
                    each.append(
                        -0.5 * np.log(scale).sum()
                        - 0.5 * n * np.log((half / scale).sum())
                        + 0.5 * n * np.log(half.sum())
                    )
                (lasting if b == n else ending).append(np.mean(np.exp(each)))
        return np.log(0.5 * np.mean(lasting) + 0.5 * np.mean(ending))

    found = spc.spread_change(readings)
    inside = np.arange(found.start, found.stop)
    worst = inside[np.argmax(half[inside])]
    expected = min(log_average(half), log_average(np.delete(half, worst)))
    assert found.log_odds == pytest.approx(expected, abs=1e-9)


def test_false_and_true_finds():
    rng = np.random.default_rng(4)
    quiet = [spc.spread_change(pairs(rng, 60, np.full(60, 0.006))).log_odds for _ in range(300)]
    assert np.mean(np.array(quiet) > 1.5) <= 0.01
    seen, covered = [], []
    for _ in range(300):
        n = int(rng.integers(30, 120))
        at = int(rng.uniform(0.25, 0.75) * n)
        stop = n if rng.random() < 0.5 else at + int(rng.integers(8, 25))
        wide = (np.arange(n) >= at) & (np.arange(n) < stop)
        spread = np.where(wide, 0.006 * rng.uniform(3, 6), 0.006)
        found = spc.spread_change(pairs(rng, n, spread))
        seen.append(found.log_odds > 1.5)
        covered.append(found.start_low <= at <= found.start_high)
    assert np.mean(seen) >= 0.95
    assert 0.92 <= np.mean(covered) <= 0.985


def test_one_wild_pair_is_no_change():
    readings = pairs(np.random.default_rng(5), 40, np.full(40, 0.006))
    readings[25, 1] *= 1.3
    assert spc.spread_change(readings).log_odds < 1.5


def test_borders():
    with pytest.raises(spc.TooFewPointsError, match="at least 10 batches with two readings, got 4"):
        spc.spread_change(np.full((4, 2), 5.0))
    assert np.isneginf(spc.spread_change(np.full((12, 2), 5.0)).log_odds)


def test_scatter_of_batches():
    rng = np.random.default_rng(6)
    values = 2000 * np.exp(np.where(np.arange(80) >= 45, 0.08, 0.02) * rng.normal(size=80))
    found = value_spread_change(values)
    assert found.log_odds > 1.5
    assert found.start_low <= 46
    assert found.start_high >= 42

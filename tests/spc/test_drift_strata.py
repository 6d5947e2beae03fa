"""Levels of factors against general statistics, and what cannot be told apart."""

import numpy as np
import pytest
from scipy import stats

import spc


def test_early_reading(table):
    rows = [r for r in table("S05_early_reading") if r["sample_type"] == "product"]
    values = np.array([float(r["viscosity"]) for r in rows]).reshape(-1, 2).mean(axis=1)
    operators = [r["operator"] for r in rows[::2]]
    found = spc.stratify(values, [spc.Factor.of("operator", operators)])
    levels = {one.name: one for one in found.factors[0].levels}
    # Worked out apart: means, sizes, BM against the rest.
    assert {k: round(v.mean, 1) for k, v in levels.items()} == {
        "AK": 2130.2,
        "BM": 2360.8,
        "CJ": 2141.6,
    }
    assert {k: v.n for k, v in levels.items()} == {"AK": 20, "BM": 10, "CJ": 10}
    assert levels["BM"].difference_percent == pytest.approx(10.63, abs=0.1)
    assert levels["BM"].p_adjusted < 1e-10


def test_two_levels_are_a_t_test():
    rng = np.random.default_rng(1)
    values = 2000 * np.exp(0.03 * rng.normal(size=40))
    labels = np.where(rng.random(40) < 0.4, "a", "b")
    level = spc.stratify(values, [spc.Factor.of("line", labels)]).factors[0].levels[0]
    mine, rest = np.log(values[labels == level.name]), np.log(values[labels != level.name])
    expected = stats.ttest_ind(mine, rest)
    assert level.p == pytest.approx(expected.pvalue)
    interval = expected.confidence_interval()
    assert level.difference_low == pytest.approx(100 * np.expm1(interval.low))
    assert level.difference_high == pytest.approx(100 * np.expm1(interval.high))


def test_adjustment_is_holms():
    rng = np.random.default_rng(2)
    values = 2000 * np.exp(0.03 * rng.normal(size=60))
    factors = [
        spc.Factor.of(name, rng.integers(0, 3, 60).astype(str)) for name in ("operator", "line")
    ]
    found = spc.stratify(values, factors)
    levels = [one for stratum in found.factors for one in stratum.levels]
    p = np.sort([one.p for one in levels])
    by_hand = [min(1.0, max((len(p) - j) * p[j] for j in range(i + 1))) for i in range(len(p))]
    assert sorted(one.p_adjusted for one in levels) == pytest.approx(by_hand)
    assert found.comparisons == 6


def test_chance_is_kept_fair():
    rng = np.random.default_rng(3)
    false = 0
    for _ in range(300):
        values = 2000 * np.exp(0.03 * rng.normal(size=60))
        factors = [spc.Factor.of(f"f{i}", rng.integers(0, 3, 60).astype(str)) for i in range(6)]
        false += spc.stratify(values, factors).factors[0].smallest_p < 0.05
    # Ten factors at 5 % would give a false one in four records out of ten.
    assert false / 300 <= 0.08


def test_confounded_factors_are_named():
    n = 40
    shift = np.where(np.arange(n) % 2, "night", "day")
    operator = np.where(np.arange(n) % 4 == 1, "BM", "AK")
    lot = np.where(shift == "night", "R2", "R1")
    rng = np.random.default_rng(4)
    factors = [
        spc.Factor.of(name, labels)
        for name, labels in (("operator", operator), ("shift", shift), ("lot", lot))
    ]
    found = spc.stratify(2000 + rng.normal(size=n), factors)
    notes = {one.name: one.notes for one in found.factors}
    assert "operator BM occurs with shift night only." in notes["operator"]
    assert "lot and shift go together: they cannot be told apart here." in notes["lot"]


def test_long_runs_of_alike_batches_are_worth_less():
    rng = np.random.default_rng(5)
    values = 2000 * np.exp(0.03 * rng.normal(size=60))
    factor = spc.Factor.of("lot", np.repeat(["R1", "R2"], 30))
    plain = spc.stratify(values, [factor]).factors[0].levels[0]
    wide = spc.stratify(values, [factor], neighbours=0.5).factors[0].levels[0]
    ratio = (wide.high - wide.mean) / (plain.high - plain.mean)
    # √((1 + 0.5) / (1 - 0.5)) for one long run, a little less for its last batch.
    assert ratio == pytest.approx(np.sqrt(3), rel=0.06)


def test_borders():
    with pytest.raises(spc.TooFewPointsError, match="at least 6"):
        spc.stratify([1.0, 2.0], [])
    same = spc.stratify([5.0] * 12, [spc.Factor.of("line", ["a", "b"] * 6)])
    assert same.factors[0].levels[0].p == 1.0
    assert spc.stratify([5.0] * 12, [spc.Factor.of("line", ["a"] * 12)]).factors == ()

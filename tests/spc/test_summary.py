"""describe: certified values and laws."""

import itertools
import math
import statistics
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

# NIST Statistical Reference Datasets, univariate. Tolerances: what float64 data allow.
GENERATED = {
    # name: (values by NIST's published rule, mean, sd, lag1, relative tolerance of sd)
    "NumAcc1": ([10000001, 10000003, 10000002], 10000002, 1.0, -0.5, 1e-15),
    "NumAcc2": ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1, -0.999, 1e-13),
    "NumAcc3": ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, -0.999, 1e-8),
    "NumAcc4": ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, -0.999, 1e-7),
}


@pytest.mark.parametrize("name", GENERATED)
def test_nist_generated_sets(name):
    values, mean, sd, lag1, tolerance = GENERATED[name]
    about = spc.describe(values)
    assert about.mean == pytest.approx(mean, rel=1e-15)
    assert about.sd == pytest.approx(sd, rel=tolerance)
    assert about.lag1 == pytest.approx(lag1, rel=tolerance)


@pytest.mark.parametrize("name", ["lew", "lottery", "michelso", "pidigits"])
def test_nist_certified_sets(name, not_copied):
    values, entry = not_copied(f"strd_univ_{name}")
    certified = entry["published"]
    about = spc.describe(values)
    assert about.n == entry["inputs"]["n"]
    assert about.mean == pytest.approx(float(certified["mean"]), rel=1e-14)
    assert about.sd == pytest.approx(float(certified["sd"]), rel=1e-12)
    assert about.lag1 == pytest.approx(float(certified["lag1_autocorrelation"]), rel=1e-12)


def test_scenarios(batches):
    # F01 and S10 computed apart from this code: r1 -0.18 inside ±0.36; r1 0.604, band ±0.219.
    quiet = spc.describe([b.mean() for b in batches("F01_baseline_duplicates")])
    assert (quiet.n, round(quiet.mean, 2), round(quiet.sd, 2)) == (30, 2001.73, 68.64)
    assert (round(quiet.lag1, 2), round(quiet.lag1_band, 2)) == (-0.18, 0.36)
    alike = spc.describe([b.mean() for b in batches("S10_autocorrelated")])
    assert (round(alike.lag1, 3), round(alike.lag1_band, 3)) == (0.604, 0.219)


numbers = st.floats(-1e6, 1e6).map(lambda x: round(x, 3))


@given(st.lists(numbers, min_size=2, max_size=40))
def test_equals_exact_rational_arithmetic(values):
    about = spc.describe(values)
    assert about.mean == pytest.approx(statistics.fmean(values), rel=1e-14, abs=1e-9)
    assert about.sd == pytest.approx(statistics.stdev(values), rel=1e-10, abs=1e-9)


@pytest.mark.parametrize("level", [0.0, 1e3, 5e6, 1e9])
@pytest.mark.parametrize("n", [3, 10, 57, 1000])
def test_lag1_equals_exact_rational_arithmetic(level, n):
    values = np.random.default_rng(n).normal(level, 0.5, n)
    exact = [Fraction(x) for x in values.tolist()]
    mean = sum(exact) / n
    away = [x - mean for x in exact]
    squares = sum(a * a for a in away)
    lag1 = sum(a * b for a, b in itertools.pairwise(away)) / squares
    about = spc.describe(values)
    assert about.mean == pytest.approx(float(mean), rel=1e-15)
    assert about.sd == pytest.approx(math.sqrt(squares / (n - 1)), rel=1e-12)
    assert about.lag1 == pytest.approx(float(lag1), rel=1e-12, abs=1e-14)


@given(st.lists(numbers, min_size=3, max_size=30), st.floats(-1e5, 1e5), st.floats(0.01, 100))
def test_shift_and_scale(values, shift, scale):
    plain = spc.describe(values)
    moved = spc.describe(scale * np.array(values) + shift)
    assert moved.mean == pytest.approx(scale * plain.mean + shift, rel=1e-9, abs=1e-6)
    assert moved.sd == pytest.approx(scale * plain.sd, rel=1e-6, abs=1e-6)
    if plain.sd > 0.01:
        assert moved.lag1 == pytest.approx(plain.lag1, abs=1e-4)


@given(st.lists(st.floats(0.1, 1e4), min_size=2, max_size=30), st.randoms(use_true_random=False))
def test_order_matters_for_lag1_only(values, random):
    other = values.copy()
    random.shuffle(other)
    plain, mixed = spc.describe(values), spc.describe(other)
    assert mixed.mean == pytest.approx(plain.mean, rel=1e-13)
    assert mixed.sd == pytest.approx(plain.sd, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("value", [0.1, 2000.0, 1e9 / 3])
def test_a_constant_series_has_no_spread_and_no_lag1(value):
    about = spc.describe([value] * 7)
    assert (about.mean, about.sd, about.lag1) == (value, 0.0, None)
    assert about.lag1_band == pytest.approx(1.96 / math.sqrt(7))


@pytest.mark.parametrize("values", [[], [2000.0]])
def test_too_few(values):
    message = f"^values needs at least 2 points, got {len(values)}: wait for more data$"
    with pytest.raises(spc.TooFewPointsError, match=message):
        spc.describe(values)

"""one_way: certified values, exact rational arithmetic, laws, degenerate input."""

import importlib.util
import math
import runpy
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spc import errors, one_way
from spc.one_way import sums_of_squares

HERE = Path(__file__).parent
STRD = runpy.run_path(str(HERE.parent / "benchmarks" / "strd_table.py"))
# NIST's grades: lower difficulty, where float64 holds the inputs well enough for 13 digits.
LOWER = ("SiRstv", "SmLs01", "SmLs02", "SmLs03")


@pytest.fixture(scope="module")
def strd():
    return list(STRD["rows"]())


def test_all_nist_sets_to_the_limit_of_float64(strd):
    assert len(strd) == 11
    for row in strd:
        for ours, exact in zip(row.ours, row.exact, strict=True):
            assert abs(Fraction(ours) / exact - 1) < Fraction(1, 10**14), row.name
        for ours, certified in zip(row.ours, row.certified, strict=True):
            if row.name in LOWER:
                assert STRD["digits"](ours, certified) >= 13, row.name
    print(STRD["table"](strd))


def test_generated_sets_are_those_of_nist():
    # SciPy's wheel ships the files; some distributors leave the tests of SciPy out.
    where = Path(importlib.util.find_spec("scipy").origin).parent / "stats/tests/data/nist_anova"
    if not where.is_dir():
        pytest.skip("this installation of SciPy came without its test data")
    for name in STRD["CERTIFIED"]:
        lines = (where / f"{name}.dat").read_text(encoding="ascii").splitlines()[60:]
        rows = [line.split() for line in lines if len(line.split()) == 2]
        values, group = STRD["data"](name)
        assert values.tolist() == [float(value) for _, value in rows]
        assert group.tolist() == [int(label) for label, _ in rows]


def test_as_scipy(batches):
    from scipy import stats

    groups = batches("F01_baseline_duplicates")
    other = stats.f_oneway(*groups)
    ours = one_way(np.concatenate(groups), np.repeat(np.arange(len(groups)), 2))
    assert ours.f == pytest.approx(other.statistic, rel=1e-9)
    assert ours.p == pytest.approx(other.pvalue, rel=1e-9)
    # The split of JOB practice: duplicates' sigma 12.12 from squares.
    assert math.sqrt(ours.variance_within) == pytest.approx(12.12, abs=0.005)


def test_components_with_unequal_sizes_have_the_right_expectation():
    # E(ms) = trace(A V) / df for V = s_b² Z Z' + s_w² I: an independent route to n0.
    index = np.repeat([0, 1, 2, 3], [1, 4, 2, 6])
    n = index.size
    Z = np.eye(4)[index]
    inside = Z @ np.linalg.inv(Z.T @ Z) @ Z.T
    between = inside - np.full((n, n), 1 / n)
    n0 = np.trace(between @ Z @ Z.T) / 3
    values = np.random.default_rng(5).normal(50, 2, n) + np.array([0, 3, -4, 6])[index]
    found = one_way(values, index)
    assert found.effective_size == pytest.approx(n0, rel=1e-12)
    assert found.ms_between == pytest.approx(values @ between @ values / 3, rel=1e-9)
    assert found.variance_between == pytest.approx((found.ms_between - found.ms_within) / n0)


def test_ratio_interval_of_equal_sizes_is_the_closed_form():
    from scipy import stats

    values = np.random.default_rng(3).normal(size=(6, 4)) + np.arange(6)[:, np.newaxis]
    found = one_way(values.ravel(), np.repeat(np.arange(6), 4))
    low, high = stats.f.ppf([0.025, 0.975], 5, 18)
    expected = ((found.f / high - 1) / 4, (found.f / low - 1) / 4)
    assert found.ratio_interval == pytest.approx(expected, rel=1e-9)
    chi = stats.chi2.ppf([0.975, 0.025], 18)
    assert found.variance_within_interval == pytest.approx(tuple(found.ms_within * 18 / chi))


def test_ratio_interval_covers_for_unequal_sizes():
    # Exact in theory; 1,500 studies leave a standard error of 0.6 %.
    rng = np.random.default_rng(20)
    index = np.repeat(np.arange(6), [2, 2, 3, 5, 8, 2])
    hits = 0
    for _ in range(1500):
        values = rng.normal(0, math.sqrt(0.7), 6)[index] + rng.normal(size=index.size)
        low, high = one_way(values, index).ratio_interval
        hits += low <= 0.7 <= high
    assert hits / 1500 == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(
    ("level", "spread", "step"), [(0.0, 1e6, 1e-8), (1e13, 1e5, 0.015625), (0.1, 1.0, 1e-14)]
)
def test_small_differences_of_means_under_a_wide_spread(level, spread, step):
    # The same readings twice, the second group moved by next to nothing: F is about 1e-28, and
    # keeps its digits only because differences and sums are carried in two parts.
    one = level + spread * np.random.default_rng(2).standard_normal(37)
    values = np.concatenate((one, (one + step)[::-1]))
    group = np.repeat([0, 1], 37)
    between, within = STRD["exact_mean_squares"](values, group)
    found = one_way(values, group)
    assert found.f < 1e-10
    assert found.ms_between == pytest.approx(float(between), rel=1e-12, abs=0)
    assert found.ms_within == pytest.approx(float(within), rel=1e-12, abs=0)


groups_of_values = st.lists(
    st.tuples(st.integers(0, 4), st.integers(-(10**6), 10**6).map(lambda i: i / 1000)),
    min_size=4,
    max_size=30,
).filter(lambda rows: 2 <= len({g for g, _ in rows}) < len(rows))


@settings(deadline=None)
@given(groups_of_values, st.sampled_from([0.0, 1e6, -1e9, 1e13]))
def test_equals_rational_arithmetic(rows, level):
    values = np.array([value for _, value in rows]) + level
    group = np.array([label for label, _ in rows])
    found = one_way(values, group)
    between, within = STRD["exact_mean_squares"](values, group)
    assert found.ms_within == pytest.approx(float(within), rel=1e-12)
    # Means equal in exact arithmetic: theirs is 0, ours the square of 32-digit rounding.
    assert found.ms_between == pytest.approx(float(between), rel=1e-12, abs=1e-25)


@settings(deadline=None)
@given(
    groups_of_values,
    st.integers(-(10**6), 10**6),
    st.sampled_from([0.5, 4.0, -2.0]),
    st.randoms(use_true_random=False),
)
def test_shift_scale_and_order_do_not_matter(rows, shift, scale, random):
    plain = one_way([value for _, value in rows], [label for label, _ in rows])
    mixed = rows.copy()
    random.shuffle(mixed)
    moved = one_way([scale * v + shift for _, v in mixed], [f"batch {g}" for g, _ in mixed])
    assert moved.ms_within == pytest.approx(scale**2 * plain.ms_within, rel=1e-6, abs=1e-15)
    assert moved.ms_between == pytest.approx(scale**2 * plain.ms_between, rel=1e-6, abs=1e-15)
    assert moved.grand_mean == pytest.approx(scale * plain.grand_mean + shift, abs=1e-8)


def test_stated_results_without_spread():
    same = one_way([0.1] * 6, [1, 1, 1, 2, 2, 2])
    assert (same.ms_between, same.ms_within) == (0, 0)
    assert (same.f, same.p, same.r_squared, same.ratio_interval) == (None, None, None, None)
    steps = one_way([0.1] * 3 + [0.3] * 3, [1, 1, 1, 2, 2, 2])
    assert (steps.f, steps.p, steps.r_squared) == (math.inf, 0.0, 1.0)
    level = one_way([1, 3, 2, 2], [1, 1, 2, 2])
    assert (level.f, level.variance_between, level.between_set_to_zero) == (0.0, 0.0, True)


@pytest.mark.parametrize(
    ("values", "group", "error", "message"),
    [
        ([1, 2], [1, 1], errors.TooFewPointsError, "values needs at least 3 points, got 2"),
        ([1, 2, 3], [1, 1, 1], errors.TooFewPointsError, "group needs at least 2 different label"),
        (
            [1, 2, 3],
            [1, 2, 3],
            errors.TooFewPointsError,
            "label with two values or more, got one val",
        ),
        ([1, 2, 3], [1, 2], errors.ArgumentError, "a label for each of 3 values, got 2"),
        ([1, 2, 3], [1, None, 2], errors.ArgumentError, "label for each value, got none at index"),
        ([1, 2, 3], [1, math.nan, 2], errors.ArgumentError, "got none at index 1"),
        ([1, 2, 3], [[1], [1], [2]], errors.ArgumentError, "group must be one-dimensional"),
        ([1, 2, 3], [[1], [1, 2], [2]], errors.ArgumentError, "group must be one-dimensional"),
        ([1, math.nan, 3], [1, 1, 2], errors.ArgumentError, "values must be finite numbers"),
    ],
)
def test_refusals(values, group, error, message):
    with pytest.raises(error, match=message):
        one_way(values, group)


def test_masked_labels_are_refused_and_mixed_ones_taken():
    with pytest.raises(errors.ArgumentError, match="got a masked one"):
        one_way([1, 2, 3], np.ma.array([1, 1, 2], mask=[0, 1, 0]))
    mixed = one_way([1, 2, 3, 4], np.array([1, 1, "b", "b"], dtype=object))
    assert mixed.groups == (1, "b")


def test_many_groups_at_once():
    rng = np.random.default_rng(8)
    index = rng.integers(0, 5000, 40000)
    values = rng.normal(1e9, 1, 40000)
    split = sums_of_squares(values, np.unique(index, return_inverse=True)[1])
    chosen = np.unique(index)[7]
    inside = [Fraction(v) for v in values[index == chosen].tolist()]
    mean = sum(inside) / len(inside)
    assert split.within[7] == pytest.approx(float(sum((v - mean) ** 2 for v in inside)), rel=1e-14)

"""Two instruments on the same batches: three verdicts."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

BATCHES = np.array([1900.0, 2000.0, 2100.0, 1950.0, 2050.0])


def test_three_verdicts_by_hand():
    # Ratios r with ln r = d ± 0.002 alternating; half-width t(3) = 3.182 × 0.0023094 / 2 = 0.00367.
    wobble = np.array([0.002, -0.002, 0.002, -0.002])
    batches = BATCHES[:4]
    for shift, verdict, differs in (
        (0.000, "equivalent", False),
        (0.010, "equivalent", True),  # shown to differ, and still good enough
        (0.018, "not decided", True),
        (0.030, "not equivalent", True),
        (-0.030, "not equivalent", True),
    ):
        found = spc.equivalence(batches, batches * np.exp(shift + wobble), margin_percent=2)
        assert (found.verdict, found.differs) == (verdict, differs)
        low, high = (math.log1p(end / 100) for end in found.interval_percent)
        assert (high - low) / 2 == pytest.approx(3.182 * 0.0023094 / 2, rel=1e-3)
        assert (high + low) / 2 == pytest.approx(shift, abs=1e-12)


def test_not_significant_is_not_equal():
    # Two noisy pairs: no difference shown, equality not shown either.
    found = spc.equivalence([2000, 2000], [2060, 1950], margin_percent=2)
    assert not found.differs
    assert found.verdict == "not decided"


def test_against_scipy():
    from scipy import stats

    random = np.random.default_rng(31)
    other = BATCHES * np.exp(random.normal(0.01, 0.01, BATCHES.size))
    found = spc.equivalence(BATCHES, other, 2, confidence=0.9)
    whole = stats.ttest_rel(np.log(other), np.log(BATCHES)).confidence_interval(0.9)
    expected = 100 * np.expm1([whole.low, whole.high])
    assert found.interval_percent == pytest.approx(tuple(expected), rel=1e-9)
    ratio = stats.gmean(other / BATCHES)
    assert found.difference_percent == pytest.approx(100 * (ratio - 1), rel=1e-9)


def test_the_90_percent_interval_is_two_one_sided_tests_at_5_percent():
    # Schuirmann 1987: equivalent if and only if both one-sided tests reject at 5 %.
    from scipy import stats

    random = np.random.default_rng(12)
    border = math.log(1.02)
    verdicts = []
    for _ in range(200):
        ratio = random.normal(0.008, 0.012, 8)
        found = spc.equivalence(np.ones(8), np.exp(ratio), 2, confidence=0.90)
        above = stats.ttest_1samp(ratio, -border, alternative="greater").pvalue
        below = stats.ttest_1samp(ratio, border, alternative="less").pvalue
        assert (found.verdict == "equivalent") == (max(above, below) < 0.05)
        verdicts.append(found.verdict)
    assert {"equivalent", "not decided"} <= set(verdicts)


def test_coverage_and_wrong_claims():
    # 4,000 comparisons with a true ratio exactly on the margin: coverage 95 %, and equivalence
    # wrongly claimed at most half of 5 % of the time. Standard error 0.34 %.
    random = np.random.default_rng(95)
    runs = np.exp(math.log(1.02) + random.normal(0, 0.004, (4000, 6)))
    found = [spc.equivalence(np.ones(6), run, 2) for run in runs]
    covered = np.mean([one.interval_percent[0] <= 2 <= one.interval_percent[1] for one in found])
    assert 0.94 < covered < 0.96
    assert 0.015 < np.mean([one.verdict == "equivalent" for one in found]) < 0.035


pairs = st.lists(st.tuples(st.floats(1, 1e4), st.floats(0.9, 1.1)), min_size=2, max_size=12)


@given(pairs, st.floats(0.1, 10), st.floats(0.01, 100))
def test_swapping_and_units(rows, margin, unit):
    first = np.array([a for a, _ in rows])
    second = np.array([a * r for a, r in rows])
    plain = spc.equivalence(first, second, margin)
    swapped = spc.equivalence(second, first, margin)
    scaled = spc.equivalence(unit * first, unit * second, margin)
    assert swapped.difference_percent == pytest.approx(
        100 * (1 / (1 + plain.difference_percent / 100) - 1), abs=1e-8
    )
    assert scaled.interval_percent == pytest.approx(plain.interval_percent, rel=1e-6, abs=1e-8)
    low, high = plain.interval_percent
    near_border = any(
        abs(abs(math.log1p(end / 100)) - math.log1p(margin / 100)) < 1e-9
        for end in (low, high)
        if math.isfinite(end) and end > -100
    )
    if not near_border:
        assert swapped.verdict == plain.verdict == scaled.verdict


@given(pairs, st.floats(0.1, 10), st.floats(1, 3))
def test_a_wider_margin_never_turns_equivalent_away(rows, margin, wider):
    first = np.array([a for a, _ in rows])
    second = np.array([a * r for a, r in rows])
    if spc.equivalence(first, second, margin).verdict == "equivalent":
        assert spc.equivalence(first, second, wider * margin).verdict == "equivalent"


def test_no_scatter_at_all():
    same = spc.equivalence([1000, 2000], [1000, 2000], 2)
    assert (same.verdict, same.differs, same.interval_percent) == ("equivalent", False, (0.0, 0.0))
    on_margin = spc.equivalence([1000, 1000], [1020, 1020], 2)  # the margin itself is inside
    assert on_margin.verdict == "equivalent"
    assert spc.equivalence([1000, 1000], [1021, 1021], 2).verdict == "not equivalent"


@pytest.mark.parametrize(
    ("first", "second", "margin", "message"),
    [
        ([1000], [1001], 2, "at least 2 pairs, got 1: measure more batches on both"),
        ([], [], 2, "first needs at least 1"),
        ([1, 2], [1, 2, 3], 2, "first and second must match, got 2 and 3"),
        ([1, 0], [1, 2], 2, "first must be above 0"),
        ([1, 2], [1, -2], 2, "second must be above 0 to have a ratio, got -2"),
        ([1, 2], [1, 2], 0, "margin_percent must be finite and above 0"),
        ([1, math.nan], [1, 2], 2, "first must be finite"),
    ],
)
def test_refusals(first, second, margin, message):
    with pytest.raises(spc.SpcError, match=message):
        spc.equivalence(first, second, margin)

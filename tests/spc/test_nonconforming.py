"""Share outside the specification, expected and counted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, nct, norm

import spc


def test_nist_example():
    # Mean 16, s 2, limits 8 and 20: 31.67 and 22750.13 parts per million by a normal table.
    share = spc.expected_nonconforming_from_summary(16, 2, 50, 8, 20)
    assert share.below == pytest.approx(31.671241833119865)
    assert share.above == pytest.approx(22750.131948179194)
    assert share.total == pytest.approx(share.below + share.above)


@pytest.mark.parametrize("n", [5, 30, 200])
def test_one_sided_interval_is_the_exact_one(n):
    # The ends p solve P(T <= √n · 2) = 0.025 and 0.975, T noncentral t with √n z(1 - p).
    share = spc.expected_nonconforming_from_summary(0, 1, n, upper=2)
    assert share.total_interval == share.above_interval
    for end, probability in zip(share.above_interval, (0.025, 0.975), strict=True):
        noncentrality = norm.isf(end / 1e6) * np.sqrt(n)
        assert nct.cdf(2 * np.sqrt(n), n - 1, noncentrality) == pytest.approx(probability, abs=1e-6)


def test_two_sides_share_the_risk():
    share = spc.expected_nonconforming_from_summary(0, 1, 50, -3, 3)
    wide = spc.expected_nonconforming_from_summary(0, 1, 50, upper=3, confidence=0.975)
    assert share.total_interval == pytest.approx([2 * end for end in wide.above_interval])


@given(st.integers(0, 60), st.integers(1, 60), st.floats(0.5, 0.999))
def test_counted_share_by_scipy(count, n, level):
    count = min(count, n)
    mine = spc.observed_share(count, n, confidence=level)
    exact = binomtest(count, n).proportion_ci(level, method="exact")
    assert mine.interval == pytest.approx((1e6 * exact.low, 1e6 * exact.high), rel=1e-6, abs=1e-3)
    assert mine.interval[0] <= mine.ppm <= mine.interval[1]


def test_a_value_on_the_limit_conforms():
    counted = spc.observed_nonconforming([1.0, 2.0, 3.0, 4.0], lower=2, upper=3)
    assert (counted.count, counted.n, counted.ppm) == (2, 4, 500_000)
    assert spc.observed_nonconforming([2.0, 3.0], 2, 3).interval[0] == 0


def test_expected_from_values():
    values = [9.0, 11.0, 10.0, 12.0, 8.0]
    share = spc.expected_nonconforming(values, upper=13)
    assert share.above == pytest.approx(1e6 * norm.sf((13 - 10) / np.std(values, ddof=1)))
    assert (share.below, share.below_interval) == (0.0, None)


@pytest.mark.parametrize(
    ("error", "call", "message"),
    [
        (spc.NoSpreadError, lambda: spc.expected_nonconforming([1.0, 1.0], upper=2),
         "values must vary to expect a share outside, got 2 times 1: check the recording step"),
        (spc.ArgumentError, lambda: spc.expected_nonconforming([1.0, 2.0]),
         "lower or upper must be given: give at least one specification limit"),
        (spc.ArgumentError, lambda: spc.observed_nonconforming([1.0], 2, 1),
         "lower must be below upper, got 2 and 1"),
        (spc.TooFewPointsError, lambda: spc.observed_nonconforming([], 2),
         "values needs at least 1 point, got 0: wait for more data"),
        (spc.ArgumentError, lambda: spc.observed_share(4, 3), "count must be at most n = 3, got 4"),
        (spc.ArgumentError, lambda: spc.observed_share(-1, 3), "count must be at least 0, got -1"),
    ],
)  # fmt: skip
def test_refused(error, call, message):
    with pytest.raises(error) as caught:
        call()
    assert str(caught.value) == message

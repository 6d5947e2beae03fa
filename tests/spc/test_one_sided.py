"""Exact intervals of one-sided indices."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import chi, nct, norm

import spc


@pytest.mark.parametrize(
    ("n", "low"),
    [(10, 0.3481682756515149), (25, 0.4706465941849307), (30, 0.48835608522406404),
     (50, 0.529613226722873), (100, 0.5704267215052324)],
)  # fmt: skip
def test_nist_example_exact_lower_limits(n, low):
    # The example of NIST/SEMATECH e-Handbook 6.1.6 (upper index 0.6667), one-sided 95 % limit by
    # the noncentral t distribution, computed apart.
    exact = spc.one_sided_interval(2 / 3, n, confidence=0.9)[0]
    assert exact == pytest.approx(low, rel=1e-9)


def test_montgomery_n_20():
    # Montgomery, 6th ed., Example 8.5 (n 20, index 1.33): exact one-sided limit, computed apart.
    assert spc.one_sided_interval(1.33, 20, confidence=0.9)[0] == pytest.approx(0.9486845280966044)


@pytest.mark.parametrize("freedom", [1, 2, 4.5, 9, 29, 199, 2000])
@pytest.mark.parametrize("index", [-0.5, 0.0, 0.7, 1.33, 3.0])
def test_probability_by_scipy(freedom, index):
    noncentrality = 3 * math.sqrt(freedom + 1) * index
    for step in (-3, -1, 0, 1, 3):
        t = noncentrality + step * math.sqrt(1 + noncentrality**2 / (2 * freedom))
        mine = spc.noncentral_t_probability(t, freedom, noncentrality)
        assert mine == pytest.approx(nct.cdf(t, freedom, noncentrality), abs=2e-9)


def test_probability_by_its_definition():
    # P(z <= t s - 2) averaged over s, adaptively.
    for freedom, t in ((0.62, 1.0), (3.1, 4.0), (18, 2.5)):
        scale = 1 / math.sqrt(freedom)
        exact, _ = quad(
            lambda s, f=freedom, t=t, scale=scale: norm.cdf(t * s - 2) * chi.pdf(s, f, scale=scale),
            0, np.inf, limit=400,
        )  # fmt: skip
        assert spc.noncentral_t_probability(t, freedom, 2.0) == pytest.approx(exact, abs=1e-7)


@pytest.mark.parametrize(("n", "index"), [(5, 1.0), (20, 1.33), (60, 0.4), (200, -0.2)])
def test_coverage(n, index):
    # Both ends rise with the observed index: it covers exactly between two observed values,
    # which are found by halving; then count simulated indices between them.
    def observed_at(end, target):
        low, high = -20.0, 60.0
        for _ in range(45):
            middle = (low + high) / 2
            below = spc.one_sided_interval(middle, n)[end] < target
            low, high = (middle, high) if below else (low, middle)
        return low

    first, last = observed_at(1, index), observed_at(0, index)
    rng = np.random.default_rng(n)
    mean = rng.normal(0, 1 / math.sqrt(n), 200_000)
    sd = np.sqrt(rng.chisquare(n - 1, 200_000) / (n - 1))
    found = (3 * index - mean) / (3 * sd)
    share = ((found >= first) & (found <= last)).mean()
    assert 0.948 < share < 0.952


@given(st.floats(-3, 6), st.integers(2, 500), st.floats(0.5, 0.999))
def test_brackets_widens_and_rises(index, n, level):
    low, high = spc.one_sided_interval(index, n, confidence=level)
    wider = spc.one_sided_interval(index, n, confidence=(1 + level) / 2)
    assert low < high
    assert wider[0] < low
    assert high < wider[1]
    assert spc.one_sided_interval(index + 0.01, n, confidence=level)[0] > low
    for end, probability in ((low, 1 - (1 - level) / 2), (high, (1 - level) / 2)):
        scale = 3 * math.sqrt(n)
        at = spc.noncentral_t_probability(scale * index, n - 1, scale * end)
        assert at == pytest.approx(probability, abs=1e-9)


def test_capability_uses_it_for_one_limit_only():
    one = spc.capability_from_summary(10, 1, 40, upper=14)
    assert one.ppk_interval == pytest.approx(spc.one_sided_interval(4 / 3, 40), rel=1e-12)
    assert one.pp is None
    two = spc.capability_from_summary(10, 1, 40, lower=6, upper=14)
    assert two.ppk_interval != one.ppk_interval
    within = spc.capability_from_summary(10, 1, 40, upper=14, sigma_within=0.8, within_freedom=31)
    assert within.cpk_interval == pytest.approx(spc.one_sided_interval(4 / 2.4, 40, 31), rel=1e-12)
    assert within.within_freedom == 31
    default = spc.capability_from_summary(10, 1, 40, upper=14, sigma_within=0.8)
    assert default.within_freedom == pytest.approx(0.62 * 39)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((1.0, 1), "n must be at least 2, got 1"),
        ((1.0, 10, 0), "freedom must be at least 0.5, got 0"),
        ((math.nan, 10), "index must be finite, got nan"),
        ((1.0, 10, None, 1.0), "confidence must lie between 0 and 1, got 1 (0.95 is usual)"),
    ],
)
def test_refused(arguments, message):
    with pytest.raises(spc.ArgumentError) as caught:
        spc.one_sided_interval(*arguments)
    assert str(caught.value) == message

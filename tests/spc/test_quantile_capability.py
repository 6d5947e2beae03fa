"""Skewed characteristics: indices from quantiles."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm

import spc


def test_lognormal_case():
    # Computed apart: median 2000, sigma of ln 0.1, upper limit 2700: quantile method 1.00 where
    # the normal formula says 1.14.
    high = 2000 * math.exp(0.3)
    result = spc.capability_from_quantiles(2000, high=high, upper=2700)
    assert round(result.ppk, 2) == 1.00
    assert result.pp is None
    mean = 2000 * math.exp(0.005)
    sd = mean * math.sqrt(math.expm1(0.01))
    assert round(spc.capability_from_summary(mean, sd, 1000, upper=2700).ppk, 2) == 1.14
    # And from values with exactly these ln: a symmetric set with mean ln 2000 and sd 0.1.
    steps = norm.ppf((np.arange(1, 2000) - 0.5) / 1999)
    logs = math.log(2000) + 0.1 * steps / steps.std(ddof=1)
    fitted = spc.capability_lognormal(np.exp(logs), upper=2700)
    assert fitted.ppk == pytest.approx(result.ppk, rel=1e-9)
    assert (fitted.median, fitted.high) == pytest.approx((2000, high))


def test_for_a_normal_curve_it_is_the_usual_index():
    result = spc.capability_from_quantiles(10, 4, 16, 2, 20)
    usual = spc.capability_from_summary(10, 2, 50, 2, 20)
    assert (result.pp, result.ppk) == pytest.approx((usual.pp, usual.ppk))


@given(st.lists(st.floats(10, 1000), min_size=3, max_size=30, unique=True), st.floats(0.1, 10))
def test_lognormal_fit_by_hand_and_the_unit(values, factor):
    logs = np.log(values)
    m, s = logs.mean(), logs.std(ddof=1)
    if s < 1e-6:
        return
    result = spc.capability_lognormal(values, 5, 2000)
    expected = min(
        (2000 - math.exp(m)) / (math.exp(m + 3 * s) - math.exp(m)),
        (math.exp(m) - 5) / (math.exp(m) - math.exp(m - 3 * s)),
    )
    assert result.ppk == pytest.approx(expected, rel=1e-6)
    low, high = result.ppk_interval
    assert low < result.ppk < high
    scaled = spc.capability_lognormal(factor * np.array(values), 5 * factor, 2000 * factor)
    assert scaled.ppk == pytest.approx(result.ppk, rel=1e-6)
    assert scaled.ppk_interval == pytest.approx(result.ppk_interval, rel=1e-5, abs=1e-9)


def test_delta_method_by_numerical_derivatives():
    rng = np.random.default_rng(3)
    logs = rng.normal(7, 0.2, 50)
    m, s = logs.mean(), logs.std(ddof=1)

    def index(m, s):
        return (3000 - math.exp(m)) / (math.exp(m + 3 * s) - math.exp(m))

    step = 1e-6
    by_m = (index(m + step, s) - index(m - step, s)) / (2 * step)
    by_s = (index(m, s + step) - index(m, s - step)) / (2 * step)
    error = math.sqrt(by_m**2 * s**2 / 50 + by_s**2 * s**2 / 98)
    low, high = spc.capability_lognormal(np.exp(logs), upper=3000).ppk_interval
    assert (high - low) / 2 == pytest.approx(norm.ppf(0.975) * error, rel=1e-6)


def test_observed_quantiles():
    rng = np.random.default_rng(8)
    values = np.exp(rng.normal(0, 0.3, 5000))
    result = spc.capability_observed(values, upper=3)
    ordered = np.sort(values)
    place = 5001 * 0.99865  # rank (n + 1) p, linear between two neighbours
    below = int(place)
    between = ordered[below - 1] + (place - below) * (ordered[below] - ordered[below - 1])
    assert result.high == pytest.approx(between, rel=1e-9)
    assert result.ppk == pytest.approx((3 - np.median(values)) / (between - np.median(values)))
    assert result.ppk_interval[0] < result.ppk < result.ppk_interval[1]


def test_observed_interval_by_counting_ranks():
    # Ranks r < s with P(at least r values below the quantile, fewer than s) >= 97.5 %.
    n = 6000
    ordered = np.arange(1.0, n + 1)
    result = spc.capability_observed(ordered, upper=7000)

    def ranks(p):
        r = max(k for k in range(1, n) if binom.cdf(k - 1, n, p) <= 0.0125)
        s = min(k for k in range(r, n + 1) if binom.cdf(k - 1, n, p) >= 0.9875)
        return r, s

    (m1, m2), (q1, q2) = ranks(0.5), ranks(0.99865)
    corners = [(7000 - m) / (q - m) for m in (m1, m2) for q in (q1, q2)]
    assert result.ppk_interval == pytest.approx((min(corners), max(corners)))


def test_observed_of_few_thousands_has_no_far_end():
    values = np.random.default_rng(1).normal(0, 1, 800)
    assert spc.capability_observed(values, upper=4).ppk_interval[0] == 0.0


@pytest.mark.parametrize(
    ("error", "call", "message"),
    [
        (spc.ArgumentError, lambda: spc.capability_from_quantiles(10, upper=20),
         "high must be given with upper: the index needs that quantile"),
        (spc.ArgumentError, lambda: spc.capability_from_quantiles(10, high=20, lower=1),
         "low must be given with lower: the index needs that quantile"),
        (spc.ArgumentError, lambda: spc.capability_from_quantiles(10, high=9, upper=20),
         "high must be above the median 10, got 9"),
        (spc.ArgumentError, lambda: spc.capability_from_quantiles(10, low=10, lower=2),
         "low must be below the median 10, got 10"),
        (spc.NoSpreadError, lambda: spc.capability_lognormal([5.0, 5.0], upper=6),
         "values must vary to have a capability, got 2 equal values"),
        (spc.ArgumentError, lambda: spc.capability_lognormal([5.0, -5.0], upper=6),
         "values must be above 0 to have a logarithm, got -5 at index 1: leave such points out"),
        (spc.TooFewPointsError, lambda: spc.capability_observed(np.arange(740.0), upper=900),
         "values needs at least 741 points to reach its 0.135 % quantiles, got 740: give the "
         "quantiles, or fit a lognormal curve where that is justified"),
        (spc.NoSpreadError, lambda: spc.capability_observed(np.ones(800), upper=2),
         "values must vary to have a capability, got 1 as median and as outer quantile: check the "
         "recording step"),
    ],
)  # fmt: skip
def test_refused(error, call, message):
    with pytest.raises(error) as caught:
        call()
    assert str(caught.value) == message

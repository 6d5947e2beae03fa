"""Neighbours that are alike, and what that does to the limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


@pytest.mark.parametrize(
    ("phi", "limit", "alarms"),
    [(0.0, 3.0, 0.27), (0.3, 2.51, 1.2), (0.5, 2.12, 3.4), (0.7, 1.64, 10)],
)
def test_limits_shrink(phi, limit, alarms):
    # Computed apart from the moving range of a stationary normal series.
    at = spc.limits_under_autocorrelation(phi)
    assert round(at.limit_in_sd, 2) == limit
    assert at.false_alarm_percent == pytest.approx(alarms, abs=0.05)


@pytest.mark.parametrize("phi", [-0.4, 0.3, 0.7])
def test_limits_shrink_in_a_long_simulated_series(phi):
    rng = np.random.default_rng(17)
    noise = rng.normal(0, 1, 400_000)
    # A stationary first-order series, by its weights cut where they no longer count.
    weights = phi ** np.arange(60)
    series = np.convolve(noise, weights)[: noise.size][60:]
    check = spc.check_autocorrelation(series)
    expected = spc.limits_under_autocorrelation(phi)
    assert check.lag1 == pytest.approx(phi, abs=0.01)
    assert check.sd_over_sigma == pytest.approx(expected.sd_over_sigma, rel=0.01)
    share = 100 * spc.individuals(series).location.outside().mean()
    assert share == pytest.approx(expected.false_alarm_percent, rel=0.08, abs=0.01)
    assert (check.alike, check.alternate) == (phi > 0, phi < 0)


def test_wandering_scenario(batches):
    # Computed apart: r1 0.604, band 0.219, s over moving-range sigma 1.56, 3 points beyond 3 sigma.
    means = [b.mean() for b in batches("S10_autocorrelated")]
    check = spc.check_autocorrelation(means)
    assert (round(check.lag1, 3), round(check.band, 3)) == (0.604, 0.219)
    assert round(check.sd_over_sigma, 2) == 1.56
    assert check.alike
    outside = spc.individuals(means).location.outside()
    assert np.flatnonzero(outside).size == 3


def test_baseline_is_silent(batches):
    # Computed apart: lag-1 correlation -0.18 inside ±0.36.
    check = spc.check_autocorrelation([b.mean() for b in batches("F01_baseline_duplicates")])
    assert (round(check.lag1, 2), round(check.band, 2)) == (-0.18, 0.36)
    assert not check.alike
    assert not check.alternate


def test_the_band_holds_independent_series():
    rng = np.random.default_rng(3)
    checks = [spc.check_autocorrelation(row) for row in rng.normal(0, 1, (3000, 60))]
    inside = np.mean([not (c.alike or c.alternate) for c in checks])
    assert inside == pytest.approx(0.95, abs=0.02)


def test_no_variation_at_all():
    check = spc.check_autocorrelation([3.0, 3.0, 3.0])
    assert (check.lag1, check.limits, check.sd_over_sigma) == (None, None, None)
    assert not check.alike


@given(st.lists(st.integers(-99, 99), min_size=3, max_size=30), st.integers(1, 9))
def test_shift_and_scale_change_nothing(values, factor):
    plain = spc.check_autocorrelation(values)
    moved = spc.check_autocorrelation(factor * np.array(values) + 1000)
    assert moved.lag1 == pytest.approx(plain.lag1)
    assert moved.sd_over_sigma == pytest.approx(plain.sd_over_sigma)


@pytest.mark.parametrize("value", [1, -1, 2])
def test_refused(value):
    with pytest.raises(
        spc.ArgumentError, match=rf"correlation must lie between -1 and 1, got {value}"
    ):
        spc.limits_under_autocorrelation(value)

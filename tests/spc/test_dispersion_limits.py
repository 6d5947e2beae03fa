"""Probability limits of ranges and standard deviations; centre and sigma given by the user."""

import math

import numpy as np
import pytest
from scipy.stats import chi2, norm, studentized_range

import spc

TAIL = norm.sf(3)


@pytest.mark.parametrize("n", [2, 3, 5, 10, 25])
def test_range_limits_have_the_probability_of_three_sigma(n):
    # The range of n values over a sigma known exactly: the studentised range with infinite freedom.
    groups = np.tile(np.arange(float(n)), (3, 1))
    chart = spc.xbar_r(groups, center=0, sigma=1, dispersion_limits="probability").dispersion
    low, high = chart.lower[0], chart.upper[0]
    assert studentized_range.cdf(low, n, np.inf) == pytest.approx(TAIL, rel=1e-6)
    assert studentized_range.sf(high, n, np.inf) == pytest.approx(TAIL, rel=1e-6)


@pytest.mark.parametrize("n", [2, 5, 12])
def test_sd_limits_are_chi_square(n):
    groups = np.tile(np.arange(float(n)), (3, 1))
    chart = spc.xbar_s(groups, center=0, sigma=2, dispersion_limits="probability").dispersion
    expected = 2 * np.sqrt(chi2.ppf([TAIL, 1 - TAIL], n - 1) / (n - 1))
    assert (chart.lower[0], chart.upper[0]) == pytest.approx(expected, rel=1e-9)


def test_moving_range_limits_in_closed_form():
    # |difference| / √2 is a half-normal value.
    chart = spc.individuals([1.0, 2.0, 4.0], dispersion_limits="probability")
    sigma = chart.location.sigma
    quantiles = norm.ppf((1 + np.array([TAIL, 1 - TAIL])) / 2)
    assert (chart.dispersion.lower[0], chart.dispersion.upper[0]) == pytest.approx(
        sigma * math.sqrt(2) * quantiles
    )


@pytest.mark.parametrize("n", [2, 4])
def test_measured_false_alarms(n):
    samples = np.random.default_rng(5).normal(10, 2, (200_000, n))
    for chart in (spc.xbar_r, spc.xbar_s):
        flags = chart(samples, center=10, sigma=2, dispersion_limits="probability")
        expected = 200_000 * 2 * TAIL
        assert flags.dispersion.outside().sum() == pytest.approx(expected, abs=4 * expected**0.5)
        # The usual limits alarm oftener: ranges are skewed.
        usual = chart(samples, center=10, sigma=2).dispersion.outside().sum()
        assert usual > 1.3 * expected


def test_the_centre_stays():
    data = [[10.0, 12.0, 9.0], [11.0, 13.0, 12.5], [12.0, 12.5, 11.0]]
    for chart in (spc.xbar_r, spc.xbar_s, spc.three_way):
        plain, other = chart(data), chart(data, dispersion_limits="probability")
        for name in ("location", "dispersion", "within"):
            if getattr(plain, name) is not None:
                assert getattr(other, name).center.tolist() == getattr(plain, name).center.tolist()
        assert (other.dispersion.lower < other.dispersion.center).all()
        assert (other.dispersion.center < other.dispersion.upper).all()


def test_given_centre_and_sigma():
    groups = [[10.0, 12.0], [11.0], [14.0, 15.0, 17.0]]
    for chart in (spc.xbar_r, spc.xbar_s):
        location = chart(groups, center=12, sigma=1.5).location
        assert location.center.tolist() == [12, 12, 12]
        assert location.upper == pytest.approx(12 + 4.5 / np.sqrt([2, 1, 3]))
    charts = spc.three_way(groups, center=12, sigma=1.5, sigma_within=2)
    assert charts.location.upper.tolist() == [16.5] * 3
    assert charts.within.sigma == 2
    # One subgroup, even of one value, can be judged.
    for chart in (spc.xbar_r, spc.xbar_s, spc.three_way):
        assert chart([[16.6]], center=12, sigma=1.5).location.outside().tolist() == [True]


@pytest.mark.parametrize(
    "call",
    [
        lambda **k: spc.individuals([1.0, 2.0], **k),
        lambda **k: spc.xbar_r([[1.0, 2.0], [2.0, 3.0]], **k),
        lambda **k: spc.xbar_s([[1.0, 2.0], [2.0, 3.0]], **k),
        lambda **k: spc.three_way([[1.0, 2.0], [2.0, 3.0]], **k),
    ],
)
def test_refused(call):
    with pytest.raises(spc.ArgumentError, match="center and sigma belong together"):
        call(center=1)
    with pytest.raises(spc.ArgumentError, match="center and sigma belong together"):
        call(sigma=1)
    with pytest.raises(spc.ArgumentError, match="sigma must not be negative, got -1"):
        call(center=1, sigma=-1)
    with pytest.raises(
        spc.ArgumentError,
        match="dispersion_limits must be 'three_sigma' or 'probability', got 'exact'",
    ):
        call(dispersion_limits="exact")

"""Individuals and moving range."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def numbers_of(table, name, column):
    return [float(row[column]) for row in table(name)]


def test_nist_flow_rate(table):
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, MR-bar 1.8778, limits 55.8041 and 45.8159,
    # which the page computes with d2 = 1.128.
    charts = spc.individuals(numbers_of(table, "nist_pmc322_individuals", "flowrate"))
    center, mr_bar = charts.location.center[0], charts.dispersion.center[0]
    assert center == pytest.approx(50.81, abs=5e-3)
    assert mr_bar == pytest.approx(1.8778, abs=5e-5)
    assert center + 3 * mr_bar / 1.128 == pytest.approx(55.8041, abs=5e-5)
    assert center - 3 * mr_bar / 1.128 == pytest.approx(45.8159, abs=5e-5)
    # Exact d2 = 2/√π: the printed limits are wider by the rounding, 0.03 %.
    assert charts.location.upper[0] == pytest.approx(55.8041, abs=2e-3)
    assert charts.location.lower[0] == pytest.approx(45.8159, abs=2e-3)
    assert charts.location.upper[0] == pytest.approx(50.81 + 3 * mr_bar * math.sqrt(math.pi) / 2)
    assert not charts.location.outside().any()


def test_montgomery_primer_viscosity(table):
    # Montgomery, 4th/5th ed., Example 5-5 (from memory): 33.52, 0.48, limits 34.80 and 32.24,
    # MR limit 1.57, batches 1-15.
    rows = [row for row in table("montgomery_primer_viscosity") if row["phase"] == "I"]
    charts = spc.individuals([float(row["viscosity"]) for row in rows])
    assert charts.location.n == 15
    assert charts.location.center[0] == pytest.approx(33.52, abs=5e-3)
    assert charts.dispersion.center[0] == pytest.approx(0.48, abs=5e-3)
    # The book's d2 is 1.128: its limits are 0.0004 wider than the exact ones.
    assert charts.location.upper[0] == pytest.approx(34.80, abs=5.5e-3)
    assert charts.location.lower[0] == pytest.approx(32.24, abs=5.5e-3)
    assert charts.dispersion.upper[0] == pytest.approx(1.57, abs=5e-3)
    printed = [0.70, 0.95, 0.19, 0.35, 0.56, 0.34, 0.41, 0.22, 0.29, 0.42, 0.62, 0.54, 0.42, 0.72]
    assert charts.dispersion.values[1:] == pytest.approx(printed, abs=1e-9)


def test_montgomery_runger_concentration(table):
    # Montgomery & Runger, 3rd ed., p. 617: 99.1, 2.59, limits 105.99 and 92.21 (computed there
    # from the rounded 99.1 and 2.59).
    charts = spc.individuals(numbers_of(table, "montgomery_runger_concentration", "x"))
    assert charts.location.center[0] == pytest.approx(99.1, abs=0.05)
    assert charts.dispersion.center[0] == pytest.approx(2.59, abs=5e-3)
    assert charts.location.upper[0] == pytest.approx(105.99, abs=0.011)
    assert charts.location.lower[0] == pytest.approx(92.21, abs=5e-3)


def test_baseline_scenario_is_silent(batches):
    # Computed apart from this code with 2.66 and 1.128: 2001.73, 82.84, 1781.37, 2222.10, 73.44;
    # with the exact constants 1781.48, 2221.99 and 73.42.
    charts = spc.individuals([b.mean() for b in batches("F01_baseline_duplicates")])
    chart, mr_bar = charts.location, charts.dispersion.center[0]
    assert chart.n == 30
    assert round(chart.center[0], 2) == 2001.73
    assert round(mr_bar, 2) == 82.84
    assert round(chart.center[0] - 2.66 * mr_bar, 2) == 1781.37
    assert round(chart.center[0] + 2.66 * mr_bar, 2) == pytest.approx(2222.10, abs=0.011)
    assert round(mr_bar / 1.128, 2) == 73.44
    assert round(chart.lower[0], 2) == 1781.48
    assert round(chart.upper[0], 2) == 2221.99
    assert round(chart.sigma, 2) == 73.42
    assert spc.run_rule_signals(chart, spc.FOUR_ZONE_RULES).index.size == 0
    assert not charts.dispersion.outside().any()


def test_autocorrelated_scenario(batches):
    # Computed apart with three-digit constants: 1962.72, 37.66, 1862.55, 2062.89, 33.38;
    # 3 points beyond 3 sigma (20, 48, 71), 20 points flagged by the four rules.
    chart = spc.individuals([b.mean() for b in batches("S10_autocorrelated")]).location
    assert chart.center[0] == pytest.approx(1962.72, abs=5e-3)
    assert chart.lower[0] == pytest.approx(1862.55, abs=0.06)
    assert chart.upper[0] == pytest.approx(2062.89, abs=0.06)
    assert (np.flatnonzero(chart.outside()) + 1).tolist() == [20, 48, 71]
    assert np.unique(spc.run_rule_signals(chart).index).size == 20


def test_limits_fixed_earlier_only_judge(batches):
    # Slow drift: limits of the first 20 batches (1996.6 and 37.2) applied to all 60; first point
    # beyond 3 sigma at batch 36, first run of 8 at batch 29.
    means = np.array([b.mean() for b in batches("S08_slow_drift")])
    first = spc.individuals(means[:20]).location
    assert (round(first.center[0], 1), round(first.sigma, 1)) == (1996.6, 37.2)
    charts = spc.individuals(means, center=first.center[0], sigma=first.sigma)
    assert charts.location.n == means.size
    assert set(charts.location.upper) == set(first.upper)
    signals = spc.run_rule_signals(charts.location)
    begin = {key: signals.index[signals.rule.index(key)] + 1 for key in set(signals.rule)}
    assert begin["beyond_3_sigma"] == 36
    assert begin["8_on_one_side"] == 29


def test_one_value_can_be_judged_by_fixed_limits():
    charts = spc.individuals([2100.0], center=2000, sigma=30)
    assert charts.location.outside().tolist() == [True]
    assert np.isnan(charts.dispersion.values).all()


def test_two_values():
    charts = spc.individuals([10.0, 13.0])
    assert charts.location.sigma == pytest.approx(3 * math.sqrt(math.pi) / 2)
    assert np.isnan(charts.dispersion.values[0])
    assert charts.dispersion.values[1] == 3


@pytest.mark.parametrize("value", [0.1, 2000.0, -7 / 3])
def test_constant_series_has_limits_on_its_centre_and_no_signal(value):
    charts = spc.individuals([value] * 13)
    assert charts.location.sigma == 0
    for chart in (charts.location, charts.dispersion):
        assert (chart.lower == chart.center).all()
        assert (chart.upper == chart.center).all()
        assert not chart.outside().any()
        assert spc.run_rule_signals(chart).index.size == 0
    assert charts.location.z.tolist() == [0.0] * 13


def test_a_point_off_a_constant_series_is_infinitely_far():
    chart = spc.individuals([10.0, 10.0, 11.0, 9.0], center=10, sigma=0).location
    assert chart.z.tolist() == [0, 0, math.inf, -math.inf]
    assert chart.outside().tolist() == [False, False, True, True]
    assert spc.run_rule_signals(chart, spc.THREE_SIGMA).index.tolist() == [2, 3]


def test_missing_ranges_are_never_outside():
    chart = spc.individuals([1.0, 5.0]).dispersion
    assert np.isnan(chart.z[0])
    assert not chart.outside()[0]


@pytest.mark.parametrize("values", [[], [2000.0]])
def test_too_few(values):
    message = f"^values needs at least 2 points, got {len(values)}: wait for more data$"
    with pytest.raises(spc.TooFewPointsError, match=message):
        spc.individuals(values)


@pytest.mark.parametrize(
    ("given_limits", "message"),
    [
        ({"center": 10.0}, "center and sigma belong together: give both or neither"),
        ({"sigma": 1.0}, "center and sigma belong together: give both or neither"),
        ({"center": 10.0, "sigma": -1.0}, "sigma must not be negative, got -1"),
        ({"center": math.nan, "sigma": 1.0}, "center must be finite, got nan"),
        ({"center": "x", "sigma": 1.0}, "center must be one number, got 'x'"),
    ],
)
def test_fixed_limits_refused(given_limits, message):
    with pytest.raises(spc.ArgumentError) as caught:
        spc.individuals([1.0, 2.0], **given_limits)
    assert str(caught.value) == message


def slow_limits(values):
    """Plain arithmetic, d2(2) = 2/√π."""
    ranges = [abs(b - a) for a, b in itertools.pairwise(values)]
    center = sum(values) / len(values)
    sigma = sum(ranges) / len(ranges) * math.sqrt(math.pi) / 2
    return center - 3 * sigma, center, center + 3 * sigma


series = st.lists(st.floats(0.1, 1e5), min_size=2, max_size=40)


@given(series)
def test_equals_plain_arithmetic(values):
    chart = spc.individuals(values).location
    low, center, high = slow_limits(values)
    assert chart.lower[-1] == pytest.approx(low, rel=1e-9, abs=1e-6)
    assert chart.center[-1] == pytest.approx(center, rel=1e-12)
    assert chart.upper[-1] == pytest.approx(high, rel=1e-9, abs=1e-6)


@given(series, st.floats(-1e4, 1e4), st.floats(0.01, 100))
def test_shift_and_scale(values, shift, scale):
    plain = spc.individuals(values)
    moved = spc.individuals(scale * np.array(values) + shift)
    assert moved.location.upper == pytest.approx(
        scale * plain.location.upper + shift, rel=1e-9, abs=1e-5
    )
    assert moved.location.lower == pytest.approx(
        scale * plain.location.lower + shift, rel=1e-9, abs=1e-5
    )
    assert moved.dispersion.upper == pytest.approx(
        scale * plain.dispersion.upper, rel=1e-9, abs=1e-5
    )


@given(series)
def test_turning_the_order_round_keeps_the_limits(values):
    plain, turned = spc.individuals(values).location, spc.individuals(values[::-1]).location
    assert turned.upper == pytest.approx(plain.upper, rel=1e-9)
    assert turned.lower == pytest.approx(plain.lower, rel=1e-9, abs=1e-6)


def test_moving_ranges_have_the_standard_deviation_of_a_range_of_two():
    # d3(2) = √(2 - 4/π), so the upper limit is 3 of them above the centre.
    chart = spc.individuals([3.0, 5.0, 4.0, 8.0]).dispersion
    assert chart.standard_error == pytest.approx(chart.sigma * math.sqrt(2 - 4 / math.pi))
    assert chart.upper == pytest.approx(chart.center + 3 * chart.standard_error)


@given(series)
def test_limits_bracket_the_centre_and_z_agrees_with_them(values):
    for chart in (spc.individuals(values).location, spc.individuals(values).dispersion):
        assert (chart.lower <= chart.center).all()
        assert (chart.center <= chart.upper).all()
    chart = spc.individuals(values).location
    if chart.sigma > 1e-6:
        clear = np.abs(np.abs(chart.z) - 3) > 1e-9
        assert ((np.abs(chart.z) > 3) == chart.outside())[clear].all()

"""Limits that stay: estimated on a baseline, applied to new points."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def test_slow_drift_scenario(batches):
    # Computed apart: limits of the first 20 batches are 1996.6 and 37.2 and stay so after 40 more;
    # the first batch beyond them is 36. Recalculated every 20 batches, none ever is.
    means = np.array([b.mean() for b in batches("S08_slow_drift")])
    assert means.size == 60
    limits = spc.freeze_limits(means[:20])
    assert (round(limits.center, 1), round(limits.sigma, 1), limits.n) == (1996.6, 37.2, 20)
    chart = limits.apply(means)
    assert np.flatnonzero(chart.outside())[0] + 1 == 36
    assert set(chart.center) == {limits.center}
    assert chart.sigma == limits.sigma
    for start in (0, 20, 40):
        assert not spc.individuals(means[start : start + 20]).location.outside().any()


def test_baseline_scenario(batches):
    # Computed apart: frozen on all 30 batches, 2001.73 and 73.44.
    means = [b.mean() for b in batches("F01_baseline_duplicates")]
    limits = spc.freeze_limits(means)
    assert (round(limits.center, 2), round(limits.sigma, 1)) == (2001.73, 73.4)


def test_primer_viscosity_phases(table):
    # Montgomery, 4th/5th ed., Example 5-5 (from memory): batches 1-15 give 33.52, 34.80, 32.24;
    # of the 15 later batches (unconfirmed) 23 and 30 lie above.
    rows = table("montgomery_primer_viscosity")
    values = np.array([float(row["viscosity"]) for row in rows])
    limits = spc.freeze_limits(values[:15])
    printed = (32.24, 33.52, 34.80)
    assert (limits.lower, limits.center, limits.upper) == pytest.approx(printed, abs=6e-3)
    assert (np.flatnonzero(limits.apply(values[15:]).outside()) + 16).tolist() == [23, 30]


def test_piston_rings_phases(table):
    # Montgomery, 6th ed., Example 6.3: samples 1-25 estimate, 37-39 of the later ones (from
    # memory) plot above the upper limit of means.
    rows = table("montgomery_piston_rings")
    samples = np.array([float(row["diameter_mm"]) for row in rows]).reshape(40, 5)
    for chart in (spc.xbar_r, spc.xbar_s):
        first = chart(samples[:25])
        judged = chart(
            samples[25:], center=float(first.location.center[0]), sigma=first.location.sigma
        )
        assert (np.flatnonzero(judged.location.outside()) + 26).tolist() == [37, 38, 39]
        assert judged.location.upper[0] == first.location.upper[0]
        assert judged.dispersion.upper[0] == pytest.approx(first.dispersion.upper[0], rel=1e-14)


def test_points_left_out_take_their_moving_ranges_along():
    values = [10.0, 12.0, 99.0, 11.0, 12.0, 10.0]
    limits = spc.freeze_limits(values, left_out=[2])
    # Ranges 10-12, 11-12, 12-10; none across the gap.
    assert limits.sigma == pytest.approx((2 + 1 + 2) / 3 * np.sqrt(np.pi) / 2)
    assert limits.center == pytest.approx(11.0)
    assert (limits.n, limits.left_out) == (5, (2,))
    assert limits.degrees_of_freedom == pytest.approx(0.62 * 3)


def test_total_standard_deviation(batches):
    # Computed apart for the autocorrelated scenario: s 52.07 against 33.38 from moving ranges.
    means = [b.mean() for b in batches("S10_autocorrelated")]
    total = spc.freeze_limits(means, method="total")
    assert round(total.sigma, 2) == 52.07
    assert total.degrees_of_freedom == 79
    assert round(spc.freeze_limits(means).sigma, 1) == 33.4


@given(st.lists(st.floats(-1e4, 1e4), min_size=2, max_size=30), st.lists(st.floats(-1e4, 1e4)))
def test_equal_to_the_chart_of_the_baseline_whatever_comes_after(baseline, later):
    limits, chart = spc.freeze_limits(baseline), spc.individuals(baseline).location
    assert (limits.center, limits.sigma) == (chart.center[0], chart.sigma)
    assert limits.lower <= limits.center <= limits.upper
    judged = limits.apply(baseline + later)
    assert judged.outside()[: len(baseline)].tolist() == chart.outside().tolist()
    assert judged.upper.tolist() == [limits.upper] * judged.n


def test_a_constant_baseline_flags_any_other_value():
    limits = spc.freeze_limits([0.1, 0.1, 0.1])
    assert limits.apply([0.1, 0.2]).outside().tolist() == [False, True]


@pytest.mark.parametrize(
    ("error", "arguments", "message"),
    [
        (spc.TooFewPointsError, {"values": [1.0]},
         "values needs at least 2 points, got 1: wait for more data"),
        (spc.TooFewPointsError, {"values": [1.0, 2.0], "left_out": [0]},
         "values needs 2 points that are not left out, got 1: wait for more data"),
        (spc.TooFewPointsError, {"values": [1.0, 2.0, 3.0], "left_out": [1]},
         "values needs two neighbours that are not left out for a moving range: "
         "wait for more data"),
        (spc.ArgumentError, {"values": [1.0, 2.0], "left_out": [2]},
         "left_out must hold indices from 0 to 1, got 2"),
        (spc.ArgumentError, {"values": [1.0, 2.0], "method": "median"},
         "method must be 'moving_range' or 'total', got 'median'"),
    ],
)  # fmt: skip
def test_refused(error, arguments, message):
    with pytest.raises(error) as caught:
        spc.freeze_limits(**arguments)
    assert str(caught.value) == message

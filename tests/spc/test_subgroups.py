"""Means with ranges or standard deviations, and the check of what a subgroup is."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

# d2, d3, c4: ASTM MNL 7, table of factors (as in data/const_chart_factors.csv).
D2 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534}
D3 = {2: 0.853, 3: 0.888, 4: 0.880, 5: 0.864, 6: 0.848}
C4 = {2: 0.7979, 3: 0.8862, 4: 0.9213, 5: 0.9400, 6: 0.9515}


def samples(table, name, column, phase=None):
    groups = {}
    for row in table(name):
        if phase is None or row["phase"] == phase:
            groups.setdefault(row["sample"], []).append(float(row[column]))
    return list(groups.values())


def test_piston_rings(table):
    # Montgomery, 6th ed., Table 6.3 and Example 6.3; the printed limits were computed from
    # the rounded 74.001, 0.023 and 0.0094, hence one unit of tolerance on them.
    rings = samples(table, "montgomery_piston_rings", "diameter_mm", "I")
    by_range, by_sd = spc.xbar_r(rings), spc.xbar_s(rings)
    assert by_range.location.n == 25
    assert by_range.location.center[0] == pytest.approx(74.001, abs=5e-4)
    assert by_range.dispersion.center[0] == pytest.approx(0.023, abs=5e-4)
    assert by_sd.dispersion.center[0] == pytest.approx(0.0094, abs=5e-5)
    for charts in (by_range, by_sd):
        assert charts.location.upper[0] == pytest.approx(74.014, abs=1e-3)
        assert charts.location.lower[0] == pytest.approx(73.988, abs=1e-3)
        assert not charts.location.outside().any()
    assert by_range.dispersion.upper[0] == pytest.approx(0.049, abs=5e-4)
    assert by_sd.dispersion.upper[0] == pytest.approx(0.0196, abs=5e-5)
    assert by_range.dispersion.lower[0] == by_sd.dispersion.lower[0] == 0
    # From the printed rounded figures to the printed limits, with this code's factors.
    a2 = spc.control_chart_constants(5).A2
    assert round(74.001 + a2 * 0.023, 3) == 74.014
    # Printed means and standard deviations of the first five samples.
    assert by_range.location.values[:5] == pytest.approx(
        [74.010, 74.001, 74.008, 74.003, 74.003], abs=5e-4
    )
    assert by_sd.dispersion.values[:5] == pytest.approx(
        [0.0148, 0.0075, 0.0147, 0.0091, 0.0122], abs=5e-5
    )


def test_hard_bake(table):
    # Montgomery, 6th ed., Example 6.1: 1.5056, R-bar 0.32521, limits 1.69325 and 1.31795, R limit
    # 0.68749, sigma 0.1398, Cp 1.192 for 1.00-2.00 (A2 = 0.577, D4 = 2.114 there).
    charts = spc.xbar_r(samples(table, "montgomery_hard_bake", "flow_width_um"))
    assert charts.location.center[0] == pytest.approx(1.5056, abs=5e-5)
    assert charts.dispersion.center[0] == pytest.approx(0.32521, abs=5e-6)
    assert charts.location.upper[0] == pytest.approx(1.69325, abs=1e-4)
    assert charts.location.lower[0] == pytest.approx(1.31795, abs=1e-4)
    assert charts.dispersion.upper[0] == pytest.approx(0.68749, abs=2e-4)
    assert charts.location.sigma == pytest.approx(0.1398, abs=5e-5)
    assert (2.0 - 1.0) / (6 * charts.location.sigma) == pytest.approx(1.192, abs=5e-4)


def test_duplicates_as_subgroups_flag_ordinary_batches(batches):
    # Computed apart: R-bar 13.13, limits 1977.04-2026.42, 25 of 30 outside, sigma ratio 6.31.
    duplicates = batches("F01_baseline_duplicates")
    charts = spc.xbar_r(duplicates)
    assert round(charts.dispersion.center[0], 2) == 13.13
    assert round(charts.location.lower[0], 2) == 1977.04
    assert round(charts.location.upper[0], 2) == 2026.42
    assert charts.location.outside().sum() == 25
    check = spc.check_subgroups(duplicates)
    assert round(check.ratio, 2) == 6.31
    assert not check.rational


def test_rational_subgroups_pass_the_check(table):
    check = spc.check_subgroups(samples(table, "montgomery_piston_rings", "diameter_mm", "I"))
    assert check.rational
    assert check.ratio == pytest.approx(check.sigma_between / check.sigma_within)


def test_check_without_any_spread():
    assert spc.check_subgroups([[5.0, 5.0], [5.0, 5.0]]).ratio == 1.0
    steps = spc.check_subgroups([[5.0, 5.0], [6.0, 6.0]])
    assert steps.ratio == math.inf
    assert not steps.rational


UNEQUAL = [[10.1, 12.3], [11.0, 10.2, 11.9], [9.7, 12.0, 10.4, 11.1, 10.8], [10.9], [11.3, 10.0]]


def test_unequal_sizes_by_plain_arithmetic():
    charts = spc.xbar_r(UNEQUAL)
    several = [g for g in UNEQUAL if len(g) > 1]
    sigma = statistics.fmean((max(g) - min(g)) / D2[len(g)] for g in several)
    center = statistics.fmean(x for g in UNEQUAL for x in g)
    assert charts.location.sigma == pytest.approx(sigma, rel=5e-4)  # d2 to three decimals
    for i, group in enumerate(UNEQUAL):
        half = 3 * sigma / math.sqrt(len(group))
        assert charts.location.values[i] == pytest.approx(statistics.fmean(group))
        assert charts.location.upper[i] == pytest.approx(center + half, rel=5e-4)
        assert charts.location.lower[i] == pytest.approx(center - half, rel=5e-4)
        if len(group) > 1:
            assert charts.dispersion.values[i] == pytest.approx(max(group) - min(group))
            assert charts.dispersion.center[i] == pytest.approx(sigma * D2[len(group)], rel=1e-3)
            assert charts.dispersion.standard_error[i] == pytest.approx(
                sigma * D3[len(group)], rel=2e-3
            )
            border = sigma * (D2[len(group)] + 3 * D3[len(group)])
            assert charts.dispersion.upper[i] == pytest.approx(border, rel=2e-3)


def test_unequal_sizes_by_plain_arithmetic_with_standard_deviations():
    charts = spc.xbar_s(UNEQUAL)
    several = [g for g in UNEQUAL if len(g) > 1]
    sigma = statistics.fmean(statistics.stdev(g) / C4[len(g)] for g in several)
    assert charts.location.sigma == pytest.approx(sigma, rel=1e-4)
    for i, group in enumerate(UNEQUAL):
        if len(group) > 1:
            c4 = C4[len(group)]
            assert charts.dispersion.values[i] == pytest.approx(statistics.stdev(group))
            assert charts.dispersion.center[i] == pytest.approx(sigma * c4, rel=2e-4)
            error = sigma * math.sqrt(1 - c4**2)
            assert charts.dispersion.standard_error[i] == pytest.approx(error, rel=1e-3)
            border = sigma * (c4 + 3 * math.sqrt(1 - c4**2))
            assert charts.dispersion.upper[i] == pytest.approx(border, rel=5e-4)


@pytest.mark.parametrize("function", [spc.xbar_r, spc.xbar_s])
def test_a_single_value_has_wide_limits_and_no_spread(function):
    charts = function(UNEQUAL)
    half = charts.location.upper - charts.location.center
    assert half[3] == max(half)
    assert np.isnan(charts.dispersion.values[3])
    assert np.isnan(charts.dispersion.upper[3])
    assert not np.isnan(charts.dispersion.lower).any()
    assert not charts.dispersion.outside()[3]


@pytest.mark.parametrize("function", [spc.xbar_r, spc.xbar_s])
def test_lower_limit_of_spread_exists_for_large_subgroups_only(function):
    # D3 is 0 up to n = 6, B3 up to n = 5 (table of factors).
    rng = np.random.default_rng(5)
    assert function(rng.normal(10, 1, (4, 5))).dispersion.lower[0] == 0
    assert function(rng.normal(10, 1, (4, 7))).dispersion.lower[0] > 0


@pytest.mark.parametrize("function", [spc.xbar_r, spc.xbar_s])
def test_constant_subgroups(function):
    charts = function([[0.1, 0.1, 0.1]] * 4)
    assert charts.location.sigma == 0
    assert charts.location.z.tolist() == [0.0] * 4
    assert not charts.location.outside().any()
    assert not charts.dispersion.outside().any()


@pytest.mark.parametrize("function", [spc.xbar_r, spc.xbar_s, spc.check_subgroups])
@pytest.mark.parametrize(
    ("subgroups", "message"),
    [
        ([], "subgroups needs at least 2 subgroups, got 0: wait for more data"),
        ([[1.0, 2.0, 3.0]], "subgroups needs at least 2 subgroups, got 1: wait for more data"),
        (
            [[1.0], [2.0], [3.0]],
            (
                "subgroups needs a subgroup of two values or more, got single values only: "
                "chart them with individuals"
            ),
        ),
    ],
)
def test_too_few(function, subgroups, message):
    with pytest.raises(spc.TooFewPointsError) as caught:
        function(subgroups)
    assert str(caught.value) == message


values = st.floats(1, 1e4)
subgroups = st.lists(st.lists(values, min_size=2, max_size=6), min_size=2, max_size=12)


@given(
    st.integers(2, 9).flatmap(
        lambda n: st.lists(st.lists(values, min_size=n, max_size=n), min_size=2, max_size=12)
    )
)
def test_equal_sizes_reduce_to_the_textbook_form(groups):
    constants = spc.control_chart_constants(len(groups[0]))
    grand = statistics.fmean(statistics.fmean(g) for g in groups)
    r_bar = statistics.fmean(max(g) - min(g) for g in groups)
    s_bar = statistics.fmean(statistics.stdev(g) for g in groups)
    by_range, by_sd = spc.xbar_r(groups), spc.xbar_s(groups)
    assert by_range.location.center == pytest.approx(grand)
    assert by_range.location.upper == pytest.approx(grand + constants.A2 * r_bar, rel=1e-9)
    assert by_range.dispersion.upper == pytest.approx(constants.D4 * r_bar, rel=1e-9, abs=1e-6)
    assert by_range.dispersion.lower == pytest.approx(constants.D3 * r_bar, rel=1e-9, abs=1e-6)
    assert by_sd.location.upper == pytest.approx(grand + constants.A3 * s_bar, rel=1e-9)
    assert by_sd.dispersion.upper == pytest.approx(constants.B4 * s_bar, rel=1e-9, abs=1e-6)
    assert by_sd.dispersion.lower == pytest.approx(constants.B3 * s_bar, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("function", [spc.xbar_r, spc.xbar_s])
@given(subgroups, st.floats(-1e3, 1e3), st.floats(0.1, 10), st.randoms(use_true_random=False))
def test_laws(function, groups, shift, scale, random):
    plain = function(groups)
    assert (plain.location.lower <= plain.location.center).all()
    assert (plain.location.center <= plain.location.upper).all()
    assert (plain.dispersion.lower <= plain.dispersion.center).all()
    assert (plain.dispersion.center <= plain.dispersion.upper).all()

    moved = function([scale * np.array(g) + shift for g in groups])
    assert moved.location.upper == pytest.approx(
        scale * plain.location.upper + shift, rel=1e-8, abs=1e-6
    )
    assert moved.dispersion.upper == pytest.approx(
        scale * plain.dispersion.upper, rel=1e-8, abs=1e-6
    )

    # Neither the order inside a subgroup nor the order of subgroups moves a limit.
    mixed = [random.sample(g, len(g)) for g in groups]
    order = random.sample(range(len(groups)), len(groups))
    other = function([mixed[i] for i in order])
    assert other.location.sigma == pytest.approx(plain.location.sigma, rel=1e-9, abs=1e-9)
    assert other.location.upper == pytest.approx(plain.location.upper[order], rel=1e-9)

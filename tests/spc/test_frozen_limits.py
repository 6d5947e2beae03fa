"""Limits that stay: estimated on a baseline, applied to new points."""

import math
import statistics

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


groups = st.lists(st.lists(st.floats(1, 1e4), min_size=2, max_size=5), min_size=2, max_size=12)


@pytest.mark.parametrize("kind", ["three_way", "xbar_r", "xbar_s"])
@given(baseline=groups, later=groups)
def test_subgroups_too_equal_the_chart_of_the_baseline_whatever_comes_after(kind, baseline, later):
    limits, own = spc.freeze_limits(baseline, kind=kind), getattr(spc, kind)(baseline)
    assert (limits.center, limits.sigma) == (own.location.center[0], own.location.sigma)
    judged, n = limits.charts(baseline + later), len(baseline)
    for name in ("location", "dispersion", "within"):
        before, after = getattr(own, name), getattr(judged, name)
        if before is None:
            assert after is None
            continue
        for line in ("values", "lower", "center", "upper"):
            assert np.array_equal(getattr(after, line)[:n], getattr(before, line), equal_nan=True)
        assert after.outside()[:n].tolist() == before.outside().tolist()


def test_a_constant_baseline_flags_any_other_value():
    limits = spc.freeze_limits([0.1, 0.1, 0.1])
    assert limits.apply([0.1, 0.2]).outside().tolist() == [False, True]


def test_slow_drift_as_three_charts(batches):
    # As above with the duplicates on a chart of their own: none of the 40 later batches moves any
    # limit of the three charts, whatever their spread.
    readings = batches("S08_slow_drift")
    limits = spc.freeze_limits(readings[:20], kind="three_way")
    assert (round(limits.center, 1), round(limits.sigma, 1)) == (1996.6, 37.2)
    assert (limits.n, limits.n_points, limits.left_out) == (20, 20, ())
    ranges = [float(np.ptp(b)) for b in readings[:20]]
    # d2(2) = 2/√π
    assert limits.sigma_within == pytest.approx(statistics.fmean(ranges) * math.sqrt(math.pi) / 2)
    short, long = limits.charts(readings[:20]), limits.charts(readings)
    for name in ("location", "dispersion", "within"):
        few, many = getattr(short, name), getattr(long, name)
        for line in ("lower", "center", "upper"):
            assert set(getattr(many, line)) == set(getattr(few, line))
    assert np.flatnonzero(long.location.outside())[0] + 1 == 36
    wild = [*readings[:20], *([b[0], b[0] + 500.0] for b in readings[20:])]
    assert set(limits.charts(wild).within.upper) == set(long.within.upper)


UNEQUAL = [[10.1, 12.3], [11.0, 10.2, 11.9], [9.7, 12.0, 10.4, 11.1, 10.8], [10.9], [11.3, 10.0]]
# c4 and d2: ASTM MNL 7, table of factors.
D2, C4 = {2: 1.128, 3: 1.693, 5: 2.326}, {2: 0.7979, 3: 0.8862, 5: 0.9400}


@pytest.mark.parametrize(("kind", "table_of"), [("xbar_r", D2), ("xbar_s", C4)])
def test_subgroups_of_unequal_size_by_plain_arithmetic(kind, table_of):
    limits = spc.freeze_limits(UNEQUAL, kind=kind, left_out={1: "spindle not clean"})
    kept = [g for i, g in enumerate(UNEQUAL) if i != 1]
    spread = statistics.stdev if kind == "xbar_s" else lambda g: max(g) - min(g)
    sigma = statistics.fmean(spread(g) / table_of[len(g)] for g in kept if len(g) > 1)
    center = statistics.fmean(x for g in kept for x in g)
    assert limits.center == pytest.approx(center, rel=1e-12)
    assert limits.sigma == pytest.approx(sigma, rel=5e-4)  # three decimals of the factors
    assert (limits.n, limits.n_points, limits.left_out) == (4, 5, (1,))
    assert limits.reasons == ("spindle not clean",)
    # Sizes that the baseline never had: the limits follow from centre and sigma.
    later = [[10.0], [11.0] * 4, [12.0] * 9]
    charts = limits.charts(later)
    for i, n in enumerate((1, 4, 9)):
        half = 3 * limits.sigma / math.sqrt(n)
        assert charts.location.upper[i] == pytest.approx(limits.center + half, rel=1e-12)
        assert charts.location.lower[i] == pytest.approx(limits.center - half, rel=1e-12)
    # D2(4) = 4.698, D2(9) = 5.393 (printed 5.394); B6(4) = 2.088, B6(9) = 1.707.
    factors = (4.698, 5.393) if kind == "xbar_r" else (2.088, 1.707)
    assert charts.dispersion.upper[1:] / limits.sigma == pytest.approx(factors, abs=6e-4)
    assert charts.location.phase == charts.dispersion.phase == "given"


@pytest.mark.parametrize("kind", ["xbar_r", "xbar_s"])
def test_piston_rings_frozen(table, kind):
    # Montgomery, 6th ed., Example 6.3: 74.001 and 74.014 from samples 1-25; of the later ones
    # (from memory) 37-39 plot above.
    rows = table("montgomery_piston_rings")
    samples = np.array([float(row["diameter_mm"]) for row in rows]).reshape(40, 5)
    limits = spc.freeze_limits(samples[:25], kind=kind)
    assert limits.center == pytest.approx(74.001, abs=5e-4)
    chart = limits.apply(samples[25:])
    assert chart.upper[0] == pytest.approx(74.014, abs=1e-3)
    assert (np.flatnonzero(chart.outside()) + 26).tolist() == [37, 38, 39]


@pytest.mark.parametrize("kind", ["individuals", "three_way", "xbar_r", "xbar_s"])
def test_charts_say_which_points_counted(kind):
    rng = np.random.default_rng(12)
    data = [rng.normal(10, 1, n) for n in (2, 3, 1, 2, 4, 2, 2, 3)]
    if kind == "individuals":
        data = [float(one[0]) for one in data]
        own = spc.individuals(data)
    else:
        own = getattr(spc, kind)(data)
    assert own.location.phase == own.dispersion.phase == "estimated"
    assert own.location.counted.all()
    limits = spc.freeze_limits(data[:6], kind=kind, left_out=[1])
    judged = limits.charts(data)
    assert judged.location.phase == "given"
    assert judged.location.counted is None
    both = limits.charts(data, after_baseline=True)
    assert both.location.upper.tolist() == judged.location.upper.tolist()
    assert both.location.phase == both.dispersion.phase == "baseline"
    counted = [True, False, True, True, True, True, False, False]
    assert both.location.counted.tolist() == counted
    if kind in ("individuals", "three_way"):  # a moving range counts where both points do
        expected = [False, False, False, True, True, True, False, False]
    else:  # the third subgroup has one value, and no spread
        expected = [True, False, False, True, True, True, False, False]
    assert both.dispersion.counted.tolist() == expected
    # The limits really come from those points and no others.
    known = {True: 1.0, False: 100.0}
    moved = [one + known[use] for one, use in zip(data, counted, strict=True)]
    again = spc.freeze_limits(moved[:6], kind=kind, left_out={1: "found cause"})
    assert again.center == pytest.approx(limits.center + 1)
    assert again.sigma == pytest.approx(limits.sigma)
    if kind == "three_way":
        assert both.within.counted.tolist() == [True, False, False, True, True, True, False, False]
        assert again.sigma_within == pytest.approx(limits.sigma_within)


def test_given_and_estimated_within_limits_are_told_apart():
    charts = spc.three_way([[1.0, 2.0], [2.0, 4.0]], center=2, sigma=1)
    assert (charts.location.phase, charts.within.phase) == ("given", "estimated")
    assert spc.three_way([[1.0, 2.0], [2.0]], sigma_within=1).within.phase == "given"
    assert spc.individuals_log([1.0, 2.0]).location.phase == "estimated"
    assert spc.individuals_log([1.0], center=1, sigma=1).location.phase == "given"
    assert spc.ewma([1.0], 1, 1).phase == "given"


def test_a_baseline_without_replicates_gives_no_third_chart():
    limits = spc.freeze_limits([[10.0], [14.0], [12.0]], kind="three_way")
    assert limits.sigma_within is None
    assert limits.charts([[10.0, 12.0], [11.0, 11.5]]).within is None
    # Replicates only in a batch that was left out: none to set limits from either.
    left = spc.freeze_limits([[10.0], [14.0], [12.0, 99.0]], kind="three_way", left_out=[2])
    assert left.sigma_within is None


@pytest.mark.parametrize("kind", ["xbar_r", "xbar_s"])
def test_degrees_of_freedom_inside_subgroups(kind):
    # A. J. Duncan, table of d2*, constant difference for n = 2…6 and 10 (from memory): 0.876,
    # 1.815, 2.738, 3.623, 4.466, 7.453 a subgroup for ranges.
    for n, one in ((2, 0.876), (3, 1.815), (4, 2.738), (5, 3.623), (6, 4.466), (10, 7.453)):
        found = spc.freeze_limits(np.tile(np.arange(float(n)), (40, 1)), kind=kind)
        if kind == "xbar_r":
            assert found.degrees_of_freedom == pytest.approx(40 * one, rel=1e-3)
        else:  # never more than there are, and nearly all of them
            assert 40 * (n - 1.25) < found.degrees_of_freedom < 40 * (n - 1)
            assert n == 2 or found.degrees_of_freedom > 1.005 * 40 * one
    # By simulation for unequal sizes: 1 / (2 cv²).
    rng = np.random.default_rng(7)
    sizes = [2, 3, 5, 2, 8, 4, 2, 3]
    sigmas = np.array([
        spc.freeze_limits([rng.normal(size=n) for n in sizes], kind=kind).sigma
        for _ in range(4000)
    ])  # fmt: skip
    freedom = spc.freeze_limits([rng.normal(size=n) for n in sizes], kind=kind).degrees_of_freedom
    measured = sigmas.mean() ** 2 / (2 * sigmas.var())
    assert measured == pytest.approx(freedom, rel=0.08)  # its standard error is 2.3 %


@pytest.mark.parametrize(
    ("left_out", "indices", "reasons"),
    [
        ([2, 0], (0, 2), ("", "")),
        ({2: "wrong spindle ", 0: "start-up"}, (0, 2), ("start-up", "wrong spindle")),
        (np.array([0, 2]), (0, 2), ("", "")),
        ({0, 2}, (0, 2), ("", "")),
        ([2, 0, 2], (0, 2), ("", "")),
        ((), (), ()),
        ({}, (), ()),
    ],
)
@pytest.mark.parametrize("kind", ["individuals", "three_way", "xbar_r", "xbar_s"])
def test_what_may_be_left_out(kind, left_out, indices, reasons):
    data = [[1.0, 2.0], [2.0, 4.0], [9.0, 9.5], [3.0, 1.0], [2.0, 2.5]]
    if kind == "individuals":
        data = [one[0] for one in data]
    limits = spc.freeze_limits(data, left_out=left_out, kind=kind)
    assert (limits.left_out, limits.reasons) == (indices, reasons)
    kept = [one for i, one in enumerate(data) if i not in indices]
    assert limits.n == len(kept)
    assert limits.center == pytest.approx(np.mean(kept))


MASK = "left_out must hold indices, got a mask of True and False: numpy.flatnonzero makes indices"


@pytest.mark.parametrize(
    ("left_out", "message"),
    [
        ([True, False, False, False], MASK),
        (np.array([False, True, False, False]), MASK),
        ({True: "a"}, MASK),
        ([1.0], "left_out must hold indices, whole numbers, got 1.0"),
        ([[1]], r"left_out must hold indices, whole numbers, got \[1\]"),
        ([None], "left_out must hold indices, whole numbers, got None"),
        (["1"], "left_out must hold indices, whole numbers, got '1'"),
        ("1", "left_out must hold indices, or causes by index, got '1'"),
        (1, "left_out must hold indices, or causes by index, got 1"),
        (None, "left_out must hold indices, or causes by index, got None"),
        ([-1], "left_out must hold indices from 0 to 3, got -1"),
        ([4], "left_out must hold indices from 0 to 3, got 4"),
        ({1: ""}, "left_out must give the cause of each index in words, got '' for 1: no point"),
        ({1: None}, "left_out must give the cause of each index in words, got None for 1"),
    ],
)
@pytest.mark.parametrize("kind", ["individuals", "three_way", "xbar_r", "xbar_s"])
def test_what_may_not_be_left_out(kind, left_out, message):
    data = [[1.0, 2.0], [2.0, 4.0], [9.0, 9.5], [3.0, 1.0]]
    if kind == "individuals":
        data = [one[0] for one in data]
    with pytest.raises(spc.ArgumentError, match=f"^{message}"):
        spc.freeze_limits(data, left_out=left_out, kind=kind)


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
        (spc.ArgumentError, {"values": [[1.0, 2.0]], "kind": "xbar_r", "method": "total"},
         "method must be 'range' for xbar_r, got 'total'"),
        (spc.ArgumentError, {"values": [1.0, 2.0], "kind": "run"},
         "kind must be one of individuals, three_way, xbar_r, xbar_s, got 'run'"),
        (spc.ArgumentError, {"values": [1.0, 2.0], "kind": ["xbar_r"]},
         "kind must be one of individuals, three_way, xbar_r, xbar_s, got ['xbar_r']"),
        (spc.TooFewPointsError,
         {"values": [[1.0, 2.0], [2.0, 3.0]], "kind": "xbar_r", "left_out": [1]},
         "values needs 2 subgroups that are not left out, got 1: wait for more data"),
        (spc.TooFewPointsError,
         {"values": [[1.0, 2.0], [2.0], [4.0]], "kind": "xbar_s", "left_out": [0]},
         "values needs a subgroup of two values or more that is not left out: "
         "freeze single values as individuals"),
        (spc.TooFewPointsError, {"values": [], "kind": "three_way"},
         "values needs 2 subgroups that are not left out, got 0: wait for more data"),
        (spc.ArgumentError, {"values": [], "kind": "xbar_r", "left_out": [0]},
         "left_out must hold indices of points, and there are none, got 0"),
    ],
)  # fmt: skip
def test_refused(error, arguments, message):
    with pytest.raises(error) as caught:
        spc.freeze_limits(**arguments)
    assert str(caught.value) == message


def test_the_baseline_must_stand_in_front():
    limits = spc.freeze_limits([1.0, 2.0, 4.0])
    with pytest.raises(
        spc.TooFewPointsError, match=r"^values must begin with the 3 points of the baseline, got 2"
    ):
        limits.charts([1.0, 2.0], after_baseline=True)
    by_hand = spc.FrozenLimits(2.0, 1.0, 20, "moving_range", 12.0)
    assert by_hand.apply([2.0, 6.0]).outside().tolist() == [False, True]
    with pytest.raises(spc.ArgumentError, match=r"^after_baseline needs limits that know their"):
        by_hand.charts([1.0, 2.0], after_baseline=True)

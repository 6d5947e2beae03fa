"""Batch means as individuals with the replicates on a chart of their own."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def test_baseline_scenario(batches):
    # Computed apart: 2001.73, limits as of individuals, R-bar 13.133, upper 42.91 (with 3.267).
    duplicates = batches("F01_baseline_duplicates")
    charts = spc.three_way(duplicates)
    assert charts.kind == "three_way"
    assert round(charts.location.center[0], 2) == 2001.73
    assert charts.location.outside().sum() == 0
    assert round(charts.within.center[0], 3) == 13.133
    assert round(13.13333 * 3.267, 2) == 42.91
    assert charts.within.upper[0] == pytest.approx(42.91, abs=0.011)
    # One pair, B014, differs by 47: chance, 1 in 100 pairs, and no fault of the batch means.
    assert np.flatnonzero(charts.within.outside()).tolist() == [13]
    assert charts.within.values[13] == 47


def test_foam_shows_in_the_replicates(batches):
    # Computed apart, limit from the first 20 batches: ranges of B022, B024, B025, B026 outside.
    duplicates = batches("S09_aeration")
    border = spc.three_way(duplicates[:20]).within.upper[0]
    ranges = spc.three_way(duplicates).within.values
    assert (np.flatnonzero(ranges > border) + 1).tolist() == [22, 24, 25, 26]


def test_lot_change(batches):
    # Computed apart with the limits of the first 18 batches (1-based).
    means = spc.three_way(batches("S04_lot_change")).location.values
    first = spc.individuals(means[:18]).location
    chart = spc.individuals(means, center=first.center[0], sigma=first.sigma).location
    signals = spc.run_rule_signals(chart)
    found = {
        rule.key: (signals.index[np.array(signals.rule) == rule.key] + 1).tolist()
        for rule in spc.FOUR_ZONE_RULES
    }
    assert found == {
        "beyond_3_sigma": [21, 23, 24, 25, 26, 28, 30, 32, 33, 34],
        "2_of_3_beyond_2_sigma": [*range(20, 35), 36],
        "4_of_5_beyond_1_sigma": list(range(22, 37)),
        "8_on_one_side": list(range(25, 37)),
    }


def test_wrong_spindle(batches):
    # Computed apart with the limits of the baseline scenario (2001.73 and 73.44).
    means = spc.three_way(batches("S01_spindle_swapped")).location.values
    chart = spc.individuals(means, center=2001.73, sigma=73.44).location
    signals = spc.run_rule_signals(chart)
    assert list(zip((signals.index + 1).tolist(), signals.rule, strict=True)) == [
        (13, "beyond_3_sigma"),
        (14, "beyond_3_sigma"),
        (14, "2_of_3_beyond_2_sigma"),
        (15, "beyond_3_sigma"),
        (15, "2_of_3_beyond_2_sigma"),
        (17, "4_of_5_beyond_1_sigma"),
    ]


def test_sigma_of_replicates_is_not_that_of_batches(batches):
    charts = spc.three_way(batches("F01_baseline_duplicates"))
    assert charts.within.sigma < charts.location.sigma / 6


def test_a_batch_with_one_reading_keeps_its_place():
    charts = spc.three_way([[10.0, 12.0], [14.0], [12.0, 13.0]])
    assert charts.location.values.tolist() == [11.0, 14.0, 12.5]
    assert charts.location.n == charts.within.n == 3
    assert np.isnan(charts.within.values).tolist() == [False, True, False]
    assert charts.within.values[[0, 2]].tolist() == [2.0, 1.0]
    assert not charts.within.outside().any()


def test_without_replicates_there_is_no_third_chart():
    charts = spc.three_way([[10.0], [14.0], [12.0]])
    assert charts.within is None
    assert charts.location.values.tolist() == [10.0, 14.0, 12.0]


def test_replicates_that_always_agree():
    charts = spc.three_way([[10.0, 10.0], [14.0, 14.0], [12.0, 12.0]])
    assert charts.within.sigma == 0
    assert charts.within.upper.tolist() == [0.0, 0.0, 0.0]
    assert not charts.within.outside().any()


@pytest.mark.parametrize("groups", [[], [[1.0, 2.0]]])
def test_too_few(groups):
    message = f"^subgroups needs at least 2 batches, got {len(groups)}: wait for more data$"
    with pytest.raises(spc.TooFewPointsError, match=message):
        spc.three_way(groups)


groups = st.lists(st.lists(st.floats(1, 1e4), min_size=1, max_size=4), min_size=2, max_size=15)


@given(groups)
def test_is_individuals_of_the_means(batches_of_readings):
    charts = spc.three_way(batches_of_readings)
    single = spc.individuals([sum(b) / len(b) for b in batches_of_readings])
    assert charts.location.upper == pytest.approx(single.location.upper, rel=1e-9)
    assert charts.dispersion.values[1:] == pytest.approx(single.dispersion.values[1:], abs=1e-7)


@given(groups, st.randoms(use_true_random=False))
def test_the_order_of_replicates_does_not_matter(batches_of_readings, random):
    mixed = [random.sample(b, len(b)) for b in batches_of_readings]
    plain, other = spc.three_way(batches_of_readings), spc.three_way(mixed)
    assert other.location.upper == pytest.approx(plain.location.upper, rel=1e-9)
    if plain.within is None:
        assert other.within is None
    else:
        assert other.within.values == pytest.approx(plain.within.values, nan_ok=True)

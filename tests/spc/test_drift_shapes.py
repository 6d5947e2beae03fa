"""Change points: worked scenarios, measured coverage, laws, and the borders of what is said."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc
from spc.drift.lone import lone_values
from spc.drift.shapes import interval, level_starts


def alike(rng, n, phi):
    """A stationary first-order series of unit variance."""
    values = rng.normal(size=n)
    for i in range(1, n):
        values[i] = phi * values[i - 1] + np.sqrt(1 - phi**2) * values[i]
    return values


# --- worked scenarios: numbers computed apart from this code ---------------------------------


def means_of(batches, name):
    return np.array([rows.mean() for rows in batches(name)])


def test_lot_change(batches):
    found = spc.change_point(means_of(batches, "S04_lot_change"))
    assert (found.kind, found.start) == ("step", 18)
    assert found.size == pytest.approx(140.9, abs=0.05)
    assert (found.size_low, found.size_high) == pytest.approx((116.2, 165.6), abs=0.05)
    assert found.percent == pytest.approx(7.03, abs=0.005)


def test_slow_drift(batches):
    found = spc.change_point(means_of(batches, "S08_slow_drift"))
    assert found.kind == "ramp"
    # It was put in from the 21st batch on, a broken line by least squares begins at the 25th.
    assert found.start_low <= 20 <= 24 <= found.start_high
    assert found.percent == pytest.approx(-9.7, abs=0.5)


def test_five_levels(batches):
    found = spc.change_point(means_of(batches, "S12_unstable_capability"))
    assert found.kind == "levels"
    assert found.starts == (10, 20, 30, 40)


def test_three_batches_with_another_spindle(batches):
    found = spc.change_point(means_of(batches, "S01_spindle_swapped"))
    assert (found.kind, found.start, found.stop) == ("stretch", 12, 15)


@pytest.mark.parametrize("name", ["F01_baseline_duplicates", "S05_early_reading"])
def test_nothing_in_time(batches, name):
    assert spc.change_point(means_of(batches, name)).kind == "none"


def test_wandering_is_no_change(batches):
    found = spc.change_point(means_of(batches, "S10_autocorrelated"))
    assert found.kind == "none"
    assert found.neighbours == pytest.approx(0.6, abs=0.05)


# --- measured -----------------------------------------------------------------------------------


def test_quiet_series_stay_quiet():
    rng = np.random.default_rng(1)
    found = [
        spc.change_point(alike(rng, int(rng.integers(25, 150)), rng.uniform(0, 0.3))).kind
        for _ in range(500)
    ]
    assert np.mean([kind != "none" for kind in found]) <= 0.04


def test_intervals_cover_start_and_size():
    rng = np.random.default_rng(2)
    start_in, size_in, seen = [], [], 0
    for _ in range(500):
        n, phi = int(rng.integers(25, 150)), rng.uniform(0, 0.3)
        at, size = int(rng.uniform(0.25, 0.75) * n), rng.uniform(1.5, 4)
        found = spc.change_point(alike(rng, n, phi) + size * (np.arange(n) >= at))
        seen += found.kind != "none"
        if found.kind == "step":
            start_in.append(found.start_low <= at <= found.start_high)
            size_in.append(found.size_low <= size <= found.size_high)
    assert seen >= 480
    # Whole batches: an interval of one batch is right more often than 19 times in 20.
    assert 0.93 <= np.mean(start_in) <= 0.985
    assert 0.91 <= np.mean(size_in) <= 0.98


def test_a_ramp_is_told_from_a_step():
    rng = np.random.default_rng(3)
    kinds, start_in = [], []
    for _ in range(150):
        n = int(rng.integers(60, 150))
        at = int(rng.uniform(0.2, 0.6) * n)
        ramp = np.clip((np.arange(n) - at + 1) / (n - at), 0, None)
        found = spc.change_point(rng.normal(size=n) + 4 * ramp)
        kinds.append(found.kind)
        if found.kind == "ramp":
            start_in.append(found.start_low <= at <= found.start_high)
    assert kinds.count("ramp") >= 130
    assert 0.91 <= np.mean(start_in) <= 1.0


# --- against brute force --------------------------------------------------------------------------


def squares(values):
    return float(np.sum((values - values.mean()) ** 2))


@pytest.mark.parametrize("seed", range(5))
def test_levels_against_all_partitions(seed):
    values = np.random.default_rng(seed).normal(size=18).cumsum()
    found = level_starts(values)
    for changes in (1, 2, 3):
        best = min(
            sum(squares(values[a:b]) for a, b in zip((0, *at), (*at, 18), strict=True))
            for at in combinations(range(1, 18), changes)
            if min(np.diff((0, *at, 18))) >= 4
        )
        at = (0, *found[changes - 1].tolist(), 18)
        assert sum(squares(values[a:b]) for a, b in pairwise(at)) == (pytest.approx(best))


def test_interval_takes_the_likeliest_places():
    places, weights = np.arange(10, 15), np.array([0.01, 0.2, 0.7, 0.05, 0.04])
    assert interval(places, weights) == (11, 13)
    # 0.949 is nearer to 0.95 than 0.999 is.
    assert interval(places, np.array([0.0, 0.949, 0.05, 0.001, 0.0])) == (11, 11)


# --- laws and borders ---------------------------------------------------------------------------


@given(
    seed=st.integers(0, 10_000),
    shift=st.floats(-1e3, 1e3),
    scale=st.floats(0.01, 100),
    flip=st.booleans(),
)
def test_units_do_not_matter(seed, shift, scale, flip):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=40) + 5 * (np.arange(40) >= 22)
    factor = -scale if flip else scale
    one, other = spc.change_point(values), spc.change_point(shift + factor * values)
    assert (one.kind, one.start, one.start_low, one.start_high) == (
        other.kind,
        other.start,
        other.start_low,
        other.start_high,
    )
    assert other.size == pytest.approx(factor * one.size, rel=1e-6)


def test_a_lone_value_changes_nothing():
    rng = np.random.default_rng(8)
    for _ in range(40):
        values = rng.normal(size=60) + 3 * (np.arange(60) >= 30)
        wild = values.copy()
        wild[12] += 40
        found = spc.change_point(wild)
        assert found.lone == (12,)
        assert abs(found.start - spc.change_point(values).start) <= 2


def test_two_in_a_row_are_not_lone():
    values = np.random.default_rng(9).normal(size=30)
    values[[10, 11]] += 30
    assert not lone_values(values).any()


def test_no_spread_and_too_few():
    assert spc.change_point([5.0] * 30).kind == "none"
    assert spc.change_point([1.0, 2.0, 9.0]).kind == "none"
    with pytest.raises(spc.TooFewPointsError, match="at least 1 point"):
        spc.change_point([])
    with pytest.raises(spc.ArgumentError, match="finite"):
        spc.change_point([1.0, np.nan])


def test_an_exact_step_and_ties():
    assert spc.change_point([1.0] * 10 + [2.0] * 10).start == 10
    rng = np.random.default_rng(4)
    rounded = np.round(rng.normal(size=60)) + 4 * (np.arange(60) >= 40)
    assert spc.change_point(rounded).start == pytest.approx(40, abs=1)


def test_a_short_stretch_in_a_long_record_is_seen():
    rng = np.random.default_rng(6)
    values = 2000 + 60 * rng.normal(size=1500)
    values[731:735] *= 0.5
    found = spc.change_point(values)
    assert (found.kind, found.start, found.stop) == ("stretch", 731, 735)

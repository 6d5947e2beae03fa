"""The effect of an action: against scipy's Welch interval, and by its states."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from spc.drift import effect
from spc.errors import TooFewPointsError

VALUES = st.lists(st.floats(900, 1100), min_size=3, max_size=20)


@pytest.mark.parametrize("seed", range(12))
def test_interval_against_scipy(seed):
    rng = np.random.default_rng([411, seed])
    before = rng.normal(2000, 40, rng.integers(5, 60))
    after = rng.normal(2050, 80, rng.integers(2, 15))
    found = effect(before, [2150, 2140], after)
    welch = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert found.difference == pytest.approx(after.mean() - before.mean())
    half = (found.high - found.low) / 2
    assert half == pytest.approx(found.widened * (welch.high - welch.low) / 2)
    assert found.widened >= 1
    assert found.percent == pytest.approx(100 * (after.mean() / before.mean() - 1))
    assert found.change == pytest.approx(2145 - before.mean())


def test_what_was_put_in_decides_the_state():
    rng = np.random.default_rng(412)
    before, changed = rng.normal(2000, 20, 40), rng.normal(2140, 20, 30)
    assert effect(before, changed, rng.normal(2000, 20, 12)).state == "back"
    assert effect(before, changed, rng.normal(2140, 20, 12)).state == "not back"
    assert effect(before, changed, rng.normal(2070, 20, 12)).state == "not back"
    noisy = effect(rng.normal(2000, 400, 10), [2100.0], rng.normal(2050, 400, 10))
    assert noisy.state == "undecided"


def test_too_few_batches_are_said_as_such():
    rng = np.random.default_rng(413)
    before, changed = rng.normal(2000, 20, 40), rng.normal(2140, 20, 30)
    none = effect(before, changed, [])
    assert (none.state, none.n, none.needed) == ("too few", 0, 8)
    assert np.isnan([none.difference, none.low, none.high, none.percent]).all()
    one = effect(before, changed, [2010.0])
    assert (one.state, one.n) == ("too few", 1)
    assert np.isfinite(one.difference)
    assert np.isnan(one.low)
    seven = effect(before, changed, rng.normal(2000, 20, 7))
    assert (seven.state, seven.n) == ("too few", 7)
    assert effect(before, changed, rng.normal(2000, 20, 8)).state != "too few"


def test_only_the_first_fifteen_count():
    before, changed = [2000.0, 2010.0, 1990.0] * 5, [2140.0]
    after = [2000.0, 2005.0] * 7 + [1995.0]
    assert effect(before, changed, [*after, 9000.0, 9000.0]) == effect(before, changed, after)


@pytest.mark.parametrize("seed", [414, 415])
def test_the_interval_holds_the_truth(seed):
    rng = np.random.default_rng(seed)
    held = 0
    for _ in range(400):
        found = effect(rng.normal(100, 3, 30), [120.0], rng.normal(101, 3, 12))
        held += found.low <= 1.0 <= found.high
    assert held / 400 >= 0.93  # widened at times, so never less than stated


def test_alike_neighbours_widen_it():
    rng = np.random.default_rng(416)
    shocks = rng.normal(0, 10, 60)
    wandering = 2000 + np.array([shocks[: i + 1] @ 0.8 ** np.arange(i, -1, -1) for i in range(60)])
    assert effect(wandering[:45], [2200.0], wandering[45:]).widened > 1.5


@given(VALUES, VALUES, st.floats(-500, 500))
def test_a_shift_of_all_moves_nothing(before, after, by):
    plain = effect(before, [1200.0], after)
    moved = effect(np.array(before) + by, [1200.0 + by], np.array(after) + by)
    assert moved.difference == pytest.approx(plain.difference, abs=1e-6)
    assert moved.change == pytest.approx(plain.change, abs=1e-6)


def test_nothing_to_compare_with_is_refused():
    with pytest.raises(TooFewPointsError, match="before needs at least 2 points and changed 1"):
        effect([2000.0], [2100.0], [2000.0] * 9)
    with pytest.raises(TooFewPointsError, match="got 2 and 0"):
        effect([2000.0, 2001.0], [], [2000.0] * 9)


def test_without_any_scatter():
    flat = effect([2000.0] * 5, [2100.0], [2000.0] * 9)
    assert (flat.state, flat.low, flat.high) == ("back", 0.0, 0.0)

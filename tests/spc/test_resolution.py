"""Recording too coarse for limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


@pytest.mark.parametrize("of_readings", [True, False])
def test_baseline_rounded(batches, of_readings):
    # Step 10 is 0.14 sigma: fine. Step 100 is 1.4 sigma: not usable.
    groups = batches("F01_baseline_duplicates")
    for step, sufficient in ((10, True), (100, False)):
        if of_readings:
            means = [(np.round(g / step) * step).mean() for g in groups]
            check = spc.check_resolution(means, step=step)
        else:
            means = np.round(np.array([g.mean() for g in groups]) / step) * step
            check = spc.check_resolution(means)
            assert check.step == step
        assert check.sufficient is sufficient
        assert (check.reason == "") is sufficient
    assert check.step_over_sigma == pytest.approx(1.45, abs=0.1)
    assert "steps of 100" in check.reason


def test_baseline_as_it_is_is_fine(batches):
    assert spc.check_resolution([g.mean() for g in batches("F01_baseline_duplicates")]).sufficient


def test_coarse_values_really_raise_false_alarms():
    rng = np.random.default_rng(2)
    values = rng.normal(0, 1, (400, 100))
    rates = {}
    for step in (0.1, 3.0):
        rounded = np.round(values / step) * step
        flags = [spc.individuals(row).location.outside().mean() for row in rounded]
        verdicts = [spc.check_resolution(row, step=step).sufficient for row in rounded]
        rates[step] = (np.mean(flags), np.mean(verdicts))
    assert rates[0.1][1] == 1.0
    assert rates[3.0][1] == 0.0
    assert rates[3.0][0] > 2 * rates[0.1][0]


def test_few_values_are_no_sign_of_rounding():
    assert spc.check_resolution([1.0, 2.5, 1.7]).sufficient


def test_few_different_ranges():
    # Steps of 1 with sigma about 1.3: 0, 1, 2 are all the ranges there are.
    values = [0.0, 2.0, 1.0, 1.0, 2.0, 0.0, 1.0, 2.0, 0.0, 2.0, 1.0]
    check = spc.check_resolution(values)
    assert (check.sufficient, check.distinct_ranges) == (False, 3)
    assert check.reason == (
        "only 3 different moving ranges below the limit: recorded too coarsely, in steps of 1, to "
        "set limits from; record finer"
    )


def test_nothing_moves():
    check = spc.check_resolution([5.0, 5.0, 5.0])
    assert (check.step, check.step_over_sigma, check.sufficient) == (None, None, False)
    assert check.reason == "all 3 values are 5: nothing moves"
    with pytest.raises(spc.NoSpreadError, match="values must differ to show their recording step"):
        spc.recording_step([5.0, 5.0])


@given(st.lists(st.integers(-500, 500), min_size=2, max_size=40, unique=True), st.integers(1, 9))
def test_the_step_is_seen_through_binary_fractions(steps, tenths):
    # 0.1 · k for whole k: the smallest difference is a whole number of tenths.
    values = np.array(steps) * tenths / 10
    smallest = np.diff(np.sort(steps)).min() * tenths / 10
    assert spc.recording_step(values) == pytest.approx(smallest, rel=1e-9)


@pytest.mark.parametrize("step", [0, -1])
def test_refused(step):
    with pytest.raises(spc.ArgumentError, match=f"step must be finite and above 0, got {step}"):
        spc.check_resolution([1.0, 2.0], step=step)

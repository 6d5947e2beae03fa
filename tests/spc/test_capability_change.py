"""Two periods of one index: how often the interval of the difference holds the truth."""

import numpy as np
import pytest

import spc


def _of(values):
    return spc.capability(values, 1800, 2200)


def test_the_interval_covers_what_it_promises():
    """Drawn here: 2000 pairs of periods of 30 to 60 batches around a true Ppk of 0.95."""
    rng = np.random.default_rng(20260)
    held = false_alarms = 0
    for draw in range(2000):
        n = (30, 60)[draw % 2]
        one, other = rng.normal(2000, 70, n), rng.normal(2000, 70, 40)
        found = spc.capability_change(_of(one), _of(other))
        held += found.interval[0] <= 0 <= found.interval[1]
        false_alarms += found.changed
    assert held + false_alarms == 2000
    assert 0.935 < held / 2000 < 0.985


def test_a_large_change_is_seen_and_has_its_sign():
    rng = np.random.default_rng(3)
    found = spc.capability_change(_of(rng.normal(2000, 40, 60)), _of(rng.normal(2000, 80, 60)))
    assert found.changed
    assert found.difference < 0
    back = spc.capability_change(_of(rng.normal(2000, 80, 60)), _of(rng.normal(2000, 40, 60)))
    assert back.difference > 0


def test_1_4_to_1_1_with_30_batches_each_is_no_detectable_change():
    """By hand: √(1/270 + 1.4²/58 + 1/270 + 1.1²/58) = 0.2494; 1.96 times that is 0.489 > 0.3."""
    one = spc.capability_from_summary(2000, 200 / 3 / 1.4, 30, 1800, 2200)
    other = spc.capability_from_summary(2000, 200 / 3 / 1.1, 30, 1800, 2200)
    found = spc.capability_change(one, other)
    assert not found.changed
    assert found.interval == pytest.approx((-0.3 - 0.489, -0.3 + 0.489), abs=0.001)


def test_two_specifications_are_refused():
    one = spc.capability_from_summary(2000, 70, 30, 1800, 2200)
    other = spc.capability_from_summary(2000, 70, 30, 1800, 2300)
    with pytest.raises(spc.SpcError, match="one specification"):
        spc.capability_change(one, other)

"""The table of process and measurement: which explanation a set of changes points to."""

import numpy as np
import pytest

from spc.drift import CheckRuns, Moved, pair, scan_checks
from spc.drift.checks import locate


def moved(role, percent, error, torque=40.0, name=""):
    return Moved(name or role, role, float(np.log1p(percent / 100)), error / 100, torque, 20, 20)


def likeliest(series, **more):
    found = pair(series, **more).probabilities
    return max(found, key=found.get)


@pytest.mark.parametrize(
    ("series", "expected"),
    [
        # Same percentage on all: the spring. 510 for 500 and 1530 for 1500 is a gain of 1.02.
        (
            [moved("target", 2, 0.4, 40), moved("check", 2, 0.1, 10), moved("check", 2, 0.1, 30)],
            "gain",
        ),
        # 510 for 500 and 1510 for 1500: more at low torque, an offset.
        (
            [
                moved("target", 0.5, 0.2, 40),
                moved("check", 2, 0.1, 10),
                moved("check", 0.67, 0.1, 30),
            ],
            "zero_offset",
        ),
        # −5.4, −2.7 and −2.3 % at 40, 64 and 20 % torque: each by a sensitivity of its own.
        (
            [
                moved("target", -5.4, 0.8, 40),
                moved("check", -2.3, 0.2, 20),
                moved("other", -2.7, 0.7, 64),
            ],
            "temperature_bath",
        ),
        ([moved("target", 7, 0.6, 40), moved("check", 0.01, 0.15, 20)], "process"),
        (
            [
                moved("target", 0.1, 0.3, 40),
                moved("other", -0.1, 0.3, 50),
                moved("check", 3, 0.1, 20),
            ],
            "reference",
        ),
    ],
)
def test_rows_of_the_table(series, expected):
    assert likeliest(series) == expected


def test_a_process_change_of_one_product_leaves_others_alone():
    found = pair([moved("target", 7, 0.6), moved("check", 0, 0.15), moved("other", 0, 0.5)])
    assert found.probabilities["process"] > 0.999


def test_wide_check_runs_decide_nothing():
    found = pair([moved("target", 3, 0.8), moved("check", 1.4, 1.2)])
    assert 0.2 < found.measurement < 0.8


def test_offset_and_gain_in_numbers():
    found = pair(
        [
            moved("target", 3.0, 0.01, 40),
            moved("check", 6.0, 0.01, 20),
            moved("check", 1.5, 0.01, 80),
        ]
    )
    assert found.offset_percent == pytest.approx(1.2, abs=0.01)
    same = pair([moved("target", 2.0, 0.01), moved("check", 2.0, 0.01)])
    assert same.gain_percent == pytest.approx(2.0, abs=1e-6)


def test_recorded_temperature_speaks():
    series = [moved("target", -4, 0.5), moved("check", -3.6, 0.3, 20)]
    before = pair(series).probabilities["temperature_bath"]
    assert pair(series, 0.8).probabilities["temperature_bath"] > before
    assert pair(series, -0.8).probabilities["temperature_bath"] < before


def test_without_torque_an_offset_is_not_weighed():
    series = [moved("target", 2, 0.4, np.nan), moved("check", 2, 0.1, np.nan)]
    assert "zero_offset" not in pair(series).probabilities


def runs(values, name="CHK"):
    n = len(values)
    blank = np.full(n, np.nan)
    return CheckRuns(name, "V1", np.arange(n) + 0.2, np.array(values), blank, blank)


def test_check_standards_that_stand_still():
    rng = np.random.default_rng(1)
    quiet = [
        scan_checks([runs(1000 * np.exp(0.004 * rng.normal(size=40)))], "V1") for _ in range(200)
    ]
    assert np.mean([max(one.log_odds.values()) > 2.5 for one in quiet]) <= 0.015


def test_a_step_of_two_fluids_is_placed():
    rng = np.random.default_rng(2)
    covered = []
    for _ in range(120):
        at = int(rng.integers(12, 30))
        both = [
            runs(v * np.exp(0.004 * rng.normal(size=40) + 0.01 * (np.arange(40) >= at)), str(v))
            for v in (1000.0, 4000.0)
        ]
        scan = scan_checks(both, "V1")
        assert scan.log_odds["step"] > 2.5
        batch_times = np.arange(40) + 0.5
        movement = locate(scan, "step", batch_times, 0.03 * rng.normal(size=40))
        order = np.argsort(-movement.weights)
        held = np.cumsum(movement.weights[order])
        kept = order[: int(np.searchsorted(held, 0.95)) + 1]
        # Both the first moved run (at) and the batch before it (at - 0.5) mean the same start.
        covered.append(bool(np.any(np.abs(movement.times[kept] - (at - 0.1)) < 0.5)))
    assert np.mean(covered) >= 0.93


def test_too_few_runs_say_nothing():
    assert scan_checks([runs([1000.0, 1001.0, 999.0])], "V1") is None
    assert scan_checks([runs([1000.0] * 30)], "V1") is None
    assert scan_checks([runs([1000.0, 1004.0] * 10)], "V2") is None

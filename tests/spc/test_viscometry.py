"""Torque factor, full scale, speed, time. Torque checks are common practice, no source."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

import spc

SCENARIOS = [
    "F01_baseline_duplicates", "F02_levels", "S01_spindle_swapped", "S02_zero_drift",
    "S03_bath_plus_1C", "S04_lot_change", "S05_early_reading", "S07_transcription",
    "S08_slow_drift", "S09_aeration", "S10_autocorrelated", "S11_short_runs",
    "S12_unstable_capability", "S06_mixed_units",
]  # fmt: skip


def disagreeing(rows):
    found = []
    for spindle in sorted({row["spindle"] for row in rows}):
        own = [row for row in rows if row["spindle"] == spindle]
        times = {"mPa.s": 1, "Pa.s": 1000}
        viscosity = [float(row["viscosity"]) * times[row["unit"]] for row in own]
        check = spc.check_torque_factor(viscosity, [float(r["torque_pct"]) for r in own], step=1)
        found += [
            (row["batch"], int(row["replicate"]), round(float(told)))
            for row, told, agrees in zip(own, check.from_torque, check.agrees, strict=True)
            if not agrees
        ]
    return found


@pytest.mark.parametrize("name", SCENARIOS)
def test_only_the_planted_errors_are_found(name, table):
    # Planted: a factor of ten and a digit swap; two rows in Pa·s labelled mPa·s. Nowhere else.
    planted = {
        "S07_transcription": [("B008", 1, 1985), ("B012", 2, 1935)],
        "S06_mixed_units": [("B018", 1, 2000), ("B018", 2, 2020)],
    }
    assert disagreeing(table(name)) == planted.get(name, [])


def test_factor_full_scale_and_ratio_of_a_wrong_unit(table):
    rows = [row for row in table("S06_mixed_units") if row["unit"] == "mPa.s"]
    check = spc.check_torque_factor(
        [float(row["viscosity"]) for row in rows], [float(row["torque_pct"]) for row in rows]
    )
    assert check.factor == pytest.approx(50, abs=0.05)
    assert check.full_scale == pytest.approx(5000, abs=5)
    wrong = [row["batch"] == "B018" for row in rows]
    assert (1 + check.deviation[wrong]) * check.factor == pytest.approx(0.05, abs=0.0001)
    assert check.learned


def test_allowance_by_hand():
    # Rounding of the torque alone: 0.05/10 = 0.5 % at 10 %, 0.1 % at 50 %; and half a step / value.
    check = spc.check_torque_factor([500, 2500], [10, 50], 50, step=1)
    assert check.allowed == pytest.approx([0.005 + 0.5 / 500 + 0.005, 0.001 + 0.0002 + 0.005])
    assert not check.learned
    edge = spc.check_torque_factor([2515.4, 2515.6], [50, 50], 50, step=1)
    assert edge.agrees.tolist() == [True, False]  # 0.62 % of 2500 is 15.5


def test_the_median_shrugs_off_errors():
    torque = np.array([39.7, 40.2, 39.0, 40.6, 38.5])
    shown = 50 * torque
    shown[:2] *= [10, 0.001]
    assert spc.torque_factor(shown, torque) == pytest.approx(50, rel=1e-12)


def test_factor_at_another_speed():
    # 20 rpm: 50; 50 rpm: 20; factor × speed constant.
    assert spc.factor_at_speed(50, 20, 50) == 20
    assert spc.factor_at_speed(50, 20, [20, 50, 100]).tolist() == [50, 20, 10]


def test_error_table():
    # Arithmetic 100 / T, printed to two figures.
    torque = [5, 10, 12, 15, 20, 25, 33, 50, 75, 100]
    printed = ["20", "10", "8.3", "6.7", "5", "4", "3.0", "2", "1.3", "1"]
    for error, text in zip(spc.error_at_torque(1, torque), printed, strict=True):
        digits = len(text.partition(".")[2])
        assert round(float(error), digits) == float(text)
    # ± 50 of 5000: 1.3 % at 4000, 10 % at 500; an offset of 0.5 % FS: 0.6 % and 5 %.
    full_scale = 5000
    at = 100 * np.array([4000, 500]) / full_scale
    assert spc.error_at_torque(1, at) == pytest.approx([50 / 4000 * 100, 10])
    assert spc.error_at_torque(0.5, at) == pytest.approx([25 / 4000 * 100, 5])


def test_power_law():
    # Recomputed independently here through logarithms to base 10, printed digits as in the notes.
    for n, ratio, printed in [(0.5, 2.5, 0.632), (0.5, 10, 0.316), (0.7, 2, 0.81)]:
        found = float(spc.power_law_ratio(n, ratio))
        assert found == pytest.approx(10 ** ((n - 1) * math.log10(ratio)), rel=1e-12)
        assert round(found, len(str(printed)) - 2) == printed


def test_shear_thinning_index_of_a_power_law_product():
    found = spc.shear_thinning_index(1.0, spc.power_law_ratio(0.5, 10))
    assert found == pytest.approx(10**0.5, rel=1e-12)
    assert spc.shear_thinning_index(2000, 2000) == 1  # Newtonian


def test_reading_too_early():
    # Recomputed independently here with math.exp; printed 2607, 2368, 2135, 2018 and +10.9 %.
    found = spc.thixotropic_decay([15, 30, 60, 120], at_rest=3000, final=2000, time_constant=30)
    expected = [2000 + 1000 * math.exp(-t / 30) for t in (15, 30, 60, 120)]
    assert found == pytest.approx(expected, rel=1e-14)
    assert found.round().tolist() == [2607, 2368, 2135, 2018]
    assert round(100 * (found[1] / found[2] - 1), 1) == 10.9


rows = st.lists(st.tuples(st.floats(10, 100), st.floats(0.9, 1.1)), min_size=5, max_size=20)


@given(rows, st.floats(0.01, 1000))
def test_the_unit_of_viscosity_does_not_matter(values, unit):
    torque = np.array([t for t, _ in values])
    shown = 50 * torque * [r for _, r in values]
    plain = spc.check_torque_factor(shown, torque, step=1)
    other = spc.check_torque_factor(unit * shown, torque, step=unit)
    assert other.factor == pytest.approx(unit * plain.factor, rel=1e-12)
    assert other.deviation == pytest.approx(plain.deviation, abs=1e-12)
    clear = np.abs(np.abs(plain.deviation) - plain.allowed) > 1e-9
    assert (other.agrees == plain.agrees)[clear].all()


@given(st.floats(10, 100), st.floats(1, 1000), st.sampled_from([0.1, 1.0, 10.0]))
def test_honest_rounding_never_disagrees(torque, factor, step):
    # The rule is first order: the recording step must be small against the value.
    viscosity = round(torque * factor / step) * step
    assume(viscosity >= 20 * step)
    check = spc.check_torque_factor([viscosity], [round(torque, 1)], factor, step=step)
    assert check.agrees.all()


@given(st.floats(0.1, 1.5), st.floats(0.01, 100), st.floats(0.01, 100))
def test_speed_ratios_multiply(n, first, second):
    found = spc.power_law_ratio(n, first) * spc.power_law_ratio(n, second)
    assert spc.power_law_ratio(n, first * second) == pytest.approx(float(found), rel=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.torque_factor([2000] * 4, [40] * 4), "at least 5 rows to learn"),
        (lambda: spc.torque_factor([2000] * 5, [40] * 4), "must match, got 5 and 4"),
        (lambda: spc.torque_factor([2000] * 5, [40] * 4 + [0]), "torque_percent must be above 0"),
        (lambda: spc.torque_factor([0] * 5, [40] * 5), "viscosity must be above 0, got 0"),
        (lambda: spc.check_torque_factor([2000], [40]), "at least 5 rows to learn"),
        (lambda: spc.check_torque_factor([2000], [40], 0), "factor must be finite and above 0"),
        (lambda: spc.check_torque_factor([2000], [40], 50, step=-1), "step must not be negative"),
        (lambda: spc.check_torque_factor([math.nan], [40], 50), "viscosity must be finite"),
        (lambda: spc.factor_at_speed(50, 0, 20), "speed must be above 0"),
        (lambda: spc.error_at_torque(1, 0), "torque_percent must be above 0"),
        (lambda: spc.error_at_torque(1, 1e-320), "torque_percent is too small to divide by"),
        (lambda: spc.error_at_torque([1, 1], [1, 2, 3]), "must match in shape"),
        (lambda: spc.power_law_ratio(-1, 2), "exponent must be above 0"),
        (lambda: spc.power_law_ratio(1e6, 1e6), "exponent gives a factor of e to the"),
        (lambda: spc.shear_thinning_index(1, 0), "at_high_speed must be above 0"),
        (
            lambda: spc.thixotropic_decay(-1, at_rest=1, final=1, time_constant=1),
            "seconds must not be negative",
        ),
    ],
)
def test_refusals(call, message):
    with pytest.raises(spc.SpcError, match=message):
        call()

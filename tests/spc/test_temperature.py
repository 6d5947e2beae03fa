"""Temperature: sensitivity, activation energy, correction and its guard."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc
from spc.temperature import GAS_CONSTANT

# --- conversions


def test_gas_constant():
    # CODATA 2018: k N_A, both exact in the SI.
    assert pytest.approx(1.380649e-23 * 6.02214076e23, rel=1e-14) == GAS_CONSTANT


def test_percent_per_degree_at_25():
    # Recomputed independently here by a central difference of ln viscosity.
    energies = [20, 30, 40, 50, 60, 80, 95]
    printed = [2.7, 4.1, 5.4, 6.8, 8.1, 10.8, 12.9]
    for energy, percent in zip(energies, printed, strict=True):
        found = float(spc.sensitivity_from_energy(1000 * energy, 25))
        step = 0.001
        fall = 1000 * energy / GAS_CONSTANT * (1 / (298.15 - step) - 1 / (298.15 + step))
        assert found == pytest.approx(100 * fall / (2 * step), rel=1e-9)
        assert round(found, 1) == percent
        assert spc.energy_from_sensitivity(found, 25) == pytest.approx(1000 * energy, rel=1e-14)


def test_water():
    # Two values of ISO/TR 3666 and IAPWS R12-08; energy computed apart: 17169.53 J/mol, 2.4 %/°C.
    found = spc.activation_energy_fit([20, 25], [1.0016, 0.8900])
    assert found.energy == pytest.approx(17169.53075926025, rel=1e-8)
    assert (found.interval, found.residual_percent) == (None, None)
    slope = spc.temperature_sensitivity([20, 25], [1.0016, 0.8900])
    assert round(slope.percent_per_degree, 1) == 2.4


def test_measured_liquids():
    # Silicone fluid, J. Plastination: 1500 and 410 mPa·s at -25 and 25 °C, 2.6 %/°C.
    # Honey, Pol. J. Food Nutr. Sci. 68(3) 2018: 6120, 603, 145 at 30, 50, 70 °C: 11.6 then 7.1.
    for temperatures, viscosities, percent in [
        ([-25, 25], [1500, 410], 2.6),
        ([30, 50], [6120, 603], 11.6),
        ([50, 70], [603, 145], 7.1),
    ]:
        found = spc.temperature_sensitivity(temperatures, viscosities)
        by_hand = 100 * math.log(viscosities[0] / viscosities[1]) / np.diff(temperatures)[0]
        assert found.percent_per_degree == pytest.approx(by_hand, rel=1e-12)
        assert round(found.percent_per_degree, 1) == percent


# Computed apart from viscosity = A exp(E / RT): multiply a reading by this to get the 25 °C value.
FACTORS = {
    (15000, 20): 0.9019417074771298, (15000, 23): 0.9599597077943622,
    (15000, 24.5): 0.9898869756622294, (15000, 25.5): 1.0101819604796936,
    (15000, 27): 1.0411432475200448, (15000, 30): 1.1049509599500649,
    (30000, 20): 0.8134988436867603, (30000, 23): 0.9215226405886374,
    (30000, 24.5): 0.9798762245857152, (30000, 25.5): 1.0204675932785972,
    (30000, 27): 1.0839792618565853, (30000, 30): 1.22091662389457,
    (50000, 20): 0.7089161984830866, (50000, 23): 0.8726565435172086,
    (50000, 24.5): 0.966685862066873, (50000, 25.5): 1.0343448644140172,
    (50000, 27): 1.1438479266175186, (50000, 30): 1.3946867612656786,
}  # fmt: skip


@pytest.mark.parametrize(("energy", "taken"), FACTORS)
def test_a_warm_reading_is_corrected_up(energy, taken):
    factor = float(spc.arrhenius_factor(energy, taken, 25))
    assert factor == pytest.approx(FACTORS[energy, taken], rel=1e-9)
    assert (factor > 1) == (taken > 25)
    assert factor * spc.arrhenius_factor(energy, 25, taken) == pytest.approx(1, rel=1e-14)


@pytest.mark.parametrize(
    ("energy", "percent"),
    [(15000, 2.0294924809247172), (30000, 4.0589849618494345), (50000, 6.764974936415725)],
)
def test_sensitivities_computed_apart(energy, percent):
    assert spc.sensitivity_from_energy(energy, 25) == pytest.approx(percent, rel=1e-9)


@given(st.floats(-1e5, 1e5), st.floats(-40, 200), st.floats(-40, 200), st.floats(-40, 200))
def test_factors_chain(energy, a, b, c):
    there = float(spc.arrhenius_factor(energy, a, b) * spc.arrhenius_factor(energy, b, c))
    assert spc.arrhenius_factor(energy, a, c) == pytest.approx(there, rel=1e-9)


@given(st.floats(1e3, 1e5), st.floats(-40, 200))
def test_conversion_there_and_back(energy, at):
    percent = spc.sensitivity_from_energy(energy, at)
    assert spc.energy_from_sensitivity(percent, at) == pytest.approx(energy, rel=1e-12)


# --- fits


def made_up(random, n, energy=50_000, noise=0.01):
    temperature = np.linspace(20, 30, n)
    exact = 2000 * np.exp(energy / GAS_CONSTANT * (1 / (temperature + 273.15) - 1 / 298.15))
    return temperature, exact * np.exp(random.normal(0, noise, n))


def test_fits_against_scipy():
    from scipy import stats

    temperature, viscosity = made_up(np.random.default_rng(25), 9)
    t = stats.t.ppf(0.975, 7)
    slope = spc.temperature_sensitivity(temperature, viscosity)
    other = stats.linregress(temperature, np.log(viscosity))
    assert slope.percent_per_degree == pytest.approx(-100 * other.slope, rel=1e-10)
    expected = (
        -100 * (other.slope + t * other.stderr),
        -100 * (other.slope - t * other.stderr),
    )
    assert slope.interval == pytest.approx(expected, rel=1e-9)
    assert (slope.n, slope.lowest, slope.highest) == (9, 20, 30)
    fit = spc.activation_energy_fit(temperature, viscosity)
    inverse = stats.linregress(1 / (GAS_CONSTANT * (temperature + 273.15)), np.log(viscosity))
    assert fit.energy == pytest.approx(inverse.slope, rel=1e-9)
    assert np.diff(fit.interval)[0] == pytest.approx(2 * t * inverse.stderr, rel=1e-8)
    # Both describe the same product: 50 kJ/mol, 6.8 %/°C.
    assert fit.interval[0] < 50_000 < fit.interval[1]
    assert slope.interval[0] < 6.765 < slope.interval[1]


def test_coverage_of_the_intervals():
    # 4,000 series each; standard error of a coverage 0.34 %.
    random = np.random.default_rng(1930)
    temperature = np.array([24.0, 24.5, 25.0, 25.5, 26.0])
    runs = 2000 * np.exp(-0.06 * (temperature - 25) + random.normal(0, 0.006, (4000, 5)))
    ends = np.array([spc.temperature_sensitivity(temperature, run).interval for run in runs])
    assert 0.94 < np.mean((ends[:, 0] <= 6) & (ends[:, 1] >= 6)) < 0.96
    ends = np.array([spc.activation_energy_fit(*made_up(random, 5)).interval for _ in range(4000)])
    assert 0.94 < np.mean((ends[:, 0] <= 50_000) & (ends[:, 1] >= 50_000)) < 0.96


points = st.lists(st.floats(100, 5000), min_size=4, max_size=4)


@given(points, st.floats(0.001, 1000), st.floats(-20, 100))
def test_unit_and_zero_of_the_scale_do_not_matter(viscosity, unit, zero):
    temperature = np.array([20.0, 22.0, 25.0, 30.0])
    plain = spc.temperature_sensitivity(temperature, viscosity)
    other = spc.temperature_sensitivity(temperature + zero, unit * np.array(viscosity))
    assert other.percent_per_degree == pytest.approx(plain.percent_per_degree, abs=1e-8)
    assert other.interval == pytest.approx(plain.interval, rel=1e-6, abs=1e-6)
    assert plain.interval[0] <= plain.percent_per_degree <= plain.interval[1]


def test_no_dependence_at_all():
    found = spc.temperature_sensitivity([20, 25, 30], [2000, 2000, 2000])
    assert found.percent_per_degree == 0
    assert found.interval == (0, 0)


# --- correction and influence


def test_correction_keeps_both_values_and_its_direction():
    # By hand: 2000 exp(-0.06) = 1883.5 read one degree warm.
    found = spc.correct_to_reference([1883.53, 2000.0], [26, 25], 25, sensitivity_percent=6)
    assert found.corrected == pytest.approx([2000, 2000], abs=0.01)
    assert found.as_read.tolist() == [1883.53, 2000.0]
    assert found.factor == pytest.approx([math.exp(0.06), 1])
    cold = spc.correct_to_reference(2000, 24.5, 25, sensitivity_percent=6)
    assert cold.corrected < cold.as_read


def test_correction_agrees_with_activation_energy_over_one_degree():
    # Over 1 °C the straight line and Arrhenius differ by less than 0.05 % of the viscosity.
    percent = float(spc.sensitivity_from_energy(80_000, 25))
    for taken in (24, 24.5, 25.5, 26):
        line = spc.correct_to_reference(1000, taken, 25, sensitivity_percent=percent).factor
        assert float(line) == pytest.approx(
            float(spc.arrhenius_factor(80_000, taken, 25)), rel=5e-4
        )


@pytest.mark.parametrize("taken", [26, 24, 25.999999])
def test_one_degree_is_allowed(taken):
    assert spc.correct_to_reference(2000, taken, 25, sensitivity_percent=6).factor > 0
    assert spc.correct_to_reference(2000, 23.1, 22.1, sensitivity_percent=6).factor > 1


@given(st.floats(100, 5000), st.floats(-1, 1), st.floats(-15, 15), st.floats(0.001, 1000))
def test_correction_and_back(viscosity, away, percent, unit):
    there = spc.correct_to_reference(viscosity, 25 + away, 25, sensitivity_percent=percent)
    back = spc.correct_to_reference(
        float(there.corrected), 25, 25 + away, sensitivity_percent=percent
    )
    assert float(back.corrected) == pytest.approx(viscosity, rel=1e-12)
    scaled = spc.correct_to_reference(unit * viscosity, 25 + away, 25, sensitivity_percent=percent)
    assert float(scaled.corrected) == pytest.approx(unit * float(there.corrected), rel=1e-12)


def test_bath_one_degree_warm():
    # Simulated with 6, 2.5 and 2.2 %/°C; computed apart: -5.82, -2.47, -2.18 %.
    for percent, fall in [(6, -5.82), (2.5, -2.47), (2.2, -2.18)]:
        found = spc.temperature_influence(
            26, 25, sensitivity_percent=percent, repeatability_percent=0.6
        )
        assert round(float(found.percent), 2) == fall
        assert found.outweighs


def test_influence_against_repeatability():
    found = spc.temperature_influence(
        [25.0, 25.1, 24.9, 25.2], 25, sensitivity_percent=6, repeatability_percent=0.7
    )
    assert found.outweighs.tolist() == [False, False, False, True]  # 0, 0.6, 0.6, 1.2 %
    assert np.sign(found.percent).tolist() == [0, -1, 1, -1]


# --- mineral oil


def test_walther_worksheet():
    # ASTM D341; public worksheet: 32 and 5.4 mm²/s at 40 and 100 °C give 8.5 at 80 °C.
    found = spc.walther_viscosity((40, 100), (32, 5.4), [40, 80, 100])
    assert found == pytest.approx([32, 8.533214691536111, 5.4], rel=1e-9)  # computed apart, 273.15
    assert round(float(found[1]), 1) == 8.5


@given(st.floats(3, 1000), st.floats(2.5, 100), st.floats(40, 60))
def test_walther_does_not_care_for_order(first, second, at):
    one = spc.walther_viscosity((40, 60), (max(first, second), min(first, second)), at)
    other = spc.walther_viscosity((60, 40), (min(first, second), max(first, second)), at)
    assert one == pytest.approx(float(other), rel=1e-6)


# --- refusals


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.temperature_sensitivity([25], [1]), "temperature needs at least 2"),
        (lambda: spc.temperature_sensitivity([25, 25], [1, 2]), "temperature must differ"),
        (lambda: spc.temperature_sensitivity([25, 26], [1, 0]), "viscosity must be above 0"),
        (lambda: spc.temperature_sensitivity([25, 26], [1, 2, 3]), "must match, got 2 and 3"),
        (lambda: spc.temperature_sensitivity([25, math.nan], [1, 2]), "temperature must be finite"),
        (lambda: spc.activation_energy_fit([25, -300], [1, 2]), "temperature must be above -273"),
        (lambda: spc.activation_energy_fit([25, 25], [1, 2]), "must differ to have a slope"),
        (lambda: spc.sensitivity_from_energy(1, -273.15), "temperature must be above -273.15"),
        (lambda: spc.arrhenius_factor(1e9, 20, 90), "energy gives a factor of e to the"),
        (lambda: spc.arrhenius_factor([1, 2], [1, 2, 3], 1), "must match in shape"),
        (
            lambda: spc.correct_to_reference(2000, 26.1, 25, sensitivity_percent=6),
            "temperature must lie within 1 °C of 25, got 26.1: measure again",
        ),
        (
            lambda: spc.correct_to_reference([2000, 1], [25, 23.5], 25, sensitivity_percent=6),
            "got 23.5",
        ),
        (lambda: spc.correct_to_reference(0, 25, 25, sensitivity_percent=6), "viscosity must be"),
        (
            lambda: spc.correct_to_reference(1, 26, 25, sensitivity_percent=1e6),
            "sensitivity_percent gives a factor",
        ),
        (
            lambda: spc.temperature_influence(
                25, 25, sensitivity_percent=6, repeatability_percent=0
            ),
            "repeatability_percent must be finite and above 0",
        ),
        (lambda: spc.walther_viscosity((40, 40), (32, 5.4), 80), "temperatures must differ"),
        (lambda: spc.walther_viscosity((40, 100), (32, 1.5), 80), "kinematic must be above 2"),
        (lambda: spc.walther_viscosity((40,), (32, 5), 80), "hold two numbers each, got 1 and 2"),
        (lambda: spc.walther_viscosity((40, 41), (1e6, 3), -200), "at gives a factor of e"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(spc.SpcError, match=message):
        call()

"""Tolerance beside own history, En, offset and gain."""

import importlib.resources
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

# --- two verdicts. The rule "both errors added" is common practice, no source.


@pytest.mark.parametrize(("full_scale", "window"), [(5000, (940, 1060)), (2500, (965, 1035))])
def test_window_of_a_reference_fluid(full_scale, window):
    # 1000 mPa·s ± 1 % on an instrument of ± 1 % of full scale: 1 % of FS + 10, by hand.
    verdict = spc.tolerance_verdict(1000, 1000, 0.01 * full_scale, 0.01 * 1000)
    assert (verdict.lower, verdict.upper) == window
    on_border = spc.tolerance_verdict(
        [*window, window[0] - 0.1, window[1] + 0.1], 1000, 0.01 * full_scale, 10
    )
    assert on_border.inside.tolist() == [True, True, False, False]


def test_a_drift_of_three_percent_passes_the_tolerance_only():
    # Own standard deviation 0.4 %: 1000 ± 3 × 4, by hand.
    own = spc.individuals([1030.0], center=1000.0, sigma=0.004 * 1000).location
    assert (own.lower[0], own.upper[0]) == (988, 1012)
    both = spc.two_verdicts(spc.tolerance_verdict(1030, 1000, 50, 10), own.lower, own.upper)
    assert both.phrases == ("inside tolerance, outside own control limits",)


def test_every_pair_of_answers():
    tolerance = spc.tolerance_verdict([1000, 1030, 1100, 1012], 1000, 50, 10)
    assert spc.two_verdicts(tolerance, 988, 1012).phrases == (
        "inside tolerance, inside own control limits",
        "inside tolerance, outside own control limits",
        "outside tolerance, outside own control limits",
        "inside tolerance, inside own control limits",  # a reading on a limit is not beyond it
    )
    wide = spc.two_verdicts(tolerance, 880, 1120)
    assert wide.phrases[2] == "outside tolerance, inside own control limits"
    none = spc.two_verdicts(tolerance)
    assert none.phrases[0] == "inside tolerance, no own control limits yet"
    assert none.inside_own is None


def test_zero_drift_is_seen_by_the_own_chart_ten_days_before_the_tolerance(table):
    # The rows in order: 1004 1003 999 999 1003 999 1005 1010 | 1014 (9th) … 1059 (18th) | 1068.
    rows = [row for row in table("S02_zero_drift") if row["batch"] == "CHK-1000"]
    readings = [float(row["viscosity"]) for row in rows]
    both = spc.two_verdicts(spc.tolerance_verdict(readings, 1000, 50, 10), 988, 1012)
    assert int(np.argmin(both.inside_own)) + 1 == 9
    assert int(np.argmin(both.tolerance.inside)) + 1 == 19


@given(st.floats(0.001, 1e4), st.integers(1, 9999), st.integers(0, 50), st.integers(1, 50))
def test_the_border_itself_is_inside_in_any_unit(unit, certified, fluid, instrument):
    for side in (-1, 1):
        reading = (certified + side * (fluid + instrument)) * unit
        verdict = spc.tolerance_verdict(reading, certified * unit, instrument * unit, fluid * unit)
        assert verdict.inside.tolist() == [True]


# --- En


def test_en_by_hand():
    # A right-angled 6-8-10 triangle: 10 / √(6² + 8²) = 1.
    assert spc.en_number(1010, 8, 1000, 6) == 1.0
    assert spc.en_number([1010, 990, 1005], 8, 1000, 6).tolist() == [1.0, -1.0, 0.5]
    assert spc.en_number(1010, 10, 1000, 0) == 1.0


@given(
    st.floats(-1e4, 1e4),
    st.floats(-1e4, 1e4),
    st.floats(0.1, 1e3),
    st.floats(0.1, 1e3),
    st.floats(0.01, 100),
)
def test_en_changes_sign_with_the_roles_and_has_no_unit(a, b, first, second, unit):
    en = float(spc.en_number(a, first, b, second))
    assert spc.en_number(b, second, a, first) == -en
    assert spc.en_number(unit * a, unit * first, unit * b, unit * second) == pytest.approx(
        en, rel=1e-9, abs=1e-7
    )


# --- offset and gain


@pytest.mark.parametrize(
    ("readings", "offset", "gain"), [([510, 1510], 10, 1.000), ([510, 1530], 0, 1.020)]
)
def test_two_fluids(readings, offset, gain):
    # By hand: gain = difference of readings / 1000, offset = what is left at 500.
    found = spc.offset_and_gain([500, 1500], readings)
    assert found.offset == pytest.approx(offset, abs=1e-9)
    assert found.gain == pytest.approx(gain, abs=1e-12)
    assert (found.offset_interval, found.gain_interval, found.residual_sd) == (None, None, None)
    assert found.moved is None
    assert found.n_fluids == 2


def test_nist_norris():
    # NIST StRD, linear regression, Norris (calibration of ozone monitors); file of SciPy's wheel.
    where = importlib.resources.files("scipy.stats.tests") / "data/nist_linregress/Norris.dat"
    if not where.is_file():
        pytest.skip("this build of SciPy ships no test data")
    rows = [line.split() for line in where.read_text(encoding="ascii").splitlines()[60:96]]
    y, x = np.array(rows, dtype=float).T
    found = spc.offset_and_gain(x, y)
    assert found.offset == pytest.approx(-0.262323073774029, rel=1e-12)
    assert found.gain == pytest.approx(1.00211681802045, rel=1e-14)
    assert found.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)
    t = 2.0322445093177173  # Student t, 34 degrees of freedom, 97.5 %
    half = np.diff(found.gain_interval)[0] / 2, np.diff(found.offset_interval)[0] / 2
    assert half[0] == pytest.approx(t * 0.429796848199937e-03, rel=1e-9)
    assert half[1] == pytest.approx(t * 0.232818234301152, rel=1e-9)
    assert found.moved == ("gain",)  # offset: -0.26 ± 0.47


def test_zero_drift_is_an_offset(table):
    # Computed apart: +60.2 and +58.6 over the last five days, simulated offset 1.2 % of 5000.
    rows = [row for row in table("S02_zero_drift") if row["sample_type"] == "check"][-10:]
    certified = [float(row["batch"].removeprefix("CHK-")) for row in rows]
    readings = [float(row["viscosity"]) for row in rows]
    low, high = np.array(readings[::2]), np.array(readings[1::2])
    assert low.mean() - 1000 == pytest.approx(60.2, abs=0.05)
    assert high.mean() - 4000 == pytest.approx(58.6, abs=0.05)
    found = spc.offset_and_gain(certified, readings)
    # By hand: gain 1 + (58.6 - 60.2) / 3000, offset 60.2 - 1000 (gain - 1).
    assert found.gain == pytest.approx(1 - 1.6 / 3000, abs=1e-9)
    assert found.offset == pytest.approx(60.2 + 1.6 / 3, abs=1e-6)
    assert round(found.offset_percent_of(5000), 1) == 1.2
    assert found.moved == ("offset",)


def test_against_scipy():
    from scipy import stats

    random = np.random.default_rng(20250301)
    certified = np.repeat([500.0, 1500.0, 4000.0], [3, 2, 4])
    readings = 12 + 1.01 * certified + random.normal(0, 5, certified.size)
    found = spc.offset_and_gain(certified, readings, 0.9)
    other = stats.linregress(certified, readings)
    t = stats.t.ppf(0.95, certified.size - 2)
    assert found.gain == pytest.approx(other.slope, rel=1e-12)
    assert found.offset == pytest.approx(other.intercept, rel=1e-10)
    for interval, middle, error in (
        (found.gain_interval, other.slope, other.stderr),
        (found.offset_interval, other.intercept, other.intercept_stderr),
    ):
        assert interval == pytest.approx((middle - t * error, middle + t * error), rel=1e-9)
    assert (found.n, found.n_fluids) == (9, 3)


def test_coverage_of_the_intervals():
    # 4,000 instruments with offset 10 and gain 1.01; standard error of a coverage: 0.34 %.
    random = np.random.default_rng(68)
    certified = np.repeat([500.0, 4000.0], 3)
    runs = 10 + 1.01 * certified + random.normal(0, 6, (4000, 6))
    found = [spc.offset_and_gain(certified, run) for run in runs]
    for interval, truth in (("offset_interval", 10), ("gain_interval", 1.01)):
        ends = np.array([getattr(one, interval) for one in found])
        covered = np.mean((ends[:, 0] <= truth) & (truth <= ends[:, 1]))
        assert 0.94 < covered < 0.96


readings = st.lists(st.floats(10, 5000), min_size=4, max_size=4)


@given(readings, st.floats(-50, 50), st.floats(0.5, 2))
def test_offset_and_gain_follow_the_readings(values, added, times):
    certified = [500, 500, 1500, 4000]
    plain = spc.offset_and_gain(certified, values)
    moved = spc.offset_and_gain(certified, added + times * np.array(values))
    assert moved.offset == pytest.approx(added + times * plain.offset, rel=1e-9, abs=1e-6)
    assert moved.gain == pytest.approx(times * plain.gain, rel=1e-9, abs=1e-9)
    low, high = plain.gain_interval
    assert moved.gain_interval == pytest.approx((times * low, times * high), rel=1e-7, abs=1e-7)


@given(readings)
def test_the_unit_of_the_fluids_does_not_matter(values):
    certified = np.array([500.0, 500.0, 1500.0, 4000.0])
    plain = spc.offset_and_gain(certified, values)
    other = spc.offset_and_gain(certified / 1000, np.array(values) / 1000)
    assert other.gain == pytest.approx(plain.gain, rel=1e-9, abs=1e-9)
    assert other.offset == pytest.approx(plain.offset / 1000, rel=1e-8, abs=1e-8)


def test_readings_exactly_on_a_line():
    found = spc.offset_and_gain([0, 1, 2], [1, 3, 5])
    assert (found.offset, found.gain, found.residual_sd) == (1.0, 2.0, 0.0)
    assert found.offset_interval == (1.0, 1.0)
    assert found.moved == ("offset", "gain")


# --- refusals


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.tolerance_verdict(1000, 1000, 0, 0), "both 0"),
        (lambda: spc.tolerance_verdict(1000, 1000, -5), "instrument_tolerance must not be neg"),
        (lambda: spc.tolerance_verdict(1000, 1000, 50, -1), "fluid_uncertainty must not be neg"),
        (lambda: spc.tolerance_verdict(math.nan, 1000, 50), "readings must be finite"),
        (lambda: spc.tolerance_verdict([], 1000, 50), "readings needs at least 1"),
        (lambda: spc.tolerance_verdict([[1.0]], 1000, 50), "readings must be one-dimensional"),
        (lambda: spc.tolerance_verdict("much", 1000, 50), "readings must hold numbers"),
        (
            lambda: spc.tolerance_verdict([1, [2, 3]], 1000, 50),
            "readings must hold numbers only, in rows",
        ),
        (lambda: spc.tolerance_verdict(1000, math.inf, 50), "certified must be finite"),
        (
            lambda: spc.two_verdicts(spc.tolerance_verdict(1, 1, 1), own_lower=3),
            "belong together",
        ),
        (lambda: spc.two_verdicts(spc.tolerance_verdict(1, 1, 1), 3, 2), "swap them"),
        (
            lambda: spc.two_verdicts(spc.tolerance_verdict([1, 1], 1, 1), [0, 0, 0], 2),
            "must match in shape",
        ),
        (
            lambda: spc.two_verdicts(spc.tolerance_verdict(1, 1, 1), [0, 0], [2, 2]),
            "one a reading, got 2 for 1 readings",
        ),
        (lambda: spc.en_number(1, 0, 1, 0), "both 0"),
        (lambda: spc.en_number(1, -1, 1, 1), "expanded_uncertainty must not be negative, got -1"),
        (lambda: spc.en_number([1, 2], [1, 1, 1], 1, 1), "must match in shape"),
        (lambda: spc.offset_and_gain([500], [510]), "certified needs at least 2"),
        (lambda: spc.offset_and_gain([500, 500], [510, 511]), "certified must differ"),
        (lambda: spc.offset_and_gain([500, 1500], [510]), "readings needs at least 2"),
        (lambda: spc.offset_and_gain([500, 1500], [1, 2, 3]), "must match, got 2 and 3"),
        (lambda: spc.offset_and_gain([1, 2], [1, 2], 1.5), "confidence must lie between"),
        (lambda: spc.offset_and_gain([1, 2], [1, 2]).offset_percent_of(0), "full_scale must be"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(spc.SpcError, match=message):
        call()

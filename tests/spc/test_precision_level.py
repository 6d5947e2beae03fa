"""Precision against the level: the creosote example, weighted fits by numpy, laws, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


@pytest.fixture(scope="module")
def creosote(table):
    rows = table("iso5725_2_creosote")
    values, lab, level = (
        np.array([float(row[key]) for row in rows]) for key in ("pct_mm", "lab", "level")
    )
    kept = (lab != 1) & ~((lab == 6) & (level == 5))
    return spc.precision(values[kept], lab[kept], level[kept])


def test_creosote(creosote):
    # ISO 5725-2:1994, B.3, from memory: s_r = 0.019 m and s_R = 0.086 + 0.030 m (the data give
    # 0.0865 in the second fit; a third would give 0.089).
    assert creosote.relations_of_s_r().proportional.slope == pytest.approx(0.019, abs=5e-4)
    line = creosote.relations_of_s_R().straight_line
    assert line.intercept == pytest.approx(0.086, abs=1e-3)
    assert line.slope == pytest.approx(0.030, abs=5e-4)


def test_three_forms_by_numpy(creosote):
    m, s = creosote.mean, creosote.s_R
    found = creosote.relations_of_s_R()
    # np.polyfit weighs residuals, not squares: w = 1 / s.
    first = np.polyval(np.polyfit(m, s, 1, w=1 / s), m)
    b, a = np.polyfit(m, s, 1, w=1 / first)
    assert (found.straight_line.intercept, found.straight_line.slope) == pytest.approx((a, b))
    assert found.straight_line.fitted == pytest.approx(a + b * m)
    d, c = np.polyfit(np.log10(m), np.log10(s), 1)
    assert (found.power.constant, found.power.exponent) == pytest.approx((c, d))
    assert found.power.at([5.0, 10.0]) == pytest.approx(10**c * np.array([5.0, 10.0]) ** d)
    # s = b m with weights 1 / m², for the spread of s goes with s.
    slope = np.linalg.lstsq((m / m)[:, np.newaxis], s / m, rcond=None)[0][0]
    assert found.proportional.slope == pytest.approx(slope)
    for form in (found.proportional, found.straight_line, found.power):
        misfit = 100 * np.sqrt(np.mean(np.log(s / form.fitted) ** 2))
        assert form.misfit_percent == pytest.approx(misfit)


@given(
    st.lists(st.floats(1, 1e4), min_size=3, max_size=8, unique=True),
    st.floats(0.001, 1),
    st.floats(0, 2),
    st.floats(1e-3, 1e3),
)
def test_laws(levels, constant, exponent, unit):
    m = np.array(sorted(levels))
    if m[-1] / m[0] < 1.01:
        m = m * np.linspace(1, 2, m.size)
    s = constant * m**exponent
    found = spc.level_relations(m, s)
    assert found.power.exponent == pytest.approx(exponent, abs=1e-6)
    assert found.power.misfit_percent == pytest.approx(0, abs=1e-6)
    # A true straight line comes back, whatever its weights.
    straight = spc.level_relations(m, constant + 0.1 * m).straight_line
    assert straight.slope == pytest.approx(0.1, rel=1e-6)
    assert straight.intercept == pytest.approx(constant, rel=1e-4, abs=1e-6 * m.max())
    # Another unit changes neither the relative slope nor the exponent.
    other = spc.level_relations(unit * m, unit * s)
    assert other.proportional.slope == pytest.approx(found.proportional.slope)
    assert other.power.exponent == pytest.approx(found.power.exponent, abs=1e-6)
    mixed = np.arange(m.size)[::-1]
    again = spc.level_relations(m[mixed], s[mixed])
    assert again.power.constant == pytest.approx(found.power.constant, abs=1e-6)


def test_degenerate_levels():
    one = spc.level_relations([10.0], [0.5])
    assert (one.proportional.slope, one.straight_line, one.power) == (0.05, None, None)
    same = spc.level_relations([10.0, 10.0], [0.4, 0.6])
    assert (same.proportional.slope, same.straight_line, same.power) == (0.05, None, None)
    quiet = spc.level_relations([10.0, 20.0], [0.0, 0.0])
    assert (quiet.proportional.slope, quiet.proportional.misfit_percent) == (0.0, 0.0)
    assert (quiet.straight_line, quiet.power) == (None, None)
    partly = spc.level_relations([10.0, 20.0], [0.0, 1.0])
    assert (partly.power, partly.proportional.misfit_percent) == (None, math.inf)
    lone = spc.level_relations([1.0, 2.0, 3.0], [1e-200, 1.0, 1.0])
    assert (lone.straight_line, lone.power is None) == (None, False)
    # The line through a fall so steep is below 0 at the last level.
    steep = spc.level_relations([1.0, 10.0, 11.0], [1.0, 0.01, 0.01])
    assert steep.straight_line is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1.0, 2.0], [1.0]), "levels and sds must match, got 2 and 1"),
        (([0.0, 2.0], [1.0, 1.0]), "levels must be above 0, got 0: leave such rows out"),
        (([1.0, 2.0], [1.0, -1.0]), "sds must not be negative, got -1"),
        (([5e-324], [1.0]), "levels is too small to divide by, got 4.94066e-324: check its unit"),
        (([], []), "levels needs at least 1 point, got 0: wait for more data"),
    ],
)
def test_refused(arguments, message):
    with pytest.raises(spc.SpcError) as caught:
        spc.level_relations(*arguments)
    assert str(caught.value) == message


def test_intervals_by_scipy(creosote):
    from scipy.stats import chi2

    # Eight laboratories with two results each: s_R² = V + s_r²/2, V the variance of the averages.
    one = creosote.levels[0]
    assert one.s_r_interval == pytest.approx(
        one.s_r * np.sqrt(8 / chi2.ppf([0.975, 0.025], 8)), rel=1e-9
    )
    variance = one.means.var(ddof=1)
    parts = np.array([variance, one.s_r**2 / 2])
    assert parts.sum() == pytest.approx(one.s_R**2)
    freedom = np.array([7, 8])
    low = 1 - freedom / chi2.ppf(0.975, freedom)
    high = freedom / chi2.ppf(0.025, freedom) - 1
    ends = (
        math.sqrt(one.s_R**2 - math.hypot(*(low * parts))),
        math.sqrt(one.s_R**2 + math.hypot(*(high * parts))),
    )
    assert one.s_R_interval == pytest.approx(ends, rel=1e-9)
    assert one.confidence == 0.95

"""Normal scores against a published table, and against what random samples show."""

import numpy as np
import pytest

import spc


def test_scores_come_near_the_expected_values_of_normal_order_statistics():
    """H. L. Harter, Biometrika 48 (1961) 151, n = 10; Blom's formula is good to about 0.01."""
    harter = [-1.53875, -1.00136, -0.65606, -0.37576, -0.12267]
    found = spc.normal_plot(np.random.default_rng(5).normal(size=10)).scores
    assert found[:5] == pytest.approx(harter, abs=0.012)
    assert found[::-1] == pytest.approx(-found)


def test_values_rise_and_remember_where_they_stood():
    values = [3.0, 1.0, 2.0, 1.0]
    found = spc.normal_plot(values)
    assert found.values.tolist() == [1.0, 1.0, 2.0, 3.0]
    assert found.order.tolist() == [1, 3, 2, 0]
    assert (found.mean, found.sd) == (pytest.approx(1.75), pytest.approx(np.std(values, ddof=1)))


def test_normal_values_lie_on_the_line_and_skewed_ones_bend():
    rng = np.random.default_rng(7)
    normal = spc.normal_plot(rng.normal(2000, 70, 4000))
    middle = np.abs(normal.scores) < 2
    away = np.abs(normal.values - normal.mean - normal.sd * normal.scores)
    assert away[middle].max() < 10
    skewed = spc.normal_plot(np.exp(rng.normal(0, 0.5, 400)))
    ends = (skewed.values - skewed.mean - skewed.sd * skewed.scores)[[0, -1]]
    assert (ends > 0).all()


def test_no_spread_is_refused():
    with pytest.raises(spc.NoSpreadError, match="must vary"):
        spc.normal_plot([2.0, 2.0, 2.0])

"""Charts on the logarithmic scale, limits back in the unit of the values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

POSITIVE = st.lists(st.floats(1, 1e4), min_size=2, max_size=40)


@given(POSITIVE, st.floats(0.01, 100))
def test_limits_and_scale(values, factor):
    charts = spc.individuals_log(values)
    logs = spc.individuals(np.log(values)).location
    chart = charts.location
    assert np.log(chart.upper) == pytest.approx(logs.upper, abs=1e-9)
    assert np.log(chart.lower) == pytest.approx(logs.lower, abs=1e-9)
    # Asymmetric: the upper limit is as many times the centre as the centre is the lower one.
    assert chart.upper * chart.lower == pytest.approx(chart.center**2, rel=1e-9)
    assert (chart.upper - chart.center >= (chart.center - chart.lower) * (1 - 1e-12)).all()
    other = spc.individuals_log(factor * np.array(values)).location
    assert other.upper == pytest.approx(factor * chart.upper, rel=1e-9)


@given(POSITIVE)
def test_z_is_that_of_the_logarithms(values):
    charts = spc.individuals_log(values)
    if charts.logs.location.sigma > 1e-6:
        assert charts.location.z == pytest.approx(charts.logs.location.z, rel=1e-6, abs=1e-6)


def test_signals_are_those_of_the_logarithms():
    rng = np.random.default_rng(6)
    values = 2000 * np.exp(rng.normal(0, 0.3, 400))
    values[200:] *= 1.4
    charts = spc.individuals_log(values, center=2000, sigma=0.3)
    here, there = (spc.run_rule_signals(c) for c in (charts.location, charts.logs.location))
    assert here.index.size > 10
    assert here.index.tolist() == there.index.tolist()
    assert here.rule == there.rule
    assert charts.location.outside().tolist() == charts.logs.location.outside().tolist()


def test_false_alarms_of_a_skewed_characteristic():
    # Lognormal, CV 20 %: mean ± 3 SD raises 0.67 % alarms above and none below (computed apart);
    # on the logarithmic scale both sides have 0.135 %.
    rng = np.random.default_rng(9)
    sigma = np.sqrt(np.log1p(0.2**2))
    values = np.exp(rng.normal(0, sigma, 400_000))
    plain = values > values.mean() + 3 * values.std()
    assert 100 * plain.mean() == pytest.approx(0.67, abs=0.05)
    chart = spc.individuals_log(values, center=1, sigma=sigma).location
    assert 100 * (values > chart.upper).mean() == pytest.approx(0.135, abs=0.025)
    assert 100 * (values < chart.lower).mean() == pytest.approx(0.135, abs=0.025)


def test_for_one_product_it_is_nearly_the_usual_chart(batches):
    means = [b.mean() for b in batches("F01_baseline_duplicates")]
    usual, logs = spc.individuals(means).location, spc.individuals_log(means)
    assert logs.location.upper[0] == pytest.approx(usual.upper[0], rel=0.01)
    assert logs.sigma_percent == pytest.approx(100 * usual.sigma / usual.center[0], rel=0.01)
    assert not logs.location.outside().any()


def test_constant_values():
    chart = spc.individuals_log([7.0, 7.0, 7.0]).location
    assert chart.z.tolist() == [0.0, 0.0, 0.0]
    assert not chart.outside().any()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"values": [1.0, 0.0]}, "values must be above 0 to have a logarithm, got 0 at index 1: "
                                 "leave such points out"),
        ({"values": [1.0, 2.0], "center": -1, "sigma": 1},
         "center must be above 0 on the logarithmic scale, got -1"),
        ({"values": [1.0, 2.0], "center": 1}, "center and sigma belong together: give both or "
                                              "neither"),
    ],
)  # fmt: skip
def test_refused(arguments, message):
    with pytest.raises(spc.ArgumentError) as caught:
        spc.individuals_log(**arguments)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "call", [spc.individuals_log, lambda v: spc.capability_lognormal(v, upper=1)]
)
def test_a_spread_that_no_number_holds_is_refused(call):
    with pytest.raises(
        spc.ArgumentError, match=r"values gives a factor of e to the .*which no number"
    ):
        call([1e-99, 1e99, 1e-99, 1e99])
    with pytest.raises(spc.ArgumentError, match="values must be above 0 to have a logarithm"):
        call([1e-200, 1.0])

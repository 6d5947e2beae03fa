"""EWMA: published series, the scalar recursion, carrying on."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def test_nist_example(table):
    # NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3, target 50, s 2.0539, L 3 (values from memory);
    # its limits 52.5884 and 47.4115 are the final ones.
    x = [float(row["x"]) for row in table("nist_pmc324_ewma")]
    chart = spc.ewma(x, center=50, sigma=2.0539, weight=0.3, width=3)
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
               50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert chart.values == pytest.approx(printed, abs=5e-3)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1.1e-4)
    assert not chart.outside().any()


def test_montgomery_example(table):
    # Montgomery, 6th ed., Table 9.10: lambda 0.10, L 2.7; limits 10.27, 10.36, ..., 10.62.
    x = [float(row["x"]) for row in table("montgomery_cusum_ewma")]
    chart = spc.ewma(x, center=10, sigma=1, weight=0.1, width=2.7)
    printed = {0: 9.945, 1: 9.7495, 2: 9.70355, 3: 9.8992, 4: 10.1253, 9: 10.0232, 14: 10.0525,
               19: 10.0108, 24: 10.3971, 28: 10.6468, 29: 10.6341}  # fmt: skip
    for index, value in printed.items():
        assert chart.values[index] == pytest.approx(value, abs=6e-5)
    assert chart.upper[[0, 1, 29]] == pytest.approx([10.27, 10.36, 10.62], abs=5e-3)
    # With the printed averages and limits points 29 and 30 (1-based) are above.
    assert (np.flatnonzero(chart.outside()) + 1).tolist() == [29, 30]


def test_slow_drift_signals_before_the_three_sigma_limit(batches):
    # Computed apart: limits of the first 20 batches, first EWMA signal at batch 28.
    means = [b.mean() for b in batches("S08_slow_drift")]
    first = spc.individuals(means[:20]).location
    chart = spc.ewma(means, first.center[0], first.sigma)
    assert np.flatnonzero(chart.outside())[0] + 1 == 28


def recursion(values, center, weight):
    memory, out = center, []
    for value in values:
        memory = weight * value + (1 - weight) * memory
        out.append(memory)
    return out


@given(
    st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=200),
    st.floats(-1e4, 1e4),
    st.floats(0.01, 1),
)
def test_equals_the_scalar_recursion(values, center, weight):
    chart = spc.ewma(values, center, sigma=2.0, weight=weight)
    assert chart.values == pytest.approx(recursion(values, center, weight), rel=1e-11, abs=1e-9)


def test_equals_the_scalar_recursion_over_a_long_series():
    values = np.random.default_rng(3).normal(2000, 70, 50_000).round(1)
    for weight in (0.001, 0.2, 1.0):
        chart = spc.ewma(values, 2000, 70, weight)
        assert chart.values == pytest.approx(recursion(values, 2000, weight), rel=1e-12)


@given(
    st.lists(st.floats(1, 1e4), min_size=2, max_size=60),
    st.integers(1, 59),
    st.floats(0.05, 1),
)
def test_carrying_on_equals_the_whole(values, cut, weight):
    cut = min(cut, len(values) - 1)
    whole = spc.ewma(values, 100, 7, weight)
    begin = spc.ewma(values[:cut], 100, 7, weight)
    rest = spc.ewma(values[cut:], 100, 7, weight, start=begin.values[-1], points_before=begin.n)
    assert rest.values == pytest.approx(whole.values[cut:], rel=1e-12)
    assert rest.upper == pytest.approx(whole.upper[cut:], rel=1e-12)


@pytest.mark.parametrize(("weight", "width"), [(0.2, 2.86), (0.05, 2.615)])
def test_standard_error_is_the_variance_of_the_weights(weight, width):
    # Var(z_t) = sigma² Σ (weight (1 - weight)^j)²: added up term by term.
    chart = spc.ewma(np.zeros(25), 0.0, 3.0, weight, width)
    for t in range(1, 26):
        terms = [(weight * (1 - weight) ** j) ** 2 for j in range(t)]
        assert chart.standard_error[t - 1] == pytest.approx(3 * math.sqrt(math.fsum(terms)))
    assert chart.upper == pytest.approx(width * chart.standard_error)


def test_weight_one_is_the_series_itself():
    chart = spc.ewma([3.0, 9.0, 4.0], 5.0, 1.0, weight=1, width=3)
    assert chart.values.tolist() == [3.0, 9.0, 4.0]
    assert chart.upper.tolist() == [8.0, 8.0, 8.0]


def test_constant_series():
    chart = spc.ewma([0.1] * 9, 0.1, 0.0)
    assert chart.values.tolist() == [0.1] * 9
    assert not chart.outside().any()
    assert chart.z.tolist() == [0.0] * 9


@given(st.lists(st.floats(1, 1e3), min_size=1, max_size=30), st.floats(-1e3, 1e3))
def test_shift_and_bracket(values, shift):
    plain = spc.ewma(values, 50, 4)
    moved = spc.ewma(np.array(values) + shift, 50 + shift, 4)
    assert moved.values == pytest.approx(plain.values + shift, abs=1e-8)
    assert (plain.lower < plain.center).all()
    assert (plain.center < plain.upper).all()
    assert (np.diff(plain.upper) >= 0).all()


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"weight": 0}, "weight must be in (0, 1], got 0"),
        ({"weight": 1.4}, "weight must be in (0, 1], got 1.4"),
        ({"width": 0}, "width must be finite and above 0, got 0"),
        ({"sigma": -1}, "sigma must not be negative, got -1"),
        ({"sigma": math.nan}, "sigma must be finite, got nan"),
        ({"center": math.inf}, "center must be finite, got inf"),
        ({"start": math.nan}, "start must be finite, got nan"),
        ({"points_before": -1}, "points_before must be at least 0, got -1"),
    ],
)
def test_refused(changed, message):
    arguments = {"values": [1.0, 2.0], "center": 1.0, "sigma": 1.0} | changed
    with pytest.raises(spc.ArgumentError) as caught:
        spc.ewma(**arguments)
    assert str(caught.value) == message


def test_too_few():
    with pytest.raises(
        spc.TooFewPointsError, match=r"^values needs at least 1 point, got 0: wait for more data$"
    ):
        spc.ewma([], 1, 1)


def flags_by_hand(values, center, sigma, weight, width):
    memory, out = center, []
    for t, value in enumerate(values, start=1):
        memory += weight * (value - memory)
        error = sigma * math.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * t)))
        out.append(memory > center + width * error or memory < center - width * error)
    return out


@pytest.mark.parametrize("decimals", [None, 1, 0])
@pytest.mark.parametrize("sigma", [1.0, 70.0])
def test_many_equal_one_to_the_bit_and_the_loop_in_its_flags(decimals, sigma):
    rng = np.random.default_rng(30)
    values = rng.normal(2000, sigma, (40, 150))
    values[::2, 50:] += sigma
    if decimals is not None:
        values = values.round(decimals)
    many = spc.ewma_many(values, 2000.0, sigma)
    assert many.outside.any()
    for i, row in enumerate(values.tolist()):
        one = spc.ewma(row, 2000.0, sigma)
        assert many.values[i].tolist() == one.values.tolist()
        assert many.outside[i].tolist() == one.outside().tolist()
        assert many.outside[i].tolist() == flags_by_hand(row, 2000.0, sigma, 0.2, 2.86)
        assert many.row(i).upper.tolist() == one.upper.tolist()


@given(st.data())
def test_many_with_missing_points_and_carried_state(data):
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    rows, points = rng.integers(1, 5), rng.integers(1, 20)
    values = rng.normal(0.3, 1.4, (rows, points)).round(1)
    values[rng.random(values.shape) < 0.3] = np.nan
    cut = int(rng.integers(0, points + 1))
    center, sigma = rng.normal(size=rows), rng.random(rows)
    begin = spc.ewma_many(values[:, :cut], center, sigma, width=1.0)
    rest = spc.ewma_many(
        values[:, cut:], center, sigma, width=1.0, start=begin.last, points_before=begin.n_seen
    )
    for i in range(rows):
        there = ~np.isnan(values[i])
        assert rest.n_seen[i] == there.sum()
        if not there.any():
            assert rest.last[i] == center[i]
            continue
        one = spc.ewma(values[i][there], center[i], sigma[i], width=1.0)
        averages = np.concatenate((begin.values[i], rest.values[i]))
        outside = np.concatenate((begin.outside[i], rest.outside[i]))
        assert averages[there].tolist() == one.values.tolist()
        assert outside[there].tolist() == one.outside().tolist()
        assert not outside[~there].any()
        assert rest.last[i] == one.values[-1]


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40), st.integers(1, 39))
def test_later_points_change_nothing_and_carrying_on_is_exact(values, cut):
    cut = min(cut, len(values) - 1)
    whole = spc.ewma(values, 5.0, 3.0)
    begin = spc.ewma(values[:cut], 5.0, 3.0)
    rest = spc.ewma(values[cut:], 5.0, 3.0, start=begin.values[-1], points_before=cut)
    assert whole.values.tolist() == begin.values.tolist() + rest.values.tolist()
    assert whole.outside().tolist() == begin.outside().tolist() + rest.outside().tolist()


def test_many_refuse_a_negative_sigma():
    with pytest.raises(spc.ArgumentError, match=r"sigma must not be negative, got -1 in row 1"):
        spc.ewma_many([[1.0], [2.0]], 0, [1, -1])

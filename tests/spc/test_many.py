"""Many characteristics at once against one at a time."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def plant(rng, sizes, level=2000.0, spread=70.0, decimals=1):
    values = rng.normal(level, spread, int(np.sum(sizes)))
    offsets = np.cumsum(sizes) - sizes
    return (values if decimals is None else values.round(decimals)), offsets


def series_of(values, offsets):
    return np.split(values, offsets[1:])


@pytest.mark.parametrize(
    ("level", "spread", "decimals"), [(2000, 70, 1), (0, 1, None), (5e6, 0.5, None), (10, 1, 0)]
)
def test_limits_equal_the_single_functions(level, spread, decimals):
    rng = np.random.default_rng(1)
    sizes = np.append(rng.integers(1, 60, 80), [40_000, 3, 1])
    values, offsets = plant(rng, sizes, level, spread, decimals)
    limits = spc.limits_many(values, offsets)
    for i, series in enumerate(series_of(values, offsets)):
        if series.size == 1:
            assert limits.center[i] == series[0]
            assert np.isnan([limits.sigma[i], limits.sd[i], limits.lag1[i]]).all()
            continue
        chart, about = spc.individuals(series).location, spc.describe(series)
        for mine, one in (
            (limits.center[i], chart.center[0]),
            (limits.sigma[i], chart.sigma),
            (limits.lower[i], chart.lower[0]),
            (limits.upper[i], chart.upper[0]),
            (limits.sd[i], about.sd),
            (limits.lag1_band[i], about.lag1_band),
        ):
            assert mine == pytest.approx(one, rel=1e-12, abs=1e-12)
        if about.lag1 is None:
            assert np.isnan(limits.lag1[i])
        else:
            assert limits.lag1[i] == pytest.approx(about.lag1, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("decimals", [None, 1, 0])
@pytest.mark.parametrize("rules", [spc.FOUR_ZONE_RULES, spc.EIGHT_RULES], ids=["four", "eight"])
def test_flags_equal_the_single_function_and_do_not_cross_borders(decimals, rules):
    rng = np.random.default_rng(2)
    sizes = rng.integers(1, 40, 150)
    values, offsets = plant(rng, sizes, 20, 2, decimals)
    limits = spc.limits_many(values, offsets)
    flags = spc.rule_flags_many(values, limits, rules)
    assert flags.any(axis=1).sum() >= min(len(rules), 6)  # long patterns are rare in short series
    for series, found in zip(
        series_of(values, offsets), np.split(flags, offsets[1:], axis=1), strict=True
    ):
        if series.size == 1:
            assert not found.any()
            continue
        chart = spc.individuals(series).location
        # Ties in the last digit: the mean is the same to 1e-12 only, so judge by the same limits.
        assert found.tolist() == spc.zone_rule_flags(chart.z, rules, values=series).tolist()


def test_a_run_does_not_reach_into_the_next_characteristic():
    values = np.concatenate((np.full(5, 1.5), np.full(5, 1.5)))
    limits = spc.limits_many(values, [0, 5])
    frozen = replace(limits, center=np.zeros(2), sigma=np.ones(2))
    flags = spc.rule_flags_many(values, frozen)
    keys = [rule.key for rule in spc.FOUR_ZONE_RULES]
    assert not flags[keys.index("8_on_one_side")].any()
    assert flags[keys.index("4_of_5_beyond_1_sigma")].nonzero()[0].tolist() == [3, 4, 8, 9]
    whole = replace(spc.limits_many(values, [0]), center=np.zeros(1), sigma=np.ones(1))
    one = spc.rule_flags_many(values, whole)
    assert one[keys.index("8_on_one_side")].nonzero()[0].tolist() == [7, 8, 9]


def test_constant_characteristics_follow_the_chart_s_convention():
    limits = spc.limits_many([0.1, 0.1, 0.1, 5.0, 6.0], [0, 3])
    assert (limits.center[0], limits.sigma[0], limits.sd[0]) == (0.1, 0.0, 0.0)
    assert math.isnan(limits.lag1[0])
    assert not spc.rule_flags_many([0.1, 0.1, 0.1, 5.0, 6.0], limits).any()
    moved = spc.rule_flags_many([0.1, 0.2, 0.1, 5.0, 6.0], limits)
    assert moved[0].tolist() == [False, True, False, False, False]


@given(st.data())
def test_repeatability_equals_the_single_function(data):
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    n_batches = rng.integers(1, 8, size=rng.integers(1, 6))
    plants = [[rng.normal(50, 3, rng.integers(1, 5)) for _ in range(n)] for n in n_batches]
    flat = [batch for batches in plants for batch in batches]
    sizes = [batch.size for batch in flat]
    squares = [float(((batch - batch.mean()) ** 2).sum()) for batch in flat]
    many = spc.repeatability_many(sizes, squares, np.cumsum(n_batches) - n_batches)
    for i, batches in enumerate(plants):
        if all(batch.size == 1 for batch in batches):
            assert np.isnan(many.s_r[i])
            assert many.degrees_of_freedom[i] == 0
            continue
        one = spc.repeatability(batches)
        assert many.s_r[i] == pytest.approx(one.s_r, rel=1e-12)
        assert many.limit[i] == pytest.approx(one.limit, rel=1e-12)
        assert (many.low[i], many.high[i]) == pytest.approx(one.s_r_interval, rel=1e-12)
        assert many.degrees_of_freedom[i] == one.degrees_of_freedom


def test_performance_equals_the_single_function():
    rng = np.random.default_rng(4)
    values, offsets = plant(rng, np.array([30, 50, 2, 1, 40, 5]))
    values[-5:] = 7.0
    lower = np.array([1800, np.nan, 1700, 1800, np.nan, 1])
    upper = np.array([2200, 2150, np.nan, 2200, np.nan, 9])
    many = spc.performance_many(spc.limits_many(values, offsets), lower, upper)
    for i, series in enumerate(series_of(values, offsets)[:3]):
        low, high = (None if math.isnan(x) else x for x in (lower[i], upper[i]))
        one = spc.capability(series, low, high)
        assert many.ppk[i] == pytest.approx(one.ppk, rel=1e-12)
        assert (many.ppk_low[i], many.ppk_high[i]) == pytest.approx(one.ppk_interval, rel=1e-9)
        if one.pp is None:
            assert np.isnan(many.pp[i])
        else:
            assert many.pp[i] == pytest.approx(one.pp, rel=1e-12)
    # One batch, no limit at all, no spread: no index.
    assert np.isnan(many.ppk[3:]).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.limits_many([1.0, math.nan], [0]),
         "values must be finite numbers, got nan at index 1: leave such points out"),
        (lambda: spc.limits_many("ab", [0]),
         "values must hold numbers only, got text, the first 'ab': read them as numbers first"),
        (lambda: spc.limits_many([], [0]),
         "values needs at least 1 point, got 0: wait for more data"),
        (lambda: spc.limits_many([1.0, 2.0], [1]),
         "offsets must begin with 0 and ascend, each below the 2 values: leave out a "
         "characteristic without batches"),
        (lambda: spc.limits_many([1.0, 2.0], [0, 2]),
         "offsets must begin with 0 and ascend, each below the 2 values: leave out a "
         "characteristic without batches"),
        (lambda: spc.limits_many([1.0, 2.0], [0.5]),
         "offsets must be a list of whole numbers, one a characteristic, got [0.5]"),
        (lambda: spc.repeatability_many([2, 2], [1.0], [0]),
         "sizes and squares must match, got 2 and 1"),
        (lambda: spc.repeatability_many([2, 0], [1.0, 1.0], [0]),
         "sizes must be at least 1, got 0"),
        (lambda: spc.repeatability_many([2, 2], [1.0, -1.0], [0]),
         "squares must not be negative, got -1"),
        (lambda: spc.performance_many(spc.limits_many([1.0, 2.0], [0]), [3.0], [2.0]),
         "lower must be below upper, got 3 and 2 for characteristic 0"),
        (lambda: spc.performance_many(spc.limits_many([1.0, 2.0], [0]), [3.0, 1.0], [4.0, 2.0]),
         "lower and upper must have one limit (or nan) for each of 1 characteristics, got shapes "
         "(2,) and (2,)"),
    ],
)  # fmt: skip
def test_refused(call, message):
    with pytest.raises(spc.SpcError) as caught:
        call()
    assert str(caught.value) == message


def test_a_masked_batch_is_no_batch() -> None:
    masked = np.ma.masked_array([10.0, 999.0, 11.0], mask=[False, True, False])
    with pytest.raises(spc.ArgumentError, match="values must be finite numbers, got nan at index"):
        spc.limits_many(masked, [0])


def test_a_size_must_be_a_whole_number_wherever_it_stands() -> None:
    sizes = np.full(70_000, 2.0)
    sizes[69_999] = 2.5
    with pytest.raises(spc.ArgumentError, match=r"sizes must be whole numbers .* got 2\.5"):
        spc.repeatability_many(sizes, np.ones(70_000), [0])
    with pytest.raises(spc.ArgumentError, match="sizes and squares must match, got 2 and 3"):
        spc.repeatability_many([2, 2], [1.0, 1.0, 1.0], [0])

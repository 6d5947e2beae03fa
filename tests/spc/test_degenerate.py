"""Degenerate data: a stated result or a stated error, and no nan where the number exists.

For every function that takes data: nothing, one value, two, all the same, ties, rounded values,
missing and infinite ones.
"""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import spc

# Values as they come: ordinary ones, ties, zeros, and now and then one that is none.
ordinary = st.one_of(
    st.sampled_from([0.0, 1.0, 1.0, 2.0, 2000.0, 2010.0, -5.0]),
    st.floats(0.01, 1e5).map(lambda x: round(x, 1)),
    st.floats(-1e3, 1e9).map(lambda x: round(x, 9)),
)
odd = st.sampled_from([math.nan, math.inf, -math.inf, 1e308, 5e-324])
series = st.one_of(
    st.lists(ordinary, max_size=9),
    st.lists(st.one_of(ordinary, ordinary, ordinary, odd), max_size=9),
    st.builds(lambda v, n: [v] * n, ordinary, st.integers(1, 8)),
)
groups = st.lists(st.lists(st.one_of(ordinary, st.just(math.nan)), max_size=4), max_size=6)
letters = st.sampled_from("abc")


def labels(n):
    return st.lists(letters, min_size=n, max_size=n)


@st.composite
def labelled(draw):
    values = draw(series)
    return values, draw(labels(len(values))), draw(labels(len(values)))


def floats_of(result, where=""):
    if dataclasses.is_dataclass(result):
        for field in dataclasses.fields(result):
            yield from floats_of(getattr(result, field.name), f"{where}.{field.name}")
    elif isinstance(result, tuple):
        for one in result:
            yield from floats_of(one, where)
    elif isinstance(result, float):
        yield where, result
    elif isinstance(result, np.ndarray) and result.dtype.kind == "f":
        for number in result.ravel().tolist():
            yield where, number


# Where there is no number, by the docstrings: the spread of one result, the first moving range.
NO_NUMBER = (".sds", ".k", ".k_straggler_limit", ".k_outlier_limit", ".dispersion.values")


def stated(called):
    """The result, looked through for nan and for intervals that are none; None for a refusal."""
    try:
        result = called()
    except spc.SpcError:
        return None
    for where, number in floats_of(result):
        assert not math.isnan(number) or where.endswith(NO_NUMBER), where
    if dataclasses.is_dataclass(result):
        for field in dataclasses.fields(result):
            interval = getattr(result, field.name)
            if field.name.endswith("interval") and interval is not None:
                assert interval[0] <= interval[1], field.name
    return result


@settings(max_examples=250)
@given(series)
def test_one_series(values):
    about = stated(lambda: spc.describe(values))
    usable = len(values) > 1 and all(math.isfinite(v) and abs(v) <= 1e100 for v in values)
    assert (about is not None) == usable
    if about is not None:
        same = len(set(values)) == 1
        assert same == (about.lag1 is None)
        # A step of the smallest float has a standard deviation that rounds to 0.
        assert (about.sd == 0) == same or max(values) - min(values) < 1e-322
    index = stated(lambda: spc.capability(values, -10, 2500, 100))
    assert (index is not None) == (about is not None and about.sd > 1e-100)
    for called in (
        lambda: spc.capability(values, upper=2500),
        lambda: spc.capability_lognormal(values, 0.001, 1e6),
        lambda: spc.capability_observed(values, -10, 2500),
        lambda: spc.expected_nonconforming(values, -10, 2500),
        lambda: spc.check_autocorrelation(values),
        lambda: spc.check_resolution(values),
        lambda: spc.check_resolution(values, step=0.1),
        lambda: spc.grubbs_tests(values),
        lambda: spc.cochran_test(values, 2),
        lambda: spc.acceptance(values, 1.0),
        lambda: spc.tolerance_verdict(values, 2000, 50),
        lambda: spc.guarded_verdict(values, 1.0, 0, 2500),
        lambda: spc.torque_factor(values, values),
        lambda: spc.check_torque_factor(values, values),
        lambda: spc.short_run(values, [100.0] * len(values)),
    ):
        stated(called)
    counted = stated(lambda: spc.observed_nonconforming(values, -10, 2500))
    assert (counted is not None) == (usable or (len(values) == 1 and abs(values[0]) <= 1e100))


@settings(max_examples=150)
@given(st.tuples(series, series).map(lambda two: [x[: min(map(len, two))] for x in two]))
def test_two_series(two):
    first, second = two
    for called in (
        lambda: spc.straight_line(first, second),
        lambda: spc.offset_and_gain(first, second),
        lambda: spc.equivalence(first, second, 2.0),
        lambda: spc.temperature_sensitivity(first, second),
        lambda: spc.activation_energy_fit(first, second),
        lambda: spc.check_torque_factor(first, second, 50.0),
        lambda: spc.short_run(first, second),
        lambda: spc.level_relations(first, second),
        lambda: spc.en_number(first, second, 2000, 1.0),
    ):
        stated(called)


@settings(max_examples=200)
@given(groups)
def test_batches(batches):
    several = [[v for v in b if not math.isnan(v)] for b in batches]
    usable = all(several) and any(len(b) > 1 for b in several)
    spread = stated(lambda: spc.repeatability(batches))
    assert (spread is not None) == usable
    if spread is not None:
        assert (spread.cv_percent is None) == any(v <= 0 for b in several if len(b) > 1 for v in b)
        assert spread.interval[0] <= spread.s_r <= spread.interval[1]
        agree = all(len(set(b)) == 1 for b in several)
        assert (spread.s_r == 0) == agree
    for called in (
        lambda: spc.repeatability(batches, "auto"),
        lambda: spc.repeatability(batches, "relative"),
        lambda: spc.order_effect(batches),
        lambda: spc.spread_slope(batches),
        lambda: spc.disagreement_rate(batches, 1.0),
        lambda: spc.level_dependence([batches, [[1000.0, 1010.0]]]),
    ):
        stated(called)


@settings(max_examples=250)
@given(labelled())
def test_labelled_values(given_):
    values, one, other = given_
    split = stated(lambda: spc.one_way(values, one))
    finite = all(math.isfinite(v) and abs(v) <= 1e100 for v in values)
    if finite and not any(0 < abs(v) < 1e-100 for v in values):
        enough = len(values) >= 3 and 1 < len(set(one)) < len(values)
        assert (split is not None) == enough
    if split is not None:
        # F is told unless no value differs from another, and infinite only within equal groups.
        groups_ = [{v for v, name in zip(values, one, strict=True) if name == g} for g in set(one)]
        if len(set(values)) == 1:
            assert split.f is None
        elif all(len(g) == 1 for g in groups_):
            assert (split.f, split.p) == (math.inf, 0.0)
        else:
            assert split.f is not None
            assert math.isfinite(split.f)
    for called in (
        lambda: spc.precision(values, one),
        lambda: spc.precision(values, one, other),
        lambda: spc.nested(values, one, other),
        lambda: spc.gauge_study(values, one),
        lambda: spc.gauge_study(values, one, other, 10.0),
        lambda: spc.equal_variation(values, one),
    ):
        stated(called)


@settings(max_examples=60)
@given(
    st.lists(ordinary, min_size=12, max_size=12),
    st.sampled_from(["anova", "average_range"]),
    st.sampled_from([None, 0.25]),
)
def test_a_full_gauge_study(values, method, alpha):
    study = stated(
        lambda: spc.gauge_study(
            values,
            list("aabbccaabbcc"),
            list("xxxxxxyyyyyy"),
            5.0,
            method=method,
            interaction_alpha=alpha,
        )
    )
    assert study is not None
    if method == "anova":
        assert study.ev_interval[0] <= study.ev <= study.ev_interval[1]
        assert study.grr_interval[0] <= study.grr <= study.grr_interval[1]
    assert (study.percent is None) == (study.tv == 0)


@settings(max_examples=100)
@given(st.lists(st.lists(ordinary, min_size=1, max_size=6), min_size=1, max_size=5))
def test_many_say_nan_only_where_one_would_refuse(parts):
    offsets = np.cumsum([0] + [len(p) for p in parts[:-1]])
    limits = spc.limits_many(np.concatenate(parts), offsets)
    upper = np.full(len(parts), 2500.0)
    many = spc.performance_many(limits, np.full(len(parts), np.nan), upper)
    for row, part in enumerate(parts):
        about = stated(lambda part=part: spc.describe(part))
        assert math.isnan(limits.sd[row]) == (about is None)
        assert math.isnan(limits.lag1[row]) == (about is None or about.lag1 is None)
        index = stated(lambda part=part: spc.capability(part, upper=2500.0))
        assert math.isnan(many.ppk[row]) == (index is None)
        if index is not None:
            assert many.ppk[row] == pytest.approx(index.ppk, rel=1e-6)
            assert math.isfinite(many.ppk_low[row])

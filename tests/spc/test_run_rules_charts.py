"""Run rules on charts: signals, changing limits, carrying on, events, many at once."""

import dataclasses
import math
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def chart_of(values, center=0.0, error=1.0):
    """Make a chart by hand; centre and standard error may be arrays."""
    values = np.array(values, dtype=float)
    middle, spread = np.broadcast_to(center, values.shape), np.broadcast_to(error, values.shape)
    return spc.ControlChart(
        name="made by hand", values=values, center=np.array(middle, dtype=float),
        lower=middle - 3 * spread, upper=middle + 3 * spread, sigma=1.0,
        standard_error=np.array(spread, dtype=float),
    )  # fmt: skip


def pairs(signals):
    return list(zip(signals.index.tolist(), signals.rule, strict=True))


def by_loop(values, center, error, rules, breaks=()):
    """Flag every point by looking at each window anew."""
    found = []
    starts = sorted({0, *breaks})
    for i in range(len(values)):
        begin = max(start for start in starts if start <= i)
        part = slice(max(begin, i - 14), i + 1)  # no rule looks further back
        found += [
            (i, rule.key)
            for rule in rules
            if flagged(values[part], center[part], error[part], rule)
        ]
    return found


def beyond(value, center, error, distance):
    """Above the limit, by more than its own arithmetic may be off (8 · 2^-52 of its size)."""
    limit = center + distance * error
    return value > limit + 8 * 2.0**-52 * max(abs(limit), abs(center))


def flagged(values, center, error, rule):
    """Judge the last point of a series."""
    if rule.on_values:
        n = rule.window
        steps = [math.copysign(1, b - a) if a != b and not math.isnan(b - a) else 0
                 for a, b in pairwise(values)][1 - n :]  # fmt: skip
        if len(steps) < n - 1 or 0 in steps:
            return False
        if "alternating" in rule.key:
            return all(a != b for a, b in pairwise(steps))
        return len(set(steps)) == 1
    pattern = rule.pattern
    points = list(zip(values, center, error, strict=True))[-pattern.window :]
    above = [beyond(v, c, e, pattern.distance) for v, c, e in points]
    below = [beyond(-v, -c, e, pattern.distance) for v, c, e in points]
    sides = {
        "one side": (above, below),
        "either side": ([a or b for a, b in zip(above, below, strict=True)],),
        "within": (
            [
                not (a or b or math.isnan(p[0]))
                for a, b, p in zip(above, below, points, strict=True)
            ],
        ),
    }[pattern.region]
    return any(side[-1] and sum(side) >= pattern.count for side in sides)


def test_signals_are_sorted_and_name_every_rule():
    z = [0.1, 3.5, 3.6, 0.0, -1.5, -1.5, -1.5, -3.5]
    signals = spc.run_rule_signals(spc.individuals(z, center=0, sigma=1).location)
    assert pairs(signals) == [
        (1, "beyond_3_sigma"),
        (2, "beyond_3_sigma"),
        (2, "2_of_3_beyond_2_sigma"),
        (7, "beyond_3_sigma"),
        (7, "4_of_5_beyond_1_sigma"),
    ]


rounded = st.integers(-45, 45).map(lambda tenths: tenths / 10)
some_values = st.lists(
    st.one_of(st.floats(-4, 4), rounded, st.integers(-4, 4).map(float)), min_size=1, max_size=40
)


@given(
    some_values,
    st.sampled_from([0.0, 0.1, 100.3, 1 / 3, -7.7]),
    st.sampled_from([1.0, 0.1, 0.7, 1 / 3, 1e-7]),
    st.sampled_from([1, 0.1, 0.7]),
)
def test_signals_equal_the_loop_even_on_the_borders(steps, center, error, scale):
    values = [round(center + scale * error * step, 9) for step in steps]
    chart = chart_of(values, center, error)
    n = len(values)
    expected = by_loop(values, [center] * n, [error] * n, spc.RULES)
    assert pairs(spc.run_rule_signals(chart, spc.RULES)) == expected
    # Limits that differ in one point take the other way through the code.
    bent = np.full(n, error)
    bent[-1] *= 1.5
    expected = by_loop(values, [center] * n, bent.tolist(), spc.RULES)
    found = spc.run_rule_signals(chart_of(values, center, bent), spc.RULES)
    assert pairs(found) == expected


@pytest.mark.parametrize("constant", [True, False])
@pytest.mark.parametrize("places", [1, 0])
def test_decimals_as_exact_arithmetic_has_them(places, constant):
    # Centre, sigma and values as a lab writes them; a third of the values on a zone border on
    # paper, where binary fractions fall on either side of it.
    rng = np.random.default_rng(8)
    for center, sigma in (("2001.7", "12.1"), ("2.3", "0.7"), ("-41.4", "3.2"), ("1998", "71")):
        middle, spread = Decimal(center), Decimal(sigma)
        if places == 0:
            middle, spread = middle.to_integral_value(), max(spread.to_integral_value(), Decimal(1))
        drawn = rng.normal(float(middle), 1.6 * float(spread), 400).round(places)
        values = [Decimal(f"{value:.{places}f}") for value in drawn]
        for i in range(0, 400, 3):
            values[i] = middle + int(rng.integers(-3, 4)) * spread
        z = [(value - middle) / spread for value in values]  # 28 digits, exact on the borders
        chart = chart_of([float(value) for value in values], float(middle), float(spread))
        if not constant:
            chart.standard_error[-1] *= 2  # limits that differ in one point, which is not judged
        zone = [rule for rule in spc.RULES if rule.pattern is not None]
        found = [one for one in pairs(spc.run_rule_signals(chart, zone)) if one[0] < 399]
        expected = [
            (i, rule.key)
            for i in range(399)
            for rule in zone
            if flagged_exactly(z[max(0, i - rule.pattern.window + 1) : i + 1], rule.pattern)
        ]
        assert found == expected
        beyond_three = [i for i, key in found if key == "beyond_3_sigma"]
        assert np.flatnonzero(chart.outside()[:399]).tolist() == beyond_three


def flagged_exactly(z, pattern):
    d = Decimal(pattern.distance)
    sides = {
        "one side": ([p > d for p in z], [p < -d for p in z]),
        "either side": ([abs(p) > d for p in z],),
        "within": ([abs(p) <= d for p in z],),
    }[pattern.region]
    return any(side[-1] and sum(side) >= pattern.count for side in sides)


def test_points_next_to_a_limit_are_judged_as_the_chart_draws_it():
    for center in (0.0, 0.1, 100.3, -7.7, 1998.4):
        for error in (0.1, 0.7, 1 / 3, 12.12):
            for side in (-1, 1):
                near = [center + side * 3 * error]
                for _ in range(30):
                    near = [math.nextafter(near[0], -math.inf), *near,
                            math.nextafter(near[-1], math.inf)]  # fmt: skip
                chart = chart_of(near, center, error)
                found = spc.run_rule_signals(chart, spc.THREE_SIGMA).index
                assert found.tolist() == np.flatnonzero(chart.outside()).tolist()
                assert 0 < found.size < 30  # on the limit, and next to it, nothing signals


@pytest.mark.parametrize("decimals", [None, 1, 0])
@pytest.mark.parametrize(("center", "spread"), [(50.0, 1.3), (50.03, 2.6), (50.0, 4.0)])
def test_long_charts_equal_the_loop(monkeypatch, decimals, center, spread):
    # Blocks of 64 points, so that there are many seams between blocks of work.
    monkeypatch.setattr("spc.signals._BLOCK", 64)
    rng = np.random.default_rng(5)
    values = rng.normal(center, spread, 1500)
    values = values if decimals is None else values.round(decimals)
    values[[300, 301, 900]] = np.nan
    expected = by_loop(values.tolist(), [center] * 1500, [2.0] * 1500, spc.RULES)
    assert pairs(spc.run_rule_signals(chart_of(values, center, 2.0), spc.RULES)) == expected
    assert len({key for _, key in expected}) >= 3


@given(some_values, st.data())
def test_limits_that_vary_from_point_to_point(values, data):
    n = len(values)
    center = data.draw(st.lists(rounded, min_size=n, max_size=n))
    error = data.draw(st.lists(st.sampled_from([0.5, 1.0, 1.3]), min_size=n, max_size=n))
    chart = chart_of(values, np.array(center), np.array(error))
    expected = by_loop(values, center, error, spc.RULES)
    assert pairs(spc.run_rule_signals(chart, spc.RULES)) == expected


@given(some_values, st.sets(st.integers(0, 40), max_size=6))
def test_nothing_reaches_back_across_a_change_of_limits(values, places):
    n = len(values)
    breaks = sorted(place for place in places if place <= n)
    expected = by_loop(values, [0.0] * n, [1.0] * n, spc.RULES, breaks)
    found = spc.run_rule_signals(chart_of(values), spc.RULES, breaks=breaks)
    assert pairs(found) == expected
    flags = spc.zone_rule_flags(values, spc.RULES, breaks=breaks)
    assert sorted(zip(*flags.T.nonzero(), strict=True)) == sorted(
        (i, [rule.key for rule in spc.RULES].index(key)) for i, key in expected
    )


def test_a_run_ends_at_new_limits_and_so_does_two_of_three():
    chart = chart_of([0.5] * 8 + [2.5, 2.5])
    assert pairs(spc.run_rule_signals(chart)) == [
        (7, "8_on_one_side"), (8, "8_on_one_side"),
        (9, "2_of_3_beyond_2_sigma"), (9, "8_on_one_side"),
    ]  # fmt: skip
    assert pairs(spc.run_rule_signals(chart, breaks=[4, 9])) == []
    labels = ["a"] * 4 + ["b"] * 5 + ["c"]
    assert spc.segment_starts(labels).tolist() == [4, 9]


@given(some_values, st.integers(0, 14), st.booleans())
def test_bringing_a_chart_up_to_date_is_recomputing_it(values, new, constant):
    error = 1.0 if constant else np.linspace(1, 1.2, len(values))
    whole = chart_of(values, 0.0, error)
    start = max(0, len(values) - new)
    begin = max(0, start - 14)
    recent = chart_of(values[begin:], 0.0, whole.standard_error[begin:])
    update = spc.run_rule_signals(recent, spc.EIGHT_RULES, earlier=start - begin)
    expected = [
        one for one in pairs(spc.run_rule_signals(whole, spc.EIGHT_RULES)) if one[0] >= start
    ]
    assert [(i + begin, key) for i, key in pairs(update)] == expected


@given(some_values, some_values)
def test_signals_are_unchanged_by_later_points(values, more):
    before = pairs(spc.run_rule_signals(chart_of(values), spc.RULES))
    after = pairs(spc.run_rule_signals(chart_of(values + more), spc.RULES))
    assert [one for one in after if one[0] < len(values)] == before


@given(some_values, st.sampled_from([0.5, 2.0, 1024.0]), st.integers(-8, 8))
def test_shift_and_scale_change_nothing(values, scale, shift):
    # Powers of two and small whole numbers, so that rounding does not move a point.
    sixteenths = [round(16 * value) / 16 for value in values]
    one = spc.run_rule_signals(chart_of(sixteenths), spc.RULES)
    moved = [scale * value + shift for value in sixteenths]
    other = spc.run_rule_signals(chart_of(moved, shift, scale), spc.RULES)
    assert pairs(one) == pairs(other)


@given(st.lists(some_values, min_size=1, max_size=5))
def test_many_characteristics_at_once(rows):
    # Rows of different length are filled up with missing points.
    n = max(len(row) for row in rows)
    z = np.array([row + [math.nan] * (n - len(row)) for row in rows])
    together = spc.zone_rule_flags(z, spc.RULES)
    assert together.shape == (len(spc.RULES), len(rows), n)
    for i, row in enumerate(rows):
        assert (together[:, i, : len(row)] == spc.zone_rule_flags(row, spc.RULES)).all()
        assert not together[:, i, len(row) :].any()


def test_no_spread_at_all():
    # Convention of ControlChart.z: whatever left a constant series is infinitely far away.
    found = spc.run_rule_signals(chart_of([5.0, 5.0, 5.1], 5.0, 0.0))
    assert pairs(found) == [(2, "beyond_3_sigma")]


def test_a_missing_first_point_as_in_a_moving_range_chart():
    chart = spc.individuals([1.0, 2.0, 9.0, 1.0], center=3, sigma=1).dispersion
    assert math.isnan(chart.values[0])
    assert spc.run_rule_signals(chart, spc.THREE_SIGMA).index.tolist() == [2, 3]


def test_a_chart_of_no_points_and_a_set_of_no_rules():
    assert spc.run_rule_signals(chart_of([])).index.size == 0
    assert spc.run_rule_signals(chart_of([9.0]), ()).rule == ()
    assert spc.zone_rule_flags([], spc.RULES).shape == (len(spc.RULES), 0)
    assert spc.zone_rule_flags(np.empty((2, 0)), spc.RULES).shape == (len(spc.RULES), 2, 0)


def test_a_set_of_rules_signals_only_by_its_rules():
    chart = chart_of([2.5, 2.5, 3.5])
    assert set(spc.run_rule_signals(chart, spc.THREE_SIGMA).rule) == {"beyond_3_sigma"}
    own = (spc.some_beyond(2, 2, 2.2), spc.run_on_one_side(3))
    assert pairs(spc.run_rule_signals(chart, own)) == [
        (1, "2_of_2_beyond_2.2_sigma"),
        (2, "2_of_2_beyond_2.2_sigma"),
        (2, "3_on_one_side"),
    ]


def test_a_rule_of_your_own_of_unknown_window_sees_the_whole_stretch():
    def third_and_later(z):
        return np.arange(z.size) >= 2

    rule = spc.Rule("late", "late", "the third and later points", "test", third_and_later)
    chart = chart_of([0.0] * 70_000)
    assert spc.run_rule_signals(chart, [rule]).index[0] == 2
    assert spc.run_rule_signals(chart, [rule]).index.size == 70_000 - 2
    found = spc.run_rule_signals(chart_of([0.0] * 6), [rule], breaks=[4])
    assert found.index.tolist() == [2, 3]
    assert spc.zone_rule_flags(np.zeros((2, 3)), [rule]).sum() == 2
    with pytest.raises(spc.ArgumentError, match=r"^rules must state their window, got 'late'"):
        spc.points_before([rule])


def test_a_pattern_beside_flags_of_its_own_does_not_replace_them():
    odd = dataclasses.replace(spc.RULES[0], key="odd", flags=lambda z: z > 0.5)
    assert spc.run_rule_signals(chart_of([0.6, 0.4, 4.0]), [odd]).index.tolist() == [0, 2]


@pytest.mark.parametrize(
    ("index", "gap", "expected"),
    [
        ([], 0, []),
        ([4], 0, [(4, 5)]),
        ([3, 4, 4, 5, 8], 0, [(3, 6), (8, 9)]),
        ([8, 3, 5], 0, [(3, 4), (5, 6), (8, 9)]),
        ([8, 3, 5], 1, [(3, 6), (8, 9)]),
        ([8, 3, 5], 2, [(3, 9)]),
    ],
)
def test_events(index, gap, expected):
    assert spc.group_events(np.array(index, dtype=int), gap) == expected


@given(st.lists(st.integers(0, 60), max_size=30), st.integers(0, 5))
def test_events_by_plain_counting(index, gap):
    stretches = []
    for i in sorted(set(index)):
        if stretches and i - stretches[-1][1] <= gap + 1:
            stretches[-1][1] = i
        else:
            stretches.append([i, i])
    assert spc.group_events(index, gap=gap) == [(a, b + 1) for a, b in stretches]


def test_events_name_their_rules():
    chart = chart_of([0.0, 3.5, 2.5, 0.0, 0.0, -3.5])
    signals = spc.run_rule_signals(chart)
    assert spc.signal_events(signals.index, signals.rule) == [
        (1, 3, ("beyond_3_sigma", "2_of_3_beyond_2_sigma")),
        (5, 6, ("beyond_3_sigma",)),
    ]
    assert spc.signal_events([], ()) == []


@pytest.mark.parametrize("index", [[0.5], [-1, 2], [[1, 2]]])
def test_events_refuse_what_is_no_index(index):
    with pytest.raises(spc.ArgumentError, match=r"^index must be a list of whole numbers"):
        spc.group_events(index)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.group_events([1], gap=-1), "gap must be at least 0, got -1"),
        (lambda: spc.signal_events([1, 2], ["a"]), "rule must name one rule an index, got 1 for 2"),
        (
            lambda: spc.zone_rule_flags(np.zeros((1, 1, 2))),
            "z must be one- or two-dimensional, got shape (1, 1, 2)",
        ),
        (
            lambda: spc.zone_rule_flags([1.0, 2.0], values=[1.0]),
            "values must have the shape of z (2,), got (1,)",
        ),
        (
            lambda: spc.zone_rule_flags(np.zeros((2, 3)), breaks=[1]),
            "breaks go with one series, got two-dimensional z",
        ),
        (
            lambda: spc.run_rule_signals(chart_of([1.0]), breaks=[2]),
            "breaks must lie between 0 and 1, got 2",
        ),
        (
            lambda: spc.run_rule_signals(chart_of([1.0]), breaks=["b"]),
            "breaks must be indices of points, whole numbers",
        ),
        (
            lambda: spc.run_rule_signals(chart_of([1.0]), earlier=2),
            "earlier must be at most the 1 points given, got 2",
        ),
        (
            lambda: spc.run_rule_signals(chart_of([1.0]), "four-zone"),
            "rules must be rules such as the rows of spc.RULES, got 'f'",
        ),
        (
            lambda: spc.zone_rule_flags(["a"]),
            "z must hold numbers only, got text, the first 'a'",
        ),
        (
            lambda: spc.zone_rule_flags([1.0, 2.0], breaks=[[0], [0, 1]]),
            "breaks must be indices of points, whole numbers from 0 to 2, got [[0], [0, 1]]",
        ),
        (
            lambda: spc.run_rule_signals([1.0]),
            "chart must be a chart such as spc.individuals(...).location, got [1.0]",
        ),
        (
            lambda: spc.zone_rule_flags(
                [1.0, 2.0], [spc.Rule("odd", "a", "b", "c", lambda z: z[1:] > 1, window=1)]
            ),
            "rules must flag each point True or False, got bool of shape (1,) from 'odd' for 2",
        ),
        (lambda: spc.signal_events([1], "a"), "rule must be a list of keys, one an index, got 'a'"),
        (lambda: spc.run_rule_signals(chart_of([1.0]), 4), "rules must be a sequence of rules"),
        (
            lambda: spc.segment_starts([[1, 2]]),
            "segments must be one-dimensional, got shape (1, 2)",
        ),
    ],
)
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value).startswith(message)

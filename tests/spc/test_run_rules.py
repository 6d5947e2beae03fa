"""Run rules against hand-written sequences and scalar loops written here."""

import json
import math
import pickle
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

BY_KEY = {rule.key: rule for rule in spc.RULES}
FOUR = ("beyond_3_sigma", "2_of_3_beyond_2_sigma", "4_of_5_beyond_1_sigma", "8_on_one_side")
# count, window, distance, region: written down here apart from the package.
ZONES = {
    "beyond_3_sigma": (1, 1, 3, "one side"),
    "2_of_3_beyond_2_sigma": (2, 3, 2, "one side"),
    "4_of_5_beyond_1_sigma": (4, 5, 1, "one side"),
    "7_on_one_side": (7, 7, 0, "one side"),
    "8_on_one_side": (8, 8, 0, "one side"),
    "9_on_one_side": (9, 9, 0, "one side"),
    "15_within_1_sigma": (15, 15, 1, "within"),
    "8_outside_1_sigma": (8, 8, 1, "either side"),
}
TRENDS = {"6_rising_or_falling": 6, "7_rising_or_falling": 7}
ALTERNATIONS = {"14_alternating": 14}
# L. S. Nelson, Journal of Quality Technology 16 (1984) 237, in the order printed there.
EIGHT = (
    "beyond_3_sigma", "9_on_one_side", "6_rising_or_falling", "14_alternating",
    "2_of_3_beyond_2_sigma", "4_of_5_beyond_1_sigma", "15_within_1_sigma", "8_outside_1_sigma",
)  # fmt: skip


def zone_loop(z, count, window, distance, region="one side"):
    """Point by point: it lies in the region, and so do enough of its window."""
    flags = []
    for i in range(len(z)):
        places = z[max(0, i - window + 1) : i + 1]
        if region == "within":
            sides = [[-distance <= p <= distance for p in places]]
        elif region == "either side":
            sides = [[p > distance or p < -distance for p in places]]
        else:
            sides = [[p > distance for p in places], [p < -distance for p in places]]
        flags.append(any(side[-1] and sum(side) >= count for side in sides))
    return flags


def trend_loop(values, n):
    flags, up, down = [], 1, 1
    for i, value in enumerate(values):
        up = up + 1 if i and value > values[i - 1] else 1
        down = down + 1 if i and value < values[i - 1] else 1
        flags.append(up >= n or down >= n)
    return flags


def alternation_loop(values, n):
    flags, length, last = [], 1, 0
    for i, value in enumerate(values):
        step = 0 if i == 0 else (value > values[i - 1]) - (value < values[i - 1])
        length = 1 if step == 0 else length + 1 if step == -last else 2
        last = step
        flags.append(length >= n)
    return flags


def loop(key, points):
    if key in ZONES:
        return zone_loop(points, *ZONES[key])
    if key in TRENDS:
        return trend_loop(points, TRENDS[key])
    return alternation_loop(points, ALTERNATIONS[key])


def hits(rule, z):
    return (np.flatnonzero(rule.flags(np.array(z, dtype=float))) + 1).tolist()


def test_hand_written_sequences(table):
    # 1956 handbook tests, 1984 tests; sequences and 1-based signals written by hand.
    names = {"beyond3": "beyond_3_sigma", "two_of_three": "2_of_3_beyond_2_sigma",
             "four_of_five": "4_of_5_beyond_1_sigma", "run": "8_on_one_side",
             "trend": "6_rising_or_falling", "alternating14": "14_alternating",
             "fifteen_inside1": "15_within_1_sigma", "eight_outside1": "8_outside_1_sigma",
             }  # fmt: skip
    text = (Path(__file__).parent / "data" / "run_rules_micro.json").read_text(encoding="utf-8")
    rows = table("run_rules_micro")
    compared = 0
    for sequence, case in json.loads(text)["expected"].items():
        z = [float(row["z"]) for row in rows if row["sequence"] == sequence]
        assert hits(BY_KEY[names[case["rule"]]], z) == case["signals"], sequence
        compared += 1
    assert compared == 20


PLUS = [0.3, 0.5, 0.2, 0.9, 0.4, 0.1, 0.8, 0.6]
STRINGS = {
    # name: (z, {rule: 1-based signals}); of the four zone rules, what is not named is silent.
    "A": ([0.2, -0.3, 3.01, 0.1], {"beyond_3_sigma": [3]}),
    "B": ([0.5, 2.1, -0.4, 2.3, 0.2], {"2_of_3_beyond_2_sigma": [4]}),
    "C": ([1.1, 1.2, 0.3, 1.4, 1.6, 0.1], {"4_of_5_beyond_1_sigma": [5]}),
    "D": ([*PLUS, -0.2], {"8_on_one_side": [8]}),
    "E": ([*PLUS[:3], 0.0, *PLUS[4:], -0.2], {}),
    "F": ([2.1, -2.2, 0.1], {}),
    "G": ([3.0, 0.0], {}),
    "H": ([1.2, 1.3, -0.5, 1.4, 0.2, 1.5], {}),
    "windows not full, 2 of 2": ([2.5, 2.5], {"2_of_3_beyond_2_sigma": [2]}),
    "windows not full, 4 of 4": ([1.5, 1.2, 1.1, 1.3], {"4_of_5_beyond_1_sigma": [4]}),
    "a missing point breaks a run": ([*PLUS[:4], math.nan, *PLUS[4:]], {}),
    "a missing point is a place not beyond": (
        [2.5, math.nan, 2.5, math.nan, math.nan, 2.5],
        {"2_of_3_beyond_2_sigma": [3]},
    ),
    "no signal after the completing point": ([-2.5, -2.5, 0.5], {"2_of_3_beyond_2_sigma": [2]}),
    "exactly on the borders": ([2.0, 2.0, 2.0, 1.0, 1.0, 1.0, 1.0, 3.0, -3.0], {
        "4_of_5_beyond_1_sigma": [],
        "8_on_one_side": [8],
    }),
    "nothing": ([], {}),
}  # fmt: skip


@pytest.mark.parametrize("name", STRINGS)
def test_z_strings(name):
    z, expected = STRINGS[name]
    for rule in spc.FOUR_ZONE_RULES:
        assert hits(rule, z) == expected.get(rule.key, []), rule.key
        # The mirror image signals at the same points.
        assert hits(rule, [-point for point in z]) == expected.get(rule.key, [])


@pytest.mark.parametrize(
    ("key", "z", "expected"),
    [
        ("15_within_1_sigma", [1.0, -1.0] * 8, [15, 16]),  # the border counts as within
        ("15_within_1_sigma", [0.5] * 7 + [math.nan] + [0.5] * 14, []),
        ("15_within_1_sigma", [0.0] * 15, [15]),
        ("8_outside_1_sigma", [1.5, -1.5] * 4 + [1.0], [8]),  # the border does not
        ("8_outside_1_sigma", [1.5] * 8, [8]),  # all on one side is whichever side, too
        ("6_rising_or_falling", [6, 5, 4, 3, 2, 1, 0], [6, 7]),
        ("6_rising_or_falling", [1, 2, 3, math.nan, 4, 5, 6], []),
        ("14_alternating", [0, 1] * 3 + [1] + [0, 1] * 3 + [0], []),  # a tie breaks it
        ("7_on_one_side", [0.1] * 8, [7, 8]),
        ("9_on_one_side", [0.1] * 8 + [0.0], []),
    ],
)
def test_edges_of_the_longer_rules(key, z, expected):
    assert hits(BY_KEY[key], z) == expected


@pytest.mark.parametrize("decimals", [None, 1, 0])
@pytest.mark.parametrize("spread", [0.6, 1.0, 2.0])
def test_equals_the_loops_on_long_series(decimals, spread):
    # Viscosities are rounded, so points fall exactly on centre line and zone borders.
    rng = np.random.default_rng(20)
    z = rng.normal(0.2, spread, 20_000)
    if decimals is not None:
        z = z.round(decimals)
    z[rng.random(z.size) < 0.003] = np.nan
    flags = spc.zone_rule_flags(z, spc.RULES)
    for row, rule in zip(flags, spc.RULES, strict=True):
        assert row.tolist() == loop(rule.key, z.tolist()), rule.key


def test_every_rule_signals_somewhere_in_a_long_series():
    z = np.random.default_rng(3).normal(0, 1, 200_000)
    assert spc.zone_rule_flags(z, spc.RULES).any(axis=1).all()


points = st.one_of(
    st.floats(-4, 4),
    st.integers(-4, 4).map(float),
    st.integers(-40, 40).map(lambda tenths: tenths / 10),
    st.just(math.nan),
    st.sampled_from([math.inf, -math.inf]),
)
# Few different values, so that the long patterns do occur.
coarse = st.lists(st.sampled_from([-1.5, -0.5, 0.0, 0.5, 1.0, 1.5]), max_size=40)
series = st.one_of(st.lists(points, max_size=40), coarse)


@given(series)
def test_equals_the_loops(z):
    for row, rule in zip(spc.zone_rule_flags(z, spc.RULES), spc.RULES, strict=True):
        assert row.tolist() == loop(rule.key, z)


@given(st.lists(st.sampled_from([-1.0, 0.0, 1.0]), max_size=25), st.integers(3, 6))
def test_short_trends_and_alternations_equal_the_loops(values, n):
    assert spc.steady_trend(n).flags(np.array(values)).tolist() == trend_loop(values, n)
    assert spc.alternation(n).flags(np.array(values)).tolist() == alternation_loop(values, n)


@given(
    st.integers(1, 6), st.integers(0, 6), st.sampled_from([0.5, 1.0, 2.0]),
    st.sampled_from(["one side", "either side", "within"]), series,
)  # fmt: skip
def test_any_zone_pattern_equals_the_loop(count, more, distance, region, z):
    pattern = spc.ZonePattern(count, count + more, distance, region)
    found = pattern.flags(np.array(z, dtype=float)).tolist()
    assert found == zone_loop(z, count, count + more, distance, region)


@given(series, series)
def test_earlier_flags_do_not_change_when_points_are_added(first, more):
    before = spc.zone_rule_flags(first, spc.RULES)
    after = spc.zone_rule_flags(first + more, spc.RULES)
    assert (after[:, : len(first)] == before).all()


@given(st.lists(points, min_size=15, max_size=40))
def test_fourteen_earlier_points_are_enough_to_carry_on(z):
    assert spc.points_before(spc.EIGHT_RULES) == 14
    whole, short = spc.zone_rule_flags(z, spc.RULES), spc.zone_rule_flags(z[-15:], spc.RULES)
    assert (whole[:, -1] == short[:, -1]).all()


def test_the_sets():
    assert tuple(rule.key for rule in spc.FOUR_ZONE_RULES) == FOUR
    assert tuple(rule.key for rule in spc.EIGHT_RULES) == EIGHT
    assert spc.THREE_SIGMA_RULES == spc.THREE_SIGMA == spc.FOUR_ZONE_RULES[:1]
    assert spc.RULES[:4] == spc.FOUR_ZONE_RULES
    # Edition of 2013, from memory: beyond the limits, 7 on one side, 7 rising or falling.
    assert [rule.key for rule in spc.ISO_7870_2_RULES] == [
        "beyond_3_sigma", "7_on_one_side", "7_rising_or_falling",
    ]  # fmt: skip
    assert all("from memory" in rule.source for rule in spc.ISO_7870_2_RULES[1:])
    assert spc.rules_of(*EIGHT) == spc.EIGHT_RULES


def test_a_rule_asked_for_twice_is_the_same_rule():
    for rule, again in (
        (spc.run_on_one_side(8), BY_KEY["8_on_one_side"]),
        (spc.run_on_one_side(), spc.run_on_one_side(8)),
        (spc.some_beyond(3, 4, 2), spc.some_beyond(3, 4, 2.0)),
        (spc.steady_trend(5), spc.steady_trend(5)),
    ):
        assert rule == again
        assert hash(rule) == hash(again)
    assert spc.steady_trend(5) != spc.steady_trend(6)
    for n in (7, 8, 9):
        rule = spc.run_on_one_side(n)
        assert (rule.phrase, rule.pattern.count) == (f"{n} on one side", n)
        assert "other sources take" in rule.source


@pytest.mark.parametrize("rule", spc.RULES, ids=lambda rule: rule.key)
def test_the_table_describes_itself(rule):
    assert rule.phrase
    assert rule.source
    assert rule.definition.endswith(".")
    assert "missing point" in rule.definition or "missing one" in rule.definition
    if rule.key in ZONES:
        pattern = rule.pattern
        assert (pattern.count, pattern.window, pattern.distance, pattern.region) == ZONES[rule.key]
    else:
        assert rule.on_values
        assert "two equal values break" in rule.definition
    if rule.key != "beyond_3_sigma":
        assert "does not reach back across a change of limits" in rule.definition
        assert "at the completing point" in rule.definition
    # Named by what they say: nobody else's numbers, no person.
    for word in ("rule 1", "test 1", "zone a", "zone c", "nelson"):
        assert word not in (rule.key + rule.phrase + rule.definition).lower()
    again = pickle.loads(pickle.dumps(rule))  # noqa: S301  our own bytes
    assert again.key == rule.key
    assert hits(again, [9.0]) == hits(rule, [9.0])


def test_definitions_say_what_happens_on_a_border():
    for key in FOUR[1:3]:
        rule = BY_KEY[key]
        assert "same side" in rule.definition
        assert "need not be full" in rule.definition
        assert f"Exactly {rule.pattern.distance:.0f} sigma does not count" in rule.definition
    assert "exactly on the centre line breaks the run" in BY_KEY["8_on_one_side"].definition
    assert "exactly on the limit does not signal" in BY_KEY["beyond_3_sigma"].definition
    assert "Exactly 1 sigma counts as within" in BY_KEY["15_within_1_sigma"].definition
    assert "Exactly 1 sigma does not count" in BY_KEY["8_outside_1_sigma"].definition


@pytest.mark.parametrize(
    ("rule", "phrase", "beginning"),
    [
        (spc.some_beyond(2, 2, 2), "2 in a row beyond 2 sigma",
         "A point signals when it and the point before it both lie more than 2 sigma from the "
         "centre line, on the same side. Exactly 2 sigma does not count"),
        (spc.some_beyond(3, 3, 1.5), "3 in a row beyond 1.5 sigma",
         "A point signals when it and the two points before it all lie more than 1.5 sigma from "
         "the centre line, on the same side. Exactly 1.5 sigma does not count"),
        (spc.some_beyond(2, 3, 2), "2 of 3 beyond 2 sigma",
         "A point signals when it lies more than 2 sigma from the centre line and at least one of "
         "the two points before it does so on the same side. The window need not be full: the "
         "second point signals if both lie beyond."),
        (spc.run_on_one_side(2), "2 on one side",
         "A point signals when it and the point before it both lie on the same side of the centre "
         "line. A point exactly on the centre line breaks the run"),
        (spc.run_within(2, 1), "2 within 1 sigma",
         "A point signals when it and the point before it both lie within 1 sigma of the centre "
         "line, on either side or on it."),
        (spc.run_outside(2, 1), "2 outside 1 sigma",
         "A point signals when it and the point before it both lie more than 1 sigma from the "
         "centre line, each on whichever side."),
    ],
)  # fmt: skip
def test_definitions_read_well_for_the_smallest_numbers(rule, phrase, beginning):
    assert rule.phrase == phrase
    assert rule.definition.startswith(beginning)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.rules_of("9_in_a_row"), "keys must be among beyond_3_sigma, 2_of_3_beyond"),
        (lambda: spc.run_on_one_side(1), "n must be at least 2, got 1"),
        (lambda: spc.run_on_one_side(101), "window must be at most 100, got 101"),
        (lambda: spc.run_on_one_side(8.0), "n must be a whole number, got 8.0"),
        (lambda: spc.run_on_one_side([8]), "n must be a whole number, got [8]"),
        (lambda: spc.steady_trend(2), "n must be at least 3, got 2"),
        (lambda: spc.alternation(101), "n must be at most 100, got 101"),
        (lambda: spc.some_beyond(0, 3, 2), "count must be at least 1, got 0"),
        (lambda: spc.some_beyond(4, 3, 2), "window must be at least 4, got 3"),
        (lambda: spc.some_beyond(1, 3, 2), "window must be 1 where count is 1, got 3"),
        (lambda: spc.some_beyond(2, 3, 0), "distance must be finite and above 0, got 0"),
        (lambda: spc.run_within(9, math.nan), "distance must be finite and above 0, got nan"),
        (lambda: spc.some_beyond(2, None, 2), "window must be a whole number, got None"),
        (lambda: spc.some_beyond(2, 3, "2"), "distance must be one number, got '2'"),
        (lambda: spc.run_on_one_side(8, None), "source must be text, got None"),
        (lambda: spc.rules_of(["8_on_one_side"]), "keys must be among beyond_3_sigma"),
        (lambda: spc.Rule("a", "b", "c", "d", "e"), "flags must be a function of the points, got"),
        (lambda: spc.ZonePattern(2, 3, -1.0), "distance must not be negative, got -1"),
        (
            lambda: spc.ZonePattern(2, 3, 1.0, "above"),
            "region must be one of one side, either side, within, got 'above'",
        ),
    ],
)
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value).startswith(message)

"""Nonsense handed to charts, rules and run lengths: a stated refusal, or a result; nothing else."""

import datetime as dt
import decimal
import math

import numpy as np
import pytest

import spc

CHART = spc.individuals([1.0, 2.0, 3.0, 2.0, 1.0]).location
LIMITS = spc.limits_many([10, 12, 11, 5, 5], [0, 3])
ROWS = [[1.0, 2.0], [3.0, 4.0]]
TABLE, AVERAGES = spc.cusum_many(ROWS, 0, 1), spc.ewma_many(ROWS, 0, 1)
TREND = (spc.steady_trend(3),)

# Never a number, never a series of numbers.
NO_NUMBERS = [
    "a", "3", b"x", 1j, ["a"], [1j], np.array([1j]), np.complex128(2 + 1j), {1: 2}, {1.0}, object(),
    dt.datetime(2026, 1, 1), np.datetime64("2026-01-01", "ns"),
    np.array(["2026-01-01"], dtype="M8[ns]"), [[1.0, 2.0], [3.0]], len,
]  # fmt: skip
# Numbers or lists of them, and yet not always what is asked for.
ODD = [
    None, True, [], (), [[]], ROWS, [1.0, 2.0, 3.0], [None], np.array([0.5]), np.ma.masked,
    np.ma.array([1.0, 2.0], mask=[False, True]), -1, 0, 1, 2, 2.5, 1e-320, 1e-300, 1e308, -1e308,
    [1e308, -1e308], [math.inf], math.inf, -math.inf, math.nan, decimal.Decimal("NaN"), 10**30,
    10**400, -(10**400), np.array([2**64 - 1], dtype=np.uint64), spc.THREE_SIGMA,
    spc.THREE_SIGMA[0], spc.CusumState(), CHART,
]  # fmt: skip


def cusum_from(**state):
    return spc.cusum([1.0, 2.0], 0, 1, start=spc.CusumState(**state))


def cusum_many_from(**state):
    return spc.cusum_many(ROWS, 0, 1, start=spc.CusumStates(**state))


def rules_of(keys):
    return spc.rules_of(keys)


STATE = {
    "c_plus": 1.0, "c_minus": 0.0, "n_plus": 1, "n_minus": 0, "head_plus": 0.0, "head_minus": 0.0,
    "told_plus": False, "told_minus": False,
}  # fmt: skip
CALLS = [
    (spc.cusum, {"values": [1.0, 2.0], "center": 0.0, "sigma": 1.0, "k": 0.5, "h": 5.0,
                 "head_start": 0.0, "start": None}),
    (spc.cusum_many, {"values": ROWS, "center": 0.0, "sigma": 1.0, "k": 0.5, "h": 5.0,
                      "head_start": 0.0, "start": None}),
    (cusum_from, STATE),
    (cusum_many_from, {name: np.array([value, 0]) for name, value in STATE.items()}),
    (TABLE.row, {"index": 0}),
    (spc.ewma, {"values": [1.0, 2.0], "center": 0.0, "sigma": 1.0, "weight": 0.2, "width": 2.8,
                "start": None, "points_before": 0}),
    (spc.ewma_many, {"values": ROWS, "center": 0.0, "sigma": 1.0, "weight": 0.2, "width": 2.8,
                     "start": None, "points_before": 0}),
    (AVERAGES.row, {"index": 0}),
    (spc.some_beyond, {"count": 2, "window": 3, "distance": 2.0}),
    (spc.run_on_one_side, {"n": 8}),
    (spc.run_within, {"n": 8, "distance": 1.0}),
    (spc.run_outside, {"n": 8, "distance": 1.0}),
    (spc.steady_trend, {"n": 6}),
    (spc.alternation, {"n": 14}),
    (rules_of, {"keys": "beyond_3_sigma"}),
    (spc.ZonePattern, {"count": 2, "window": 3, "distance": 1.0, "region": "one side"}),
    (spc.points_before, {"rules": spc.FOUR_ZONE_RULES}),
    (spc.zone_rule_flags, {"z": [1.0, 2.0], "rules": spc.FOUR_ZONE_RULES, "values": [1.0, 2.0],
                           "breaks": [1]}),
    (spc.zone_rule_flags, {"z": ROWS, "rules": spc.EIGHT_RULES, "values": None, "breaks": ()}),
    (spc.run_rule_signals, {"chart": CHART, "rules": spc.FOUR_ZONE_RULES, "breaks": [1],
                            "earlier": 0}),
    (spc.group_events, {"index": [1, 2], "gap": 0}),
    (spc.signal_events, {"index": [1, 2], "rule": ["x", "y"], "gap": 0}),
    (spc.rule_flags_many, {"values": [10, 12, 11, 5, 5], "limits": LIMITS,
                           "rules": spc.FOUR_ZONE_RULES}),
    (spc.average_run_length, {"rules": spc.THREE_SIGMA, "shift": 0.0, "settled": False}),
    (spc.run_length, {"rules": TREND, "shift": 0.0, "settled": False, "runs": 100, "seed": 1}),
    (spc.run_length_distribution, {"rules": spc.THREE_SIGMA, "points": 5, "shift": 0.0,
                                   "settled": False}),
    (spc.false_alarms_per_week, {"points_per_week": 30.0, "rules": spc.THREE_SIGMA,
                                 "with_ewma": True, "weight": 1.0, "width": 2.8}),
    (spc.combined_run_length, {"rules": TREND, "shift": 0.0, "weight": 1.0, "width": 2.8,
                               "fixed_limits": False, "settled": False, "runs": 100, "seed": 1}),
    (spc.ewma_run_length, {"weight": 1.0, "width": 2.8, "shift": 0.0, "limit": 3.0,
                           "fixed_limits": False, "settled": False}),
    (spc.ewma_average_run_length, {"weight": 1.0, "width": 2.8, "shift": 0.0, "limit": 3.0,
                                   "fixed_limits": True, "settled": True}),
    (spc.cusum_run_length, {"k": 0.5, "h": 2.0, "shift": 0.0, "limit": None, "head_start": 0.0,
                            "settled": False}),
    (spc.cusum_average_run_length, {"k": 0.5, "h": 2.0, "shift": 0.0, "limit": 3.0,
                                    "head_start": 0.0, "settled": True}),
    (spc.run_length(spc.THREE_SIGMA).false_alarms, {"points": 3}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("call", "arguments", "name"),
    [(call, arguments, name) for call, arguments in CALLS for name in arguments],
    ids=lambda part: getattr(part, "__name__", part) if not isinstance(part, dict) else "",
)
def test_nonsense_is_refused_by_name(call, arguments, name):
    call(**arguments)
    for nonsense in NO_NUMBERS:
        with pytest.raises(spc.SpcError) as caught:
            call(**(arguments | {name: nonsense}))
        assert name.partition("_")[0] in str(caught.value)
        assert "got " in str(caught.value) or "rows of one length" in str(caught.value)
    for odd in ODD:
        try:
            call(**(arguments | {name: odd}))
        except spc.SpcError as error:
            assert len(str(error)) > 20  # noqa: PT017  a result is as good

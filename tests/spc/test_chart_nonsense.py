"""Charts, frozen limits and summaries called with nonsense: a refusal that names the argument.

Never a bare error of Python or numpy, never a warning, never a chart of it. What `spc.intake`
refuses at the door for every function of the package is tested with it.
"""

import datetime as dt
import math

import numpy as np
import pytest

import spc

VALUES = [1.0, 2.0, 4.0, 3.0]
GROUPS = [[1.0, 2.0], [2.0, 4.0], [3.0, 3.5]]
FROZEN = {
    "individuals": spc.freeze_limits(VALUES),
    **{kind: spc.freeze_limits(GROUPS, kind=kind) for kind in ("three_way", "xbar_r", "xbar_s")},
}
SERIES = {
    "text": "abc",
    "texts": ["<500", "510"],
    "nothing": None,
    "nothing in it": [None, 1.0],
    "complex": [1 + 2j, 2.0],
    "moments": [dt.datetime(2026, 1, 1)] * 3,
    "days": [dt.date(2026, 1, 1)] * 3,
    "nested": [[1.0, 2.0], [3.0, 4.0]],
    "ragged": [[1.0], [2.0, 3.0]],
    "a number": 3.0,
    "three axes": np.zeros((2, 2, 2)),
    "no axis": np.array(3.0),
    "too large": [1e308, -1e308, 1e308],
    "infinite": [1.0, math.inf],
    "nan": [1.0, math.nan],
    "a mapping": {1: 2.0},
    "a set": {1.0, 2.0},
    "an object": object(),
    "empty": [],
    "digits": ["1", "2", "3"],
    "complex array": np.array([1 + 2j, 3, 4]),
    "numpy moments": np.array(["2026-01-01", "2026-01-02"], dtype="M8[D]"),
    "durations": np.array([1, 2, 3], dtype="m8[s]"),
    "yes or no": [True, False, True],
    "yes or no, array": np.array([True, False, True]),
    "records": np.zeros(3, dtype=[("a", float)]),
    "a long number": [10**400, 1, 2],
}
# A regular or ragged nest is what subgroups are; nan is a missing value in them.
SUBGROUPS = {
    what: bad
    for what, bad in SERIES.items()
    if what not in ("nested", "ragged", "nan", "nothing in it", "no axis")
} | {"nothing in a group": [[1.0, 2.0], [math.nan]], "infinite in a group": [[1.0, math.inf]] * 2}
NUMBER = {
    "text": "ten",
    "complex": 1 + 2j,
    "moment": dt.datetime(2026, 1, 1),
    "list": [1.0],
    "many": np.array([1.0, 2.0]),
    "infinite": math.inf,
    "nan": math.nan,
    "an object": object(),
    "a mapping": {},
    "digits": "1",
    "bytes": b"1",
    "yes": True,
    "a long number": 10**400,
    "too large": 1e308,
}
WORD = {"another": "exact", "empty": "", "nothing": None, "a number": 3, "a list": ["three_sigma"],
        "many": np.array(["three_sigma", "probability"]), "yes": True}  # fmt: skip

OF_SERIES = {
    "individuals": spc.individuals,
    "individuals_log": spc.individuals_log,
    "describe": spc.describe,
    "check_resolution": spc.check_resolution,
    "recording_step": spc.recording_step,
    "check_autocorrelation": spc.check_autocorrelation,
    "freeze_limits": spc.freeze_limits,
    "FrozenLimits.apply": FROZEN["individuals"].apply,
    "FrozenLimits.charts": FROZEN["individuals"].charts,
}
OF_SUBGROUPS = {
    "xbar_r": spc.xbar_r,
    "xbar_s": spc.xbar_s,
    "three_way": spc.three_way,
    "check_subgroups": spc.check_subgroups,
    **{
        f"freeze_limits, {kind}": lambda v, kind=kind: spc.freeze_limits(v, kind=kind)
        for kind in ("three_way", "xbar_r", "xbar_s")
    },
    **{f"FrozenLimits.charts, {kind}": FROZEN[kind].charts for kind in FROZEN if kind[0] in "tx"},
}
CHARTS = {
    "individuals": (spc.individuals, VALUES),
    "individuals_log": (spc.individuals_log, VALUES),
    "xbar_r": (spc.xbar_r, GROUPS),
    "xbar_s": (spc.xbar_s, GROUPS),
    "three_way": (spc.three_way, GROUPS),
}


def refused(name, function, *arguments, **named):
    with pytest.raises(spc.SpcError) as caught:
        function(*arguments, **named)
    assert str(caught.value).startswith(name), str(caught.value)


@pytest.mark.parametrize("function", OF_SERIES)
@pytest.mark.parametrize("bad", SERIES)
def test_values(function, bad):
    refused("values", OF_SERIES[function], SERIES[bad])


@pytest.mark.parametrize("function", OF_SUBGROUPS)
@pytest.mark.parametrize("bad", SUBGROUPS)
def test_subgroups(function, bad):
    name = "values" if "reeze" in function or "rozen" in function else "subgroups"
    refused(name, OF_SUBGROUPS[function], SUBGROUPS[bad])


@pytest.mark.parametrize("chart", CHARTS)
@pytest.mark.parametrize("bad", NUMBER)
def test_centre_and_sigma(chart, bad):
    function, data = CHARTS[chart]
    refused("center", function, data, center=NUMBER[bad], sigma=1.0)
    refused("sigma", function, data, center=1.0, sigma=NUMBER[bad])
    if chart == "three_way":
        refused("sigma_within", function, data, sigma_within=NUMBER[bad])


@pytest.mark.parametrize("bad", NUMBER)
def test_other_numbers(bad):
    refused("step", spc.check_resolution, VALUES, step=NUMBER[bad])
    refused("correlation", spc.limits_under_autocorrelation, NUMBER[bad])
    if bad != "too large":
        refused("n must", spc.control_chart_constants, NUMBER[bad])


@pytest.mark.parametrize("bad", WORD)
def test_words(bad):
    for function, data in CHARTS.values():
        refused("dispersion_limits must be", function, data, dispersion_limits=WORD[bad])
    for kind, limits in FROZEN.items():
        data = VALUES if kind == "individuals" else GROUPS
        refused("dispersion_limits must be", limits.charts, data, WORD[bad])
        if WORD[bad] is not None:  # None is the usual method of the kind
            refused("method must be", spc.freeze_limits, data, kind=kind, method=WORD[bad])
    refused("kind must be", spc.freeze_limits, VALUES, kind=WORD[bad])


@pytest.mark.parametrize("bad", {**SERIES, **NUMBER})
def test_left_out(bad):
    given = {**SERIES, **NUMBER}[bad]
    if bad in ("empty", "a mapping"):
        assert spc.freeze_limits(VALUES, left_out=[]).left_out == ()
        given = {0: 2.0}  # a cause that is no text
    refused("left_out must", spc.freeze_limits, VALUES, left_out=given)

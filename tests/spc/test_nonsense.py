"""Every public function of the measuring half of the package, called with nonsense.

Each argument in turn is replaced by something that no caller means. What comes back is a result or
a refusal of the package's own family that names the argument; never a bare error of Python or
numpy, never a warning, never a nan.
"""

import dataclasses
import inspect
import math
from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest

import spc
from spc.constants import range_quantile
from spc.gauge_study import d2_star

CASES = {}
VALUES = [10.0, 12.0, 11.0, 13.0, 10.5, 11.5]
PAIRS = [[10.0, 12.0], [11.0, 13.0], [20.0, 20.5]]
LETTERS = list("aabbcc")


def case(function, **arguments):
    CASES[function.__name__] = (function, arguments)


# fmt: off
def _table():
    limits = spc.limits_many(VALUES, [0, 3])
    verdict = spc.tolerance_verdict([1030, 1010], 1000, 50)
    long = np.exp(np.random.default_rng(1).normal(0, 0.1, 800))
    case(spc.acceptance, results=[10.0, 12.0], sigma_r=1.0, expensive=False)
    case(spc.acceptance_interval, lower=1.0, upper=9.0, guard_band=1.0)
    case(spc.activation_energy_fit, temperature=[20.0, 25.0, 30.0], viscosity=[9.0, 8.0, 7.2],
         confidence=0.95)
    case(spc.arrhenius_factor, energy=50000.0, temperature=25.5, reference_temperature=25.0)
    case(spc.batches_needed, index=1.5, n=40, claim=1.33, confidence=0.95)
    case(spc.capability, values=VALUES, lower=5.0, upper=15.0, target=10.0, sigma_within=1.0,
         confidence=0.95, within_freedom=4.0)
    index = spc.capability_from_summary(10.0, 1.0, 30, 5.0, 15.0)
    case(spc.capability_change, before=index, after=index, confidence=0.95)
    case(spc.capability_from_quantiles, median=10.0, low=5.0, high=15.0, lower=4.0, upper=16.0)
    case(spc.capability_from_summary, mean=10.0, sd=1.0, n=30, lower=5.0, upper=15.0,
         target=10.0, sigma_within=1.0, within_freedom=20.0, confidence=0.95)
    case(spc.capability_gate, n=30, points_outside=0, n_points=30, lag1=0.1, lag1_band=0.3,
         measurement_percent_of_tolerance=20.0, censored_fraction=0.0, open_events=0,
         one_specification=True, one_condition=True, as_made=True, distribution_seen=True)
    case(spc.capability_lognormal, values=VALUES, lower=5.0, upper=20.0, confidence=0.95)
    case(spc.capability_observed, values=long, lower=0.5, upper=2.0, confidence=0.95)
    case(spc.capability_standing, n=30, reasons=())
    case(spc.check_autocorrelation, values=VALUES)
    case(spc.check_resolution, values=VALUES, step=0.5)
    case(spc.check_torque_factor, viscosity=[1985.0, 2000.0], torque_percent=[39.7, 40.0],
         factor=50.0, step=1.0, torque_step=0.1, slack=0.005)
    case(spc.cochran_critical, p=5, n=2, alpha=0.05)
    case(spc.cochran_test, variances=[1.0, 2.0, 3.0], n=2)
    case(spc.control_chart_constants, n=5)
    case(spc.correct_to_reference, viscosity=1940.0, temperature=25.5,
         reference_temperature=25.0, sensitivity_percent=6.0, greatest_difference=1.0)
    case(spc.critical_range, n=2, confidence=0.95)
    case(spc.describe, values=VALUES)
    case(spc.disagreement_rate, groups=PAIRS, sigma_r=1.0)
    case(spc.double_grubbs_critical, p=5, alpha=0.05)
    case(spc.en_number, values=1010.0, expanded_uncertainty=8.0, reference=1000.0,
         reference_expanded_uncertainty=6.0)
    case(spc.energy_from_sensitivity, sensitivity_percent=6.0, temperature=25.0)
    case(spc.equal_variation, log_ratios=[0.1, 0.2, 0.3, 0.5, 0.4, 0.4], products=LETTERS)
    case(spc.equivalence, first=[100.0, 200.0], second=[101.0, 203.0], margin_percent=2.0,
         confidence=0.9)
    case(spc.error_at_torque, accuracy_percent=1.0, torque_percent=10.0)
    case(spc.expected_nonconforming, values=VALUES, lower=5.0, upper=15.0, confidence=0.95)
    case(spc.expected_nonconforming_from_summary, mean=10.0, sd=1.0, n=30, lower=5.0,
         upper=15.0, confidence=0.95)
    case(spc.factor_at_speed, factor=50.0, speed=20.0, new_speed=50.0)
    case(spc.gauge_study, values=[10, 11, 14, 15, 20, 19, 11, 12, 15, 15, 21, 21],
         part=list("aabbccaabbcc"), appraiser=list("xxxxxxyyyyyy"), tolerance=50.0,
         method="anova", interaction_alpha=0.25, confidence=0.95)
    case(spc.global_risk, mean=10.0, sd=2.0, standard_uncertainty=0.5, lower=5.0, upper=15.0,
         guard_band=1.0)
    case(spc.grubbs_critical, p=5, alpha=0.05)
    case(spc.grubbs_tests, values=VALUES)
    case(spc.guard_band_cost, mean=10.0, sd=2.0, lower=5.0, upper=15.0, guard_band=1.0)
    case(spc.guard_band_for, standard_uncertainty=36.5, highest_risk=0.05)
    case(spc.guarded_verdict, values=VALUES, standard_uncertainty=0.5, lower=5.0, upper=15.0,
         guard_band=1.0, coverage_factor=2.0)
    case(spc.kinematic_viscosity, viscosity=950.0, density=0.95)
    case(spc.level_dependence, groups_by_level=[PAIRS, [[100.0, 102.0]]])
    case(spc.level_relations, levels=[10.0, 20.0, 40.0], sds=[0.4, 1.0, 2.1])
    case(spc.limits_many, values=VALUES, offsets=[0, 3])
    case(spc.limits_under_autocorrelation, correlation=0.5)
    case(spc.loglog_slope, levels=[100.0, 1000.0], sds=[0.5, 5.0])
    case(spc.mandel_h_critical, p=5, alpha=0.05)
    case(spc.mandel_k_critical, p=5, n=2, alpha=0.05)
    case(spc.measurement_part, observed=1.11, measurement_percent=50.0)
    case(spc.nested, values=[1, 3, 6, 8, 11, 13, 14, 16], outer=list("aaaabbbb"),
         inner=list("pprrpprr"), confidence=0.95)
    case(spc.noncentral_t_probability, t=1.0, freedom=10.0, noncentrality=1.0)
    case(spc.normal_plot, values=VALUES)
    case(spc.observed_index, true_index=1.33, measurement_percent=50.0)
    case(spc.observed_nonconforming, values=VALUES, lower=5.0, upper=12.5, confidence=0.95)
    case(spc.observed_share, count=3, n=30, confidence=0.95)
    case(spc.offset_and_gain, certified=[500.0, 1500.0, 1500.0], readings=[510.0, 1530.0,
         1510.0], confidence=0.95)
    case(spc.one_sided_interval, index=1.33, n=30, freedom=20.0, confidence=0.95)
    case(spc.one_way, values=VALUES, group=LETTERS, confidence=0.95)
    case(spc.order_effect, groups=PAIRS)
    case(spc.performance_many, limits=limits, lower=[5.0, math.nan], upper=[15.0, 20.0],
         confidence=0.95)
    case(spc.power_law_ratio, exponent=0.5, speed_ratio=2.5)
    case(spc.precision, values=VALUES, laboratory=LETTERS, level=["x"] * 6, confidence=0.95)
    case(spc.probability_of_conformity, values=10.0, standard_uncertainty=0.5, lower=5.0,
         upper=15.0)
    case(spc.recommend_scale, slope=0.8)
    case(spc.recording_step, values=VALUES)
    case(spc.repeatability, groups=PAIRS, scale="absolute", confidence=0.95)
    case(spc.repeatability_many, sizes=[2, 2, 2], squares=[2.0, 2.0, 0.0], offsets=[0, 1],
         confidence=0.95)
    case(spc.rule_flags_many, values=VALUES, limits=limits, rules=spc.FOUR_ZONE_RULES)
    case(spc.sensitivity_from_energy, energy=50000.0, temperature=25.0)
    case(spc.shear_thinning_index, at_low_speed=4000.0, at_high_speed=2000.0)
    case(spc.short_run, results=[102.0, 1960.0, 99.0, 2030.0], targets=[100.0, 2000.0, 100.0,
         2000.0], products=list("abab"), center=0.0, sigma=0.02,
         dispersion_limits="three_sigma")
    case(spc.spread_slope, groups=PAIRS)
    case(spc.steam_and_water_viscosity, temperature=25.0, density=998.0)
    case(spc.straight_line, x=[0.0, 1.0, 2.0], y=[1.0, 3.0, 5.5], confidence=0.95)
    case(spc.temperature_influence, temperature=25.2, reference_temperature=25.0,
         sensitivity_percent=6.0, repeatability_percent=0.6)
    case(spc.temperature_sensitivity, temperature=[20.0, 25.0, 30.0], viscosity=[9.0, 8.0,
         7.2], confidence=0.95)
    case(spc.thixotropic_decay, seconds=[30.0, 60.0], at_rest=3000.0, final=2000.0,
         time_constant=30.0)
    case(spc.tolerance_percent, sd=20.0, tolerance=400.0)
    case(spc.tolerance_verdict, readings=[1030.0], certified=1000.0, instrument_tolerance=50.0,
         fluid_uncertainty=10.0)
    case(spc.torque_factor, viscosity=[1985.0, 2010, 1950, 2030, 19850], torque_percent=[39.7,
         40.2, 39.0, 40.6, 39.7], at_least=5)
    case(spc.two_verdicts, tolerance=verdict, own_lower=988.0, own_upper=1012.0)
    case(spc.uncertainty_budget, parts=[spc.UncertaintyPart("day", 3.0)], coverage_factor=2.0)
    case(spc.walther_viscosity, temperatures=(40.0, 100.0), kinematic=(32.0, 5.4), at=80.0)
    case(spc.water_density, temperature=20.0)
    case(spc.water_viscosity, temperature=20.0)
    case(range_quantile, n=2, probability=0.95)
    case(d2_star, m=2, g=10)
# fmt: on

_table()

# Modules of charts, run rules and run lengths are walked over beside those.
ELSEWHERE = (
    "spc.charts.cusum",
    "spc.charts.cusum_many",
    "spc.charts.ewma",
    "spc.charts.frozen_limits",
    "spc.charts.individuals",
    "spc.charts.log_scale",
    "spc.charts.subgroups",
    "spc.charts.three_way",
    "spc.chart_run_length",
    "spc.combined_run_length",
    "spc.drift.",
    "spc.events",
    "spc.run_length",
    "spc.run_rules",
    "spc.signals",
)

# Labels and words: texts are what they are made of.
LABELS = {"part", "appraiser", "group", "outer", "inner", "laboratory", "level", "products"}
WORDS = {"reasons"}
# Batches of unequal size are no mistake.
GROUPS = {"groups", "groups_by_level"}
FLAGS = {"expensive", "one_specification", "one_condition", "as_made", "distribution_seen"}

REFUSED_EVERYWHERE = {
    "text": "a",
    "complex": 1 + 2j,
    "day": np.datetime64("2025-01-01"),
    "moment": datetime(2025, 1, 1),
    "object": object(),
    "class": dict,
    "dict": {"a": 1},
    "set": {1, 2},
    "bytes": b"12",
}
LISTS_REFUSED = {
    "texts": ["1", "2", "3"],
    "complexes": [1 + 2j, 2.0, 3.0],
    "days": np.array(["2025-01-01", "2025-01-02"], dtype="datetime64[D]"),
    "dates": [date(2025, 1, 1), date(2025, 1, 2)],
    "yes and no": [True, False, True],
    "ragged": [[1.0], [1.0, 2.0]],
    "ragged deep": [[[1.0], [2.0, 3.0]], [[1.0]]],
    "endless": [10**400, 1, 2],
}
PERHAPS = {
    "none": None,
    "nan": math.nan,
    "inf": math.inf,
    "minus inf": -math.inf,
    "huge": 1e308,
    "tiny": 5e-324,
    "minus": -1.0,
    "zero": 0,
    "endless": 10**400,
    "true": True,
    "NA": pd.NA,
    "NaT": pd.NaT,
    "empty": [],
    "empty rows": [[], []],
    "one": [1.0],
    "same": [2.0, 2.0, 2.0, 2.0, 2.0, 2.0],
    "nans": [math.nan] * 6,
    "infs": [math.inf] * 6,
    "huges": [1e308] * 6,
    "tinies": [5e-324, 0.0, 5e-324, 1e-320, 0.0, 0.0],
    "small": [1e-170, 2e-170, 4e-170, 3e-170, 1e-170, 9e-170],
    "NAs": [pd.NA, 1.0, 2.0, 3.0, 4.0, 5.0],
    "nested": [[[1.0, 2.0]], [[3.0, 4.0]]],
    "rows of one": [[1.0], [2.0], [3.0]],
    "two dimensions": np.ones((2, 3)),
    "table": pd.DataFrame({"a": [1.0, 2.0]}),
    "mask": np.ma.masked_array(VALUES, mask=[1, 0, 0, 0, 0, 0]),
}

EVERY = [
    pytest.param(function, good, argument, id=f"{name}-{argument}")
    for name, (function, good) in CASES.items()
    for argument in good
]


def numbers_of(result):
    """All float fields of a result, however deep, by name."""
    if dataclasses.is_dataclass(result):
        for field in dataclasses.fields(result):
            for name, number in numbers_of(getattr(result, field.name)):
                yield f"{field.name}{name}", number
    elif isinstance(result, tuple | list):
        for one in result:
            yield from numbers_of(one)
    elif isinstance(result, float):
        yield "", result
    elif isinstance(result, np.ndarray) and result.dtype.kind == "f":
        for number in result.ravel().tolist():
            yield "", number


# Documented: a cell of one result has no spread of its own, the first point no moving range; in
# `many` a characteristic too short for a number has nan, since the others keep theirs.
NAN_IS_STATED = ("sds", "k", "k_straggler_limit", "k_outlier_limit", "chartsdispersionvalues")


def assert_no_nan(result):
    if type(result).__name__.startswith("Many"):
        return
    for name, number in numbers_of(result):
        assert not math.isnan(number) or name.endswith(NAN_IS_STATED), name


def call(function, good, argument, nonsense):
    """Return what came back, or the refusal after a look at it."""
    try:
        result = function(**(good | {argument: nonsense}))
    except spc.SpcError as refusal:
        message = str(refusal)
        assert len(message) < 400
        named = {argument, *good} | {"1/T", "groups_by_level", f"size of {argument}"}
        assert any(word in message for word in named), message
        return refusal
    assert_no_nan(result)
    return result


@pytest.mark.parametrize(("function", "good", "argument"), EVERY)
def test_nonsense(function, good, argument):
    for kind, nonsense in REFUSED_EVERYWHERE.items():
        found = call(function, good, argument, nonsense)
        if argument in WORDS and kind in {"dict", "set"}:
            continue
        assert isinstance(found, spc.SpcError), kind
        assert argument.split("_")[0] in str(found), (kind, str(found))
    for kind, nonsense in LISTS_REFUSED.items():
        found = call(function, good, argument, nonsense)
        if argument not in LABELS | WORDS and not (kind == "ragged" and argument in GROUPS):
            assert isinstance(found, spc.SpcError), kind
    for nonsense in PERHAPS.values():
        call(function, good, argument, nonsense)


@pytest.mark.parametrize(
    ("function", "good", "argument"),
    [one for one in EVERY if one.values[2] not in LABELS | WORDS | FLAGS],
)
def test_yes_is_no_number(function, good, argument):
    assert isinstance(call(function, good, argument, True), spc.SpcError)


def test_every_function_says_what_it_takes_refuses_and_stands_on():
    for name, (function, _) in CASES.items():
        if name in spc.__all__:
            for section in ("Args:", "Raises:", "Source:"):
                assert section in function.__doc__, (name, section)


def test_every_public_function_is_walked_over():
    functions = {
        name
        for name in spc.__all__
        if inspect.isfunction(getattr(spc, name))
        and not getattr(spc, name).__module__.startswith(ELSEWHERE)
    }
    assert functions <= set(CASES), functions - set(CASES)
    for name, (function, good) in CASES.items():
        assert_no_nan(function(**good))
        names = {"x_name", "y_name"}  # what the caller calls x and y: words for messages
        assert set(inspect.signature(function).parameters) - names == set(good), name


@pytest.mark.parametrize(
    ("part", "message"),
    [
        (5, "parts must be a sequence of UncertaintyPart, got 5"),
        (["day"], "parts[0] must be of UncertaintyPart, got 'day'"),
        ([spc.UncertaintyPart("day", "a")], "size of day must be one number, got 'a'"),
        ([spc.UncertaintyPart("day", 1.0, 5)], "shape of day must be 'standard deviation', "),
        ([spc.UncertaintyPart("day", 1.0, sensitivity=None)], "sensitivity of day must be one num"),
        ([spc.UncertaintyPart("day", 1.0, n_averaged=0.5)], "n_averaged of day must be a whole nu"),
    ],
)
def test_lines_of_a_budget(part, message):
    with pytest.raises(spc.ArgumentError) as caught:
        spc.uncertainty_budget(part)
    assert str(caught.value).startswith(message)


@pytest.mark.parametrize(
    ("called", "message"),
    [
        (lambda: spc.offset_and_gain([1, 2], [1, 2]).offset_percent_of("a"), "full_scale must be"),
        (lambda: spc.nested([1, 3, 6, 8, 11, 13], list("aaaabb"), list("pprrss")).variance_of_mean(
            0, 1), "inner must be at least 1, got 0"),
        (lambda: spc.level_relations([1, 2], [1, 2]).power.at(-1), "level must be above 0, got -1"),
        (lambda: spc.level_relations([1, 2], [1, 2]).power.at("a"), "level must hold numbers only"),
    ],
)  # fmt: skip
def test_methods_of_results(called, message):
    with pytest.raises(spc.ArgumentError) as caught:
        called()
    assert str(caught.value).startswith(message)

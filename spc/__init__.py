"""Statistics of process control for batch results: arrays in, frozen results out.

charts = spc.three_way(readings_by_batch)              # means, moving range, replicates
signals = spc.run_rule_signals(charts.location)        # .index and .rule
trend = spc.ewma(charts.location.values, float(charts.location.center[0]), charts.location.sigma)
spread = spc.repeatability(readings_by_batch)          # .s_r .limit .cv_percent
verdict = spc.investigate(spc.History(...)).verdict    # process or measurement, since when, how big
index = spc.capability(charts.location.values, lower=1800, upper=2200)   # after capability_gate
"""

from spc.absorbing import RunLength
from spc.acceptance import Acceptance, DisagreementRate, acceptance, disagreement_rate
from spc.autocorrelation import (
    Autocorrelation,
    LimitsUnderAutocorrelation,
    check_autocorrelation,
    limits_under_autocorrelation,
)
from spc.capability import Capability, capability, capability_from_summary
from spc.capability_change import CapabilityChange, capability_change
from spc.capability_claim import (
    BatchesNeeded,
    MeasurementPart,
    batches_needed,
    measurement_part,
    observed_index,
)
from spc.capability_gate import CapabilityStanding, capability_gate, capability_standing
from spc.chart_run_length import (
    cusum_average_run_length,
    cusum_run_length,
    ewma_average_run_length,
    ewma_run_length,
)
from spc.charts.cusum import Cusum, CusumState, Shift, cusum
from spc.charts.cusum_many import CusumStates, CusumTable, cusum_many
from spc.charts.ewma import EwmaTable, ewma, ewma_many
from spc.charts.frozen_limits import FrozenLimits, freeze_limits
from spc.charts.individuals import individuals
from spc.charts.log_scale import LogCharts, individuals_log
from spc.charts.short_run import EqualVariation, ShortRun, equal_variation, short_run
from spc.charts.subgroups import SubgroupCheck, check_subgroups, xbar_r, xbar_s
from spc.charts.three_way import three_way
from spc.check_standard import (
    OffsetAndGain,
    ToleranceVerdict,
    TwoVerdicts,
    en_number,
    offset_and_gain,
    tolerance_verdict,
    two_verdicts,
)
from spc.combined_run_length import combined_run_length
from spc.conformity import (
    AcceptanceInterval,
    GuardedVerdict,
    acceptance_interval,
    guard_band_for,
    guarded_verdict,
    probability_of_conformity,
)
from spc.conformity_risk import GlobalRisk, GuardBandCost, global_risk, guard_band_cost
from spc.constants import Constants, control_chart_constants
from spc.drift import (
    ChangePoint,
    CheckRuns,
    Factor,
    History,
    Investigation,
    OtherProduct,
    SetAsideRow,
    SpreadChange,
    Strata,
    Verdict,
    change_point,
    investigate,
    spread_change,
    stratify,
)
from spc.equivalence import Equivalence, equivalence
from spc.errors import ArgumentError, NoSpreadError, SpcError, TooFewPointsError
from spc.events import SignalEvent, Stretch, group_events, signal_events
from spc.gauge_study import AnovaRow, GaugeStudy, SpreadParts, gauge_study, tolerance_percent
from spc.level_dependence import (
    LevelDependence,
    level_dependence,
    loglog_slope,
    recommend_scale,
    spread_slope,
)
from spc.many import (
    ManyLimits,
    ManyPerformance,
    ManyRepeatability,
    limits_many,
    performance_many,
    repeatability_many,
    rule_flags_many,
)
from spc.nested import Nested, nested
from spc.nonconforming import (
    ExpectedNonconforming,
    ObservedNonconforming,
    expected_nonconforming,
    expected_nonconforming_from_summary,
    observed_nonconforming,
    observed_share,
)
from spc.normal_plot import NormalPlot, normal_plot
from spc.one_sided import noncentral_t_probability, one_sided_interval
from spc.one_way import OneWay, one_way
from spc.order_effect import OrderEffect, order_effect
from spc.outlier_tests import (
    GrubbsTests,
    OutlierTest,
    cochran_critical,
    cochran_test,
    double_grubbs_critical,
    grubbs_critical,
    grubbs_tests,
    mandel_h_critical,
    mandel_k_critical,
)
from spc.patterns import Rule, ZonePattern
from spc.precision import LevelPrecision, Precision, precision
from spc.precision_level import LevelRelation, LevelRelations, level_relations
from spc.quantile_capability import (
    QuantileCapability,
    capability_from_quantiles,
    capability_lognormal,
    capability_observed,
)
from spc.repeatability import Repeatability, critical_range, repeatability
from spc.resolution import Resolution, check_resolution, recording_step
from spc.result import ChartSet, ControlChart
from spc.run_length import (
    RunLengthDistribution,
    average_run_length,
    false_alarms_per_week,
    run_length,
    run_length_distribution,
)
from spc.run_rules import (
    EIGHT_RULES,
    FOUR_ZONE_RULES,
    ISO_7870_2_RULES,
    RULES,
    THREE_SIGMA,
    THREE_SIGMA_RULES,
    alternation,
    rules_of,
    run_on_one_side,
    run_outside,
    run_within,
    some_beyond,
    steady_trend,
)
from spc.signals import (
    Signals,
    points_before,
    run_rule_signals,
    segment_starts,
    zone_rule_flags,
)
from spc.straight_line import StraightLine, straight_line
from spc.summary import Description, describe
from spc.temperature import (
    ActivationEnergy,
    TemperatureSensitivity,
    activation_energy_fit,
    arrhenius_factor,
    energy_from_sensitivity,
    sensitivity_from_energy,
    temperature_sensitivity,
    walther_viscosity,
)
from spc.temperature_correction import (
    CorrectedViscosity,
    TemperatureInfluence,
    correct_to_reference,
    temperature_influence,
)
from spc.uncertainty import UncertaintyBudget, UncertaintyPart, uncertainty_budget
from spc.viscometry import (
    TorqueFactorCheck,
    check_torque_factor,
    error_at_torque,
    factor_at_speed,
    power_law_ratio,
    shear_thinning_index,
    thixotropic_decay,
    torque_factor,
)
from spc.water import (
    kinematic_viscosity,
    steam_and_water_viscosity,
    water_density,
    water_viscosity,
)

__all__ = [
    "EIGHT_RULES",
    "FOUR_ZONE_RULES",
    "ISO_7870_2_RULES",
    "RULES",
    "THREE_SIGMA",
    "THREE_SIGMA_RULES",
    "Acceptance",
    "AcceptanceInterval",
    "ActivationEnergy",
    "AnovaRow",
    "ArgumentError",
    "Autocorrelation",
    "BatchesNeeded",
    "Capability",
    "CapabilityChange",
    "CapabilityStanding",
    "ChangePoint",
    "ChartSet",
    "CheckRuns",
    "Constants",
    "ControlChart",
    "CorrectedViscosity",
    "Cusum",
    "CusumState",
    "CusumStates",
    "CusumTable",
    "Description",
    "DisagreementRate",
    "EqualVariation",
    "Equivalence",
    "EwmaTable",
    "ExpectedNonconforming",
    "Factor",
    "FrozenLimits",
    "GaugeStudy",
    "GlobalRisk",
    "GrubbsTests",
    "GuardBandCost",
    "GuardedVerdict",
    "History",
    "Investigation",
    "LevelDependence",
    "LevelPrecision",
    "LevelRelation",
    "LevelRelations",
    "LimitsUnderAutocorrelation",
    "LogCharts",
    "ManyLimits",
    "ManyPerformance",
    "ManyRepeatability",
    "MeasurementPart",
    "Nested",
    "NoSpreadError",
    "NormalPlot",
    "ObservedNonconforming",
    "OffsetAndGain",
    "OneWay",
    "OrderEffect",
    "OtherProduct",
    "OutlierTest",
    "Precision",
    "QuantileCapability",
    "Repeatability",
    "Resolution",
    "Rule",
    "RunLength",
    "RunLengthDistribution",
    "SetAsideRow",
    "Shift",
    "ShortRun",
    "SignalEvent",
    "Signals",
    "SpcError",
    "SpreadChange",
    "SpreadParts",
    "StraightLine",
    "Strata",
    "Stretch",
    "SubgroupCheck",
    "TemperatureInfluence",
    "TemperatureSensitivity",
    "ToleranceVerdict",
    "TooFewPointsError",
    "TorqueFactorCheck",
    "TwoVerdicts",
    "UncertaintyBudget",
    "UncertaintyPart",
    "Verdict",
    "ZonePattern",
    "acceptance",
    "acceptance_interval",
    "activation_energy_fit",
    "alternation",
    "arrhenius_factor",
    "average_run_length",
    "batches_needed",
    "capability",
    "capability_change",
    "capability_from_quantiles",
    "capability_from_summary",
    "capability_gate",
    "capability_lognormal",
    "capability_observed",
    "capability_standing",
    "change_point",
    "check_autocorrelation",
    "check_resolution",
    "check_subgroups",
    "check_torque_factor",
    "cochran_critical",
    "cochran_test",
    "combined_run_length",
    "control_chart_constants",
    "correct_to_reference",
    "critical_range",
    "cusum",
    "cusum_average_run_length",
    "cusum_many",
    "cusum_run_length",
    "describe",
    "disagreement_rate",
    "double_grubbs_critical",
    "en_number",
    "energy_from_sensitivity",
    "equal_variation",
    "equivalence",
    "error_at_torque",
    "ewma",
    "ewma_average_run_length",
    "ewma_many",
    "ewma_run_length",
    "expected_nonconforming",
    "expected_nonconforming_from_summary",
    "factor_at_speed",
    "false_alarms_per_week",
    "freeze_limits",
    "gauge_study",
    "global_risk",
    "group_events",
    "grubbs_critical",
    "grubbs_tests",
    "guard_band_cost",
    "guard_band_for",
    "guarded_verdict",
    "individuals",
    "individuals_log",
    "investigate",
    "kinematic_viscosity",
    "level_dependence",
    "level_relations",
    "limits_many",
    "limits_under_autocorrelation",
    "loglog_slope",
    "mandel_h_critical",
    "mandel_k_critical",
    "measurement_part",
    "nested",
    "noncentral_t_probability",
    "normal_plot",
    "observed_index",
    "observed_nonconforming",
    "observed_share",
    "offset_and_gain",
    "one_sided_interval",
    "one_way",
    "order_effect",
    "performance_many",
    "points_before",
    "power_law_ratio",
    "precision",
    "probability_of_conformity",
    "recommend_scale",
    "recording_step",
    "repeatability",
    "repeatability_many",
    "rule_flags_many",
    "rules_of",
    "run_length",
    "run_length_distribution",
    "run_on_one_side",
    "run_outside",
    "run_rule_signals",
    "run_within",
    "segment_starts",
    "sensitivity_from_energy",
    "shear_thinning_index",
    "short_run",
    "signal_events",
    "some_beyond",
    "spread_change",
    "spread_slope",
    "steady_trend",
    "steam_and_water_viscosity",
    "straight_line",
    "stratify",
    "temperature_influence",
    "temperature_sensitivity",
    "thixotropic_decay",
    "three_way",
    "tolerance_percent",
    "tolerance_verdict",
    "torque_factor",
    "two_verdicts",
    "uncertainty_budget",
    "walther_viscosity",
    "water_density",
    "water_viscosity",
    "xbar_r",
    "xbar_s",
    "zone_rule_flags",
]

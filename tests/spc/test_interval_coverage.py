"""How often each 95 % interval of the package holds the true number.

One simulation an interval. Exact ones must lie within three standard errors of 95 %; the others
within three of 94 to 96 %. Indices and the gauge's total have files of their own
(test_capability_coverage, test_gauge_study).
"""

import math

import numpy as np
import pytest
from scipy.stats import binom, norm

import spc


def share(hits):
    return float(np.mean(hits)), math.sqrt(0.05 * 0.95 / len(hits))


def assert_exact(hits):
    found, error = share(hits)
    assert found == pytest.approx(0.95, abs=3 * error)


def assert_close(hits):
    found, error = share(hits)
    assert 0.94 - 3 * error < found < 0.96 + 3 * error


def holds(interval, true):
    low, high = interval
    return low <= true <= high


@pytest.mark.parametrize(("appraisers", "sd_both"), [(3, 0.0), (6, 0.5)])
def test_equipment_variation(appraisers, sd_both):
    # At the default pooling. The pooled mean square, which is picked where it came out small,
    # covers 94.1 and 91.9 % here.
    rng = np.random.default_rng(310)
    parts, trials = 10, 2
    part = np.repeat(np.arange(parts), appraisers * trials)
    appraiser = np.tile(np.repeat(np.arange(appraisers), trials), parts)
    hits = []
    for _ in range(1200):
        values = (
            3 * rng.standard_normal((parts, 1, 1))
            + rng.standard_normal((1, appraisers, 1))
            + sd_both * rng.standard_normal((parts, appraisers, 1))
            + rng.standard_normal((parts, appraisers, trials))
        )
        hits.append(holds(spc.gauge_study(values.ravel(), part, appraiser).ev_interval, 1))
    assert_exact(hits)


@pytest.mark.parametrize("n", [5, 20, 50])
@pytest.mark.parametrize("off", [0.0, 1.0, 3.0])
def test_cpm_far_off_target(n, off):
    # With Boyles' own freedom 88.9 % at 5 values one sigma off, 85.7 % three sigma off.
    rng = np.random.default_rng(int(1000 * off) + n)
    true = 4 / 3 / math.sqrt(1 + off**2)
    assert_close(
        [
            holds(spc.capability(values, -4, 4, 0).cpm_interval, true)
            for values in rng.normal(off, 1, (2500, n))
        ]
    )


def test_one_sided_index():
    rng = np.random.default_rng(311)
    found = [spc.capability(v, upper=3) for v in rng.standard_normal((900, 12))]
    assert_exact([holds(one.ppk_interval, 1) for one in found])


def test_one_sided_index_from_moving_ranges():
    rng = np.random.default_rng(312)
    found = [spc.capability(v, upper=3) for v in rng.standard_normal((900, 30))]
    assert_close([holds(one.cpk_interval, 1) for one in found])


def test_expected_nonconforming_two_limits_holds_more_than_it_says():
    # Stated in the docstring: 97.4 to 98.5 %, two statements at half the risk each.
    rng = np.random.default_rng(313)
    true = 1e6 * 2 * norm.sf(2)
    hits = [
        holds(spc.expected_nonconforming(v, -2, 2).total_interval, true)
        for v in rng.standard_normal((600, 25))
    ]
    assert 0.96 < share(hits)[0] < 0.995


@pytest.mark.parametrize("n", [10, 60])
@pytest.mark.parametrize("p", [0.02, 0.3, 0.5])
def test_counted_share_never_covers_less_than_it_says(n, p):
    # Exactly, over all counts that can come out: at least 95 %, as stated for Clopper-Pearson.
    covered = math.fsum(
        binom.pmf(k, n, p)
        for k in range(n + 1)
        if holds(spc.observed_share(k, n).interval, 1e6 * p)
    )
    assert covered >= 0.95


def test_relative_repeatability():
    rng = np.random.default_rng(314)
    hits = [
        holds(spc.repeatability(np.exp(pairs), "relative").interval, 100 * 0.01)
        for pairs in rng.normal(7, 0.01, (2500, 10, 2))
    ]
    assert_exact(hits)


def test_repeatability_many():
    rng = np.random.default_rng(315)
    readings = rng.normal(100, 2, (4000, 12, 3))
    squares = ((readings - readings.mean(axis=2, keepdims=True)) ** 2).sum(axis=2)
    many = spc.repeatability_many(np.full(48_000, 3), squares.ravel(), np.arange(0, 48_000, 12))
    assert_exact((many.low <= 2) & (many.high >= 2))


def test_performance_many():
    rng = np.random.default_rng(316)
    limits = spc.limits_many(rng.standard_normal(4000 * 40), np.arange(0, 4000 * 40, 40))
    many = spc.performance_many(limits, np.full(4000, -4.0), np.full(4000, 4.5))
    assert_close((many.ppk_low <= 4 / 3) & (many.ppk_high >= 4 / 3))


def test_one_way_components():
    # Sizes from 1 to 5; both intervals are exact.
    rng = np.random.default_rng(317)
    group = np.repeat(np.arange(9), [1, 5, 2, 2, 3, 4, 3, 2, 3])
    found = [
        spc.one_way(1.5 * rng.standard_normal(9)[group] + rng.standard_normal(25), group)
        for _ in range(1200)
    ]
    assert_exact([holds(one.variance_within_interval, 1) for one in found])
    assert_exact([holds(one.ratio_interval, 1.5**2) for one in found])


def test_nested_error():
    rng = np.random.default_rng(318)
    outer, inner = np.repeat(np.arange(6), 4), np.tile([0, 0, 1, 1], 6)
    hits = [
        holds(spc.nested(values, outer, inner).variance_error_interval, 4)
        for values in rng.normal(50, 2, (1000, 24))
    ]
    assert_exact(hits)


def test_equivalence():
    rng = np.random.default_rng(319)
    hits = []
    for noise in rng.normal(0.01, 0.02, (2500, 8)):
        first = np.linspace(500, 3000, 8)
        found = spc.equivalence(first, first * np.exp(noise), margin_percent=2)
        hits.append(holds(found.interval_percent, 100 * math.expm1(0.01)))
    assert_exact(hits)


def test_offset_and_gain():
    rng = np.random.default_rng(320)
    certified = np.repeat([500.0, 1500.0, 4000.0], 3)
    found = [
        spc.offset_and_gain(certified, 10 + 1.02 * certified + rng.normal(0, 8, 9))
        for _ in range(2500)
    ]
    assert_exact([holds(one.offset_interval, 10) for one in found])
    assert_exact([holds(one.gain_interval, 1.02) for one in found])


def test_temperature_sensitivity_and_energy():
    rng = np.random.default_rng(321)
    temperature = np.linspace(20, 30, 7)
    noise = rng.normal(0, 0.01, (2000, 7))
    straight = [
        spc.temperature_sensitivity(temperature, np.exp(7 - 0.06 * temperature + e)) for e in noise
    ]
    assert_exact([holds(one.interval, 6) for one in straight])
    curve = 50_000 / 8.31446261815324 / (temperature + 273.15)
    curved = [spc.activation_energy_fit(temperature, np.exp(curve - 13 + e)) for e in noise]
    assert_exact([holds(one.interval, 50_000) for one in curved])


SIZES = {"equal": [2] * 8, "unequal": [1, 2, 2, 3, 4, 2, 5, 2]}


@pytest.mark.parametrize("sizes", SIZES)
@pytest.mark.parametrize("between", [0.0, 0.7, 2.0])
def test_precision(sizes, between):
    rng = np.random.default_rng(322)
    lab = np.repeat(np.arange(8), SIZES[sizes])
    found = [
        spc.precision(
            between * rng.standard_normal(8)[lab] + rng.standard_normal(lab.size), lab
        ).levels[0]
        for _ in range(500)
    ]
    assert_exact([holds(one.s_r_interval, 1) for one in found])
    hits, error = share([holds(one.s_R_interval, math.hypot(1, between)) for one in found])
    assert 0.94 - 3 * error < hits < 0.966 + 3 * error  # stated in the docstring

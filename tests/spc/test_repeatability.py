"""Repeatability, its scale, the order effect."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, ttest_1samp

import spc


def test_baseline_scenario(batches):
    # Computed apart: s_r 12.12, 0.602 %, limit 1.67 % (2.77 × 0.602); issue: limit 2.8 s_r.
    duplicates = batches("F01_baseline_duplicates")
    result = spc.repeatability(duplicates)
    assert (result.n_groups, result.degrees_of_freedom) == (30, 30)
    assert round(result.s_r, 2) == 12.12
    assert round(result.cv_percent, 3) == 0.602
    assert result.limit == pytest.approx(2.8 * 12.12, abs=0.015)
    assert round(result.limit_percent, 2) == 1.67
    # Factors for 30 pairs: 0.80 and 1.34.
    assert [round(end / result.s_r, 2) for end in result.interval] == [0.80, 1.34]
    relative = spc.repeatability(duplicates, scale="relative")
    assert [round(end / result.cv_percent, 2) for end in relative.interval] == [0.80, 1.34]


def test_levels_scenario(table):
    # Computed apart: s_r 1.97/20.47/27.19 and CV 0.492/1.026/0.610 % by level, pooled 0.745 %
    # and 19.68, slope 1.14, pool in percent.
    levels = {}
    for row in table("F02_levels"):
        groups = levels.setdefault(row["product"], {})
        groups.setdefault(row["batch"], []).append(float(row["viscosity"]))
    by_level = [list(groups.values()) for groups in levels.values()]
    result = spc.level_dependence(by_level)
    assert [round(s, 2) for s in result.s_r] == [1.97, 20.47, 27.19]
    assert [round(cv, 3) for cv in result.cv_percent] == [0.492, 1.026, 0.610]
    assert round(result.slope, 2) == 1.14
    assert result.recommended == "relative"
    pooled = spc.repeatability([pair for level in by_level for pair in level], scale="relative")
    assert round(pooled.cv_percent, 3) == 0.745
    assert round(pooled.s_r, 2) == 19.68


def test_foam_scenario(batches):
    # Computed apart: first 20 batches CV 0.69 %, limit 1.91 %.
    result = spc.repeatability(batches("S09_aeration")[:20], scale="relative")
    assert round(result.cv_percent, 2) == 0.69
    assert round(result.limit_percent, 2) == 1.91


def test_iso_5725_creosote(table):
    # ISO 5725-2:1994, B.3 (from memory): s_r by level after leaving out laboratory 1 and
    # laboratory 6 at level 5.
    printed = {"1": 0.092, "2": 0.179, "3": 0.127, "4": 0.337, "5": 0.393}
    for level, s_r in printed.items():
        cells = {}
        for row in table("iso5725_2_creosote"):
            out = row["lab"] == "1" or (row["lab"] == "6" and level == "5")
            if row["level"] == level and not out:
                cells.setdefault(row["lab"], []).append(float(row["pct_mm"]))
        assert spc.repeatability(list(cells.values())).s_r == pytest.approx(s_r, abs=5.1e-4)


def test_montgomery_duplicates(table):
    # Montgomery, 6th ed., Table 8.6 (from memory): 20 parts measured twice, R-bar 1.0 and
    # 0.887 from it; the pooled estimate is √(Σd²/2k) = √(30/40).
    pairs = [(float(row["m1"]), float(row["m2"])) for row in table("montgomery_duplicates")]
    charts = spc.xbar_r(pairs)
    assert charts.dispersion.center[0] == pytest.approx(1.0, abs=0.05)
    assert charts.location.sigma == pytest.approx(0.887, abs=8e-4)  # d2 = 1.128 there
    by_squares = math.sqrt(sum((a - b) ** 2 for a, b in pairs) / (2 * len(pairs)))
    assert spc.repeatability(pairs).s_r == pytest.approx(by_squares)


@pytest.mark.parametrize(
    ("pairs", "low", "high"),
    [(10, 0.70, 1.76), (20, 0.77, 1.44), (30, 0.80, 1.34), (50, 0.84, 1.24)],
)
def test_interval_factors(pairs, low, high):
    # Chi-square factors evaluated apart from this code.
    groups = np.random.default_rng(1).normal(100, 1, (pairs, 2))
    result = spc.repeatability(groups)
    assert [round(end / result.s_r, 2) for end in result.interval] == pytest.approx(
        [low, high], abs=0.0101
    )
    quantiles = chi2.ppf([0.975, 0.025], pairs)
    assert result.interval == pytest.approx(result.s_r * np.sqrt(pairs / quantiles))


def test_unequal_groups_pool_by_degrees_of_freedom():
    groups = [[10.0, 12.0], [11.0, 10.5, 11.9, 12.4], [9.0], [10.1, 10.1, 10.4]]
    several = [g for g in groups if len(g) > 1]
    freedom = sum(len(g) - 1 for g in several)
    pooled = sum((len(g) - 1) * statistics.variance(g) for g in several) / freedom
    logs = sum((len(g) - 1) * statistics.variance(map(math.log, g)) for g in several) / freedom
    result = spc.repeatability(groups, confidence=0.9)
    assert (result.n_groups, result.degrees_of_freedom) == (3, 6)
    assert result.s_r == pytest.approx(math.sqrt(pooled))
    assert result.cv_percent == pytest.approx(100 * math.sqrt(logs))
    assert result.interval == pytest.approx(
        np.sqrt(pooled * 6 / chi2.ppf([0.95, 0.05], 6)).tolist()
    )


def test_readings_that_always_agree():
    result = spc.repeatability([[5.0, 5.0], [6.0, 6.0]])
    assert (result.s_r, result.cv_percent, result.limit) == (0, 0, 0)
    assert result.interval == (0, 0)


def test_values_at_or_below_zero_have_no_relative_spread():
    result = spc.repeatability([[-1.0, 1.0], [0.0, 2.0]])
    assert result.s_r == pytest.approx(math.sqrt(2))
    assert result.cv_percent is result.limit_percent is None


groups = st.lists(st.lists(st.floats(1, 1e4), min_size=2, max_size=5), min_size=1, max_size=12)


@given(groups, st.floats(0.01, 100), st.floats(0, 1e3), st.randoms(use_true_random=False))
def test_laws(readings, scale, shift, random):
    plain = spc.repeatability(readings)
    scaled = spc.repeatability([scale * np.array(g) for g in readings])
    assert scaled.s_r == pytest.approx(scale * plain.s_r, rel=1e-7, abs=1e-7)
    assert scaled.cv_percent == pytest.approx(plain.cv_percent, rel=1e-7, abs=1e-7)
    shifted = spc.repeatability([np.array(g) + shift for g in readings])
    assert shifted.s_r == pytest.approx(plain.s_r, rel=1e-6, abs=1e-6)
    mixed = [random.sample(g, len(g)) for g in random.sample(readings, len(readings))]
    assert spc.repeatability(mixed).s_r == pytest.approx(plain.s_r, rel=1e-9, abs=1e-9)
    assert plain.interval[0] <= plain.s_r <= plain.interval[1]


@given(st.lists(st.tuples(st.floats(1, 1e4), st.floats(1, 1e4)), min_size=1, max_size=20))
def test_pairs_by_the_textbook_formula(pairs):
    result = spc.repeatability(pairs, scale="relative")
    n = len(pairs)
    assert result.s_r == pytest.approx(
        math.sqrt(math.fsum((a - b) ** 2 for a, b in pairs) / (2 * n)), rel=1e-8, abs=1e-8
    )
    assert result.cv_percent == pytest.approx(
        100 * math.sqrt(math.fsum(math.log(a / b) ** 2 for a, b in pairs) / (2 * n)),
        rel=1e-6, abs=1e-8,
    )  # fmt: skip


SIX_PAIRS = [(2000, 1960), (2100, 2055), (1950, 1915), (2050, 2010), (1980, 1945), (2020, 1985)]


def test_order_effect_of_six_pairs():
    # Computed apart: -1.92 %, t -28.8; naive CV 1.36 %, 0.12 % without the order effect.
    result = spc.order_effect(SIX_PAIRS)
    assert round(result.mean_log_ratio_percent, 2) == -1.92
    assert round(result.t, 1) == -28.8
    assert result.p < 1e-5
    assert result.n == 6
    assert round(spc.repeatability(SIX_PAIRS).cv_percent, 2) == 1.36
    assert round(result.cv_percent_without_order, 2) == 0.12


def test_no_order_effect_in_the_baseline(batches):
    # Computed apart: t 1.6, p 0.13.
    result = spc.order_effect(batches("F01_baseline_duplicates"))
    assert (round(result.t, 1), round(result.p, 2)) == (1.6, 0.13)


@given(
    st.lists(st.tuples(st.floats(10, 1e4), st.floats(10, 1e4)), min_size=2, max_size=20).filter(
        lambda pairs: len({round(a / b, 6) for a, b in pairs}) > 1
    )
)
def test_order_effect_is_the_paired_t_test(pairs):
    ratios = [math.log(b / a) for a, b in pairs]
    expected = ttest_1samp(ratios, 0)
    result = spc.order_effect(pairs)
    assert result.mean_log_ratio_percent == pytest.approx(100 * statistics.fmean(ratios), abs=1e-9)
    assert result.t == pytest.approx(expected.statistic, rel=1e-6, abs=1e-9)
    assert result.p == pytest.approx(expected.pvalue, rel=1e-5, abs=1e-12)
    turned = spc.order_effect([(b, a) for a, b in pairs])
    assert turned.t == pytest.approx(-result.t, rel=1e-6, abs=1e-9)


def test_order_effect_uses_the_first_two_readings_of_a_batch():
    with_third = [(*pair, 5000.0) for pair in SIX_PAIRS]
    assert spc.order_effect([*with_third, [7.0]]).t == spc.order_effect(SIX_PAIRS).t


def test_order_effect_without_any_scatter():
    none = spc.order_effect([[5.0, 5.0], [6.0, 6.0]])
    assert (none.t, none.p) == (0.0, 1.0)
    always = spc.order_effect([[8.0, 4.0], [16.0, 8.0]])
    assert (always.t, always.p) == (-math.inf, 0.0)


@given(st.floats(0.1, 100), st.floats(-2, 2))
def test_slope_of_a_power_law(factor, power):
    levels = np.array([100.0, 700.0, 2000.0, 9000.0])
    assert spc.loglog_slope(levels, factor * levels**power) == pytest.approx(power, abs=1e-9)


def test_slope_by_numpy():
    levels, sds = [400, 2000, 4500], [1.97, 20.5, 27.2]
    expected = np.polyfit(np.log(levels), np.log(sds), 1)[0]
    assert spc.loglog_slope(levels, sds) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("slope", "scale"),
    [(-0.2, "absolute"), (0.49, "absolute"), (0.5, "relative"), (1.14, "relative")],
)
def test_recommended_scale(slope, scale):
    assert spc.recommend_scale(slope) == scale


@pytest.mark.parametrize(
    ("error", "call", "message"),
    [
        (
            spc.ArgumentError,
            lambda: spc.repeatability([[1.0, 2.0]], scale="percent"),
            "scale must be 'absolute', 'relative' or 'auto', got 'percent'",
        ),
        (
            spc.ArgumentError,
            lambda: spc.repeatability([[-3.0, 2.0]], scale="relative"),
            "groups must be above 0 for scale='relative', got -3: use scale='absolute'",
        ),
        (
            spc.ArgumentError,
            lambda: spc.repeatability([[1.0, 2.0]], confidence=0),
            "confidence must lie between 0 and 1, got 0 (0.95 is usual)",
        ),
        (
            spc.TooFewPointsError,
            lambda: spc.repeatability([[1.0], [2.0]]),
            "groups needs a batch with two readings or more, got none: measure duplicates",
        ),
        (
            spc.TooFewPointsError,
            lambda: spc.repeatability([]),
            "groups needs a batch with two readings or more, got none: measure duplicates",
        ),
        (
            spc.ArgumentError,
            lambda: spc.order_effect([[0.0, 2.0], [1.0, 2.0]]),
            "groups must be above 0 for an order effect, got 0",
        ),
        (
            spc.TooFewPointsError,
            lambda: spc.order_effect([[1.0, 2.0], [1.0]]),
            ("groups needs at least 2 batches with two readings, got 1: measure more duplicates"),
        ),
        (
            spc.ArgumentError,
            lambda: spc.level_dependence([[[1.0, 2.0]], [[-1.0, 2.0]]]),
            "groups_by_level[1] must be above 0, got -1",
        ),
        (
            spc.TooFewPointsError,
            lambda: spc.level_dependence([[[1.0, 2.0]], [[1.0], [2.0]]]),
            (
                "groups_by_level[1] needs a batch with two readings or more, got none: "
                "measure duplicates"
            ),
        ),
        (
            spc.TooFewPointsError,
            lambda: spc.level_dependence([[[1.0, 2.0]]]),
            "groups_by_level needs at least 2 levels, got 1: one level tells nothing",
        ),
        (
            spc.ArgumentError,
            lambda: spc.level_dependence([[[1.0, 2.0]], [[5.0, 5.0]]]),
            "groups_by_level[1] must hold readings that differ, got none: leave that level out",
        ),
        (
            spc.ArgumentError,
            lambda: spc.loglog_slope([1.0, 2.0], [1.0, 2.0, 3.0]),
            "levels and sds must match, got 2 and 3",
        ),
        (
            spc.ArgumentError,
            lambda: spc.loglog_slope([2.0, 2.0], [1.0, 3.0]),
            "levels must differ to have a slope, got only 2",
        ),
        (
            spc.ArgumentError,
            lambda: spc.critical_range(1),
            "n must be at least 2, got 1",
        ),
        (
            spc.ArgumentError,
            lambda: spc.critical_range(2, 1.0),
            "confidence must lie between 0 and 1, got 1 (0.95 is usual)",
        ),
    ],
)
def test_refused(error, call, message):
    with pytest.raises(error) as caught:
        call()
    assert str(caught.value) == message


def level_groups(table):
    groups = {}
    for row in table("F02_levels"):
        groups.setdefault((row["product"], row["batch"]), []).append(float(row["viscosity"]))
    return list(groups.values())


def test_auto_pools_the_levels_scenario_in_percent(table):
    # Computed apart: slope 1.14 by three levels, recommends %, 0.745 %. Batch by batch, by maximum
    # likelihood, the slope is near that.
    result = spc.repeatability(level_groups(table), scale="auto")
    assert result.scale == "relative"
    assert result.slope == pytest.approx(1.14, abs=0.1)
    assert round(result.cv_percent, 3) == 0.745
    assert result.interval == result.cv_interval
    assert result.scale_reason == (
        "relative: the log-log slope of the spread against the level is 1.18"
    )


def test_auto_keeps_one_product_in_its_unit(batches):
    result = spc.repeatability(batches("F01_baseline_duplicates"), scale="auto")
    assert (result.scale, result.slope) == ("absolute", None)
    assert result.scale_reason == "absolute: the batches span a factor of 1.14 only, one level"
    assert result.interval == result.s_r_interval


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0, 1.5])
def test_slope_from_single_batches(power):
    rng = np.random.default_rng(12)
    level = np.exp(rng.uniform(5, 9, 800))
    groups = level[:, np.newaxis] + rng.normal(0, 0.0005, (800, 2)) * level[:, np.newaxis] ** power
    slope = spc.spread_slope(groups)
    # Variance of a log-log slope from k pairs: 1 / (2 Σ (x - mean)²).
    error = 1 / np.sqrt(2 * 800 * np.log(level).var())
    assert slope == pytest.approx(power, abs=3.5 * error)


def test_slope_maximises_the_likelihood():
    groups = [[10.0, 12.0], [50.0, 50.0], [100.0, 93.0, 105.0], [400.0, 430.0]]
    mean = [np.mean(g) for g in groups]
    s2 = [np.var(g, ddof=1) for g in groups]
    f = [len(g) - 1 for g in groups]

    def loss(b):
        scale = sum(fi * si / mi ** (2 * b) for fi, si, mi in zip(f, s2, mean, strict=True)) / sum(
            f
        )
        return sum(
            fi * (np.log(scale) + 2 * b * np.log(mi)) for fi, mi in zip(f, mean, strict=True)
        )

    grid = np.linspace(-3, 4, 70_001)
    best = grid[np.argmin([loss(b) for b in grid[::100]]) * 100]
    fine = np.linspace(best - 0.02, best + 0.02, 4001)
    assert spc.spread_slope(groups) == pytest.approx(fine[np.argmin(loss(fine))], abs=2e-5)


def test_auto_without_a_slope():
    agree = spc.repeatability([[1.0, 1.0], [9.0, 9.0]], scale="auto")
    assert (agree.scale, agree.slope) == ("absolute", None)
    assert agree.scale_reason == "absolute: all readings agree, so no slope tells the scale"
    negative = spc.repeatability([[-1.0, 1.0], [9.0, 9.5]], scale="auto")
    assert negative.scale == "absolute"
    assert negative.cv_interval is None
    assert spc.spread_slope([[2.0, 2.5], [2.0, 2.5]]) is None
    with pytest.raises(spc.ArgumentError, match="groups must be above 0 for a log-log slope"):
        spc.spread_slope([[-1.0, 1.0]])


def test_both_limit_factors_and_the_log_form():
    # 2.8 is printed by ISO 5725-6, 1.96 √2 = 2.7719 is unrounded; log form 100 (e^(2.77 s) - 1).
    result = spc.repeatability([[100.0, 110.0], [100.0, 95.0], [100.0, 104.0]])
    assert result.limit == pytest.approx(2.8 * result.s_r)
    assert result.limit_exact == pytest.approx(2.7718585822512662 * result.s_r)
    assert result.limit_percent == pytest.approx(2.7718585822512662 * result.cv_percent)
    expected = 100 * (math.exp(2.7718585822512662 * result.cv_percent / 100) - 1)
    assert result.limit_ratio_percent == pytest.approx(expected)


def test_the_log_form_is_exceeded_one_time_in_twenty():
    rng = np.random.default_rng(14)
    pairs = 500 * np.exp(rng.normal(0, 0.15, (200_000, 2)))
    limit = spc.repeatability(pairs, scale="relative").limit_ratio_percent
    ratio = 100 * (pairs.max(axis=1) / pairs.min(axis=1) - 1)
    assert (ratio > limit).mean() == pytest.approx(0.05, abs=0.002)

"""Values of the worked trade example that belong to no single published source.

Product of 1800 to 2200 mPa·s on an instrument of 5000 full scale; batches of two readings. The
numbers were computed apart from this code, by hand or from the same scenario files.
"""

import math

import numpy as np
import pytest

import spc


def test_an_error_of_the_full_scale_hurts_most_at_low_torque():
    # 1 % of 5000 is ± 50 everywhere: 1.3 % of 4000 (80 % torque), 10 % of 500 (10 % torque).
    assert spc.error_at_torque(1, [80, 10]) == pytest.approx([1.25, 10])
    assert spc.error_at_torque(1, [80, 10]) == pytest.approx([100 * 50 / 4000, 100 * 50 / 500])
    # A zero offset of 0.5 % of full scale, 25 mPa·s: 0.6 % of 4000, 5 % of 500.
    assert spc.error_at_torque(0.5, [80, 10]) == pytest.approx([0.625, 5])
    found = spc.offset_and_gain([500, 4000], [525, 4025])
    assert (found.offset, found.offset_percent_of(5000)) == pytest.approx((25, 0.5))


def test_a_wrong_spindle_under_the_right_code_moves_torque_and_viscosity_alike(table):
    # Three batches, ratio 0.491 of the others' viscosity and of their torque; no row disagrees.
    rows = table("S01_spindle_swapped")
    values = {
        key: np.array([float(row[key]) for row in rows]) for key in ("viscosity", "torque_pct")
    }
    wrong = np.array([row["batch"] in ("B013", "B014", "B015") for row in rows])
    for key, value in values.items():
        assert value[wrong].mean() / value[~wrong].mean() == pytest.approx(0.491, abs=0.01), key
    check = spc.check_torque_factor(values["viscosity"], values["torque_pct"], step=5)
    assert check.agrees.all()
    assert check.factor == pytest.approx(50, abs=0.1)


def test_batches_vary_much_more_than_readings(batches):
    # √(73.44² - 12.12²/2) = 72.9; ratio of the sigmas of batches and of means of two 6.3.
    readings = batches("F01_baseline_duplicates")
    sigma = spc.three_way(readings).location.sigma
    s_r = spc.repeatability(readings).s_r
    assert math.sqrt(sigma**2 - s_r**2 / 2) == pytest.approx(72.9, abs=0.05)
    # Another way to the same part: the between-batch component, from all differences and not only
    # from those of neighbours, so near and not equal.
    split = spc.one_way(np.concatenate(readings), np.repeat(np.arange(30), 2))
    assert math.sqrt(split.variance_within) == pytest.approx(12.12, abs=0.005)
    assert math.sqrt(split.variance_between) == pytest.approx(68.1, abs=0.1)  # √(68.64² - 12.12²/2)


@pytest.mark.parametrize(("n", "percent"), [(10, 30), (20, 21), (25, 18), (50, 13), (100, 9)])
def test_how_well_a_moving_range_sigma_is_known(n, percent):
    # About 0.62 (n - 1) degrees of freedom, so a relative standard error of 1 / √(2 f).
    rng = np.random.default_rng(n)
    values = rng.standard_normal((20_000, n))
    freedom = spc.capability(values[0], -4, 4).within_freedom
    assert 100 / math.sqrt(2 * freedom) == pytest.approx(percent, abs=0.5)
    ranges = np.abs(np.diff(values, axis=1)).mean(axis=1)
    assert 100 * ranges.std() / ranges.mean() == pytest.approx(percent, abs=0.8)


def test_pooling_in_the_unit_is_ten_times_too_lax_for_a_thin_product(table):
    # s_r 1.97 for the thin product; all three pooled in mPa·s 19.7.
    levels = {}
    for row in table("F02_levels"):
        groups = levels.setdefault(row["product"], {})
        groups.setdefault(row["batch"], []).append(float(row["viscosity"]))
    pooled = spc.repeatability([pair for groups in levels.values() for pair in groups.values()])
    thin = spc.repeatability(list(levels["P-L"].values()))
    assert pooled.s_r == pytest.approx(19.7, abs=0.05)
    assert pooled.s_r / thin.s_r == pytest.approx(10, abs=0.05)


def test_a_duplicate_limit_of_good_work():
    # Well-run work has a CV of 0.5 to 2 %, and limits of 1.4 to 5.5 % (2.77 CV).
    for cv, limit in ((0.005, 1.4), (0.02, 5.5)):
        pair = [math.exp(7 - cv / math.sqrt(2)), math.exp(7 + cv / math.sqrt(2))]
        found = spc.repeatability([pair], "relative")
        assert found.cv_percent == pytest.approx(100 * cv)
        assert found.limit_percent == pytest.approx(limit, abs=0.05)
        assert found.limit_ratio_percent == pytest.approx(
            100 * math.expm1(1.96 * math.sqrt(2) * cv)
        )
        # 2.8 is 1 % more than 2.77: the printed factor belongs to the limit in the unit only.
        assert found.limit / found.limit_exact == pytest.approx(2.8 / 2.77186, rel=1e-5)


def test_the_share_of_the_tolerance_and_of_the_index():
    # 6 · 20 / 400 = 30 %, repeatability alone 18 %; 1.33 seen through 50 % is 1.11.
    assert spc.tolerance_percent(20, 400) == pytest.approx(30)
    assert spc.tolerance_percent(12, 400) == pytest.approx(18)
    assert spc.observed_index(1.33, 50) == pytest.approx(1.11, abs=0.005)


def test_two_instruments_need_a_margin_and_not_only_no_difference():
    # Ratios of about 1 % with much scatter: not shown to differ, and not shown to be equal.
    rng = np.random.default_rng(49)
    first = np.linspace(1800, 2200, 6)
    noisy = spc.equivalence(first, first * np.exp(rng.normal(0.01, 0.03, 6)), margin_percent=2)
    assert (noisy.differs, noisy.verdict) == (False, "not decided")
    # A difference of 0.5 % told with little scatter: it differs, and it does not matter.
    sharp = spc.equivalence(first, first * np.exp(rng.normal(0.005, 0.001, 6)), margin_percent=2)
    assert (sharp.differs, sharp.verdict) == (True, "equivalent")

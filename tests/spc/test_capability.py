"""Indices, intervals and the gate."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, norm

import spc


def test_nist_example():
    # NIST/SEMATECH e-Handbook 6.1.6: USL 20, LSL 8, mean 16, s 2: Cp 1.0, Cpk 0.6667.
    result = spc.capability_from_summary(16, 2, 50, lower=8, upper=20)
    assert round(result.cp, 4) == 1.0
    assert round(result.cpk, 4) == 0.6667
    # The interval formula printed there, Cpk ± z √(1/(9n) + Cpk²/(2(n-1))).
    half = norm.ppf(0.975) * math.sqrt(1 / 450 + (2 / 3) ** 2 / 98)
    assert result.cpk_interval == pytest.approx((2 / 3 - half, 2 / 3 + half))


def test_montgomery_cp_interval():
    # Montgomery, 6th ed., Example 8.4 (from memory): USL 62, LSL 38, s 1.75, n 20: 2.29,
    # 1.57 to 3.01 (1.57 there comes from the rounded 2.29: unrounded 1.565).
    result = spc.capability_from_summary(50, 1.75, 20, lower=38, upper=62)
    assert round(result.cp, 2) == 2.29
    assert result.cp_interval[0] == pytest.approx(1.57, abs=6e-3)
    assert result.cp_interval[1] == pytest.approx(3.01, abs=5e-3)


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [(20, 0.88, 1.78), (30, 0.97, 1.69), (50, 1.05, 1.61), (100, 1.13, 1.53), (200, 1.19, 1.47)],
)
def test_what_1_33_means(n, low, high):
    # Bissell's formula evaluated apart from this code.
    result = spc.capability_from_summary(0, 1, n, lower=-9, upper=3.99)
    assert result.ppk == pytest.approx(1.33)
    assert [round(end, 2) for end in result.ppk_interval] == [low, high]


def test_boyles_examples():
    # R. A. Boyles, J. Quality Technology 23 (1991) 17: formula from memory, evaluated apart;
    # the variance there has divisor n. His interval stands for a process on target; off target
    # its freedom n (1 + d²)² / (1 + 2 d²) takes the unbiased d² = (n - 3)/n (mean - T)²/v - 1/n,
    # for the plain one covers too seldom (test_capability_coverage).
    for mean, variance, target, n, limits, cpm in (
        (16, 4.0, 14, 50, (8, 20), 0.7071067811865475),
        (100, 1.0, 100, 30, (94, 106), 2.0),
        (103, 1.0, 100, 25, (85, 115), 1.5811388300841895),
    ):
        sd = math.sqrt(variance * n / (n - 1))
        result = spc.capability_from_summary(mean, sd, n, *limits, target)
        assert result.cpm == pytest.approx(cpm, rel=1e-12)
        away = max(0.0, (n - 3) / n * (mean - target) ** 2 / variance - 1 / n)
        freedom = n * (1 + away) ** 2 / (1 + 2 * away)
        ends = cpm * np.sqrt(chi2.ppf([0.025, 0.975], freedom) / freedom)
        assert result.cpm_interval == pytest.approx(tuple(ends), rel=1e-9)
        if mean == target:
            printed = (1.4962518622908658, 2.5027782494305844)
            assert result.cpm_interval == pytest.approx(printed, rel=1e-9)


def test_direct_case():
    # Computed apart: mean 2030, s 40, n 50, 1850-2150: 1.00 (0.78-1.22).
    result = spc.capability_from_summary(2030, 40, 50, lower=1850, upper=2150)
    assert round(result.ppk, 2) == 1.00
    assert [round(end, 2) for end in result.ppk_interval] == [0.78, 1.22]


def test_unstable_scenario(batches):
    # Computed apart, specification 1750-2250: 2.64 from short-term sigma, 1.01 (0.79-1.23) from
    # the total, 15 of 50 batches beyond the control limits: no capability is earned.
    means = [b.mean() for b in batches("S12_unstable_capability")]
    result = spc.capability(means, 1750, 2250)
    assert (result.n, round(result.mean, 1), round(result.sd, 1)) == (50, 2007.8, 80.2)
    assert round(result.cpk, 2) == 2.64
    assert round(result.ppk, 2) == 1.01
    assert [round(end, 2) for end in result.ppk_interval] == [0.79, 1.23]
    chart, about = spc.individuals(means).location, spc.describe(means)
    reasons = spc.capability_gate(
        n=about.n,
        points_outside=int(chart.outside().sum()),
        n_points=chart.n,
        lag1=about.lag1,
        lag1_band=about.lag1_band,
    )
    assert reasons[0] == "15 of 50 batches beyond the control limits"
    assert reasons[1].startswith("neighbouring batches are alike")


def test_stable_scenario_earns_its_number(batches):
    means = [b.mean() for b in batches("F01_baseline_duplicates")]
    about = spc.describe(means)
    assert not spc.capability_gate(
        n=30, points_outside=0, n_points=30, lag1=about.lag1, lag1_band=about.lag1_band
    )


VALUES = [9.0, 11.0, 10.0, 12.5, 8.0, 10.2, 9.9]


def test_plain_arithmetic():
    result = spc.capability(VALUES, 4, 15, 9.5, confidence=0.9)
    n, mean, sd = len(VALUES), np.mean(VALUES), np.std(VALUES, ddof=1)
    within = np.mean(np.abs(np.diff(VALUES))) * math.sqrt(math.pi) / 2
    assert result.sigma_within == pytest.approx(within)
    assert result.cp == pytest.approx(11 / (6 * within))
    assert result.pp == pytest.approx(11 / (6 * sd))
    assert result.cpk == pytest.approx(min(mean - 4, 15 - mean) / (3 * within))
    assert result.ppk == pytest.approx(min(mean - 4, 15 - mean) / (3 * sd))
    assert result.cpm == pytest.approx(11 / (6 * math.sqrt(np.mean((np.array(VALUES) - 9.5) ** 2))))
    for index, interval, freedom in (
        (result.cp, result.cp_interval, 0.62 * (n - 1)),
        (result.pp, result.pp_interval, n - 1),
    ):
        quantiles = chi2.ppf([0.05, 0.95], freedom)
        assert interval == pytest.approx(index * np.sqrt(quantiles / freedom))
    for index, interval, freedom in (
        (result.cpk, result.cpk_interval, 0.62 * (n - 1)),
        (result.ppk, result.ppk_interval, n - 1),
    ):
        half = norm.ppf(0.95) * math.sqrt(1 / (9 * n) + index**2 / (2 * freedom))
        assert interval == pytest.approx((index - half, index + half))


def test_effective_freedom_of_moving_ranges():
    # 0.62 (n - 1) against the simulated spread of the estimate: sd(sigma)/sigma = 1/√(2 df).
    rng = np.random.default_rng(2)
    for n in (20, 50):
        ranges = np.abs(np.diff(rng.normal(size=(40_000, n)), axis=1)).mean(axis=1)
        relative = ranges.std() / ranges.mean()
        assert 1 / math.sqrt(2 * 0.62 * (n - 1)) == pytest.approx(relative, rel=0.03)


def test_pp_interval_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(4)
    true = 6 / 6  # limits ±3 of a standard normal process
    inside = 0
    for _ in range(1500):
        low, high = spc.capability(rng.normal(size=15), -3, 3).pp_interval
        inside += low <= true <= high
    assert inside / 1500 == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(("lower", "upper"), [(4, None), (None, 15)])
def test_one_sided_specification_has_no_cp(lower, upper):
    result = spc.capability(VALUES, lower, upper, target=10)
    assert result.cp is result.pp is result.cpm is None
    assert result.cp_interval is result.pp_interval is result.cpm_interval is None
    mean, sd = np.mean(VALUES), np.std(VALUES, ddof=1)
    side = (15 - mean) if lower is None else (mean - 4)
    assert result.ppk == pytest.approx(side / (3 * sd))


def test_zero_is_a_limit_only_when_given():
    assert spc.capability(VALUES, upper=15).ppk < spc.capability(VALUES, upper=40).ppk
    assert spc.capability(VALUES, 0, 40).ppk < spc.capability(VALUES, upper=40).ppk


def test_without_target_there_is_no_cpm():
    assert spc.capability(VALUES, 4, 15).cpm is None


def test_mean_outside_the_specification_is_negative():
    result = spc.capability(VALUES, 11, 15)
    assert result.ppk < 0
    assert result.ppk_interval[0] < result.ppk < result.ppk_interval[1]


def test_given_short_term_sigma_is_used():
    result = spc.capability(VALUES, 4, 15, sigma_within=0.5)
    assert result.cp == pytest.approx(11 / 3)
    assert result.pp == spc.capability(VALUES, 4, 15).pp


def test_two_values_have_an_index_with_a_wide_interval():
    result = spc.capability([9.0, 11.0], 4, 16)
    assert result.ppk_interval[1] - result.ppk_interval[0] > 1.5
    assert all(math.isfinite(end) for end in result.cp_interval)


@pytest.mark.parametrize(
    ("error", "call", "message"),
    [
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES),
            "lower or upper must be given: give at least one specification limit",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, 15, 4),
            "lower must be below upper, got 15 and 4",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, 4, 4),
            "lower must be below upper, got 4 and 4",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, 4, 15, 16),
            "target must lie inside the specification, got 16",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, lower=4, target=3),
            "target must lie inside the specification, got 3",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, math.nan, 15),
            "lower must be finite, got nan",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, 4, 15, confidence=95),
            "confidence must lie between 0 and 1, got 95 (0.95 is usual)",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability(VALUES, 4, 15, sigma_within=0),
            "sigma_within must be finite and above 0, got 0",
        ),
        (
            spc.NoSpreadError,
            lambda: spc.capability([2000.0] * 30, 1800, 2200),
            "values must vary to have a capability, got 30 times 2000: check the recording step",
        ),
        (
            spc.NoSpreadError,
            lambda: spc.capability_from_summary(16, 0, 50, 8, 20),
            "sd must be above 0 to have a capability, got 0",
        ),
        (
            spc.TooFewPointsError,
            lambda: spc.capability([2000.0], 1800, 2200),
            "values needs at least 2 points, got 1: wait for more data",
        ),
        (
            spc.ArgumentError,
            lambda: spc.capability_from_summary(16, 2, 1, 8, 20),
            "n must be at least 2, got 1",
        ),
    ],
)
def test_refused(error, call, message):
    with pytest.raises(error) as caught:
        call()
    assert str(caught.value) == message


series = st.lists(st.integers(1000, 3000).map(float), min_size=3, max_size=30).filter(
    lambda x: len(set(x)) > 1
)


@given(series, st.floats(-500, 500), st.floats(0.1, 10))
def test_shift_and_scale_change_nothing(values, shift, scale):
    plain = spc.capability(values, 900, 3100, 2000)
    moved = spc.capability(
        scale * np.array(values) + shift,
        scale * 900 + shift,
        scale * 3100 + shift,
        scale * 2000 + shift,
    )
    for name in ("cp", "cpk", "pp", "ppk", "cpm"):
        assert getattr(moved, name) == pytest.approx(getattr(plain, name), rel=1e-6)
        assert getattr(moved, f"{name}_interval") == pytest.approx(
            getattr(plain, f"{name}_interval"), rel=1e-6
        )


@given(series)
def test_laws(values):
    result = spc.capability(values, 900, 3100, 2000)
    assert result.cpk <= result.cp
    assert result.ppk <= result.pp
    for name in ("cp", "cpk", "pp", "ppk"):
        low, high = getattr(result, f"{name}_interval")
        assert low < getattr(result, name) < high
    wider = spc.capability(values, 900, 3100, 2000, confidence=0.99)
    assert wider.ppk_interval[0] < result.ppk_interval[0]
    mirrored = spc.capability([4000 - x for x in values], 900, 3100, 2000)
    assert mirrored.ppk == pytest.approx(result.ppk)


QUIET = {"n": 50, "points_outside": 0, "n_points": 50, "lag1": 0.1, "lag1_band": 0.28}


@pytest.mark.parametrize(
    ("changed", "reasons"),
    [
        ({}, ()),
        ({"lag1": None}, ()),
        ({"n": 30, "n_points": 30}, ()),
        ({"points_outside": 15}, ("15 of 50 batches beyond the control limits",)),
        (
            {"lag1": 0.604, "lag1_band": 0.219},
            ("neighbouring batches are alike (correlation 0.60, chance stays within ±0.22)",),
        ),
        (
            {"lag1": -0.604, "lag1_band": 0.219},
            ("neighbouring batches alternate (correlation −0.60, chance stays within ±0.22)",),
        ),
        ({"n": 12}, ("n = 12: 18 more batches for an index",)),
        ({"n": 29}, ("n = 29: 1 more batch for an index",)),
        ({"open_events": 1}, ("1 event nobody has closed",)),
        ({"open_events": 4}, ("4 events nobody has closed",)),
        ({"measurement_percent_of_tolerance": 30.0}, ()),
        (
            {"measurement_percent_of_tolerance": 36.4},
            ("the measurement takes 36 % of the tolerance (at most 30 %)",),
        ),
        ({"one_condition": False}, ("the results come from more than one measuring condition",)),
        (
            {"as_made": False},
            ("results after an adjustment are among them: take those as made",),
        ),
        ({"distribution_seen": True}, ()),
        ({"distribution_seen": None}, ()),
        (
            {"distribution_seen": False},
            ("nobody has looked at the plot of the distribution yet",),
        ),
        ({"censored_fraction": 0.1}, ()),
        (
            {"censored_fraction": 0.12},
            ("12 % of the results are over or under range (at most 10 %)",),
        ),
        ({"one_specification": False}, ("the specification changed inside the window",)),
        (
            {"n": 12, "points_outside": 1, "n_points": 12, "open_events": 1},
            (
                "1 of 12 batches beyond the control limits",
                "1 event nobody has closed",
                "n = 12: 18 more batches for an index",
            ),
        ),
    ],
)
def test_gate(changed, reasons):
    assert spc.capability_gate(**(QUIET | changed)) == reasons


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"lag1": math.nan}, "lag1 must be finite, got nan"),
        ({"lag1_band": math.nan}, "lag1_band must be finite, got nan"),
        ({"measurement_percent_of_tolerance": math.nan}, "measurement_percent_of_tolerance"),
        ({"censored_fraction": math.nan}, "censored_fraction must be finite, got nan"),
        ({"points_outside": -3}, "points_outside must be at least 0, got -3"),
        ({"n": "a"}, "n must be a whole number, got 'a'"),
        ({"points_outside": 51}, "points_outside must be at most n_points = 50, got 51"),
        ({"as_made": "no"}, "as_made must be True or False, got 'no'"),
        ({"lag1_band": -math.inf}, "lag1_band must be finite, got -inf"),
    ],
)
def test_the_gate_does_not_open_for_a_missing_number(
    wrong: dict[str, object], message: str
) -> None:
    given: dict[str, object] = {
        "n": 50,
        "points_outside": 0,
        "n_points": 50,
        "lag1": 0.1,
        "lag1_band": 0.28,
    }
    assert spc.capability_gate(**given) == ()
    with pytest.raises(spc.SpcError, match=message):
        spc.capability_gate(**(given | wrong))


def test_the_gate_takes_an_infinite_band_where_no_correlation_is_judged() -> None:
    told = spc.capability_gate(n=50, points_outside=0, n_points=50, lag1=None, lag1_band=math.inf)
    assert told == ()


@pytest.mark.parametrize(
    ("n", "standing", "missing"),
    [
        (0, "no number", (30, 50, 100)),
        (29, "no number", (1, 21, 71)),
        (30, "number", (0, 20, 70)),
        (49, "number", (0, 1, 51)),
        (50, "preferred", (0, 0, 50)),
        (99, "preferred", (0, 0, 1)),
        (100, "claim", (0, 0, 0)),
    ],
)
def test_how_far_a_number_carries(n: int, standing: str, missing: tuple[int, int, int]) -> None:
    # n >= 30 for a number, >= 50 preferred, >= 100 to claim.
    found = spc.capability_standing(n)
    assert found.standing == standing
    assert (found.more_for_number, found.more_for_preferred, found.more_for_claim) == missing


def test_a_reason_leaves_no_number_on_any_n() -> None:
    reasons = spc.capability_gate(
        n=200, points_outside=3, n_points=200, lag1=0.0, lag1_band=0.14, one_condition=False
    )
    found = spc.capability_standing(200, reasons)
    assert (found.standing, found.reasons) == ("no number", reasons)
    assert len(reasons) == 2
    for nonsense in ("a reason", 5, [5]):
        with pytest.raises(spc.ArgumentError, match="reasons must"):
            spc.capability_standing(200, nonsense)  # type: ignore[arg-type]


def test_borders_of_the_standing_by_their_intervals() -> None:
    # What the docstring says of 1.33, by Bissell's formula written out.
    for n, half in ((30, 0.36), (50, 0.28), (100, 0.20)):
        formula = norm.ppf(0.975) * math.sqrt(1 / (9 * n) + 1.33**2 / (2 * (n - 1)))
        assert formula == pytest.approx(half, abs=0.005)

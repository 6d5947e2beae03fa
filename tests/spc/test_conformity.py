"""Guard bands, probability of conformity, verdicts, and what they cost."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc

SPEC = {"lower": 1800, "upper": 2200}


# --- probability of conformity


def test_jcgm_106_one_sided():
    # JCGM 106:2012, 7.3.2, example (breakdown voltage of a diode), from memory: 0.92.
    assert round(float(spc.probability_of_conformity(-5.47, 0.05, upper=-5.40)), 2) == 0.92


def test_jcgm_106_two_sided():
    # JCGM 106:2012, 7.4, example (kinematic viscosity of a motor oil at 100 °C), from memory: 0.66.
    found = spc.probability_of_conformity(13.6, 1.8, lower=12.5, upper=16.3)
    assert round(float(found), 2) == 0.66


def test_jcgm_106_table_1():
    # JCGM 106:2012, Table 1, from memory: distance from the limit in u, printed to 0.01.
    z = [0.84, 1.28, 1.64, 2.33, 3.09]
    found = spc.probability_of_conformity(np.array(z), 1.0, lower=0.0)
    assert found == pytest.approx([0.80, 0.90, 0.95, 0.99, 0.999], abs=0.001)
    for risk, distance in zip([0.20, 0.10, 0.05, 0.01, 0.001], z, strict=True):
        assert spc.guard_band_for(2.0, risk) / 2 == pytest.approx(distance, abs=0.0051)


def test_result_just_inside_the_limit():
    # Recomputed independently here by the complementary error function.
    found = float(spc.probability_of_conformity(2180, 36.5, upper=2200))
    assert found == pytest.approx(0.5 * math.erfc(-20 / 36.5 / math.sqrt(2)), rel=1e-14)
    assert round(100 * found) == 71


def test_against_integration_of_the_density():
    from scipy import integrate, stats

    for y, u in [(2180, 36.5), (1790, 20), (2000, 300), (1500, 60)]:
        whole, _ = integrate.quad(stats.norm(y, u).pdf, 1800, 2200, points=[y], epsabs=1e-14)
        assert spc.probability_of_conformity(y, u, **SPEC) == pytest.approx(whole, rel=1e-8)


def test_far_tails_keep_their_digits():
    # 1 - (1 - tiny) would give 0: erfc is the reference.
    expected = 0.5 * math.erfc(20 / math.sqrt(2))
    for y in (3000, 1000):
        found = spc.probability_of_conformity(y, 40, **SPEC)
        assert found == pytest.approx(expected, rel=1e-10, abs=0)


results = st.floats(1000, 3000)
uncertainties = st.floats(0.5, 200)


@given(results, uncertainties, st.floats(0.01, 100), st.floats(-1e3, 1e3))
def test_unit_and_zero_point_do_not_matter(y, u, unit, zero):
    plain = spc.probability_of_conformity(y, u, **SPEC)
    other = spc.probability_of_conformity(
        unit * y + zero, unit * u, unit * 1800 + zero, unit * 2200 + zero
    )
    assert other == pytest.approx(plain, rel=1e-5, abs=1e-9)


@given(results, uncertainties)
def test_mirror_and_bounds(y, u):
    plain = float(spc.probability_of_conformity(y, u, **SPEC))
    assert 0 <= plain <= 1
    assert spc.probability_of_conformity(4000 - y, u, **SPEC) == pytest.approx(plain, rel=1e-9)
    alone = float(spc.probability_of_conformity(y, u, upper=2200))
    assert plain <= alone + 1e-15
    against = float(spc.probability_of_conformity(y, u, lower=2200))
    assert alone + against == pytest.approx(1, abs=1e-14)


@given(results, results, uncertainties)
def test_nearer_the_middle_is_safer(a, b, u):
    near, far = sorted((a, b), key=lambda y: abs(y - 2000))
    found = spc.probability_of_conformity([near, far], u, **SPEC)
    assert found[0] >= found[1] - 1e-15


# --- acceptance interval and verdicts


def test_zones_of_the_worked_specification():
    # w = U = 73: 1873 to 2127 conforms, beyond 1727 and 2273 does not; by hand.
    found = spc.acceptance_interval(**SPEC, guard_band=73)
    assert (found.lower, found.upper, found.is_empty) == (1873, 2127, False)
    y = [1726.9, 1727, 1800, 1872.9, 1873, 2000, 2127, 2127.1, 2180, 2273, 2273.1]
    verdicts = spc.guarded_verdict(y, 36.5, **SPEC).verdicts
    no, open_, yes = "does not conform", "not decided", "conforms"
    assert verdicts == (no, open_, open_, open_, yes, yes, yes, open_, open_, open_, no)
    # Risk at the edge of acceptance: 2.5 % at most, JCGM 106: 2.3 % for w = 2u.
    edge = spc.probability_of_conformity(2127, 36.5, upper=2200)
    assert round(100 * (1 - float(edge)), 1) == 2.3


def test_one_result_with_its_probability():
    found = spc.guarded_verdict(2180, 36.5, upper=2200)
    assert found.verdicts == ("not decided",)
    assert round(100 * found.probability[0]) == 71
    assert found.guard_band.tolist() == [73.0]


def test_uncertainty_in_percent_of_each_result():
    # 3.7 % of 1800 is 67, of 2200 is 81: the band follows the result.
    y = np.array([1800.0, 2200.0])
    found = spc.guarded_verdict(y, 0.0185 * y, **SPEC)
    assert found.guard_band.round().tolist() == [67.0, 81.0]


def test_one_sided_specifications():
    assert spc.acceptance_interval(upper=2200, guard_band=73).lower is None
    assert spc.guarded_verdict([0, 2100, 2200, 2300], 36.5, upper=2200).verdicts == (
        "conforms",
        "conforms",
        "not decided",
        "does not conform",
    )
    assert spc.guarded_verdict([1700, 1800, 1900], 36.5, lower=1800).verdicts == (
        "does not conform",
        "not decided",
        "conforms",
    )


def test_without_guard_band_the_limit_decides():
    found = spc.guarded_verdict([1800, 1799.9, 2200, 2200.1], 36.5, **SPEC, guard_band=0)
    assert found.verdicts == ("conforms", "does not conform", "conforms", "does not conform")


def test_guard_bands_that_meet():
    # A measurement too coarse for the specification: nothing can be judged to conform.
    found = spc.acceptance_interval(**SPEC, guard_band=201)
    assert found.is_empty
    assert spc.guarded_verdict([2000, 1500], 100.5, **SPEC).verdicts == (
        "not decided",
        "does not conform",
    )
    assert spc.guard_band_cost(2000, 70, **SPEC, guard_band=201).outside_acceptance == 1
    risk = spc.global_risk(2000, 60, 100, **SPEC, guard_band=201)
    assert (risk.consumer, risk.accepted, risk.producer) == (0, 0, risk.conforming)
    assert not spc.acceptance_interval(**SPEC, guard_band=200).is_empty  # one value is left


@given(results, uncertainties)
def test_a_verdict_is_backed_by_its_probability(y, u):
    found = spc.guarded_verdict(y, u, **SPEC)
    sure = 0.9544  # two-sided worst case of k = 2: 1 - 2 × 2.28 %
    if found.verdicts == ("conforms",):
        assert found.probability[0] >= sure
    elif found.verdicts == ("does not conform",):
        assert found.probability[0] <= 0.0228


@given(results, uncertainties, st.floats(0, 100), st.floats(0, 100))
def test_a_wider_band_decides_less(y, u, band, more):
    narrow = spc.guarded_verdict(y, u, **SPEC, guard_band=band).verdicts[0]
    wide = spc.guarded_verdict(y, u, **SPEC, guard_band=band + more).verdicts[0]
    assert wide in (narrow, "not decided")
    assert spc.guarded_verdict(4000 - y, u, **SPEC, guard_band=band + 1e-6).verdicts[0] in (
        narrow,
        "not decided",
    )


# --- cost and global risk


def test_cost_of_the_full_guard_band():
    # Recomputed independently here by the complementary error function: 2 Φ(-127/70), 2 Φ(-200/70).
    cost = spc.guard_band_cost(2000, 70, **SPEC, guard_band=73)
    assert cost.outside_acceptance == pytest.approx(math.erfc(127 / 70 / math.sqrt(2)), rel=1e-13)
    assert cost.outside_specification == pytest.approx(
        math.erfc(200 / 70 / math.sqrt(2)), rel=1e-13
    )
    assert round(100 * cost.outside_acceptance, 1) == 7.0
    assert round(100 * cost.outside_specification, 2) == 0.43
    assert cost.extra == cost.outside_acceptance - cost.outside_specification


PROCESSES = [
    (2000, 60, 36.5, 1800, 2200, 0),
    (2000, 60, 36.5, 1800, 2200, 73),
    (2120, 40, 20, 1800, 2200, 40),
    (2000, 5, 80, 1800, 2200, 73),
    (2000, 80, 0.01, 1800, 2200, 0.02),
    (2050, 70, 30, None, 2200, 60),
    (1900, 70, 30, 1800, None, 0),
]


@pytest.mark.parametrize("case", PROCESSES)
def test_global_risk_against_the_bivariate_normal(case):
    # Truth and result are bivariate normal; rectangles of its distribution function (SciPy).
    from scipy.stats import multivariate_normal

    mean, sd, u, lower, upper, band = case
    risk = spc.global_risk(mean, sd, u, lower, upper, guard_band=band)
    both = multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])

    def rectangle(truth, result):
        # Infinite ends far enough away for a double.
        far = 12 * math.hypot(sd, u)
        ends = [
            (mean - far if low is None else low, mean + far if high is None else high)
            for low, high in (truth, result)
        ]
        (a, b), (c, d) = ends
        return both.cdf([b, d]) - both.cdf([a, d]) - both.cdf([b, c]) + both.cdf([a, c])

    accept = (
        None if lower is None else lower + band,
        None if upper is None else upper - band,
    )
    right = rectangle((lower, upper), accept)
    accepted = rectangle((None, None), accept)
    conforming = rectangle((lower, upper), (None, None))
    assert risk.accepted == pytest.approx(accepted, abs=2e-8)
    assert risk.conforming == pytest.approx(conforming, abs=2e-8)
    assert risk.consumer == pytest.approx(accepted - right, abs=3e-8)
    assert risk.producer == pytest.approx(conforming - right, abs=3e-8)
    # By arithmetic: accepted = conforming - wrongly refused + wrongly accepted.
    assert risk.accepted == pytest.approx(
        risk.conforming - risk.producer + risk.consumer, abs=1e-12
    )


def test_small_global_risks_against_adaptive_integration():
    from scipy import integrate, stats

    def wrong(truth):
        return stats.norm.pdf(truth, 2000, 50) * stats.norm.cdf(2127, truth, 30)

    upper, _ = integrate.quad(wrong, 2200, 2600, epsabs=0, epsrel=1e-11)
    risk = spc.global_risk(2000, 50, 30, upper=2200, guard_band=73)
    assert risk.consumer == pytest.approx(upper, rel=1e-8, abs=0)
    assert risk.consumer < 1e-6


def test_global_risk_by_simulation():
    # 400,000 batches, literal seed; four standard errors.
    random = np.random.default_rng(106)
    truth = random.normal(2040, 80, 400_000)
    result = truth + random.normal(0, 36.5, truth.size)
    good = (truth >= 1800) & (truth <= 2200)
    taken = (result >= 1873) & (result <= 2127)
    risk = spc.global_risk(2040, 80, 36.5, **SPEC, guard_band=73)
    for share, found in ((taken & ~good, risk.consumer), (good & ~taken, risk.producer)):
        p = share.mean()
        assert found == pytest.approx(p, abs=4 * math.sqrt(p / truth.size) + 1e-5)


def test_a_perfect_measurement_makes_no_mistakes():
    risk = spc.global_risk(2000, 100, 1e-9, **SPEC, guard_band=0)
    assert risk.consumer == pytest.approx(0, abs=1e-10)
    assert risk.producer == pytest.approx(0, abs=1e-10)
    assert risk.accepted == pytest.approx(math.erf(2 / math.sqrt(2)), rel=1e-9)


@pytest.mark.parametrize("mean", [2000.0, 5000.0])
def test_a_process_that_never_varies(mean):
    # All batches alike: either every one conforms or none; no risk is undefined.
    risk = spc.global_risk(mean, 1e-30, 36.5, **SPEC, guard_band=73)
    inside = 1.0 if mean == 2000 else 0.0
    assert risk.conforming == inside
    expected = float(spc.probability_of_conformity(mean, 36.5, 1873, 2127))
    assert risk.accepted == pytest.approx(expected, rel=1e-12)
    assert risk.producer == pytest.approx(inside * (1 - expected), rel=1e-9)


processes = st.tuples(st.floats(1800, 2200), st.floats(5, 200), st.floats(1, 100))


@given(processes, st.floats(0, 90), st.floats(0, 90))
def test_a_wider_band_trades_consumer_for_producer(process, band, more):
    mean, sd, u = process
    narrow = spc.global_risk(mean, sd, u, **SPEC, guard_band=band)
    wide = spc.global_risk(mean, sd, u, **SPEC, guard_band=band + more)
    assert wide.consumer <= narrow.consumer + 1e-12
    assert wide.producer >= narrow.producer - 1e-12
    assert 0 <= narrow.consumer <= 1
    assert 0 <= narrow.producer <= 1


@given(processes, st.floats(0, 150), st.floats(0.01, 100))
def test_global_risk_has_no_unit_and_no_side(process, band, unit):
    mean, sd, u = process
    plain = spc.global_risk(mean, sd, u, **SPEC, guard_band=band)
    for other in (
        spc.global_risk(
            unit * mean, unit * sd, unit * u, unit * 1800, unit * 2200, guard_band=unit * band
        ),
        spc.global_risk(4000 - mean, sd, u, **SPEC, guard_band=band),
    ):
        assert other.consumer == pytest.approx(plain.consumer, rel=1e-6, abs=1e-12)
        assert other.producer == pytest.approx(plain.producer, rel=1e-6, abs=1e-12)


# --- refusals


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.acceptance_interval(guard_band=1), "give at least one specification limit"),
        (lambda: spc.acceptance_interval(2, 1, guard_band=1), "lower must be below upper"),
        (lambda: spc.acceptance_interval(1, 1, guard_band=1), "lower must be below upper"),
        (lambda: spc.acceptance_interval(1, 2, guard_band=-1), "guard_band must not be negative"),
        (lambda: spc.guard_band_for(0, 0.05), "standard_uncertainty must be finite and above 0"),
        (lambda: spc.guard_band_for(1, 0.6), "highest_risk must be above 0 and at most 0.5"),
        (lambda: spc.guard_band_for(1, 0), "highest_risk must be above 0"),
        (lambda: spc.probability_of_conformity(1, 0, upper=2), "standard_uncertainty must be abo"),
        (lambda: spc.probability_of_conformity(1, 1), "give at least one specification limit"),
        (lambda: spc.probability_of_conformity([1, 2], [1, 2, 3], 0), "must match in shape"),
        (lambda: spc.probability_of_conformity(math.nan, 1, 0), "values must be finite"),
        (lambda: spc.probability_of_conformity([], 1, 0), "values needs at least 1"),
        (lambda: spc.guarded_verdict(1, 1, 0, guard_band=-2), "guard_band must not be negative"),
        (lambda: spc.guarded_verdict(1, 1, 0, coverage_factor=0), "coverage_factor must be"),
        (lambda: spc.guarded_verdict([1.0], [1.0, 2.0], 0), "one number or one a result"),
        (lambda: spc.guard_band_cost(1, 0, 0, guard_band=1), "sd must be finite and above 0"),
        (lambda: spc.global_risk(1, 1, 0, 0, guard_band=1), "standard_uncertainty must be"),
        (lambda: spc.global_risk(1, 1, 1, guard_band=1), "give at least one specification limit"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(spc.SpcError, match=message):
        call()


def test_a_result_on_the_border_of_the_guard_band_conforms() -> None:
    """0.3 - 0.1 is 0.19999999999999998 in double precision, and still a guard band of 0.2."""
    assert spc.guarded_verdict(0.3, 0.1, lower=0.1, guard_band=0.2).verdicts == ("conforms",)
    edges = spc.guarded_verdict([1873.1, 2126.9], 36.55, 1800, 2200, guard_band=73.1)
    assert edges.verdicts == ("conforms", "conforms")
    below = spc.guarded_verdict(1873.09, 36.55, 1800, 2200, guard_band=73.1)
    assert below.verdicts == ("not decided",)

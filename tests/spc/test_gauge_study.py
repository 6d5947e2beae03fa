"""gauge_study: the AIAG example both ways, duplicates, brute force, coverage, laws, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import spc
from spc.gauge_study import d2_star


@pytest.fixture(scope="module")
def aiag(table):
    rows = table("aiag_msa_grr")
    return (
        np.array([float(row["value"]) for row in rows]),
        [row["part"] for row in rows],
        [row["appraiser"] for row in rows],
    )


def test_aiag_anova(aiag):
    # AIAG, Measurement Systems Analysis (4th ed. 2010), Tables III-B 7 and III-B 8, results from
    # memory. The last of six digits of the pooled part and GRR differs: printed from rounded sums.
    study = spc.gauge_study(*aiag)
    row = {one.source: one for one in study.anova}
    printed = {
        "appraiser": (2, 3.1673, 1.58363, 34.44),
        "part": (9, 88.3619, 9.81799, 213.52),
        "interaction": (18, 0.3590, 0.01994, 0.434),
    }
    for name, (df, ss, ms, f) in printed.items():
        assert row[name].df == df
        assert row[name].ss == pytest.approx(ss, abs=5.1e-5)
        assert row[name].ms == pytest.approx(ms, abs=5.1e-6)
        # The print divides by the equipment mean square before pooling.
        assert row[name].ms / row["equipment"].ms == pytest.approx(f, abs=0.0051)
    assert (row["equipment"].df, row["equipment"].f) == (60, None)
    assert row["equipment"].ss == pytest.approx(2.7589, abs=5.1e-5)
    assert row["equipment"].ms == pytest.approx(0.04598, abs=5.1e-6)
    assert row["interaction"].f == pytest.approx(0.434, abs=0.0005)
    assert study.interaction_pooled
    assert study.interaction == 0
    assert study.ev**2 == pytest.approx(0.039973, abs=6e-7)
    assert study.av**2 == pytest.approx(0.051455, abs=6e-7)
    assert study.grr**2 == pytest.approx(0.091428, abs=6e-7)
    assert study.pv**2 == pytest.approx(1.086446, abs=7e-7)
    assert study.ev == pytest.approx(0.199933, abs=6e-7)
    assert study.av == pytest.approx(0.226838, abs=6e-7)
    assert study.grr == pytest.approx(0.302373, abs=2e-6)
    assert study.pv == pytest.approx(1.042327, abs=6e-7)
    assert study.tv == pytest.approx(1.085, abs=5e-4)
    share, part = study.percent, study.contribution
    found = (share.ev, share.av, share.grr, share.pv)
    assert found == pytest.approx((18.4, 20.9, 27.9, 96.0), abs=0.05)
    assert (part.ev, part.av, part.grr, part.pv) == pytest.approx((3.4, 4.4, 7.8, 92.2), abs=0.05)
    assert study.categories == pytest.approx(1.41 * 1.042327 / 0.302373, rel=1e-5)


def test_aiag_anova_with_the_interaction_kept(aiag):
    # The component of the interaction is negative, (0.01994 - 0.04598) / 3, and 0 stands for it.
    study = spc.gauge_study(*aiag, interaction_alpha=None)
    assert (study.interaction, study.set_to_zero) == (0.0, ("interaction",))
    assert study.ev**2 == pytest.approx(0.04598, abs=5.1e-6)
    assert study.av**2 == pytest.approx((1.58363 - 0.01994) / 30, abs=1e-6)
    assert study.pv**2 == pytest.approx((9.81799 - 0.01994) / 9, abs=1e-5)
    row = {one.source: one for one in study.anova}
    assert row["part"].f == pytest.approx(9.81799 / 0.01994, rel=3e-4)


def test_aiag_average_and_range(aiag):
    # AIAG, Figures III-B 15 and III-B 16. The sheet chains rounded averages: relative 5e-4.
    study = spc.gauge_study(*aiag, method="average_range", tolerance=5)
    printed = (0.20188, 0.22963, 0.30575, 1.10456, 1.14610)
    assert (study.ev, study.av, study.grr, study.pv, study.tv) == pytest.approx(printed, rel=5e-4)
    share = study.percent
    found = (share.ev, share.av, share.grr, share.pv)
    assert found == pytest.approx((17.62, 20.04, 26.68, 96.38), rel=5e-4)
    assert study.categories == pytest.approx(5.094, abs=0.0025)
    assert study.ndc == 5
    assert (study.interaction, study.grr_interval, study.anova) == (None, None, ())
    assert study.tolerance_percent == pytest.approx(100 * 6 * 0.30575 / 5, rel=5e-4)


def test_factors_of_the_sheet():
    # AIAG data sheet, from memory: K1 for 2 and 3 trials, K2 for 2 and 3 appraisers, K3 for
    # 2 … 10 parts.
    assert [1 / d2_star(m, 30) for m in (2, 3)] == pytest.approx([0.8862, 0.5908], abs=1e-4)
    assert [1 / d2_star(m, 1) for m in (2, 3)] == pytest.approx([0.7071, 0.5231], abs=1e-4)
    k3 = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146]
    assert [1 / d2_star(m, 1) for m in range(2, 11)] == pytest.approx(k3, abs=1e-4)
    assert d2_star(2, 15) > d2_star(2, 16) == spc.control_chart_constants(2).d2


def test_duplicates_by_one_appraiser(table):
    # D. C. Montgomery, Introduction to Statistical Quality Control (6th ed.), Table 8.6: mean
    # range 1.0, sigma of the gauge 0.887, P/T 0.097 for 5 to 60. From memory. (Its total standard
    # deviation as remembered does not fit these data and is not compared.)
    rows = table("montgomery_duplicates")
    values = [float(row[key]) for row in rows for key in ("m1", "m2")]
    parts = np.repeat([row["part"] for row in rows], 2)
    by_range = spc.gauge_study(values, parts, tolerance=55, method="average_range")
    assert by_range.grr == pytest.approx(0.887, abs=0.001)
    assert by_range.tolerance_percent == pytest.approx(9.7, abs=0.05)
    study = spc.gauge_study(values, parts, tolerance=55)
    pooled = spc.repeatability(np.reshape(values, (-1, 2)))  # √(15/20)
    assert study.grr == study.ev == pytest.approx(pooled.s_r) == pytest.approx(math.sqrt(0.75))
    assert study.grr_interval == pytest.approx(pooled.interval)  # exact with one appraiser
    assert (study.av, study.interaction, study.percent.av) == (None, None, None)


def test_share_of_the_tolerance():
    # 6 · 20 / 400 = 30 %; repeatability alone 6 · 12 / 400 = 18 %.
    assert spc.tolerance_percent(20, 2200 - 1800) == pytest.approx(30)
    assert spc.tolerance_percent(12, 400) == pytest.approx(18)


def _simulate(rng, shape, sd_part, sd_appraiser, sd_both, sd):
    p, o, r = shape
    return (
        sd_part * rng.standard_normal((p, 1, 1))
        + sd_appraiser * rng.standard_normal((1, o, 1))
        + sd_both * rng.standard_normal((p, o, 1))
        + sd * rng.standard_normal((p, o, r))
    )


def _labels(shape):
    p, o, r = shape
    return np.repeat(np.arange(p), o * r), np.tile(np.repeat(np.arange(o), r), p)


def test_anova_by_brute_force_with_interaction():
    # Projections built from indicator matrices; expected mean squares as traces.
    shape = (5, 3, 2)
    part, appraiser = _labels(shape)
    rng = np.random.default_rng(12)
    y = 2000 + _simulate(rng, shape, 9, 8, 3, 2).ravel()
    Z = {
        "part": np.eye(5)[part],
        "appraiser": np.eye(3)[appraiser],
        "interaction": np.eye(15)[part * 3 + appraiser],
        "equipment": np.eye(30),
    }
    grand = np.full((30, 30), 1 / 30)
    onto = {name: z @ np.linalg.inv(z.T @ z) @ z.T for name, z in Z.items()}
    A = {
        "part": onto["part"] - grand,
        "appraiser": onto["appraiser"] - grand,
        "interaction": onto["interaction"] - onto["part"] - onto["appraiser"] + grand,
        "equipment": np.eye(30) - onto["interaction"],
    }
    ms = {name: y @ a @ y / np.trace(a) for name, a in A.items()}
    system = [[np.trace(A[i] @ Z[j] @ Z[j].T) / np.trace(A[i]) for j in Z] for i in A]
    variance = dict(zip(Z, np.linalg.solve(system, [ms[i] for i in A]), strict=True))
    study = spc.gauge_study(y, part, appraiser, interaction_alpha=None)
    for row in study.anova:
        assert row.ms == pytest.approx(ms[row.source], rel=1e-8)
    assert study.set_to_zero == ()
    assert study.ev**2 == pytest.approx(variance["equipment"], rel=1e-8)
    assert study.av**2 == pytest.approx(variance["appraiser"], rel=1e-7)
    assert study.interaction**2 == pytest.approx(variance["interaction"], rel=1e-7)
    assert study.pv**2 == pytest.approx(variance["part"], rel=1e-7)
    assert study.tv**2 == pytest.approx(sum(variance.values()), rel=1e-7)


# What the docstring states was measured with 4,000 studies; 1,000 leave a standard error of 0.7 %.
@pytest.mark.parametrize(
    ("appraisers", "sd_appraiser", "sd_both", "alpha"),
    [(2, 1.0, 0.0, 0.25), (3, 0.3, 0.5, 0.25), (6, 1.0, 0.5, None)],
)
def test_interval_of_grr_covers(appraisers, sd_appraiser, sd_both, alpha):
    shape = (10, appraisers, 2)
    labels = _labels(shape)
    rng = np.random.default_rng(31)
    true = math.sqrt(sd_appraiser**2 + sd_both**2 + 1)
    hits = 0
    for _ in range(1000):
        values = _simulate(rng, shape, 3, sd_appraiser, sd_both, 1).ravel()
        low, high = spc.gauge_study(values, *labels, interaction_alpha=alpha).grr_interval
        hits += low <= true <= high
    assert hits / 1000 == pytest.approx(0.953, abs=0.022)


def test_interval_holds_an_estimate_raised_by_setting_components_to_zero():
    # Each cell -1, +1 around its part: the interaction comes out at (0 - 2) / 2.
    values = (np.arange(10)[:, np.newaxis, np.newaxis] + np.array([[[-1, 1]] * 3])).ravel()
    study = spc.gauge_study(values, *_labels((10, 3, 2)), interaction_alpha=None)
    assert study.set_to_zero == ("interaction",)
    assert study.grr == study.ev == pytest.approx(math.sqrt(2))
    # By hand: MS = 2 with 30 degrees of freedom, halved; 30 / 16.791 is the upper factor.
    assert math.sqrt(1 * 30 / 16.791) < study.grr == study.grr_interval[1]
    assert study.grr_interval[0] == pytest.approx(math.sqrt(30 / 46.979), rel=1e-4)


shapes = st.tuples(st.integers(2, 5), st.integers(1, 4), st.integers(2, 3))


@settings(deadline=None, max_examples=60)
@given(
    shapes,
    st.integers(0, 10**6),
    st.sampled_from(["anova", "average_range"]),
    st.integers(-(10**6), 10**6),
)
def test_laws(shape, seed, method, shift):
    rng = np.random.default_rng(seed)
    values = np.round(_simulate(rng, shape, 3, 1, rng.integers(0, 2), 1).ravel(), 2)
    part, appraiser = _labels(shape)
    plain = spc.gauge_study(values, part, appraiser, 10, method=method)
    order = rng.permutation(values.size)
    moved = spc.gauge_study(
        (4 * values + shift)[order],
        [f"part {i}" for i in part[order]],
        appraiser[order],
        40,
        method=method,
    )
    for name in ("ev", "grr", "pv", "tv"):
        assert getattr(moved, name) == pytest.approx(4 * getattr(plain, name), rel=1e-6, abs=1e-6)
    assert moved.tolerance_percent == pytest.approx(plain.tolerance_percent, rel=1e-6)
    parts = [x for x in (plain.ev, plain.av, plain.interaction) if x is not None]
    assert plain.grr**2 == pytest.approx(sum(x * x for x in parts))
    assert plain.tv**2 == pytest.approx(plain.grr**2 + plain.pv**2)
    share = plain.contribution
    assert share.grr + share.pv == pytest.approx(100)
    if method == "anova":
        low, high = plain.grr_interval
        assert low <= plain.grr <= high


def test_stated_results_without_spread():
    labels = _labels((3, 2, 2))
    for method in ("anova", "average_range"):
        same = spc.gauge_study(np.full(12, 0.1), *labels, method=method)
        assert (same.grr, same.tv) == (0, 0)
        assert (same.percent, same.contribution, same.categories, same.ndc) == (None,) * 4
        parts = spc.gauge_study(np.repeat([0.1, 0.2, 0.4], 4), *labels, tolerance=1, method=method)
        assert (parts.grr, parts.ndc, parts.percent.pv) == (0, None, 100)
        assert parts.tolerance_percent == 0
    assert spc.gauge_study(np.full(12, 0.1), *labels).grr_interval == (0, 0)
    far = spc.gauge_study(1e98 * np.arange(12), *labels)
    near = spc.gauge_study(np.arange(12), *labels)
    assert far.grr_interval == pytest.approx(tuple(1e98 * x for x in near.grr_interval))


def test_pooling_follows_its_level(aiag):
    # The interaction has p = 0.974.
    assert spc.gauge_study(*aiag, interaction_alpha=0.97).interaction_pooled
    assert not spc.gauge_study(*aiag, interaction_alpha=0.98).interaction_pooled


PARTS, APPRAISERS = list("aabbccaabbcc"), list("xxxxxxyyyyyy")
READINGS = [10, 11, 14, 15, 20, 19, 11, 12, 15, 15, 21, 21]


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        (
            (READINGS[:-1], PARTS[:-1], APPRAISERS[:-1]),
            {},
            "got 1 of part 'c' by 'y' where others have 2: measure the missing ones",
        ),
        ((READINGS[:10], PARTS[:10], APPRAISERS[:10]), {}, "got 0 of part 'c' by 'y'"),
        (([1, 2, 3, 4], list("aabb"), list("xxyy")), {}, "got 0 of part 'a' by 'y' where others"),
        ((READINGS[::2], PARTS[::2], APPRAISERS[::2]), {}, "two readings of each part by each"),
        (([1, 2, 3, 4], list("aaaa"), list("xxyy")), {}, "part needs at least 2 different labels"),
        ((READINGS, PARTS, APPRAISERS, 0), {}, "tolerance must be finite and above 0, got 0"),
        ((READINGS, PARTS, APPRAISERS), {"method": "range"}, "method must be 'anova' or 'average"),
        ((READINGS, PARTS, APPRAISERS), {"interaction_alpha": 5}, "interaction_alpha must lie"),
        ((READINGS, PARTS, ["x"]), {}, "appraiser must have a label for each of 12 values, got 1"),
        ((READINGS, PARTS, APPRAISERS), {"confidence": 95}, "confidence must lie between 0 and 1"),
    ],
)
def test_refusals(arguments, options, message):
    with pytest.raises(spc.SpcError, match=message):
        spc.gauge_study(*arguments, **options)


def test_refusals_of_the_share():
    with pytest.raises(spc.SpcError, match="sd must not be negative, got -1"):
        spc.tolerance_percent(-1, 400)
    with pytest.raises(spc.SpcError, match="tolerance must be finite and above 0"):
        spc.tolerance_percent(1, -400)

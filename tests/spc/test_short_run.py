"""Short runs on one chart, and the check that they may share it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import bartlett, levene

import spc

TARGETS = {"P-10": 350, "P-20": 800, "P-30": 1500, "P-40": 2400, "P-50": 3300, "P-60": 4200}


def scenario(table):
    readings = {}
    for row in table("S11_short_runs"):
        readings.setdefault((row["batch"], row["product"]), []).append(float(row["viscosity"]))
    products = [product for _, product in readings]
    means = [float(np.mean(pair)) for pair in readings.values()]
    return means, [TARGETS[product] for product in products], products


def test_six_products_scenario(table):
    # Computed apart, constants 2.66: limits -0.1035 and 0.0888, one signal, B022 at +0.146; the
    # raw values pooled give -2128 to 6382 (with the exact constant 2.6587 -2126 to 6380).
    means, targets, products = scenario(table)
    run = spc.short_run(means, targets, products)
    chart = run.charts.location
    assert chart.center[0] == pytest.approx(-0.0073, abs=5e-5)
    assert chart.lower[0] == pytest.approx(-0.1035, abs=1e-4)
    assert chart.upper[0] == pytest.approx(0.0888, abs=1e-4)
    assert (np.flatnonzero(chart.outside()) + 1).tolist() == [22]
    assert chart.values[21] == pytest.approx(0.1461, abs=5e-5)
    assert run.percent[21] == pytest.approx(15.7, abs=0.05)
    assert run.raw_limits == pytest.approx((-2128.41, 6382.21), rel=1.2e-3)
    assert run.why_not_raw == (
        "Pooled as they are, results from 344 to 4234 would get limits of −2126 to 6380: a change "
        "of product passes for movement, and no result could ever lie below the lower limit."
    )


def test_equal_variation_of_the_scenario_by_scipy(table):
    means, targets, products = scenario(table)
    check = spc.short_run(means, targets, products).equal_variation
    logs = np.log(means)
    groups = [logs[[p == name for p in products]] for name in check.products]
    for mine, scipy in (
        ((check.bartlett, check.bartlett_p), bartlett(*groups)),
        ((check.levene, check.levene_p), levene(*groups, center="median")),
    ):
        assert mine == pytest.approx((scipy.statistic, scipy.pvalue), rel=1e-9)
    # B022 alone makes Bartlett's probability several times smaller; Levene's minds it less.
    assert check.bartlett_p < 0.01
    assert check.equal
    without = [i for i in range(len(means)) if i != 21]
    calm = spc.equal_variation(logs[without], [products[i] for i in without])
    assert calm.bartlett_p > 4 * check.bartlett_p
    assert calm.equal


@given(st.data())
def test_equal_variation_by_scipy(data):
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    sizes = rng.integers(2, 8, size=rng.integers(2, 6))
    groups = [rng.normal(0, rng.uniform(0.5, 3), n) for n in sizes]
    names = np.repeat([f"p{i}" for i in range(len(groups))], sizes)
    check = spc.equal_variation(np.concatenate(groups), names)
    assert check.bartlett_p == pytest.approx(bartlett(*groups).pvalue, rel=1e-8)
    assert check.cv_percent == pytest.approx([100 * g.std(ddof=1) for g in groups])
    if max(sizes) > 2:  # pairs alone have no distances to compare within
        assert check.levene_p == pytest.approx(levene(*groups, center="median").pvalue, rel=1e-8)
    shuffled = rng.permutation(sum(sizes))
    again = spc.equal_variation(np.concatenate(groups)[shuffled], names[shuffled])
    assert again.bartlett_p == pytest.approx(check.bartlett_p, rel=1e-9)


def test_clearly_unequal_products_are_told():
    rng = np.random.default_rng(1)
    calm, wild = rng.normal(0, 0.005, 15), rng.normal(0, 0.08, 15)
    results = np.concatenate((400 * np.exp(calm), 4000 * np.exp(wild)))
    run = spc.short_run(results, [400] * 15 + [4000] * 15)
    assert not run.equal_variation.equal
    assert run.equal_variation.products == ("400", "4000")


@given(
    st.lists(st.tuples(st.floats(50, 5000), st.sampled_from([100, 1000])), min_size=2, max_size=30),
    st.floats(0.01, 100),
)
def test_the_unit_does_not_matter(rows, factor):
    results, targets = np.array([r for r, _ in rows]), np.array([t for _, t in rows])
    plain, other = (
        spc.short_run(results, targets),
        spc.short_run(factor * results, factor * targets),
    )
    assert other.charts.location.upper == pytest.approx(plain.charts.location.upper, abs=1e-9)
    assert other.percent == pytest.approx(plain.percent, abs=1e-9)


def test_given_limits_and_one_result():
    run = spc.short_run([120.0], [100.0], center=0.0, sigma=0.05)
    assert run.charts.location.outside().tolist() == [True]
    assert run.charts.location.upper[0] == pytest.approx(0.15)
    assert run.equal_variation is None
    assert run.raw_limits == (120.0, 120.0)
    assert run.why_not_raw == (
        "A single result, 120, has no limits of its own: pooling has nothing to show yet."
    )


def test_products_without_any_variation():
    check = spc.equal_variation([0.0, 0.0, 0.1, 0.1], ["a", "a", "b", "b"])
    assert (check.bartlett, check.levene, check.levene_p, check.equal) == (None, 0.0, 1.0, True)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1.0, 2.0], [1.0]), "results and targets must match, got 2 and 1"),
        (([1.0, 2.0], [1.0, 2.0], ["a"]), "products must have a label for each of 2 values, got 1"),
        (([1.0, -2.0], [1.0, 2.0]), "results must be above 0 to have a logarithm, got -2 at index "
                                    "1: leave such points out"),
        (([1.0, 2.0], [0.0, 2.0]), "targets must be above 0 to have a logarithm, got 0 at index 0:"
                                   " leave such points out"),
        (([1.0, math.nan], [1.0, 2.0]), "results must be finite numbers, got nan at index 1: "
                                        "leave such points out"),
    ],
)  # fmt: skip
def test_refused(arguments, message):
    with pytest.raises(spc.ArgumentError) as caught:
        spc.short_run(*arguments)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("logs", "products"),
    [([0.1, 0.2, 0.3, 0.4], "aabb"), ([0.0, 0.03, 0.0, 0.03, 0.029, 0.0], "aabbcc")],
)
def test_equal_variances_are_no_evidence_of_unequal_ones(logs: list[float], products: str) -> None:
    check = spc.equal_variation(logs, list(products))
    assert check.bartlett is not None
    assert check.bartlett_p is not None
    assert check.bartlett >= 0
    assert check.bartlett_p == pytest.approx(1.0, abs=0.01)

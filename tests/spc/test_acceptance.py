"""acceptance: the worked cases, the steps of ISO 5725-6, and how often duplicates disagree."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def test_worked_cases():
    # Four cases worked by hand for σ_r = 12: limits 33.6, 43.2 and 39.6.
    pair = spc.acceptance([1990, 2010], 12)
    assert (pair.reported, pair.estimator) == (2000, "mean")
    assert pair.critical_range == pytest.approx(33.6)
    wide = spc.acceptance([1980, 2030, 1995, 2004], 12)
    assert (wide.range, wide.reported, wide.estimator) == (50, 1999.5, "median")
    assert wide.critical_range == pytest.approx(43.2)
    four = spc.acceptance([1985, 2025, 1995, 2004], 12)
    assert (four.range, four.reported, four.estimator) == (40, 2002.25, "mean")
    three = spc.acceptance([1985, 2025, 2004], 12, expensive=True)
    assert (three.range, three.reported, three.estimator) == (40, 2004, "median")
    assert three.critical_range == pytest.approx(39.6)
    assert (three.one_more_allowed, four.one_more_allowed, wide.one_more_allowed) == (
        True,
        False,
        False,
    )


def test_two_results_that_disagree_ask_for_more():
    cheap = spc.acceptance([1980, 2030], 12)
    assert (cheap.agree, cheap.reported, cheap.estimator, cheap.further) == (False, None, None, 2)
    assert spc.acceptance([1980, 2030], 12, expensive=True).further == 1
    assert spc.acceptance([1990, 2010], 12).further == 0


@pytest.mark.parametrize(
    ("results", "sigma"), [([2000.0, 2033.6], 12), ([0.1, 0.38], 0.1), ([100.3, 100.58], 0.1)]
)
def test_exactly_the_limit_agrees(results, sigma):
    assert spc.acceptance(results, sigma).agree
    assert not spc.acceptance([results[0], results[1] + sigma / 1000], sigma).agree


def test_factors_are_the_printed_ones(table):
    # ISO 5725-6:1994, Table 1, from memory.
    for row in table("iso5725_6_critical_range"):
        n = int(row["n"])
        found = spc.acceptance(np.zeros(n), 1.0).critical_range
        assert found == pytest.approx(float(row["published_f"]), abs=1e-9)


def test_disagreement_is_five_percent_when_sigma_is_true():
    # 20,000 pairs: standard error 0.15 %; 2.8 in place of 2.77 makes 4.77 % of 5.
    pairs = np.random.default_rng(4).normal(2000, 12, (20_000, 2))
    rate = spc.disagreement_rate(pairs, 12)
    beyond = 2 * (1 - 0.5 * (1 + math.erf(2.8 / 2)))
    assert rate.percent == pytest.approx(100 * beyond, abs=0.6)
    assert rate.n == 20_000


def test_disagreement_rate_by_hand():
    from scipy import stats

    groups = [[1, 2], [1, 4], [1, 1, 4.2], [1, 3.2, 1], [5], [1, 4.7, 1, 1], [2, 2]]
    rate = spc.disagreement_rate(groups, 1.0)  # 2.8, 3.3, 3.6: the second and the sixth
    assert (rate.n, rate.n_disagree) == (6, 2)
    assert rate.p == pytest.approx(stats.binom.sf(1, 6, 0.05))
    assert spc.disagreement_rate([[1, 1]], 1.0).p == 1.0


results = st.lists(st.integers(0, 4000).map(float), min_size=2, max_size=6)


@given(results, st.randoms(use_true_random=False))
def test_nothing_is_dropped_and_order_does_not_matter(values, random):
    verdict = spc.acceptance(values, 12)
    mixed = values.copy()
    random.shuffle(mixed)
    assert spc.acceptance(mixed, 12).reported == pytest.approx(verdict.reported)
    if verdict.reported is None:
        assert (len(values), verdict.further) == (2, 2)
    elif verdict.agree:
        assert verdict.reported == pytest.approx(sum(values) / len(values))
    else:
        middle = sorted(values)
        half = len(values) // 2
        expected = middle[half] if len(values) % 2 else (middle[half - 1] + middle[half]) / 2
        assert verdict.reported == expected


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.acceptance([2000], 12), "results needs at least 2, got 1: take a second"),
        (lambda: spc.acceptance([], 12), "results needs at least 1 point"),
        (lambda: spc.acceptance([1, math.nan], 12), "results must be finite numbers"),
        (lambda: spc.acceptance([1, 2], 0), "sigma_r must be finite and above 0, got 0"),
        (lambda: spc.disagreement_rate([[1], [2]], 12), "groups needs a batch with two results"),
        (lambda: spc.disagreement_rate([[1, 2]], -1), "sigma_r must be finite and above 0"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(spc.SpcError, match=message):
        call()

"""Uncertainty budget."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def batch(n):
    return [
        spc.UncertaintyPart("repeatability", 0.6, n_averaged=n),
        spc.UncertaintyPart("between days", 0.8),
        spc.UncertaintyPart("instrument", float(spc.error_at_torque(1, 40)), "rectangular"),
        spc.UncertaintyPart("temperature", 0.2, "rectangular", sensitivity=6),
    ]


def test_one_batch_mean_of_two():
    # Printed lines 0.42, 0.8, 1.44, 0.69 %. Their root sum of squares is 1.83 %; without rounding
    # the lines first it is 1.84 %. U = 3.7 % either way. Recomputed independently here with math.
    budget = spc.uncertainty_budget(batch(2))
    assert [round(part, 2) for part in budget.standard] == [0.42, 0.80, 1.44, 0.69]
    assert budget.combined == pytest.approx(
        math.sqrt(0.6**2 / 2 + 0.8**2 + 2.5**2 / 3 + 1.2**2 / 3), rel=1e-14
    )
    assert round(budget.combined, 2) == 1.84
    rounded = [spc.UncertaintyPart(str(x), x) for x in (0.42, 0.8, 1.44, 0.69)]
    assert round(spc.uncertainty_budget(rounded).combined, 2) == 1.83
    assert round(budget.expanded, 1) == 3.7
    assert sum(budget.variance_percent) == pytest.approx(100)


def test_more_replicates_shrink_the_first_line_only():
    two, eight = spc.uncertainty_budget(batch(2)), spc.uncertainty_budget(batch(8))
    assert eight.standard[0] == pytest.approx(two.standard[0] / 2, rel=1e-14)
    assert eight.standard[1:] == two.standard[1:]
    assert eight.combined > math.sqrt(two.combined**2 - two.standard[0] ** 2)


def test_jcgm_100_end_gauge():
    # JCGM 100:2008, H.1: 25, 9.7, 2.9, 16.6 nm combine to 32 nm (from memory).
    parts = [spc.UncertaintyPart(str(x), x) for x in (25, 9.7, 2.9, 16.6)]
    assert round(spc.uncertainty_budget(parts).combined) == 32


@pytest.mark.parametrize("shape", ["rectangular", "triangular", "arcsine"])
def test_divisors_by_simulation(shape):
    # 200,000 draws, literal seed; standard error of a standard deviation below 0.2 %.
    random = np.random.default_rng(100)
    draws = {
        "rectangular": lambda: random.uniform(-1, 1, 200_000),
        "triangular": lambda: random.triangular(-1, 0, 1, 200_000),
        "arcsine": lambda: np.sin(random.uniform(0, 2 * np.pi, 200_000)),
    }[shape]()
    assert spc.UncertaintyPart("x", 1.0, shape).standard == pytest.approx(draws.std(), rel=0.006)


def test_nothing_varies():
    budget = spc.uncertainty_budget([spc.UncertaintyPart("none", 0.0)])
    assert (budget.combined, budget.expanded, budget.variance_percent) == (0.0, 0.0, (0.0,))


sizes = st.lists(st.floats(0, 100), min_size=1, max_size=8)


@given(sizes, st.floats(0.001, 1000))
def test_unit_order_and_bounds(values, unit):
    plain = spc.uncertainty_budget([spc.UncertaintyPart("x", x) for x in values])
    scaled = spc.uncertainty_budget(
        [spc.UncertaintyPart("x", x, sensitivity=-unit) for x in reversed(values)]
    )
    assert scaled.combined == pytest.approx(unit * plain.combined, rel=1e-9, abs=1e-300)
    assert max(values) <= plain.combined * (1 + 1e-12) <= sum(values) * (1 + 1e-9) + 1e-300
    assert plain.expanded == 2 * plain.combined


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ([], "parts needs at least 1 line"),
        (
            [spc.UncertaintyPart("bath", 0.2, "square")],
            "shape of bath must be .* or 'arcsine', got 'square'",
        ),
        ([spc.UncertaintyPart("bath", -0.2)], "size of bath must not be negative, got -0.2"),
        ([spc.UncertaintyPart("bath", math.nan)], "size of bath must be finite"),
        ([spc.UncertaintyPart("bath", 1, n_averaged=0)], "n_averaged of bath must be at least 1"),
    ],
)
def test_refusals(parts, message):
    with pytest.raises(spc.SpcError, match=message):
        spc.uncertainty_budget(parts)

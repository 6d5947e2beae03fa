"""nested: a published design, expected mean squares by matrices, laws, degenerate input."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import spc

# D. C. Montgomery, Design and Analysis of Experiments, nested designs, purity of raw material
# (coded): 3 suppliers, 4 batches each, 3 readings. From memory; data and printed table agree.
PURITY = [
    [[1, -1, 0], [-2, -3, -4], [-2, 0, 1], [1, 4, 0]],
    [[1, -2, -3], [0, 4, 2], [-1, 0, -2], [0, 3, 2]],
    [[2, 4, 0], [-2, 0, 2], [1, -1, 2], [3, 2, 1]],
]


def test_published_design():
    values = np.array(PURITY, dtype=float)
    batches = np.tile(np.repeat(list("abcd"), 3), 3)
    found = spc.nested(values.ravel(), np.repeat([1, 2, 3], 12), batches)
    assert (found.df_outer, found.df_inner, found.df_error) == (2, 9, 24)
    assert found.ms_outer * 2 == pytest.approx(15.06, abs=0.005)
    assert found.ms_inner * 9 == pytest.approx(69.92, abs=0.005)
    assert found.ms_error * 24 == pytest.approx(63.33, abs=0.005)
    assert (found.ms_outer, found.ms_inner, found.ms_error) == pytest.approx(
        (7.53, 7.77, 2.64), abs=0.005
    )
    assert (found.f_outer, found.f_inner) == pytest.approx((0.97, 2.94), abs=0.005)
    assert found.variance_inner == pytest.approx(1.71, abs=0.005)
    assert (found.variance_outer, found.set_to_zero) == (0.0, ("outer",))
    assert (found.coefficient_inner, found.coefficient_outer) == pytest.approx((3, 12))


def _by_matrices(y, outer, inner):
    """Mean squares from projections and their expectations from traces, sizes as they come."""
    n = y.size
    cell = np.unique(outer * 100 + inner, return_inverse=True)[1]
    Z = [np.eye(index.max() + 1)[index] for index in (outer, cell)]
    onto = [z @ np.linalg.inv(z.T @ z) @ z.T for z in Z]
    A = [onto[0] - np.full((n, n), 1 / n), onto[1] - onto[0], np.eye(n) - onto[1]]
    df = [np.trace(a) for a in A]
    ms = np.array([y @ a @ y / d for a, d in zip(A, df, strict=True)])
    units = [Z[0] @ Z[0].T, Z[1] @ Z[1].T, np.eye(n)]
    expected = np.array([[np.trace(a @ v) / d for v in units] for a, d in zip(A, df, strict=True)])
    return ms, expected


designs = st.integers(0, 10**6)


def _unequal(seed):
    rng = np.random.default_rng(seed)
    outer, inner = [], []
    for batch in range(rng.integers(2, 5)):
        for sample in range(rng.integers(1, 4) + (batch == 0)):
            readings = rng.integers(1, 4) + (batch == sample == 0)
            outer += [batch] * readings
            inner += [sample] * readings
    outer, inner = np.array(outer), np.array(inner)
    effect = rng.normal(0, 3, 5)[outer] + rng.normal(0, 2, (5, 5))[outer, inner]
    return rng.normal(2000, 1, outer.size) + effect, outer, inner


@settings(deadline=None, max_examples=60)
@given(designs)
def test_unequal_sizes_by_matrices(seed):
    values, outer, inner = _unequal(seed)
    found = spc.nested(values, outer, inner)
    ms, expected = _by_matrices(values - 2000, outer, inner)  # matrices need the level taken out
    assert (found.ms_outer, found.ms_inner, found.ms_error) == pytest.approx(
        tuple(ms), rel=1e-8, abs=1e-8
    )
    assert expected[2] == pytest.approx([0, 0, 1], abs=1e-9)
    assert expected[1] == pytest.approx([0, found.coefficient_inner, 1], abs=1e-9)
    assert expected[0] == pytest.approx(
        [found.coefficient_outer, found.coefficient_inner_in_outer, 1], abs=1e-9
    )
    raw = np.linalg.solve(expected, ms)
    kept = (found.variance_outer, found.variance_inner, found.variance_error)
    assert kept == pytest.approx(tuple(np.maximum(raw, 0)), rel=1e-6, abs=1e-6)
    names = [name for name, x in zip(("outer", "inner"), raw, strict=False) if x < -1e-9]
    assert set(names) <= set(found.set_to_zero)
    assert found.variance_total == pytest.approx(sum(kept))
    equal = math.isclose(expected[0, 1], expected[1, 1], rel_tol=1e-9)
    assert (found.f_outer is not None) == equal


@settings(deadline=None, max_examples=40)
@given(designs, st.integers(-(10**6), 10**6))
def test_shift_scale_order_and_labels(seed, shift):
    values, outer, inner = _unequal(seed)
    order = np.random.default_rng(seed + 1).permutation(values.size)
    plain = spc.nested(values, outer, inner)
    # Samples named through all batches or anew in each: the same design.
    moved = spc.nested(
        (4 * values + shift)[order],
        [f"batch {i}" for i in outer[order]],
        [f"{i}-{j}" for i, j in zip(outer[order], inner[order], strict=True)],
    )
    for name in ("variance_outer", "variance_inner", "variance_error"):
        assert getattr(moved, name) == pytest.approx(16 * getattr(plain, name), rel=1e-6, abs=1e-6)


def test_error_interval_and_plan():
    from scipy import stats

    found = spc.nested([1, 3, 6, 8, 11, 13, 14, 16], list("aaaabbbb"), list("pprrpprr"))
    chi = stats.chi2.ppf([0.975, 0.025], 4)
    assert found.variance_error_interval == pytest.approx(tuple(2.0 * 4 / chi))
    assert found.variance_of_mean(inner=2, readings=2) == pytest.approx((7.5 + 2 / 2) / 2)


def test_stated_results_without_spread():
    same = spc.nested([0.1] * 8, list("aaaabbbb"), list("pprrpprr"))
    assert (same.variance_total, same.f_inner, same.f_outer) == (0, None, None)
    samples = spc.nested([1, 1, 2, 2, 5, 5, 6, 6], list("aaaabbbb"), list("pprrpprr"))
    assert (samples.f_inner, samples.p_inner) == (math.inf, 0)
    assert samples.f_outer == pytest.approx(32 / 1)


@pytest.mark.parametrize(
    ("outer", "inner", "message"),
    [
        ("aaaa", "ppqq", "outer needs at least 2 different labels, got 1: use one_way"),
        ("aabb", "ppqq", "inner needs a unit of outer with two labels, got one each: use one_way"),
        ("aabb", "pqpq", "values needs an inner unit with two readings, got one each"),
        ("aab", "ppq", "outer must have a label for each of 4 values, got 3"),
    ],
)
def test_refusals(outer, inner, message):
    with pytest.raises(spc.SpcError, match=message):
        spc.nested([1, 2, 3, 4], list(outer), list(inner))


def test_plan_needs_samples_and_readings():
    found = spc.nested([1, 3, 6, 8, 11, 13, 14, 16], list("aaaabbbb"), list("pprrpprr"))
    with pytest.raises(spc.SpcError, match="readings must be at least 1, got 0"):
        found.variance_of_mean(inner=1, readings=0)

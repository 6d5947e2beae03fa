"""Tiny, huge and far-off numbers: what is right, and what is refused.

Reference: rational arithmetic on the same float64 inputs.
"""

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc
from spc.one_sided import noncentral_t_probability


def root(square: Fraction) -> float:
    """Square root of a fraction that may be far below the smallest float."""
    if square == 0:
        return 0.0
    up = max(0, (square.denominator.bit_length() - square.numerator.bit_length() + 200) // 2)
    whole = math.isqrt((square.numerator << 2 * up) // square.denominator)
    return float(Fraction(whole, 1 << up))


def exact(values):
    x = [Fraction(v) for v in np.asarray(values, dtype=float).tolist()]
    mean = sum(x) / len(x)
    away = [v - mean for v in x]
    squares = sum(a * a for a in away)
    sd = root(squares / (len(x) - 1))
    lag1 = float(sum(a * b for a, b in itertools.pairwise(away)) / squares) if squares else None
    return float(mean), sd, lag1


PATTERN = np.array([1.0, 2.0, 4.0, 3.0, 1.5, 2.25, 7.0])


@pytest.mark.parametrize("size", [1e-300, 1e-200, 1e-170, 1e-160, 1e-150, 1e-100, 1.0, 1e98])
def test_spread_of_any_size(size):
    values = size * PATTERN
    mean, sd, lag1 = exact(values)
    about = spc.describe(values)
    assert about.mean == pytest.approx(mean, rel=1e-15)
    assert about.sd == pytest.approx(sd, rel=1e-14)
    assert about.lag1 == pytest.approx(lag1, rel=1e-12)
    many = spc.limits_many(np.concatenate((PATTERN, values, PATTERN)), [0, 7, 14])
    assert many.sd[1] == pytest.approx(sd, rel=1e-13)
    assert many.lag1[1] == pytest.approx(lag1, rel=1e-12)
    assert many.sd[0] == many.sd[2] == pytest.approx(exact(PATTERN)[1], rel=1e-14)


@pytest.mark.parametrize("size", [1e-300, 1e-170, 1e-100, 1e90])
def test_repeatability_of_any_size(size):
    pairs = size * np.array([[10.0, 12.0], [11.0, 14.0], [20.0, 20.5]])
    squares = sum((Fraction(a) - Fraction(b)) ** 2 / 2 for a, b in pairs.tolist())
    found = spc.repeatability(pairs, "auto")
    assert found.s_r == pytest.approx(root(squares / 3), rel=1e-14)
    near = spc.repeatability(pairs / size, "auto")
    assert found.slope == pytest.approx(near.slope, abs=1e-9)
    assert found.interval[0] / size == pytest.approx(near.interval[0])


@pytest.mark.parametrize("size", [1e-300, 1e-170, 1e90])
def test_a_line_of_any_size(size):
    found = spc.straight_line([0.0, 1.0, 2.0, 3.0], size * np.array([1.0, 3.0, 5.5, 6.0]))
    near = spc.straight_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 5.5, 6.0])
    assert found.residual_sd / size == pytest.approx(near.residual_sd, rel=1e-12)


@pytest.mark.parametrize(
    "values",
    [
        [1e20, 1.0, 2.0, 3.0],
        [1.0, 1e20, -1e20],
        [1e20, 1e20 + 16384, 1e20, 1e20 + 32768, 1e20],
        [1e20, -1e20, 1e20, 1.0, 5.0, -1e20],
        [1e16, 1.0, -1e16, 1.0, 1.0],
    ],
)
def test_numbers_of_very_different_size(values):
    mean, sd, lag1 = exact(values)
    about = spc.describe(values)
    assert about.mean == pytest.approx(mean, rel=1e-15)
    assert about.sd == pytest.approx(sd, rel=1e-14)
    assert about.lag1 == pytest.approx(lag1, rel=1e-12)


@given(st.lists(st.floats(-1e99, 1e99), min_size=2, max_size=20))
def test_describe_is_exact_for_any_numbers(values):
    mean, sd, lag1 = exact(values)
    about = spc.describe(values)
    largest = max(abs(v) for v in values)
    # One rounding of the sum and one of the quotient, however much cancels.
    assert about.mean == pytest.approx(mean, rel=1e-15, abs=5e-324)
    if lag1 is None:
        assert (about.sd, about.lag1) == (0.0, None)
    else:
        assert about.sd == pytest.approx(sd, rel=1e-13, abs=1e-30 * largest + 1e-323)
        assert about.lag1 == pytest.approx(lag1, rel=1e-9, abs=1e-12)


def test_a_spread_too_small_to_square_is_refused_where_squares_are_shown():
    labels = list("aabbcc")
    tiny = (1e-170 * PATTERN[:6]).tolist()
    for called in (
        lambda: spc.one_way(tiny, labels),
        lambda: spc.precision(tiny, labels),
        lambda: spc.nested(tiny, list("aaaabb"), labels),
        lambda: spc.gauge_study(tiny, labels),
        lambda: spc.one_way([0.0, 1e-170, 1.0, 1.0, 2.0, 2.0], labels),
    ):
        with pytest.raises(spc.ArgumentError, match="must differ by at least 1e-140 where they"):
            called()
    assert spc.one_way((1e-138 * PATTERN[:6]).tolist(), labels).f == pytest.approx(
        spc.one_way(PATTERN[:6].tolist(), labels).f
    )


def test_numbers_too_large_are_refused():
    for called in (
        lambda: spc.describe([1e308, 1.0]),
        lambda: spc.one_way([1e308, 1.0, 2.0], list("aab")),
        lambda: spc.repeatability([[1e308, 1.0]]),
        lambda: spc.limits_many([1e308, 1.0], [0]),
    ):
        with pytest.raises(spc.ArgumentError, match=r"(lie between|must be finite)"):
            called()


@pytest.mark.parametrize(
    ("level", "step"), [(1e12, 1e-3), (1e12, 1.0), (2000.0, 1e-11), (0.3, 1e-15)]
)
def test_precision_sees_a_spread_of_a_few_steps_of_float64(level, step):
    # At 1e12 float64 has steps of 1.2e-4: a spread of 1e-3 is eight of them, and no rounding.
    values = level + step * np.array([0.0, 1.0, 3.0, 4.0, -2.0, 0.0])
    lab = [1, 1, 2, 2, 3, 3]
    pairs = values.reshape(3, 2).tolist()
    within = sum((Fraction(a) - Fraction(b)) ** 2 / 2 for a, b in pairs) / 3
    means = [(Fraction(a) + Fraction(b)) / 2 for a, b in pairs]
    grand = sum(means) / 3
    between = sum((m - grand) ** 2 for m in means) / 2 - within / 2
    one = spc.precision(values, lab).levels[0]
    assert one.s_r == pytest.approx(root(within), rel=1e-9)
    assert one.s_R == pytest.approx(root(max(between, 0) + within), rel=1e-6)
    assert one.grubbs is not None
    assert one.cochran is not None


def test_precision_calls_equal_what_only_binary_fractions_part():
    cells = [0.1 + 0.2, 0.3, 0.3, 0.3, 0.3, 0.3]
    assert spc.precision(cells, [1, 1, 2, 2, 3, 3]).levels[0].s_r == 0
    far = [1e12 + 0.1, np.nextafter(1e12 + 0.1, 2e12), 1e12, 1e12, 1e12, 1e12]
    assert spc.precision(far, [1, 1, 2, 2, 3, 3]).levels[0].s_r == 0


def test_a_movement_that_no_number_divides_by_is_none():
    found = spc.check_resolution([0.0, 0.0, 5e-324])
    assert (found.sufficient, found.step_over_sigma) == (False, None)
    with pytest.raises(spc.ArgumentError, match="levels is too small to divide by"):
        spc.level_relations([5e-324], [1.0])


def test_an_index_that_no_number_holds_is_refused():
    with pytest.raises(spc.ArgumentError, match="must not vanish against the specification"):
        spc.capability_from_summary(0, 1e-99, 30, -1e50, 1e50)
    with pytest.raises(spc.NoSpreadError, match="values must vary to have a capability"):
        spc.capability([1e-170, 2e-170, 3e-170], -1, 1)
    far = spc.capability_from_summary(1e50, 1e-40, 30, -1e51, 1e51, 0)  # squares would overflow
    assert far.cpm == pytest.approx(2e51 / (6 * 1e50))


def test_confidence_next_to_one_keeps_its_tails():
    from scipy.stats import chi2

    level = 1 - 2**-50
    low, high = spc.repeatability([[1.0, 3.0]] * 5, confidence=level).interval
    tail = 2.0**-51
    assert low == pytest.approx(math.sqrt(2 * 5 / chi2.isf(tail, 5)), rel=1e-9)
    assert high == pytest.approx(math.sqrt(2 * 5 / chi2.ppf(tail, 5)), rel=1e-9)


@pytest.mark.parametrize("freedom", [0.5, 0.62, 1, 4.34, 999.0, 1001.0, 1e5])
@pytest.mark.parametrize("noncentrality", [-2.0, 0.0, 3.5, 12.0])
def test_noncentral_t_by_scipy(freedom, noncentrality):
    from scipy.stats import nct, norm

    for t in (-1.5, 0.3, 2.0, noncentrality + 1, 15.0):
        found = noncentral_t_probability(t, freedom, noncentrality)
        other = float(nct.cdf(t, freedom, noncentrality))
        if not math.isnan(other):  # scipy gives up far out in a tail
            assert found == pytest.approx(other, abs=2e-8)
    # Very many degrees of freedom: a normal variable.
    for many in (1e9, 1e14):
        found = noncentral_t_probability(1.2, many, 0.5)
        assert found == pytest.approx(float(norm.cdf(0.7)), abs=1e-7)

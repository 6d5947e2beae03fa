"""One border for the drawn limit and for what is beyond it: decimals that lie on it on paper."""

import dataclasses
import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc
from spc.borders import highest_inside, lowest_inside


def decimals(places, low, high):
    """Decimal numbers as a lab writes them, with no binary rounding."""
    return st.integers(low * 10**places, high * 10**places).map(
        lambda n: Decimal(n).scaleb(-places)
    )


def judged(value, center, sigma):
    return bool(spc.individuals([float(value)], center=float(center), sigma=float(sigma))
                .location.outside()[0])  # fmt: skip


@pytest.mark.parametrize("places", [1, 0])
@given(st.data())
def test_decimals_on_a_limit_are_not_outside_and_the_next_ones_are(places, data):
    center = data.draw(decimals(places, -100, 90_000))
    sigma = data.draw(decimals(places, 0, 9_000).filter(lambda s: s > 0))
    step = Decimal(1).scaleb(-places)
    for side in (-1, 1):
        limit = center + side * 3 * sigma  # exact
        assert not judged(limit, center, sigma)
        assert not judged(limit - side * step, center, sigma)
        assert judged(limit + side * step, center, sigma)


@pytest.mark.parametrize("places", [1, 0])
def test_long_rounded_series_as_exact_arithmetic_has_them(places):
    # 20,000 values recorded to 0.1 and to 1, dozens of them on a limit.
    rng = np.random.default_rng(4)
    on_limit = 0
    for center, sigma in (("2001.7", "12.1"), ("0.3", "0.1"), ("2.3", "0.7"), ("-41.4", "3.2"),
                          ("2002", "12"), ("17", "3")):  # fmt: skip
        middle, spread = Decimal(center), Decimal(sigma)
        if places == 0:
            middle, spread = middle.to_integral_value(), max(spread.to_integral_value(), Decimal(1))
        values = rng.normal(float(middle), 2 * float(spread), 3_500).round(places)
        exact = [Decimal(f"{value:.{places}f}") for value in values]
        expected = [abs(x - middle) > 3 * spread for x in exact]
        on_limit += sum(abs(x - middle) == 3 * spread for x in exact)
        chart = spc.individuals(values, center=float(middle), sigma=float(spread)).location
        assert chart.outside().tolist() == expected
    assert on_limit > 60


@pytest.mark.parametrize("size", [2, 3, 5, 9])
@given(center=decimals(1, 100, 9_000), sigma=decimals(1, 0, 500).filter(lambda s: s > 0))
def test_limits_of_means_to_the_rounding_of_their_root(size, center, sigma):
    # sigma / √n is no decimal: the limit itself is not outside, nor anything that 50-digit
    # arithmetic puts within it.
    chart = spc.xbar_r([[float(center)] * size], center=float(center), sigma=float(sigma))
    half = 3 * sigma / Decimal(size).sqrt()
    for side in (-1, 1):
        for off in (Decimal(0), Decimal("-1e-9"), Decimal("1e-9")):
            value = center + side * (half + off)
            mean = dataclasses.replace(chart.location, values=np.array([float(value)]))
            assert mean.outside().tolist() == [off > 0]


@given(
    st.floats(-1e6, 1e6), st.floats(1e-3, 1e3), st.sampled_from([1, 2, 3, 2.86]),
    st.sampled_from([-1, 1]),
)  # fmt: skip
def test_the_slack_is_a_few_last_places_and_no_more(center, error, distance, side):
    limit = center + side * distance * error
    largest = max(abs(center), abs(limit))
    border = highest_inside(limit, center) if side > 0 else lowest_inside(limit, center)
    moved = abs(Fraction(float(border)) - Fraction(limit)) / Fraction(math.ulp(largest))
    assert 7 <= moved <= 17  # 8 times 2^-52 of a number, which is one or two ulps
    # The exact limit of these float64 numbers lies inside, whichever way the sum was rounded.
    exact = Fraction(center) + side * Fraction(distance) * Fraction(error)
    assert side * (Fraction(float(border)) - exact) >= 0


def test_a_constant_series_keeps_its_border_to_the_last_places():
    chart = spc.individuals([2001.7, 2001.7 + 1e-9, 2001.7 - 1e-9], center=2001.7, sigma=0).location
    assert chart.outside().tolist() == [False, True, True]
    zero = spc.individuals([0.0, 5e-324], center=0, sigma=0).location
    assert zero.outside().tolist() == [False, True]

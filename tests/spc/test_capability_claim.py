"""How many more batches, and what the measurement takes."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

import spc


@pytest.mark.parametrize(("index", "n"), [(1.45, 220), (1.50, 117), (1.67, 37)])
def test_batches_to_prove_1_33(index, n):
    # Computed apart: one-sided 95 % limit after Bissell reaches 1.33.
    needed = spc.batches_needed(index, 12)
    assert needed.n_for_proof == n
    assert needed.more_for_proof == n - 12
    assert spc.batches_needed(index, 500).more_for_proof == 0


def test_twelve_batches_lack_eighteen():
    needed = spc.batches_needed(None, 12)
    assert (needed.more_for_index, needed.n_for_proof, needed.more_for_proof) == (18, None, None)
    assert needed.reason == "there is no index yet"
    assert spc.batches_needed(None, 31).more_for_index == 0


@given(st.floats(1.4, 4), st.floats(1.0, 1.39), st.floats(0.6, 0.99))
def test_smallest_by_trying_all(index, claim, level):
    n = spc.batches_needed(index, 0, claim, level).n_for_proof
    z = norm.ppf(level)

    def low(n):
        return index - z * math.sqrt(1 / (9 * n) + index**2 / (2 * (n - 1)))

    assert low(n) >= claim - 1e-9
    assert n == 2 or low(n - 1) < claim + 1e-9


def test_no_number_of_batches_proves_what_is_not_there():
    needed = spc.batches_needed(1.33, 50)
    assert needed.n_for_proof is None
    assert needed.reason == ("1.33 is not above 1.33: more batches prove nothing, less spread does")
    assert "more than ten million batches" in spc.batches_needed(1.33000001, 50).reason


def test_measurement_share():
    # Computed apart: true 1.33 with 50 % of the tolerance taken by the measurement: 1.11.
    assert round(spc.observed_index(1.33, 50), 2) == 1.11
    assert spc.observed_index(1.33, 0) == pytest.approx(1.33)


def test_measurement_share_by_simulation():
    rng = np.random.default_rng(2)
    process, measurement = rng.normal(0, 1, 400_000), rng.normal(0, 0.7, 400_000)
    tolerance = 8.0
    observed = tolerance / (6 * np.std(process + measurement))
    part = spc.measurement_part(observed, 100 * 6 * 0.7 / tolerance)
    assert part.true_index == pytest.approx(tolerance / 6, rel=0.01)
    assert part.variance_percent == pytest.approx(100 * 0.49 / 1.49, rel=0.01)
    assert part.measurement_index == pytest.approx(tolerance / 4.2)


@given(st.floats(0.2, 4), st.floats(0, 90))
def test_there_and_back(true, percent):
    assert spc.measurement_part(spc.observed_index(true, percent), percent).true_index == (
        pytest.approx(true, rel=1e-6)
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.measurement_part(2.0, 50),
         "measurement_percent must be below 50 for an observed index of 2, got 50: the measurement "
         "cannot spread more than the values; measure its repeatability again"),
        (lambda: spc.observed_index(0, 10), "true_index must be finite and above 0, got 0"),
        (lambda: spc.observed_index(1, -1), "measurement_percent must not be negative, got -1"),
        (lambda: spc.batches_needed(1.5, -1), "n must be at least 0, got -1"),
        (lambda: spc.batches_needed(1.5, 10, 0), "claim must be finite and above 0, got 0"),
    ],
)  # fmt: skip
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value) == message


def test_a_measurement_without_spread():
    part = spc.measurement_part(1.2, 0)
    assert (part.true_index, part.measurement_index, part.variance_percent) == (1.2, math.inf, 0)

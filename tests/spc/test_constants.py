"""d2, d3, c4 and all factors, against printed tables and other integrations."""

import math

import numpy as np
import pytest
from scipy import integrate
from scipy.special import ndtr
from scipy.stats import chi, studentized_range

import spc
from spc.constants import range_distribution, range_quantile

FACTORS = ("A2", "A3", "c4", "B3", "B4", "B5", "B6", "d2", "d3", "D1", "D2", "D3", "D4")
# Columns of the table that are not kept, as they follow from one that is.
DERIVED = {
    "A": lambda n, constants: 3 / math.sqrt(n),
    "inv_c4": lambda n, constants: 1 / round(constants.c4, 4),  # of the printed c4 and d2, as
    "inv_d2": lambda n, constants: 1 / round(constants.d2, 3),  # tables do
}

# Where the printed tables are off by one unit or two in the last digit, since they were computed
# from rounded intermediates. Everything else must agree to half a unit.
PRINTED_OFF = {
    (3, "D4"), (6, "D2"), (7, "D1"), (8, "D2"), (9, "D2"), (10, "D1"), (12, "D1"), (15, "D2"),
    (18, "D4"), (19, "d3"), (19, "D1"), (19, "D2"), (19, "D3"), (19, "D4"), (21, "D1"),
    (22, "D1"), (22, "D3"), (22, "D4"), (23, "D1"), (24, "D2"), (24, "D3"), (25, "D1"),
}  # fmt: skip


def test_every_printed_digit_for_2_to_25(table):
    # Source: ASTM MNL 7 / ISO 7870-2 Table 2, see data/README.md.
    off = set()
    compared = 0
    for row in table("const_chart_factors"):
        constants = spc.control_chart_constants(int(row["n"]))
        for name in (*FACTORS, *DERIVED):
            printed = row[f"printed_{name}"]
            if name in DERIVED:
                ours = DERIVED[name](int(row["n"]), constants)
            else:
                ours = getattr(constants, name)
            unit = 10.0 ** -len(printed.partition(".")[2])
            if printed == "0":
                assert ours == 0
            elif abs(ours - float(printed)) > 0.5 * unit * (1 + 1e-9):
                off.add((int(row["n"]), name))
                assert abs(ours - float(printed)) < 2 * unit
            compared += 1
    assert compared == 24 * (len(FACTORS) + len(DERIVED))
    assert off == PRINTED_OFF


def test_theory_columns(table):
    # Ten significant digits from an integration made apart from this code.
    for row in table("const_chart_factors"):
        constants = spc.control_chart_constants(int(row["n"]))
        for name in (*FACTORS, "E2"):
            assert getattr(constants, name) == pytest.approx(
                float(row[f"theory_{name}"]), rel=2e-9, abs=1e-12
            )


def test_closed_forms():
    # H. A. David & H. N. Nagaraja, Order Statistics, section 2.3 and 3.2.
    two, three = spc.control_chart_constants(2), spc.control_chart_constants(3)
    assert two.d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-14)
    assert two.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-13)
    assert two.c4 == pytest.approx(math.sqrt(2 / math.pi), abs=1e-15)
    assert three.d2 == pytest.approx(3 / math.sqrt(math.pi), abs=1e-14)


@pytest.fixture(scope="module")
def second_computation():
    """d2, E[W²] and c4 of every n from 2 to 100 by other formulas and another quadrature.

    d2 = ∫ 1 - Φ^n - (1-Φ)^n (L. H. C. Tippett 1925). E[W²] = 2 ∫ w P(W > w) dw over w = e^t, with
    P(W ≤ w) = n ∫ φ(x) (Φ(x + w) - Φ(x))^(n-1) dx. All by the trapezoid rule, which for functions
    that die away smoothly at both ends has next to no error. c4 by Γ(x + 1) = x Γ(x), in steps of
    two from closed forms.
    """
    x = np.arange(-11, 11.01, 0.05)
    log_width = np.arange(-22, 3.2, 0.06)
    width = np.exp(log_width)
    density = np.exp(-x * x / 2) / math.sqrt(2 * math.pi) * 0.05
    inside = ndtr(x[:, np.newaxis] + width) - ndtr(x)[:, np.newaxis]
    low, high = ndtr(x), ndtr(-x)
    found, c4 = {}, {2: math.sqrt(2 / math.pi), 3: math.sqrt(math.pi) / 2}
    for n in range(2, 101):
        d2 = float(np.sum(1 - low**n - high**n)) * 0.05
        beyond = 1 - n * (density @ inside ** (n - 1))
        square = 2 * float(np.sum(width**2 * beyond)) * 0.06
        if n > 3:
            c4[n] = c4[n - 2] * math.sqrt((n - 3) / (n - 1)) * (n - 2) / (n - 3)
        found[n] = (d2, square, c4[n])
    return found


def test_every_n_to_100_by_a_second_computation(second_computation):
    for n, (d2, square, c4) in second_computation.items():
        ours = spc.control_chart_constants(n)
        assert ours.d2 == pytest.approx(d2, abs=1e-10), n
        assert ours.d3 == pytest.approx(math.sqrt(square - d2**2), abs=1e-10), n
        assert ours.c4 == pytest.approx(c4, abs=1e-10), n


@pytest.mark.parametrize("n", [2, 3, 4, 5, 7, 10, 20, 25, 50, 77, 100])
def test_range_moments_by_another_formula(n):
    # d2 = ∫ 1 - Φ^n - (1-Φ)^n (L. H. C. Tippett 1925), trapezoid rule on the whole line;
    # E[W²] from Hartley's (1942) form of the distribution of the range, adaptive quadrature.
    x = np.linspace(-12, 12, 4001)
    d2 = np.sum(1 - ndtr(x) ** n - ndtr(-x) ** n) * (x[1] - x[0])

    nodes, weights = np.polynomial.legendre.leggauss(160)

    def distribution(w):
        largest = w / 2 + 5 * (nodes + 1)
        inner = np.exp(-(largest**2) / 2) * (ndtr(largest) - ndtr(largest - w)) ** (n - 1)
        tail = 2 * n / math.sqrt(2 * math.pi) * 5 * (weights @ inner)
        return (2 * ndtr(w / 2) - 1) ** n + tail

    square = (
        2
        * integrate.quad(
            lambda w: w * (1 - distribution(w)), 0, 18, epsabs=1e-13, epsrel=1e-13, limit=200
        )[0]
    )
    constants = spc.control_chart_constants(n)
    assert constants.d2 == pytest.approx(d2, abs=1e-11)
    assert constants.d3 == pytest.approx(math.sqrt(square - d2**2), abs=1e-10)


@pytest.mark.parametrize("n", [2, 5, 30, 100])
def test_range_distribution_against_scipy(n):
    width = np.array([0.3, 1.5, 3.0, 4.5, 6.0])
    # scipy's df = inf is the plain range; its own accuracy is about 1e-11.
    expected = studentized_range.cdf(width, n, np.inf)
    assert range_distribution(width, n) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize("n", [2, 3, 10, 100, 301, 302, 1000, 20_000])
def test_c4_is_the_mean_of_a_chi(n):
    # The series takes over above n = 301; scipy's chi mean knows nothing of it.
    expected = chi.mean(n - 1) / math.sqrt(n - 1)
    assert spc.control_chart_constants(n).c4 == pytest.approx(expected, rel=1e-11)


def test_c5_squares_with_c4_for_large_n():
    # Var(s) ≈ sigma² / (2 (n - 1)) for large n.
    c5 = spc.control_chart_constants(100_000).c5
    assert c5 == pytest.approx(1 / math.sqrt(2 * 99_999), rel=1e-5)


def test_large_subgroups_stay_ordered():
    d2 = [spc.control_chart_constants(n).d2 for n in (100, 1000, 10_000)]
    # d2(1000) = 6.48287, d2(100) = 5.01519: L. H. C. Tippett, Biometrika 17 (1925) 364.
    assert d2[0] == pytest.approx(5.01519, abs=1e-5)
    assert d2[1] == pytest.approx(6.48287, abs=3e-5)
    assert d2[0] < d2[1] < d2[2]


def test_critical_range_factors(table):
    # Source: ISO 5725-6:1994 Table 1, from memory; theory column by independent integration.
    rows = table("iso5725_6_critical_range")
    for row in rows:
        factor = spc.critical_range(int(row["n"]))
        if row["published_f"]:
            assert round(factor, 1) == float(row["published_f"])
        assert factor == pytest.approx(float(row["theory_f"]), abs=1e-7)
    assert sum(row["published_f"] != "" for row in rows) == 36


def test_critical_range_of_two_is_the_repeatability_factor():
    assert spc.critical_range(2) == pytest.approx(1.959963984540054 * math.sqrt(2), abs=1e-10)


def test_range_quantile_inverts_the_distribution():
    for probability in (0.001, 0.5, 0.999):
        width = range_quantile(4, probability)
        assert studentized_range.cdf(width, 4, np.inf) == pytest.approx(probability, abs=1e-9)


@pytest.mark.parametrize(
    ("n", "message"),
    [
        (1, "n must be at least 2, got 1"),
        (0, "n must be at least 2, got 0"),
        (2.5, "n must be a whole number, got 2.5"),
        ("5", "n must be a whole number, got '5'"),
    ],
)
def test_refuses_what_is_no_subgroup_size(n, message):
    with pytest.raises(spc.ArgumentError, match=f"^{message}$"):
        spc.control_chart_constants(n)

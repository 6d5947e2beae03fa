"""Digits of the one-way analysis of variance that agree with NIST's certified values.

python tests/benchmarks/strd_table.py prints, for each set, the log relative error (number of
agreeing digits, at most 15, as many as are certified) of our mean squares and F, beside that of
exact rational arithmetic on the same float64 inputs: the limit that no program on float64 can
pass, for 1000000000000.4 is not a float64 number.
"""

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

import spc

DATA = Path(__file__).parents[1] / "spc" / "data"

# NIST Statistical Reference Datasets, analysis of variance: between and within mean square, F.
CERTIFIED = {
    "SiRstv": ("1.27865654000000E-02", "1.08318280000000E-02", "1.18046237440255E+00"),
    "AtmWtAg": ("3.63834187500000E-09", "2.28155932971014E-10", "1.59467335677930E+01"),
    "SmLs01": ("2.10000000000000E-01", "1.00000000000000E-02", "2.10000000000000E+01"),
    "SmLs02": ("2.01000000000000E+00", "1.00000000000000E-02", "2.01000000000000E+02"),
    "SmLs03": ("2.00100000000000E+01", "1.00000000000000E-02", "2.00100000000000E+03"),
    "SmLs04": ("2.10000000000000E-01", "1.00000000000000E-02", "2.10000000000000E+01"),
    "SmLs05": ("2.01000000000000E+00", "1.00000000000000E-02", "2.01000000000000E+02"),
    "SmLs06": ("2.00100000000000E+01", "1.00000000000000E-02", "2.00100000000000E+03"),
    "SmLs07": ("2.10000000000000E-01", "1.00000000000000E-02", "2.10000000000000E+01"),
    "SmLs08": ("2.01000000000000E+00", "1.00000000000000E-02", "2.01000000000000E+02"),
    "SmLs09": ("2.00100000000000E+01", "1.00000000000000E-02", "2.00100000000000E+03"),
}
READ_FROM_FILES = ("SiRstv", "AtmWtAg")
DIGITS_CERTIFIED = 15


@dataclass(frozen=True)
class Row:
    """One set: mean squares and F in three versions."""

    name: str
    ours: tuple[float, float, float]
    exact: tuple[Fraction, Fraction, Fraction]
    certified: tuple[Fraction, Fraction, Fraction]


def data(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Values and treatments of a set."""
    if name in READ_FROM_FILES:
        with (DATA / f"strd_anova_{name.lower()}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        values = np.array([float(row["response"]) for row in rows])
        return values, np.array([int(row["treatment"]) for row in rows])
    # The rule of S. D. Simon & J. P. Lesage, Computational Statistics & Data Analysis 8 (1989)
    # 325: nine treatments, each one value at its level, then 0.1 below and above by turns.
    number = int(name[-1]) - 1
    repeats = 10 * 10 ** (number % 3)
    base = (1, 10**6, 10**12)[number // 3]
    one = [
        [f"{base}.{digit}", *([f"{base}.{digit - 1}", f"{base}.{digit + 1}"] * repeats)]
        for digit in (4, 3, 5, 3, 5, 3, 5, 3, 5)
    ]
    values = np.array([float(text) for treatment in one for text in treatment])
    return values, np.repeat(np.arange(1, 10), 2 * repeats + 1)


def exact_mean_squares(values: np.ndarray, group: np.ndarray) -> tuple[Fraction, Fraction]:
    """Between and within mean square of these float64 values by rational arithmetic."""
    ratios = [value.as_integer_ratio() for value in values.tolist()]
    denominator = max(below for _, below in ratios)  # powers of 2, so each divides the largest
    groups: dict[int, list[int]] = {}
    for label, (above, below) in zip(group.tolist(), ratios, strict=True):
        groups.setdefault(label, []).append(above * (denominator // below))
    n, k = len(ratios), len(groups)
    mean = Fraction(sum(sum(one) for one in groups.values()), n)
    between = sum(len(one) * (Fraction(sum(one), len(one)) - mean) ** 2 for one in groups.values())
    within = sum(
        Fraction(len(one) * sum(x * x for x in one) - sum(one) ** 2, len(one))
        for one in groups.values()
    )
    scale = denominator**2
    return Fraction(between) / (k - 1) / scale, Fraction(within) / (n - k) / scale


def digits(found: float | Fraction, right: Fraction) -> float:
    """Log relative error, -log10 |found - right| / |right|."""
    error = abs(Fraction(found) - right) / abs(right)
    if error < Fraction(1, 10**DIGITS_CERTIFIED):
        return float(DIGITS_CERTIFIED)
    return -math.log10(error)


def rows() -> Iterator[Row]:
    """All sets."""
    for name, published in CERTIFIED.items():
        values, group = data(name)
        ours = spc.one_way(values, group)
        between, within = exact_mean_squares(values, group)
        certified = tuple(Fraction(number) for number in published)
        yield Row(
            name,
            (ours.ms_between, ours.ms_within, ours.f),
            (between, within, between / within),
            (certified[0], certified[1], certified[2]),
        )


def table(all_rows: list[Row]) -> str:
    """The table as text."""
    lines = ["set      ours: between  within       F   exact: between  within       F"]
    for row in all_rows:
        ours = [digits(*pair) for pair in zip(row.ours, row.certified, strict=True)]
        exact = [digits(*pair) for pair in zip(row.exact, row.certified, strict=True)]
        lines.append(
            f"{row.name:8}{ours[0]:14.1f}{ours[1]:8.1f}{ours[2]:8.1f}"
            f"{exact[0]:17.1f}{exact[1]:8.1f}{exact[2]:8.1f}"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(table(list(rows())))

"""NIST's reference sets: certified digits where float64 holds the data, its limit where it cannot.

`pytest -s` on this file prints the table; `tests/benchmarks/strd_table.py` prints it alone.
"""

import runpy
from fractions import Fraction
from pathlib import Path

import pytest

STRD = runpy.run_path(str(Path(__file__).parents[1] / "benchmarks" / "strd_table.py"))
# NIST's grade "lower" among the univariate and the analysis-of-variance sets.
LOWER = {
    "NumAcc1",
    "PiDigits",
    "Lew",
    "Lottery",
    "Michelso",
    "SiRstv",
    "SmLs01",
    "SmLs02",
    "SmLs03",
}
# Agreement with exact rational arithmetic on the same float64 inputs.
EXACT = Fraction(1, 10**12)


def check(row):
    digits = STRD["digits"]
    for ours, exact, certified in zip(row.ours, row.exact, row.certified, strict=True):
        assert abs(Fraction(ours) / exact - 1) < EXACT, row.name
        found, limit = digits(ours, certified), digits(exact, certified)
        if row.name in LOWER:
            assert found >= 13, row.name
        # No more than rounding is lost on what any program could reach.
        assert found >= min(limit, 13) - 0.05, row.name


@pytest.fixture(scope="module")
def one_way_rows():
    return list(STRD["rows"]())


def test_generated_univariate_sets():
    rows = list(STRD["univariate_rows"]())
    assert [row.name for row in rows] == ["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4", "PiDigits"]
    for row in rows:
        check(row)
    # 1000000.1 and 10000000.1 are not float64 numbers: nobody can have more digits of sd.
    limits = {row.name: STRD["digits"](row.exact[1], row.certified[1]) for row in rows}
    assert 9 < limits["NumAcc3"] < 10
    assert 8 < limits["NumAcc4"] < 9
    print(STRD["univariate_table"](rows))


@pytest.mark.parametrize("name", ["lew", "lottery", "michelso"])
def test_sets_that_are_not_copied(name, not_copied, not_copied_folder):
    values, entry = not_copied(f"strd_univ_{name}")
    rows = STRD["univariate_rows"](not_copied_folder)
    (row,) = (row for row in rows if row.name.lower() == name)
    assert values.size == entry["inputs"]["n"]
    check(row)


def test_pi_is_nists_file(not_copied):
    values, _ = not_copied("strd_univ_pidigits")
    assert values.tolist() == STRD["univariate_data"]("PiDigits")


def test_digits_of_pi():
    # The first and the 991st to 1000th decimal of pi, in any table of them: 3.14159 … 2164201989.
    digits = "".join(f"{digit:.0f}" for digit in STRD["univariate_data"]("PiDigits"))
    assert digits.startswith("31415926535897932384626433832795028841971693993751")
    assert digits[991:1001] == "2164201989"
    assert digits[956] == "3"  # NIST's file; in pi it is an 8


def test_one_way_sets(one_way_rows):
    assert len(one_way_rows) == 11
    for row in one_way_rows:
        check(row)
    print(STRD["table"](one_way_rows))


def test_what_float64_can_know_of_the_highest_difficulty(one_way_rows):
    # Certified: F = 2001 for data such as 1000000000000.4, which float64 holds in steps of 0.00012.
    # Of the data so rounded F is 2001.1349 in exact arithmetic, and so say SciPy and we.
    row = one_way_rows[-1]
    assert row.name == "SmLs09"
    assert round(float(row.exact[2]), 4) == 2001.1349
    assert row.ours[2] == pytest.approx(STRD["scipy_f"](row.name), rel=1e-12)
    assert STRD["digits"](row.exact[2], row.certified[2]) < 4.3

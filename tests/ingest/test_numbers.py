"""Decimal marks decided by the whole file, and cells that could be read two ways."""

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.numbers import decimal_evidence, parse_numbers


def column(*texts: str) -> pa.ChunkedArray:
    return pa.chunked_array([pa.array(texts, pa.string())])


@pytest.mark.parametrize(
    ("texts", "point", "comma", "open_"),
    [
        (("40.2", "39.8"), 2, 0, 0),
        (("40,2", "2.010,0"), 0, 2, 0),
        (("2,010", "1,990"), 0, 0, 2),
        (("0.985",), 1, 0, 0),
        (("1.234.567",), 0, 1, 0),
        (("1,234,567.8",), 1, 0, 0),
        (("2010", "1990"), 0, 0, 0),
    ],
)
def test_evidence(texts: tuple[str, ...], point: int, comma: int, open_: int) -> None:
    evidence = decimal_evidence([column(*texts)])
    assert (evidence.point, evidence.comma, evidence.open) == (point, comma, open_)


@pytest.mark.parametrize(
    ("text", "mark", "value"),
    [
        ("2.010,0", ",", 2010.0),
        ("2.010", ",", 2010.0),
        ("2,010", ".", 2010.0),
        ("2 010,5", ",", 2010.5),
        ("2\u00a0010,5", ",", 2010.5),
        ("2'010.5", ".", 2010.5),
        ("1,234,567.8", ".", 1234567.8),
        (" 25.0 ", ".", 25.0),
        ("-3.5", ".", -3.5),
        ("\u22123.5", ".", -3.5),
        ("1.2e3", ".", 1200.0),
    ],
)
def test_a_number_with_the_files_mark(text: str, mark: str, value: float) -> None:
    read = parse_numbers(column(text), mark)
    assert not read.unreadable[0]
    assert read.values[0] == value


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("19100,471", "."),
        ("25,0", "."),
        ("1_000", "."),
        ("nan", "."),
        ("inf", "."),
        ("1e400", "."),
        ("2.01.0", "."),
        ("12.34.567", ","),
        ("\u0661\u0662", "."),
        ("--5", "."),
        ("0x10", "."),
    ],
)
def test_what_is_no_number_under_the_files_mark_is_not_read_as_one(text: str, mark: str) -> None:
    read = parse_numbers(column(text), mark)
    # text behind digits is handed on as a unit, which no quantity then knows
    assert read.unreadable[0] or read.unit[0]


def test_a_unit_behind_the_digits_is_kept_apart() -> None:
    read = parse_numbers(column("2010 cP", "20rpm", "25,0"), ",")
    assert read.values.tolist() == [2010.0, 20.0, 25.0]
    assert read.unit.tolist() == ["cP", "rpm", ""]


def test_thousands_marks_beside_plain_thousands_stay_open() -> None:
    read = parse_numbers(column("19471.2", "2010", "2,010"), ".")
    assert read.ambiguous.tolist() == [False, False, True]


@given(st.lists(st.floats(0.001, 1e6).map(lambda v: round(v, 3)), min_size=1, max_size=30))
def test_numbers_survive_both_ways_of_writing_them(values: list[float]) -> None:
    german = [f"{v:,.3f}".replace(",", "#").replace(".", ",").replace("#", ".") for v in values]
    english = [f"{v:,.3f}" for v in values]
    np.testing.assert_array_equal(parse_numbers(column(*german), ",").values, values)
    np.testing.assert_array_equal(parse_numbers(column(*english), ".").values, values)

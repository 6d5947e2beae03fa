"""Numbers as labs write them: decimal marks, thousands marks and units behind the digits.

The decimal mark is decided once per file from all its number cells, never cell by cell.
"""

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

_GROUP_MARKS = "'’ \u00a0\u202f\u2009"
_LARGEST = 1e12  # beyond it (and infinite) a number is a slip of the keyboard, not a reading
_BOTH = re.compile(r"[.,]")


@dataclass(frozen=True, slots=True)
class DecimalEvidence:
    """How many cells prove a decimal point, a decimal comma, or could be read both ways."""

    point: int = 0
    comma: int = 0
    open: int = 0
    point_example: str = ""
    comma_example: str = ""
    open_example: str = ""

    def with_more(self, other: "DecimalEvidence") -> "DecimalEvidence":
        """This evidence and what comes behind it in the file."""
        return DecimalEvidence(
            self.point + other.point,
            self.comma + other.comma,
            self.open + other.open,
            self.point_example or other.point_example,
            self.comma_example or other.comma_example,
            self.open_example or other.open_example,
        )


def distinct(column: pa.ChunkedArray) -> tuple[list[str], npt.NDArray[np.int64]]:
    """The distinct texts of a column with their counts: decisions look at each text once."""
    counted = pc.value_counts(column).flatten()
    return counted[0].to_pylist(), np.asarray(counted[1], dtype=np.int64)


def decimal_evidence(columns: list[pa.ChunkedArray]) -> DecimalEvidence:
    """Count what the number cells of a file say about its decimal mark.

    `40,2` proves a comma, `2.010,0` too (the last mark is the decimal one), `0.985` a point;
    `2,010` alone could be 2.01 or 2010 and stays open.
    """
    counts = {"point": 0, "comma": 0, "open": 0}
    examples = {"point": "", "comma": "", "open": ""}
    for column in columns:
        marked = column.filter(pc.match_substring_regex(column, r"\d[.,]\d"))
        texts, numbers = distinct(marked)
        for text, count in zip(texts, numbers.tolist(), strict=True):
            verdict = _mark_of(text)
            if verdict:
                counts[verdict] += count
                examples[verdict] = examples[verdict] or text.strip()
    return DecimalEvidence(
        counts["point"],
        counts["comma"],
        counts["open"],
        examples["point"],
        examples["comma"],
        examples["open"],
    )


@lru_cache(maxsize=1 << 15)  # the same numbers come again in every block of a large file
def _mark_of(text: str) -> str:
    bare = re.sub(rf"(?<=\d)[{re.escape(_GROUP_MARKS)}](?=\d)", "", text)
    match = re.search(r"\d+[.,][\d.,]*\d", bare)
    if match is None:
        return ""
    digits = match.group()
    marks = _BOTH.findall(digits)
    if len(set(marks)) == 2:
        return ("point" if marks[-1] == "." else "comma") if marks.count(marks[-1]) == 1 else ""
    if len(marks) > 1:  # 1.234.567: the mark groups thousands, so the other one is decimal
        return "comma" if marks[0] == "." else "point"
    before, after = _BOTH.split(digits)
    if len(after) == 3 and 1 <= len(before) <= 3 and not before.startswith("0"):
        return "open"
    return "point" if marks[0] == "." else "comma"


@dataclass(frozen=True, slots=True, eq=False)
class NumberColumn:
    """A column of numbers read from text.

    Attributes:
        values: shape (n,), NaN where there is none.
        unit: the unit text behind the digits of each cell, "" where none.
        unreadable: cells that hold something else than a number; blank: empty cells.
        ambiguous: cells such as `2,010` in a column that writes other thousands without a mark.
        grouped, ungrouped: whether any cell is like `2,010`, and any of 1000 or more without one.
    """

    values: npt.NDArray[np.float64]
    unit: npt.NDArray[np.object_]
    unreadable: npt.NDArray[np.bool_]
    blank: npt.NDArray[np.bool_]
    ambiguous: npt.NDArray[np.bool_]
    grouped: bool
    ungrouped: bool


def parse_numbers(
    column: pa.ChunkedArray, decimal_mark: str, mixed: bool | None = None
) -> NumberColumn:
    """Read a text column as numbers with one decimal mark for all of it.

    Args:
        column: the cells. decimal_mark: "." or ",".
        mixed: whether the column writes thousands both with and without a mark; None to see it
            from these cells alone.
    """
    n = len(column)
    plain_pattern = r"^[+-]?\d+$" if decimal_mark == "," else r"^[+-]?\d+(\.\d+)?$"
    plain = np.asarray(pc.match_substring_regex(column, plain_pattern).combine_chunks())
    nothing = np.zeros(n, dtype=bool)
    if plain.all():
        values = np.asarray(pc.cast(column, pa.float64()).combine_chunks())
        size = np.abs(values)
        too_large = size > _LARGEST
        ungrouped = bool(((size >= 1000) & ~too_large).any())
        return NumberColumn(
            values, np.full(n, "", object), too_large, nothing, nothing, False, ungrouped
        )
    encoded = pc.dictionary_encode(column).combine_chunks()
    texts = encoded.dictionary.to_pylist()
    codes = np.asarray(encoded.indices)
    read = [_number(text, decimal_mark) for text in texts]
    value = np.array([item[0] for item in read], dtype=float)
    unit = np.array([item[1] for item in read], dtype=object)
    unreadable = np.array([item[2] for item in read], dtype=bool)
    blank = np.array([not text.strip() for text in texts], dtype=bool)
    grouped = np.array([item[3] for item in read], dtype=bool)
    ungrouped = any(
        not item[2] and np.isfinite(item[0]) and abs(item[0]) >= 1000 and not item[4]
        for item in read
    )
    ambiguous = grouped & (ungrouped if mixed is None else mixed)
    return NumberColumn(
        value[codes],
        unit[codes],
        unreadable[codes],
        blank[codes],
        ambiguous[codes],
        bool(grouped.any()),
        ungrouped,
    )


@lru_cache(maxsize=1 << 15)
def _number(text: str, decimal_mark: str) -> tuple[float, str, bool, bool, bool]:
    """(value, unit text, unreadable, grouped by the doubtful mark alone, grouped at all)."""
    stripped = text.strip().replace("\u2212", "-")
    if not stripped:
        return np.nan, "", False, False, False
    group = "." if decimal_mark == "," else ","
    match = _pattern(decimal_mark).match(stripped)
    if match is None:
        return np.nan, "", True, False, False
    whole, fraction, exponent, unit = match.group("whole", "fraction", "exponent", "unit")
    mark = next((c for c in whole if not c.isdigit() and c not in "+-"), "")
    digits = re.sub(r"[^\d+-]", "", whole)
    value = float(f"{digits}.{fraction or '0'}{exponent or ''}")
    doubtful = mark == group and not fraction and whole.count(group) == 1
    return value, unit.strip(), abs(value) > _LARGEST, doubtful, bool(mark)


@lru_cache(maxsize=2)
def _pattern(decimal_mark: str) -> re.Pattern[str]:
    group = re.escape("." if decimal_mark == "," else ",") + re.escape(_GROUP_MARKS)
    return re.compile(
        rf"(?P<whole>[+-]?(?:[1-9]\d{{0,2}}(?P<mark>[{group}])\d{{3}}(?:(?P=mark)\d{{3}})*|\d+))"
        rf"(?:{re.escape(decimal_mark)}(?P<fraction>\d+))?"
        rf"(?P<exponent>[eE][+-]?\d{{1,2}})?"
        rf"(?P<unit>(?:\s+|(?=[^\d\s.,+-]))[^\d\s.,+-].{{0,15}}|)\Z",
        re.ASCII,
    )

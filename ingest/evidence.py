"""What the cells of a whole file say about its meaning, gathered block by block.

Decisions such as the decimal mark or the order of day and month need every cell, but not at once:
each kind of evidence can be added up over blocks, and comes to the same whatever the blocks are.
"""

import re
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from ingest.coded import tidy
from ingest.columns import HeadingMatch, plain
from ingest.csv_file import FIRST_ROWS, FirstRows, TextTable, first_rows
from ingest.dialect import Header
from ingest.doubts import Doubts
from ingest.numbers import DecimalEvidence, decimal_evidence, distinct, parse_numbers
from ingest.times import CLOCK_ONLY, DateEvidence
from ingest.units import is_viscosity_unit, viscosity_unit

_TEXTS_NAMED = 8
_MARKS = (".", ",")
MOST_PRODUCTS = 20_000  # different names in a file; beyond that they are no names of products


@dataclass(slots=True)
class ColumnEvidence:
    """What the cells of one column say; which questions are asked of it depends on its heading.

    Attributes:
        filled: whether any cell holds more than blanks.
        only_clock_times: whether all filled cells are times of day without a date.
        running_number: whether it counts rows, not replicates.
        texts: the first different texts in it, without blanks around them.
        decimals: what its numbers say about the decimal mark. dates: about day and month.
        numbers, with_unit: numbers in it, and those with a viscosity unit behind the digits.
    """

    filled: bool = False
    only_clock_times: bool = True
    running_number: bool = False
    texts: list[str] = field(default_factory=list)
    decimals: DecimalEvidence = field(default_factory=DecimalEvidence)
    dates: DateEvidence = field(default_factory=DateEvidence)
    numbers: int = 0
    with_unit: int = 0

    @property
    def carries_units(self) -> bool:
        """Whether most numbers have a viscosity unit behind their digits."""
        return self.with_unit * 2 > self.numbers


@dataclass(slots=True)
class ThousandsEvidence:
    """A viscosity column whose every cell is like 2.001, read as thousands beside its torque.

    Attributes:
        every: whether every cell so far is written so.
        n, above: ratios of viscosity to torque, and those above the limit.
        below_most, above_least: the ratios next to the limit.
    """

    limit: float
    every: bool = True
    n: int = 0
    above: int = 0
    below_most: float = -np.inf
    above_least: float = np.inf

    def add(self, ratios: npt.NDArray[np.float64]) -> None:
        """Count some ratios."""
        over = ratios > self.limit
        self.n += len(ratios)
        self.above += int(over.sum())
        if over.any():
            self.above_least = min(self.above_least, float(ratios[over].min()))
        if not over.all():
            self.below_most = max(self.below_most, float(ratios[~over].max()))

    @property
    def median_above_limit(self) -> bool:
        """Whether the median of all ratios lies above the limit."""
        if 2 * self.above == self.n:
            return self.n > 0 and (self.below_most + self.above_least) / 2 > self.limit
        return 2 * self.above > self.n


@dataclass(slots=True)
class FileEvidence:
    """What all cells of a file say, and what else is known of it as a whole.

    Attributes:
        header: its header. columns: the evidence of each column of it.
        first_row, n_rows: its first row, and the number of rows.
        doubts: what its cells make doubtful.
        first: its first rows; see `head`.
        products: by position of a column for the product, its first different names with the
            number of their rows.
        thousands: by position of a viscosity column and the mark that would group thousands.
    """

    header: Header
    columns: list[ColumnEvidence]
    thousands: dict[tuple[int, str], ThousandsEvidence]
    doubts: Doubts = field(default_factory=Doubts)
    first_row: list[str] = field(default_factory=list)
    n_rows: int = 0
    first: list[pa.Table] = field(default_factory=list)
    products: dict[int, Counter[str]] = field(default_factory=dict)

    @property
    def head(self) -> FirstRows:
        """The first thousand rows, whatever the blocks are."""
        return first_rows(self.header, self.first)


LARGEST_SCALE = 1e6  # mPa·s at full torque; our convention for what is still believable


def no_evidence(header: Header) -> FileEvidence:
    """The evidence of a file of which no row was seen yet."""
    thousands = {
        (index, mark): ThousandsEvidence(LARGEST_SCALE)
        for index, match in enumerate(header.matches)
        if match is not None and match.column.name == "viscosity"
        for mark in _MARKS
    }
    return FileEvidence(header, [ColumnEvidence() for _ in header.cells], thousands)


def gather(evidence: FileEvidence, table: TextTable) -> None:
    """Add what the rows of a block say to the evidence of the file."""
    if not table.cells.num_rows:
        return
    if not evidence.n_rows:
        evidence.first_row = [column[0].as_py() for column in table.cells.columns]
    if evidence.n_rows < FIRST_ROWS:
        evidence.first.append(first_rows(table.header, [table.cells]).cells)
    evidence.n_rows += table.cells.num_rows
    evidence.doubts.add(table)
    for index, (cell, match) in enumerate(
        zip(table.header.cells, table.header.matches, strict=True)
    ):
        column = table.cells.column(index)
        known = evidence.columns[index]
        if not known.filled:
            known.filled = is_filled(column)
        if match is not None:
            _gather_column(known, column, match, cell)
            if match.column.name == "product":
                _gather_products(evidence.products.setdefault(index, Counter()), column)
    for (index, mark), thousands in evidence.thousands.items():
        if thousands.every:
            _gather_thousands(thousands, table, index, mark)


def is_filled(column: pa.ChunkedArray) -> bool:
    """Whether any cell of a column holds more than blanks."""
    if not pc.max(pc.binary_length(column)).as_py():
        return False
    return bool(pc.any(pc.not_equal(pc.utf8_trim_whitespace(column), "")).as_py())


def _gather_column(
    known: ColumnEvidence, column: pa.ChunkedArray, match: HeadingMatch, heading: str
) -> None:
    name, kind = match.column.name, match.column.kind
    if kind == "time" or name == "time_of_day":
        if known.only_clock_times:
            filled = column.filter(pc.not_equal(pc.utf8_trim_whitespace(column), ""))
            clock = pc.all(pc.match_substring_regex(filled, CLOCK_ONLY)).as_py()
            known.only_clock_times = not len(filled) or bool(clock)
        known.dates.add(column)
    if name == "unit" and len(known.texts) < _TEXTS_NAMED:
        for text in pc.unique(pc.utf8_trim_whitespace(column)).to_pylist():
            if text and text not in known.texts:
                known.texts.append(text)
        del known.texts[_TEXTS_NAMED:]
    if name == "replicate" and not known.running_number and plain(heading) in ("nr", "no"):
        texts = pc.unique(pc.utf8_trim_whitespace(column)).to_pylist()
        known.running_number = any(
            text.isascii() and text.isdigit() and int(text) > 9 for text in texts
        )
    if kind == "number":
        known.decimals = known.decimals.with_more(decimal_evidence([column]))
    if name == "viscosity":
        _gather_units(known, column)


def _gather_products(known: Counter[str], column: pa.ChunkedArray) -> None:
    """Count the names of products, in the form in which rows keep them."""
    names = tidy(column)
    counts = np.bincount(names.codes, minlength=len(names.texts)).tolist()
    for text, count in zip(names.texts.to_pylist(), counts, strict=True):
        if text and (text in known or len(known) < MOST_PRODUCTS):
            known[text] += count


def _gather_units(known: ColumnEvidence, column: pa.ChunkedArray) -> None:
    """Count the numbers of the viscosity column, and those with a viscosity unit behind them."""
    bare = pc.match_substring_regex(column, r"^[\d.]*\d$")
    if pc.all(bare).as_py():
        known.numbers += len(column)
        return
    numbers = column.filter(pc.match_substring_regex(column, r"^\s*[\d.,' ]*\d"))
    parts = pc.extract_regex(numbers, r"^\s*[\d.,' ]*\d\s*(?P<unit>[^\d\s.,'+-].*)$")
    texts, counts = distinct(pc.struct_field(parts, "unit").drop_null())
    known.numbers += len(numbers)
    known.with_unit += sum(
        int(count)
        for text, count in zip(texts, counts, strict=True)
        if is_viscosity_unit(text.strip())
    )


def _gather_thousands(known: ThousandsEvidence, table: TextTable, index: int, other: str) -> None:
    """Whether all cells of a viscosity column look like thousands, and what the torque says."""
    column = table.cells.column(index)
    doubtful = rf"^\s*[1-9]\d{{0,2}}[{re.escape(other)}]\d{{3}}\s*$"
    if not re.match(doubtful, column[0].as_py()) or not (
        pc.all(pc.match_substring_regex(column, doubtful)).as_py()
    ):
        known.every = False
        return
    torques = [
        place
        for place, match in enumerate(table.header.matches)
        if match is not None and match.column.name == "torque"
    ]
    if not torques:
        return
    mark = "," if other == "." else "."
    viscosity = parse_numbers(column, mark).values
    torque = parse_numbers(table.cells.column(torques[0]), mark).values
    match = table.header.matches[index]
    factor = viscosity_unit(match.unit if match else "").factor or 1.0
    usable = (torque > 0) & (viscosity > 0)
    known.add(100.0 * factor * viscosity[usable] / torque[usable])

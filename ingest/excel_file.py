"""Excel workbooks as delimited text: one line a row, so that a line's number is the sheet's row.

Formulas are never computed: what a spreadsheet stored with them is read.
"""

import math
import os
import re
import warnings
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import IO, Any

import numpy as np

from ingest.answers import Question, Understood
from ingest.dialect import Header, find_header
from ingest.errors import IngestError
from ingest.unfolded import TextFile, Unfolded, certain, one_line, tabbed
from ingest.units import QUANTITY_UNITS
from ingest.workbook_check import SheetFacts, check_workbook, is_workbook

__all__ = ["is_workbook", "open_workbook"]

_SEARCHED_ROWS = 80
_WIDEST = 500  # columns; beyond that a stray cell far to the right does not widen the table
_ZEROS = re.compile(r'(?:"([^"]*)")?(0{2,})\Z')
_WITH_UNIT = re.compile(r'[#,0.?]+\s*"\s*([^"]+?)\s*"\Z')
_QUOTED = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
# what can only be a decimal mark: 40,2 and 0,125 and 2.010,0 but not 2,010
_COMMA = re.compile(r"\s*[+-]?[\d.' ]*(?:\d,\d{1,2}|\d,\d{4,}|\b0,\d{3}|\.\d{3},\d{3})(?!\d)")
_POINT = re.compile(r"\s*[+-]?[\d,' ]*(?:\d\.\d{1,2}|\d\.\d{4,}|\b0\.\d{3}|,\d{3}\.\d{3})(?!\d)")


@dataclass(slots=True)
class _Cells:
    """How cells become text.

    Attributes:
        mark: decimal mark that numbers are written with. numbers: positions of the columns that
            hold numbers. commas, points: text cells in them that prove one mark or the other.
        formats: number format of each style, as far as it was met.
    """

    mark: str = "."
    numbers: frozenset[int] = frozenset()
    commas: int = 0
    points: int = 0
    formats: dict[int, str] = field(default_factory=dict)

    def text(self, index: int, cell: Any) -> str:
        """A cell as a person sees it, with all digits of its number."""
        value = cell.value
        if value is None:
            return ""
        if isinstance(value, str):
            if index in self.numbers:
                self.commas += _COMMA.match(value) is not None
                self.points += _POINT.match(value) is not None
            return value
        if isinstance(value, bool):
            return str(value).upper()
        if isinstance(value, (int, float)):
            return self._number(value, cell)
        return _time_text(value)

    def _number(self, value: float, cell: Any) -> str:
        style = int(cell._style_id)
        shown = self.formats.get(style)
        if shown is None:
            shown = self.formats[style] = str(cell.number_format or "")
        if shown != "General":
            zeros = _ZEROS.match(shown)
            if zeros and float(value).is_integer() and value >= 0:
                return (zeros.group(1) or "") + str(int(value)).zfill(len(zeros.group(2)))
            if "%" in _QUOTED.sub("", shown):
                return f"{self._digits(value * 100)} %"
            unit = _WITH_UNIT.match(shown)
            if unit and any(known(unit.group(1)) for known in QUANTITY_UNITS.values()):
                return f"{self._digits(value)} {unit.group(1)}"
        return self._digits(value)

    def _digits(self, value: float) -> str:
        if isinstance(value, int):
            return str(value)
        if not math.isfinite(value):
            return str(value)
        text = f"{value:.15g}"  # what a spreadsheet holds of a number and shows
        if "e" in text:
            text = np.format_float_positional(float(text), trim="-")
        return certain(text).replace(".", self.mark)


def open_workbook(file: IO[bytes], name: str, chosen: str) -> Unfolded:
    """The sheet that holds viscosities, as text.

    Args:
        file: the workbook. name: for messages. chosen: the sheet that a person chose, or "".

    Raises:
        IngestError: damaged, protected, or without a sheet that names a viscosity.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    facts = check_workbook(file, name)
    # Anything may go wrong inside a damaged workbook, in code that is not ours.
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _opened(file, name, chosen, size, facts)
    except IngestError:
        raise
    except Exception:  # noqa: BLE001
        raise IngestError(
            f"{name} is a workbook that cannot be read: open it in a spreadsheet and save it again."
        ) from None


def _opened(
    file: IO[bytes], name: str, chosen: str, size: int, facts: dict[str, SheetFacts]
) -> Unfolded:
    from openpyxl import load_workbook  # slow to import and seldom needed

    with closing(load_workbook(file, read_only=True, data_only=True, keep_links=False)) as book:
        sheets = {sheet.title: sheet for sheet in book.worksheets}
        for sheet in sheets.values():
            sheet.reset_dimensions()  # what a file declares of its size may be wrong, and cut rows
        if chosen and chosen not in sheets:
            shown = ", ".join(f"'{title}'" for title in list(sheets)[:20])
            raise IngestError(f"{name} has no sheet '{chosen}': it has {shown}.")
        headers = _headers(sheets, name)
        if chosen and chosen not in headers:
            find_header(_first_lines(sheets[chosen]), f"{name}, sheet '{chosen}',")
        if not headers:
            shown = ", ".join(f"'{title}'" for title in list(sheets)[:8])
            raise IngestError(
                f"{name} has no sheet with a header that names a viscosity column (its sheets are "
                f"{shown}): name the column 'viscosity' or 'Viskosität'."
            )
        if len(headers) > 1 and not chosen:
            asked = Question(
                "sheet",
                f"{len(headers)} sheets of {name} hold viscosities: which one is to be read?",
                tuple(headers),
            )
            return Unfolded(file, name, questions=(asked,))
        title = chosen or next(iter(headers))
        fact = facts.get(str(getattr(sheets[title], "_worksheet_path", "")))
        text = _sheet_text(sheets[title], headers[title], name, size, fact)
    why = "as answered" if len(headers) > 1 else "the only sheet that names a viscosity"
    about = [Understood("file", f"Excel workbook, sheet '{title}'", why), *_told(fact)]
    part = title if len(headers) > 1 else ""
    return Unfolded(text, f"{name}: {part}" if part else name, part, tuple(about), ours=True)


def _told(fact: SheetFacts | None) -> list[Understood]:
    if fact is None:
        return []
    told = []
    if fact.hidden:
        told.append(Understood("hidden rows", str(fact.hidden), "read and counted as all others"))
    if fact.merged:
        why = "only the first cell of each holds its value, the others are empty"
        told.append(Understood("merged cells", f"{fact.merged} areas", why))
    if fact.no_value:
        why = "read as empty: open the workbook in a spreadsheet and save it"
        told.append(Understood("formulas without a stored value", str(fact.no_value), why))
    return told


def _headers(sheets: dict[str, Any], name: str) -> dict[str, Header]:
    """The sheets with a header that names a viscosity; hidden ones and empty ones only alone."""
    found: dict[str, Header] = {}
    weak: dict[str, Header] = {}
    for title, sheet in sheets.items():
        lines = _first_lines(sheet)
        try:
            header = find_header(lines, name)
        except IngestError:
            continue
        filled = any(line.strip() for line in lines[header.index + 1 :])
        if filled and sheet.sheet_state == "visible":
            found[title] = header
        else:
            weak[title] = header
    return found or weak


def _first_lines(sheet: Any) -> list[str]:
    rows = list(islice(_rows(sheet, _Cells()), _SEARCHED_ROWS))
    return [tabbed(one_line(cell, " ") for cell in row[:_WIDEST]) for row in rows]


def _rows(sheet: Any, cells: _Cells) -> Iterator[list[str]]:
    """The rows of a sheet as text, without the empty cells at their end."""
    for row in sheet.iter_rows():
        texts = [cells.text(index, cell) for index, cell in enumerate(row)]
        while texts and not texts[-1].strip():
            texts.pop()
        yield texts


def _sheet_text(
    sheet: Any, header: Header, name: str, size: int, fact: SheetFacts | None
) -> IO[bytes]:
    """All rows of a sheet as text, each as wide as the widest."""
    numbers = frozenset(
        index
        for index, match in enumerate(header.matches)
        if match is not None and match.column.kind == "number"
    )
    cells = _Cells(numbers=numbers)
    lines, widths = _lines(sheet, header, name, size, cells)
    if cells.commas and not cells.points:  # numbers typed as text there have a decimal comma
        lines.close()
        lines, widths = _lines(sheet, header, name, size, _Cells(mark=","))
    if fact is not None and len(widths) < fact.rows:
        raise IngestError(f"{name}: rows of it were not read. Please report this file.")
    while widths and not widths[-1]:
        widths.pop()
    width = max(widths, default=0)
    if width > _WIDEST:
        width = len(header.cells)
    text = TextFile(name, size)
    with closing(lines):
        for line, count in zip(lines, widths, strict=False):
            padding = b"\t" * (width - count) if count else b""
            text.write(line[:-1] + padding + b"\n")
    return text.done()


def _lines(
    sheet: Any, header: Header, name: str, size: int, cells: _Cells
) -> tuple[IO[bytes], list[int]]:
    """The rows as lines, and how many cells each has."""
    text = TextFile(name, size)
    widths: list[int] = []
    for index, row in enumerate(_rows(sheet, cells)):
        mark = " " if index <= header.index else " ⏎ "
        line = tabbed(one_line(cell, mark) for cell in row) + "\n"
        text.write(line.encode("utf-8", "replace"))
        widths.append(len(row))
    return text.done(), widths


def _time_text(value: object) -> str:
    """A date, a time or a duration as ISO 8601, to the second."""
    if isinstance(value, datetime):
        whole = (value + timedelta(milliseconds=500)).replace(microsecond=0)
        return whole.date().isoformat() if whole.time() == time() else whole.isoformat()
    if isinstance(value, timedelta):
        seconds = round(value.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    if isinstance(value, time):
        return value.replace(microsecond=0).isoformat()
    return value.isoformat() if isinstance(value, date) else str(value)

"""How a text file is written: its delimiter and where its header stands, by the words in it."""

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass

from ingest.columns import HeadingMatch, match_headings
from ingest.errors import IngestError

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_HEADER_SEARCH_LINES = 60


@dataclass(frozen=True, slots=True)
class Header:
    """The header line: where it stands, how it is split and what its cells were taken for."""

    index: int  # 0-based line
    delimiter: str
    cells: tuple[str, ...]
    matches: tuple[HeadingMatch | None, ...]
    preamble: tuple[str, ...]


_MOST_COLUMNS = 1000  # of a file whose headings are all unknown: beyond that it is another thing
_FORM = re.compile(r"\d+")
_NONE = Header(-1, ",", (), (), ())


def split_line(line: str, delimiter: str) -> list[str] | None:
    """The cells of one line read strictly by RFC 4180, or None where its quotes do not fit."""
    try:
        rows = list(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return rows[0] if rows else []


def _known(header: Header) -> set[str]:
    return {match.column.name for match in header.matches if match}


def _as_header(lines: list[str], index: int, chosen: Mapping[str, str]) -> Header | None:
    """One line read as a header with the delimiter that makes most sense of it, or None."""
    best: Header | None = None
    for delimiter in DELIMITERS:
        if delimiter not in lines[index] and best is not None:
            continue
        cells = split_line(lines[index], delimiter)
        if not cells:
            continue
        matches = match_headings(cells, chosen)
        header = Header(index, delimiter, tuple(cells), matches, tuple(lines[:index]))
        known = _known(header)
        if ("viscosity" in known or len(known) > 1) and len(known) > len(_known(best or _NONE)):
            best = header
    return best


def _supersedes(later: Header, first: Header, lines: list[str]) -> bool:
    """Whether a later line is the header after all: it knows more, and no row stands between.

    A header-like line below rows begins another table; the first one keeps its rows.
    """
    names_viscosity = "viscosity" in _known(first)
    if names_viscosity and len(_known(later)) <= len(_known(first)):
        return False
    between = lines[first.index + 1 : later.index]
    rows = [split_line(line, first.delimiter) or [] for line in between if line.strip()]
    has_rows = any(len(row) == len(first.cells) and len(row) > 1 for row in rows)
    if not has_rows:
        return "viscosity" in _known(later) or not names_viscosity
    return not names_viscosity and "viscosity" in _known(later)


def find_header(lines: list[str], name: str, chosen: Mapping[str, str] | None = None) -> Header:
    """Find the header among the first lines by its words, and the delimiter with it.

    The first line that names a viscosity and something else wins, unless a line below it knows
    more headings and no row stands between the two. Where no word is known, the first line of
    words that stands over a row with as many cells is taken: what its columns are is then asked.

    Args:
        lines: the first lines. name: of the file. chosen: what a person said columns are.

    Raises:
        IngestError: no line looks like a header.
    """
    best: Header | None = None
    seen: list[str] = []
    for index, line in enumerate(lines[:_HEADER_SEARCH_LINES]):
        candidate = _as_header(lines, index, chosen or {})
        if candidate is not None and (best is None or _supersedes(candidate, best, lines)):
            best = candidate
        if not seen and line.strip():
            seen = [cell.strip() for cell in (split_line(line[:1000], ",") or [line[:1000]])]
    best = best or _by_its_form(lines, chosen or {})
    if best is None:
        shown = ", ".join(f"'{cell[:30]}'" for cell in seen[:6]) or "nothing"
        raise IngestError(
            f"{name} has no header line that names a viscosity column "
            f"(its first line reads {shown}): name the column 'viscosity' or 'Viskosität'."
        )
    return best


def _by_its_form(lines: list[str], chosen: Mapping[str, str]) -> Header | None:
    """A line of words over a row with a number and as many cells, by the widest delimiter."""
    for index, line in enumerate(lines[:_HEADER_SEARCH_LINES]):
        below = next((text for text in lines[index + 1 :] if text.strip()), "")
        best: Header | None = None
        for delimiter in DELIMITERS:
            cells, row = split_line(line, delimiter) or [], split_line(below, delimiter) or []
            words = [cell for cell in cells if cell.strip()]
            if not 2 <= len(words) <= _MOST_COLUMNS or len(cells) != len(row):
                continue
            if _is_row(cells, row):
                continue
            if any(_has_value(cell) for cell in row) and len(cells) > len((best or _NONE).cells):
                matches = match_headings(cells, chosen)
                best = Header(index, delimiter, tuple(cells), matches, tuple(lines[:index]))
        if best is not None:
            return best
    return None


def _is_row(cells: list[str], below: list[str]) -> bool:
    """Whether a line is rather a row like the one below it: full of values, or of like codes."""
    if sum(_has_value(cell) for cell in cells) * 2 > len(cells):
        return True
    forms = (
        (_FORM.sub("9", one), _FORM.sub("9", other))
        for one, other in zip(cells, below, strict=True)
    )
    return any(one == other and "9" in one for one, other in forms)


def _has_value(cell: str) -> bool:
    """Whether a cell begins like a number or a date."""
    return cell.strip()[:1].isdigit()

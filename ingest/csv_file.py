"""Reading a delimited text file into a table of text cells, losing no line.

No CSV reader is trusted with the whole file: by default a stray quote makes the standard one
swallow the rows that follow without an error. So the lines are counted on the bytes first. Lines
without a quote are plain: they hold exactly as many delimiters as the header and are split by
pyarrow, whose row count is then held against ours. The other lines are read one at a time by
`csv.reader` in strict mode, continued over line breaks only where the result is a whole row.
What cannot be read is kept as "not parsed", with its line, text and reason.
"""

import csv
import io
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv

from ingest.dialect import Header, decode, find_header
from ingest.errors import IngestError

_LONGEST_RECORD = 100  # lines that one quoted cell may run over
_LINES_PER_BLOCK = 100_000
_LONGEST_CELL = 100_000  # characters; beyond that a row is a broken one


@dataclass(frozen=True, slots=True)
class NotParsed:
    """One record that could not be read: first and last line (1-based), reason and text."""

    line: int
    last_line: int
    reason: str
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class TextTable:
    """A file as rows of text cells.

    Attributes:
        cells: one string column per header cell, as wide as the header, shape (n rows).
        line: first line of each row in the file, 1-based; last_line: its last line.
        not_parsed: the records that could not be split into the header's columns.
        blank_lines: lines with nothing in them.
        header: the header line; encoding and its reason.
        n_lines: lines of the whole file, counted on its bytes.
    """

    cells: pa.Table
    line: npt.NDArray[np.int64]
    last_line: npt.NDArray[np.int64]
    not_parsed: tuple[NotParsed, ...]
    blank_lines: int
    header: Header
    encoding: str
    encoding_why: str
    n_lines: int


def read_csv_text(raw: bytes, name: str) -> TextTable:
    """Read a delimited text file into text cells.

    Args:
        raw: the file's bytes.
        name: its name, for messages.

    Raises:
        IngestError: not a text file, no viscosity column, or an account that does not close.
    """
    decoded = decode(raw, name)
    content = decoded.content if decoded.content.endswith(b"\n") else decoded.content + b"\n"
    data = np.frombuffer(content, dtype=np.uint8)
    ends = np.flatnonzero(data == ord("\n"))
    starts = np.concatenate(([0], ends[:-1] + 1))
    head = content[: int(ends[min(len(ends), 80) - 1]) + 1].decode("utf-8", "replace")
    header = find_header(head.split("\n")[:-1], name)

    body = np.arange(len(ends)) > header.index
    blank = _blank_lines(data, starts, ends) & body
    delimiters = _delimiters_per_line(data, starts, ends, ord(header.delimiter))
    odd = np.zeros(len(ends), dtype=bool)
    for byte in (ord('"'), 0):
        odd[np.searchsorted(ends, np.flatnonzero(data == byte))] = True
    simple = body & ~blank & ~odd
    header = _fitted(header, delimiters[simple], data, ends[simple], name)
    width = len(header.cells)
    plain = simple & (delimiters == width - 1) & (ends - starts < _LONGEST_CELL)
    awkward = np.flatnonzero(body & ~blank & ~plain)

    rows, spans, refused, absorbed = _read_awkward(content, starts, ends, awkward, plain, header)
    plain[absorbed] = False
    blank[absorbed] = False
    plain_lines = np.flatnonzero(plain)
    table = _split_plain(content, starts, ends, plain, plain_lines, header)
    line = plain_lines + 1
    last_line = line
    if rows:
        table, line, last_line = _merge(table, line, rows, spans)
    return TextTable(
        cells=table,
        line=line,
        last_line=last_line,
        not_parsed=tuple(refused),
        blank_lines=int(blank.sum()),
        header=header,
        encoding=decoded.encoding,
        encoding_why=decoded.why,
        n_lines=len(ends),
    )


def check_lines_close(table: TextTable, name: str) -> None:
    """Every line of the file is header, preamble, blank, or in exactly one row or refusal.

    Raises:
        IngestError: a line is missing or counted twice: nothing of the file may be used.
    """
    covered = (
        int((table.last_line - table.line + 1).sum())
        + sum(item.last_line - item.line + 1 for item in table.not_parsed)
        + table.blank_lines
        + table.header.index
        + 1
    )
    if covered != table.n_lines:
        raise IngestError(
            f"{name}: {table.n_lines} lines were counted but {covered} are accounted for, "
            "so nothing of this file is imported. Please report this file."
        )


def _fitted(
    header: Header,
    delimiters: npt.NDArray[np.int64],
    data: npt.NDArray[np.uint8],
    ends: npt.NDArray[np.int64],
    name: str,
) -> Header:
    """The header as wide as nearly all rows are, where the difference is empty cells only.

    Some exports end every row, or only the header, with a delimiter. Rows that are wider and
    filled are something else: a decimal comma cut in two would shift every cell behind it.

    Raises:
        IngestError: nearly all rows have more cells than the header, and they are filled.
    """
    if not len(delimiters):
        return header
    usual = int(np.bincount(delimiters).argmax())
    same = delimiters == usual
    missing = usual + 1 - len(header.cells)
    if missing == 0 or same.mean() < 0.9:
        return header
    if missing < 0:
        surplus = header.cells[missing:]
        if any(cell.strip() for cell in surplus):
            return header
        return replace(header, cells=header.cells[:missing], matches=header.matches[:missing])
    mark = ord(header.delimiter)
    empty = all((data[ends[same] - 1 - k] == mark).all() for k in range(missing))
    if not empty:
        raise IngestError(
            f"{name}: nearly all rows have {usual + 1} cells where the header in line "
            f"{header.index + 1} has {len(header.cells)}: decimal commas were probably cut in two. "
            "Export with semicolons or tabs, or with quoted numbers."
        )
    return replace(
        header,
        cells=(*header.cells, *[""] * missing),
        matches=(*header.matches, *[None] * missing),
    )


def _delimiters_per_line(
    data: npt.NDArray[np.uint8],
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    delimiter: int,
) -> npt.NDArray[np.int64]:
    """How often the delimiter stands in each line; in blocks of lines, to keep memory small."""
    counts = np.zeros(len(ends), dtype=np.int64)
    for begin in range(0, len(ends), _LINES_PER_BLOCK):
        block_ends = ends[begin : begin + _LINES_PER_BLOCK]
        origin = starts[begin]
        places = np.flatnonzero(data[origin : block_ends[-1] + 1] == delimiter)
        until = np.searchsorted(places, block_ends - origin)
        counts[begin : begin + len(block_ends)] = np.diff(until, prepend=0)
    return counts


def _blank_lines(
    data: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Lines with nothing but blanks in them; only lines that begin with one need a look."""
    blank: npt.NDArray[np.bool_] = starts == ends
    for index in np.flatnonzero(data[starts] == ord(" ")):
        blank[index] = not data[starts[index] : ends[index]].tobytes().strip(b" ")
    return blank


def _read_awkward(
    content: bytes,
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    awkward: npt.NDArray[np.int64],
    plain: npt.NDArray[np.bool_],
    header: Header,
) -> tuple[list[list[str]], list[tuple[int, int]], list[NotParsed], list[int]]:
    """Read the lines with quotes, NULs or a wrong width one by one.

    Returns:
        rows, their (first, last) lines, the refused records, and the 0-based indices of plain
        or blank lines that belong to a quoted cell running over a line break.
    """
    rows: list[list[str]] = []
    spans: list[tuple[int, int]] = []
    refused: list[NotParsed] = []
    absorbed: list[int] = []
    width = len(header.cells)
    done = -1
    for start in awkward.tolist():
        if start <= done:
            continue
        record, last, reason = _one_record(content, starts, ends, start, plain, header)
        done = last
        if record is not None:
            record, reason = _fit(record, width)
        if record is None or reason:
            text = content[starts[start] : ends[last]].decode("utf-8", "replace")
            refused.append(NotParsed(start + 1, last + 1, reason, text))
            continue
        rows.append(record)
        spans.append((start + 1, last + 1))
        absorbed.extend(range(start + 1, last + 1))
    return rows, spans, refused, absorbed


def _one_record(
    content: bytes,
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    start: int,
    plain: npt.NDArray[np.bool_],
    header: Header,
) -> tuple[list[str] | None, int, str]:
    """The record that begins at a line: (cells or None, its last line, reason if none)."""
    text = content[starts[start] : ends[start]].decode("utf-8", "replace")
    if "\0" in text:
        return None, start, "nul_byte"
    record, reason = _strict(text, header.delimiter)
    if reason != "open_quote":
        return record, start, reason
    # A quote is still open: go on only while what follows is not itself a whole row.
    for last in range(start + 1, min(start + _LONGEST_RECORD, len(ends))):
        following = content[starts[last] : ends[last]].decode("utf-8", "replace")
        if plain[last] or "\0" in following:
            break
        text = f"{text}\n{following}"
        record, more = _strict(text, header.delimiter)
        if record is not None and len(record) == len(header.cells):
            return record, last, ""
        if more != "open_quote":
            break
    return None, start, "open_quote"


def _strict(text: str, delimiter: str) -> tuple[list[str] | None, str]:
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        message = str(error)
        if "unexpected end of data" in message:
            return None, "open_quote"
        return None, "field_too_long" if "field limit" in message else "stray_quote"
    return (rows[0], "") if len(rows) == 1 else (None, "stray_quote")


def _fit(record: list[str], width: int) -> tuple[list[str] | None, str]:
    """A record of the header's width, or the reason why it is none."""
    if len(record) > width:
        return None, "too_many_fields"
    if not any(cell.strip() for cell in record):
        return record + [""] * (width - len(record)), ""
    if len(record) < width:
        return None, "too_few_fields"
    if max(map(len, record)) > _LONGEST_CELL:
        return None, "field_too_long"
    return record, ""


def _split_plain(
    content: bytes,
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    plain: npt.NDArray[np.bool_],
    plain_lines: npt.NDArray[np.int64],
    header: Header,
) -> pa.Table:
    """Split the plain lines at their delimiters; the number of rows must come back the same."""
    names = [f"c{index}" for index in range(len(header.cells))]
    if not len(plain_lines):
        return pa.table({name: pa.array([], pa.string()) for name in names})
    first, last = int(plain_lines[0]), int(plain_lines[-1])
    if plain[first : last + 1].all():
        text: bytes | memoryview = memoryview(content)[int(starts[first]) : int(ends[last]) + 1]
    else:
        edges = np.flatnonzero(np.diff(plain.astype(np.int8), prepend=0, append=0))
        view = memoryview(content)
        text = b"".join(
            view[int(starts[begin]) : int(ends[stop - 1]) + 1]
            for begin, stop in edges.reshape(-1, 2)
        )
    table = pa.csv.read_csv(
        pa.BufferReader(text),
        read_options=pa.csv.ReadOptions(column_names=names),
        parse_options=pa.csv.ParseOptions(
            delimiter=header.delimiter,
            quote_char=False,
            escape_char=False,
            newlines_in_values=False,
            ignore_empty_lines=False,
        ),
        convert_options=pa.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
        ),
    )
    if table.num_rows != len(plain_lines):
        raise IngestError(
            f"{len(plain_lines)} plain lines were counted but {table.num_rows} rows came back, "
            "so nothing of this file is imported. Please report this file."
        )
    return table


def _merge(
    table: pa.Table,
    line: npt.NDArray[np.int64],
    rows: list[list[str]],
    spans: list[tuple[int, int]],
) -> tuple[pa.Table, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Put the rows read one by one back among the plain ones, in file order."""
    extra = pa.table(
        {
            name: pa.array([row[index] for row in rows], pa.string())
            for index, name in enumerate(table.column_names)
        }
    )
    first = np.concatenate((line, np.array([span[0] for span in spans], dtype=np.int64)))
    last = np.concatenate((line, np.array([span[1] for span in spans], dtype=np.int64)))
    order = np.argsort(first, kind="stable")
    merged = pa.concat_tables([table, extra]).take(pa.array(order))
    return merged, first[order], last[order]

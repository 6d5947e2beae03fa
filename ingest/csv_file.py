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
import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv

from ingest.dialect import Header, find_header
from ingest.errors import IngestError
from ingest.header_fit import RowWidths
from ingest.text_blocks import TextFile, look_at

_LONGEST_RECORD = 100  # lines that one quoted cell may run over
_LINES_PER_BLOCK = 100_000
_HEAD_LINES = 80
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
    """A file, or a block of one, as rows of text cells.

    Attributes:
        cells: one string column per header cell, as wide as the header, shape (n rows).
        line: first line of each row in the file, 1-based; last_line: its last line.
        not_parsed: the records that could not be split into the header's columns.
        blank_lines: lines with nothing in them.
        head_lines: lines of the header and above it.
        header: the header line. n_lines: lines of the block, counted on its bytes.
    """

    cells: pa.Table
    line: npt.NDArray[np.int64]
    last_line: npt.NDArray[np.int64]
    not_parsed: tuple[NotParsed, ...]
    blank_lines: int
    head_lines: int
    header: Header
    n_lines: int


@dataclass(frozen=True, slots=True, eq=False)
class FirstRows:
    """The first rows of a file, of which the kind of its columns is seen, whatever its blocks are.

    Attributes:
        header: the header line. cells: one string column per header cell.
    """

    header: Header
    cells: pa.Table


FIRST_ROWS = 1000


def first_rows(header: Header, blocks: Iterable[pa.Table]) -> FirstRows:
    """The first thousand rows of the cells of some blocks."""
    parts: list[pa.Table] = []
    left = FIRST_ROWS
    for cells in blocks:
        parts.append(cells.slice(0, left))
        left -= parts[-1].num_rows
        if left <= 0:
            break
    names = [str(place) for place in range(len(header.cells))]
    empty = pa.table({name: pa.array([], pa.string()) for name in names})
    # copied, so that the blocks that they are from need not be held
    cells = pa.concat_tables([empty, *(part.rename_columns(names) for part in parts)])
    return FirstRows(header, cells.take(pa.array(range(cells.num_rows), pa.int64())))


def header_of(text: TextFile, chosen: Mapping[str, str] | None = None) -> tuple[Header, Header]:
    """The header line of a file, found among its first lines.

    Args:
        text: the file. chosen: what a person said columns are, see `answers.chosen_columns`.

    Returns:
        the header as it stands there, and as wide as the rows of the first lines are.

    Raises:
        IngestError: no line looks like a header.
    """
    head = b""
    for block in text.blocks():
        head += block
        if head.count(b"\n") >= _HEAD_LINES:
            break
    lines = head.split(b"\n", _HEAD_LINES)[:-1][:_HEAD_LINES]
    found = find_header([line.decode("utf-8", "replace") for line in lines], text.name, chosen)
    widths = RowWidths()
    for _ in read_tables([b"".join(line + b"\n" for line in lines)], found, found, widths):
        pass
    try:
        return found, widths.fitted(found, text.name)
    except IngestError:  # said when all rows are known to be so
        return found, found


def read_tables(
    blocks: Iterable[bytes], header: Header, as_found: Header, widths: RowWidths
) -> Iterator[TextTable]:
    """Split a file into text cells, block by block.

    A row ends at the same place whatever the blocks are: each is read with the lines behind it
    that a quoted cell may run over, and these are the first lines of the next one.

    Args:
        blocks: whole lines of UTF-8 with line feeds only, the whole file.
        header: the header to split by; as_found: the same as it stands in the file.
        widths: the widths of the rows are added to it.
    """
    carried, first_line = b"", 0
    pending: bytes | None = None
    for block in itertools.chain(blocks, [None]):
        if pending is not None:
            last = block is None
            content = carried + pending
            table, used = _one_block(content, first_line, last, header, as_found, widths)
            if table is not None:
                first_line += table.n_lines
                yield table
            carried = content[used:]
        pending = block


def read_csv_text(raw: bytes, name: str) -> TextTable:
    """Read a delimited text file as one table of text cells.

    Args:
        raw: the file's bytes.
        name: its name, for messages.

    Raises:
        IngestError: not a text file, no header, or an account that does not close.
    """
    text = look_at(io.BytesIO(raw), name)
    content = [b"".join(text.blocks())]
    found, supposed = header_of(text)
    widths = RowWidths()
    (table,) = read_tables(content, supposed, found, widths)
    fitted = widths.fitted(found, name)
    if fitted != supposed:
        (table,) = read_tables(content, fitted, found, RowWidths())
    return table


def check_lines_close(table: TextTable, name: str) -> None:
    """Every line of a block is header, preamble, blank, or in exactly one row or refusal.

    Raises:
        IngestError: a line is missing or counted twice: nothing of the file may be used.
    """
    covered = (
        int((table.last_line - table.line + 1).sum())
        + sum(item.last_line - item.line + 1 for item in table.not_parsed)
        + table.blank_lines
        + table.head_lines
    )
    if covered != table.n_lines:
        raise IngestError(
            f"{name}: {table.n_lines} lines were counted but {covered} are accounted for, "
            "so nothing of this file is imported. Please report this file."
        )


def _one_block(
    content: bytes,
    first_line: int,
    last: bool,
    header: Header,
    as_found: Header,
    widths: RowWidths,
) -> tuple[TextTable | None, int]:
    """The rows that begin in a block, but for its last lines, and how many bytes they took."""
    data = np.frombuffer(content, dtype=np.uint8)
    ends = np.flatnonzero(data == ord("\n"))
    cut = len(ends) if last else len(ends) - _LONGEST_RECORD
    if cut <= 0:
        return None, 0
    starts = np.concatenate(([0], ends[:-1] + 1))
    body = np.arange(first_line, first_line + len(ends)) > header.index
    blank = _blank_lines(data, starts, ends) & body
    delimiters = _delimiters_per_line(data, starts, ends, ord(header.delimiter))
    odd = np.zeros(len(ends), dtype=bool)
    for byte in (ord('"'), 0):
        odd[np.searchsorted(ends, np.flatnonzero(data == byte))] = True
    simple = body & ~blank & ~odd
    width = len(header.cells)
    plain = simple & (delimiters == width - 1) & (ends - starts < _LONGEST_CELL)
    awkward = np.flatnonzero((body & ~blank & ~plain)[:cut])

    rows, spans, refused, absorbed, done = _read_awkward(
        content, starts, ends, awkward, plain, header
    )
    stop = max(cut, done + 1)
    mine = simple[:stop]
    widths.add(as_found, delimiters[:stop][mine], data, ends[:stop][mine])
    plain[absorbed] = False
    blank[absorbed] = False
    plain[stop:] = False
    plain_lines = np.flatnonzero(plain)
    table = _split_plain(content, starts, ends, plain, plain_lines, header)
    line = plain_lines + 1
    last_line = line
    if rows:
        table, line, last_line = _merge(table, line, rows, spans)
    found = TextTable(
        cells=table,
        line=line + first_line,
        last_line=last_line + first_line,
        not_parsed=tuple(
            NotParsed(item.line + first_line, item.last_line + first_line, item.reason, item.text)
            for item in refused
        ),
        blank_lines=int(blank[:stop].sum()),
        head_lines=int((~body[:stop]).sum()),
        header=header,
        n_lines=stop,
    )
    return found, int(ends[stop - 1]) + 1


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
) -> tuple[list[list[str]], list[tuple[int, int]], list[NotParsed], list[int], int]:
    """Read the lines with quotes, NULs or a wrong width one by one.

    Returns:
        rows, their (first, last) lines, the refused records, the 0-based indices of plain or
        blank lines that belong to a quoted cell running over a line break, and of the last line
        that was read.
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
    return rows, spans, refused, absorbed, done


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

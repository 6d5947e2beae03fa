"""Values of a database as the text that they are read from: exact, and the same every time."""

import hashlib
import json
import math
import unicodedata
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pyarrow as pa

from ingest.columns import BY_NAME, HeadingMatch
from ingest.csv_file import NotParsed, TextTable
from ingest.dialect import Header
from ingest.source_description import SourceDescription

LONGEST_CELL = 100_000  # characters; beyond that a row is a broken one, as in a file
_LONGEST_KEY = 200


def cell_text(value: Any) -> str:
    """A value as text that says no more and no less.

    Numbers keep all their digits and have a point, times are ISO 8601 (those with a zone in UTC),
    bytes that are no text become hexadecimal, NULL is nothing.
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return format(value, "f") if value.is_finite() else str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime):
        whole = "seconds" if value.microsecond == 0 else "microseconds"
        return (value if value.tzinfo is None else value.astimezone(UTC)).isoformat(timespec=whole)
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"
    if isinstance(value, bytes | bytearray | memoryview):
        return _bytes_text(bytes(value))
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False, sort_keys=True, default=str)
    return str(value)


def _bytes_text(value: bytes) -> str:
    try:
        text = value.decode("utf-8")
    except UnicodeDecodeError:
        return f"\\x{value.hex()}"
    odd = any(unicodedata.category(c) in ("Cc", "Cn", "Co") and c not in "\t\n\r" for c in text)
    return f"\\x{value.hex()}" if odd else text


def key_text(cells: Sequence[str]) -> str:
    """A row's key as one text, short enough for an index."""
    text = packed(cells)
    if len(text) <= _LONGEST_KEY:
        return text
    return json.dumps([f"sha256:{hashlib.sha256(text.encode()).hexdigest()}"])


def key_cells(key: str) -> list[str]:
    """The cells of a key."""
    return [str(cell) for cell in json.loads(key)]


def kept_cells(cells: Sequence[str]) -> list[str]:
    """Cells as they are kept: a digest in the place of one that is too long to be meant."""
    return [_kept(cell) for cell in cells]


def _kept(cell: str) -> str:
    if len(cell) > LONGEST_CELL:
        mark = hashlib.sha256(cell.encode()).hexdigest()
        return f"{cell[:100]} … ({len(cell)} characters, sha256 {mark})".replace("\0", "␀")
    return cell.replace("\0", "␀")


def packed(cells: Sequence[str]) -> str:
    """Cells as one text."""
    return json.dumps(kept_cells(cells), ensure_ascii=False, separators=(",", ":"))


def digest(names: Sequence[str], cells: Sequence[str]) -> str:
    """A fingerprint of a row: it changes when any cell does."""
    text = json.dumps([names, cells], ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def text_table(
    source: SourceDescription, names: Sequence[str], rows: Sequence[Sequence[str]]
) -> TextTable:
    """Rows of a source as a table of text cells, ready to be read as a file's would be.

    Args:
        source: its description says what each column means. names: the columns, as they are
            called there. rows: cells as `cell_text` gives them.

    Returns:
        the table; its line numbers count the rows from 1. A row with a NUL character or with a
        cell too long to be meant is among its `not_parsed`.
    """
    ours = {theirs: name for name, theirs in source.columns.items()}
    fields = [ours.get(name, "") for name in names]
    whole: list[int] = []
    broken: list[NotParsed] = []
    for index, row in enumerate(rows):
        reason = _broken(row)
        if reason:
            broken.append(NotParsed(index + 1, index + 1, reason, "\t".join(row)))
        else:
            whole.append(index)
    arrays = [
        pa.chunked_array(
            [pa.array([_as_read(rows[i][at], field, source) for i in whole], pa.string())]
        )
        for at, field in enumerate(fields)
    ]
    matches = tuple(
        HeadingMatch(BY_NAME[field], source.units.get(field, "")) if field else None
        for field in fields
    )
    cells = tuple(field or name for field, name in zip(fields, names, strict=True))
    line = np.array(whole, dtype=np.int64) + 1
    return TextTable(
        cells=pa.table(arrays, names=[f"c{at}" for at in range(len(names))]),
        line=line,
        last_line=line,
        not_parsed=tuple(broken),
        blank_lines=0,
        head_lines=0,
        header=Header(-1, "\t", cells, matches, ()),
        n_lines=len(rows),
    )


def _broken(row: Sequence[str]) -> str:
    if any("\0" in cell for cell in row):
        return "nul_byte"
    return "field_too_long" if any(len(cell) > LONGEST_CELL for cell in row) else ""


def _as_read(cell: str, field: str, source: SourceDescription) -> str:
    """The cell with what a number column means by NaN, which is nothing."""
    if field and field != "viscosity" and BY_NAME[field].kind == "number" and cell == "nan":
        return ""
    return cell


def with_comma(value: Any, text: str) -> str:
    """A number of the database as it is written where the texts beside it have decimal commas."""
    number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
    if not number or not math.isfinite(value):
        return text
    return text.replace(".", ",")

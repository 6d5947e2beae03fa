"""How a text file is written: its encoding, its delimiter and where its header stands.

Everything is decided by looking at the bytes and the words of the file itself, and said.
"""

import csv
from dataclasses import dataclass

from ingest.columns import HeadingMatch, match_heading
from ingest.errors import IngestError

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_HEADER_SEARCH_LINES = 60
_PICTURES_AND_ARCHIVES = {
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"GIF8": "a GIF picture",
    b"BM": "",  # too short to be told from text: decided by the NUL bytes below
    b"PK\x03\x04": "a ZIP archive or an Excel workbook",
    b"\xd0\xcf\x11\xe0": "an old Excel workbook",
    b"%PDF": "a PDF document",
    b"\x1f\x8b": "a gzip archive",
    b"SQLite format 3": "a SQLite database",
}


@dataclass(frozen=True, slots=True)
class DecodedText:
    """The file's content as UTF-8 bytes with line feeds only, and the encoding it came in."""

    content: bytes
    encoding: str
    why: str


@dataclass(frozen=True, slots=True)
class Header:
    """The header line: where it stands, how it is split and what its cells were taken for."""

    index: int  # 0-based line
    delimiter: str
    cells: tuple[str, ...]
    matches: tuple[HeadingMatch | None, ...]
    preamble: tuple[str, ...]


_NONE = Header(-1, ",", (), (), ())


def decode(raw: bytes, name: str) -> DecodedText:
    """Turn a file's bytes into text, by byte order mark, NUL pattern, then strict UTF-8.

    Raises:
        IngestError: empty file, a picture or an archive, binary content, or text that was
            already decoded wrongly before it was saved.
    """
    if not raw.strip():
        raise IngestError(f"{name} is empty: there are no rows in it. Export it again.")
    for magic, kind in _PICTURES_AND_ARCHIVES.items():
        if kind and raw.startswith(magic):
            raise IngestError(
                f"{name} is {kind}, not a text file: export the readings as CSV and import that."
            )
    content, encoding, why = _as_utf8(raw, name)
    content = content.rstrip(b"\x1a")  # the end mark of very old systems
    if b"\r" in content:
        content = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    head = content[:20_000].decode("utf-8", "replace")
    if "Ã¤" in head or "Ã¶" in head or "Ã¼" in head or "Â·" in head or "Â°" in head:
        raise IngestError(
            f"{name} holds letters that were saved in the wrong encoding (such as 'Ã¤' for 'ä'): "
            "export it again as UTF-8."
        )
    if content.count(0) > len(content) // 100:
        raise IngestError(f"{name} is not a text file: export the readings as CSV.")
    return DecodedText(content, encoding, why)


def _as_utf8(raw: bytes, name: str) -> tuple[bytes, str, str]:
    """The bytes in UTF-8 without a byte order mark, the encoding they came in, and the reason."""
    if raw.startswith(b"\xef\xbb\xbf"):
        raw = raw[3:]
        mark = True
    elif raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _recoded(raw, "utf-16", name), "UTF-16", "byte order mark"
    else:
        mark = False
    start = raw[:2000]
    if start[1::2].count(0) > len(start) // 4:
        return _recoded(raw, "utf-16-le", name), "UTF-16", "every second byte is zero"
    if start[0::2].count(0) > len(start) // 4:
        return _recoded(raw, "utf-16-be", name), "UTF-16", "every second byte is zero"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return raw, "UTF-8", "byte order mark" if mark else "all of it is valid UTF-8"
    if not raw.translate(None, bytes({*range(0x80), *range(0xA0, 0x100)})):
        return _recoded(raw, "latin-1", name), "Latin-1", "not UTF-8, and no byte from 80 to 9F"
    try:
        return raw.decode("cp1252").encode(), "CP1252", "not UTF-8, and bytes from 80 to 9F occur"
    except UnicodeDecodeError:
        why = "not UTF-8, and bytes that CP1252 lacks occur"
        return _recoded(raw, "latin-1", name), "Latin-1", why


def _recoded(raw: bytes, encoding: str, name: str) -> bytes:
    try:
        return raw.decode(encoding).encode("utf-8")
    except UnicodeError:
        raise IngestError(
            f"{name} begins as {encoding.upper()} text but is damaged further on: export it again."
        ) from None


def split_line(line: str, delimiter: str) -> list[str] | None:
    """The cells of one line read strictly by RFC 4180, or None where its quotes do not fit."""
    try:
        rows = list(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return rows[0] if rows else []


def _known(header: Header) -> set[str]:
    return {match.column.name for match in header.matches if match}


def _as_header(lines: list[str], index: int) -> Header | None:
    """One line read as a header with the delimiter that makes most sense of it, or None."""
    best: Header | None = None
    for delimiter in DELIMITERS:
        if delimiter not in lines[index] and best is not None:
            continue
        cells = split_line(lines[index], delimiter)
        if not cells:
            continue
        matches = tuple(match_heading(cell) for cell in cells)
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


def find_header(lines: list[str], name: str) -> Header:
    """Find the header among the first lines by its words, and the delimiter with it.

    The first line that names a viscosity and something else wins, unless a line below it knows
    more headings and no row stands between the two.

    Raises:
        IngestError: no line names a viscosity column.
    """
    best: Header | None = None
    seen: list[str] = []
    for index, line in enumerate(lines[:_HEADER_SEARCH_LINES]):
        candidate = _as_header(lines, index)
        if candidate is not None and (best is None or _supersedes(candidate, best, lines)):
            best = candidate
        if not seen and line.strip():
            seen = [cell.strip() for cell in (split_line(line[:1000], ",") or [line[:1000]])]
    if best is None:
        shown = ", ".join(f"'{cell[:30]}'" for cell in seen[:6]) or "nothing"
        raise IngestError(
            f"{name} has no header line that names a viscosity column "
            f"(its first line reads {shown}): name the column 'viscosity' or 'Viskosität'."
        )
    if not any(match and match.column.name == "viscosity" for match in best.matches):
        shown = ", ".join(f"'{cell[:30]}'" for cell in best.cells[:12])
        raise IngestError(
            f"{name} has no viscosity column: the header in line {best.index + 1} has {shown}. "
            "Name the column 'viscosity' or 'Viskosität'."
        )
    return best

"""A look into an Excel workbook before a library opens it: sizes, rows, and what it must not hold.

A workbook is a ZIP archive of XML. Both can be made to take all memory or hours; a table of
readings never does. The reading library also skips rows that are out of order, so their numbers
are looked at here, and the rows that come back are held against the number found here.
"""

import re
import zipfile
from dataclasses import dataclass
from typing import IO

from ingest.errors import IngestError
from ingest.unfolded import unfolds_too_far

LAST_ROW = 1_048_576  # of an Excel sheet
_BLOCK = 1024 * 1024
_OVERLAP = 2048  # bytes that a tag may be long and still be seen across two blocks
_SMALL = 4 * 1024 * 1024
_LARGEST_PART = {"sheet": 2 * 1024**3, "strings": 128 * 1024**2, "other": 16 * 1024**2}
_LARGEST_RATIO = 200  # honest sheets reach about 30
_NEVER_OPENED = ("xl/media/", "xl/pivotCache/", "xl/embeddings/", "xl/externalLinks/")
_MOST_PARTS = 5_000

_ROW = re.compile(rb"<(?:\w+:)?row\b([^<>]*)>")
_NUMBER = re.compile(rb'\br\s*=\s*["\']\s*(\d+)')
_HIDDEN = re.compile(rb'\bhidden\s*=\s*["\'](?:1|true)')
_FAR = re.compile(rb'\br="[A-Z]{3}\d')  # beyond column 702
_MOST_FAR = 20_000
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\b")
_NO_VALUE = re.compile(rb"(?:</(?:\w+:)?f>|<(?:\w+:)?f\b[^<>]*/>)\s*(?:<v\s*/>|<v></v>)?\s*</c>")
_ENCODING = re.compile(rb'^<\?xml[^>]*encoding\s*=\s*["\']([^"\']+)')


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What the XML of a sheet shows: rows, hidden rows, merged areas, formulas without value."""

    rows: int
    hidden: int
    merged: int
    no_value: int


def is_workbook(file: IO[bytes], name: str) -> bool:
    """Whether a ZIP archive is an Excel workbook (.xlsx, .xlsm).

    Raises:
        IngestError: a document of another kind, which is not read.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False
    finally:
        file.seek(0)
    if "mimetype" in names and "content.xml" in names:
        raise IngestError(f"{name} is an OpenDocument file: save it as .xlsx or CSV.")
    if "[Content_Types].xml" not in names:
        return False
    if "xl/workbook.bin" in names:
        raise IngestError(f"{name} is a binary workbook (.xlsb): save it as .xlsx.")
    if not any(part.startswith("xl/") for part in names):
        raise IngestError(f"{name} is an Office document, not a workbook: export the readings.")
    return True


def check_workbook(file: IO[bytes], name: str) -> dict[str, SheetFacts]:
    """What each sheet of a workbook holds, by the name of its part, once all parts are harmless.

    Raises:
        IngestError: damaged, protected, far too large, or not XML as spreadsheets write it.
    """
    facts: dict[str, SheetFacts] = {}
    try:
        with zipfile.ZipFile(file) as archive:
            parts = archive.infolist()
            if len(parts) > _MOST_PARTS or len({part.filename for part in parts}) < len(parts):
                raise IngestError(f"{name} holds its parts twice or too many: save it again.")
            for part in parts:
                if part.flag_bits & 1:
                    raise IngestError(f"{name} is protected by a password: save it without one.")
                _check_size(part, name)
                if not part.filename.startswith(_NEVER_OPENED):
                    with archive.open(part) as content:
                        found = _check_part(content, name)
                    if "/worksheets/" in part.filename:
                        facts[part.filename] = found
    except (
        zipfile.BadZipFile,
        OSError,
        EOFError,
        NotImplementedError,
        RuntimeError,
        ValueError,
    ) as error:
        if isinstance(error, IngestError):
            raise
        raise IngestError(f"{name} is a workbook that is damaged: save or copy it again.") from None
    finally:
        file.seek(0)
    return facts


def _check_size(part: zipfile.ZipInfo, name: str) -> None:
    """Sizes as declared; more than is declared is never unpacked, so they can be relied upon."""
    kind = "other"
    if "/worksheets/" in part.filename:
        kind = "sheet"
    elif "sharedstrings" in part.filename.lower():
        kind = "strings"
    elif part.filename.startswith(_NEVER_OPENED):
        return
    giant = part.file_size > _LARGEST_PART[kind]
    swollen = part.file_size > _SMALL and part.file_size > _LARGEST_RATIO * part.compress_size
    if giant or swollen:
        raise unfolds_too_far(name)


def _check_part(content: IO[bytes], name: str) -> SheetFacts:
    """Follow one part in blocks.

    Raises:
        IngestError: XML with declarations of its own, in another encoding, or rows out of order.
    """
    rows = hidden = merged = no_value = far = last = 0
    tail = b""
    first = True
    while block := content.read(_BLOCK):
        if first:
            first = False
            if not block.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<"):
                if b"\0" in block[:4] and b"<" in block[:4]:
                    raise _foreign(name)
                return SheetFacts(0, 0, 0, 0)  # a picture or a macro: never opened
            declared = _ENCODING.match(block.removeprefix(b"\xef\xbb\xbf"))
            if declared and declared.group(1).lower() not in (b"utf-8", b"us-ascii", b"ascii"):
                raise _foreign(name)
        text = tail + block
        if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
            raise _foreign(name)
        keep = max(text.rfind(b"<"), len(text) - _OVERLAP)  # the last tag may be cut in two
        # a formula is told by its end, so the cut must not lie inside a cell
        cell = text.rfind(b"</c>", 0, keep)
        keep = cell + 4 if cell >= len(text) - 8 * _OVERLAP else keep
        tail, text = text[keep:], text[:keep]
        for match in _ROW.finditer(text):
            last = _next_row(match.group(1), last, name)
            rows += 1
            hidden += _HIDDEN.search(match.group(1)) is not None
        far += len(_FAR.findall(text))
        if far > _MOST_FAR:
            raise IngestError(
                f"{name} has cells in far more than 700 columns of its rows: keep the columns of "
                "the readings only."
            )
        merged += len(_MERGED.findall(text))
        no_value += len(_NO_VALUE.findall(text))
    for match in _ROW.finditer(tail):
        last = _next_row(match.group(1), last, name)
        rows += 1
        hidden += _HIDDEN.search(match.group(1)) is not None
    return SheetFacts(
        rows,
        hidden,
        merged + len(_MERGED.findall(tail)),
        no_value + len(_NO_VALUE.findall(tail)),
    )


def _next_row(attributes: bytes, last: int, name: str) -> int:
    told = _NUMBER.search(attributes)
    number = int(told.group(1)[:12]) if told else last + 1
    if number <= last or number > LAST_ROW:
        raise IngestError(
            f"{name} numbers its rows out of order or beyond the end of a sheet: open it in a "
            "spreadsheet and save it again."
        )
    return number


def _foreign(name: str) -> IngestError:
    return IngestError(
        f"{name} holds XML that no spreadsheet writes: open it in a spreadsheet and save it again."
    )

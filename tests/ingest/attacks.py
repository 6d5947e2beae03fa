"""Files made to exhaust memory, time or trust. Run as a program on a folder of them, it reads each

and prints, as JSON, what became of it, the processor time it took, and the largest memory so far.
"""

import bz2
import gzip
import io
import json
import lzma
import sys
import time
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from ingest import IngestError, read_file

from .workbooks import archive, edited, one_sheet, with_shared_strings

MEGABYTE = 1024 * 1024
HEAD = ["batch", "product", "viscosity mPa.s", "comment"]
SHEET = "xl/worksheets/sheet1.xml"
STRINGS = "xl/sharedStrings.xml"
TEXT = b"batch;product;viscosity mPa.s\nB1;P;2010\n"


def book() -> bytes:
    """A harmless workbook."""
    rows = [HEAD, ["B1", "P", 2010, "x"], ["B2", "P", 2011, "y"]]
    return with_shared_strings(one_sheet(rows))


def swollen(part: str, old: bytes, filler: bytes, size: int) -> bytes:
    """A workbook of which one part unfolds into very much."""
    return edited(book(), part, old, old + filler * (size // len(filler)))


def with_entities(part: str, declared: bytes, used: bytes, old: bytes) -> bytes:
    """A workbook with declarations of its own in one part."""
    content = edited(book(), part, old, used)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            text = source.read(name)
            if name == part:
                start = text.index(b"?>") + 2 if text.startswith(b"<?xml") else 0
                text = text[:start] + declared + text[start:]
            target.writestr(name, text)
    return out.getvalue()


LAUGHS = (
    b'<!DOCTYPE x [<!ENTITY a "ha ha ha ha ha ha ha ha ha ha">'
    + b"".join(f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">'.encode() for i in range(10))
    + b"]>"
)
OUTSIDE = b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'


def lying_zip() -> bytes:
    """A ZIP archive that declares its 40 megabytes to be ten bytes."""
    content = bytearray(archive({"a.csv": TEXT + b"B2;P;2010\n" * 4 * MEGABYTE}))
    size = len(TEXT + b"B2;P;2010\n" * 4 * MEGABYTE)
    place = content.rindex(size.to_bytes(4, "little"))
    content[place : place + 4] = (10).to_bytes(4, "little")
    return bytes(content)


def overlapping_zip() -> bytes:
    """400 entries of the directory that all lead to the same megabyte."""
    one = archive({"a000.csv": TEXT + b"B2;P;2010\n" * (MEGABYTE // 10)})
    start = one.index(b"PK\x01\x02")
    entry, end = one[start:-22], one[-22:]
    entries = b"".join(entry.replace(b"a000.csv", f"a{i:03d}.csv".encode()) for i in range(400))
    closing = bytearray(end)
    closing[8:10] = closing[10:12] = (400).to_bytes(2, "little")
    closing[12:16] = len(entries).to_bytes(4, "little")
    return one[:start] + entries + bytes(closing)


def packed_zeros(size: int) -> bytes:
    """A gzip stream of very many equal letters, without ever holding them."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    block = b"B1;P;2010\n" * (MEGABYTE // 10)
    parts = [packer.compress(TEXT)]
    parts += [packer.compress(block) for _ in range(size // len(block))]
    return b"".join((*parts, packer.flush()))


def repeated_rows() -> bytes:
    """A Parquet file of 60 million rows in a few kilobytes."""
    block = pa.table(
        {
            "batch": pa.DictionaryArray.from_arrays(pa.array([0] * 500_000, pa.int8()), ["B1"]),
            "viscosity mPa.s": pa.array([2010.0] * 500_000),
        }
    )
    out = io.BytesIO()
    with pq.ParquetWriter(out, block.schema, compression="zstd") as writer:
        for _ in range(120):
            writer.write_table(block)
    return out.getvalue()


def giant_text() -> bytes:
    """A Parquet file with a text of 20 megabytes in each of 5,000 rows."""
    texts = pa.DictionaryArray.from_arrays(
        pa.array([0] * 5000, pa.int16()), pa.array(["x" * 20 * MEGABYTE])
    )
    numbers = pa.array([1.0] * 5000)
    table = pa.table({"batch": texts, "product": texts, "viscosity mPa.s": numbers})
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd")
    return out.getvalue()


def many_sheets() -> bytes:
    """A workbook that names 200,000 sheets."""
    sheet = b'<sheet name="s" sheetId="1" state="visible" r:id="rId1" />'
    return swollen("xl/workbook.xml", b"<sheets>", sheet, 200_000 * len(sheet))


ATTACKS: dict[str, tuple[Callable[[], bytes], str]] = {
    "bomb.gz": (lambda: packed_zeros(400 * MEGABYTE), "unfolds into far more"),
    "bomb.bz2": (lambda: bz2.compress(bytes(200 * MEGABYTE)), "unfolds into far more"),
    "bomb.xz": (lambda: lzma.compress(bytes(200 * MEGABYTE), preset=0), "unfolds into far more"),
    "bomb.zip": (lambda: archive({"a.csv": bytes(300 * MEGABYTE)}), "unfolds into far more"),
    "nested.zip": (lambda: archive({"a.zip": archive({"b": TEXT})}), "archive inside an archive"),
    "nested.gz": (lambda: gzip.compress(packed_zeros(2 * MEGABYTE)), "archive inside an archive"),
    "lying.zip": (lying_zip, "damaged"),
    "overlapping.zip": (overlapping_zip, "400 files: which one"),
    "sheet.xlsx": (
        lambda: swollen(SHEET, b"<sheetData>", b"<row></row>" * 100, 300 * MEGABYTE),
        "unfolds into far more",
    ),
    "strings.xlsx": (
        lambda: swollen(STRINGS, b"</sst>", b" ", 300 * MEGABYTE),
        "unfolds into far more",
    ),
    "styles.xlsx": (
        lambda: swollen("xl/styles.xml", b"<fonts", b" ", 100 * MEGABYTE),
        "unfolds into far more",
    ),
    "sheets.xlsx": (many_sheets, "unfolds into far more"),
    "laughs in sheet.xlsx": (
        lambda: with_entities(SHEET, LAUGHS, b"&k;<sheetData>", b"<sheetData>"),
        "XML that no spreadsheet writes",
    ),
    "laughs in book.xlsx": (
        lambda: with_entities("xl/workbook.xml", LAUGHS, b'name="&k;"', b'name="Data"'),
        "XML that no spreadsheet writes",
    ),
    "laughs in strings.xlsx": (
        lambda: with_entities(STRINGS, LAUGHS, b"<t>&k;</t>", b"<t>x</t>"),
        "XML that no spreadsheet writes",
    ),
    "outside.xlsx": (
        lambda: with_entities(SHEET, OUTSIDE, b"&a;</sheetData>", b"</sheetData>"),
        "XML that no spreadsheet writes",
    ),
    "wide letters.xlsx": (
        lambda: edited(
            book(),
            SHEET,
            b"<worksheet",
            ('<?xml version="1.0" encoding="utf-16"?>' + LAUGHS.decode()).encode("utf-16"),
        ),
        "XML that no spreadsheet writes",
    ),
    "declared.xlsx": (
        lambda: edited(book(), SHEET, b'ref="A1:D3"', b'ref="A1:XFD1048576"'),
        "2 used",
    ),
    "last cell.xlsx": (
        lambda: edited(
            book(),
            SHEET,
            b"</sheetData>",
            b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>',
        ),
        "2 used",
    ),
    "no such row.xlsx": (
        lambda: edited(
            book(),
            SHEET,
            b"</sheetData>",
            b'<row r="99999999999"><c r="A99999999999"><v>1</v></c></row></sheetData>',
        ),
        "numbers its rows out of order",
    ),
    "no such column.xlsx": (
        lambda: edited(
            book(),
            SHEET,
            b"</sheetData>",
            b'<row r="4"><c r="ZZZZZZZ4"><v>1</v></c></row></sheetData>',
        ),
        "cannot be read",
    ),
    "wide rows.xlsx": (
        lambda: edited(
            book(),
            SHEET,
            b"</sheetData>",
            b"".join(
                f'<row r="{n}"><c r="XFD{n}"><v>{n}</v></c></row>'.encode()
                for n in range(4, 40_000)
            )
            + b"</sheetData>",
        ),
        "more than 700 columns",
    ),
    "long number.xlsx": (
        lambda: edited(book(), SHEET, b"<v>2010</v>", b"<v>" + b"9" * 5000 + b"</v>"),
        "cannot be read",
    ),
    "deep.xlsx": (
        lambda: edited(book(), SHEET, b"</sheetData>", b"<a>" * 200_000 + b"</sheetData>"),
        "cannot be read",
    ),
    "rows.parquet": (repeated_rows, "unfolds into far more"),
    "text.parquet": (giant_text, "unfolds into far more"),
    "traversal.zip": (lambda: archive({"../../../outside.csv": TEXT}), "1 used"),
    "one line.csv": (lambda: b"x" * 60 * MEGABYTE, "no header line"),
    "many columns.csv": (lambda: b"a;" * 300_000 + b"\n" + b"1;" * 300_000, "no header line"),
}
"""Name -> how it is made, and what must become of it."""


def result(file: Path) -> str:
    """What becomes of a file, in words."""
    try:
        reading = read_file(file, {"product": "P"})
    except IngestError as error:
        return str(error)
    if reading.questions:
        return " ".join(question.text for question in reading.questions)
    account = reading.account
    assert account.closes
    return f"{account.used} used, {account.set_aside}, not parsed {account.not_parsed}"


def _peak() -> int:
    """The largest memory of this process so far, in megabytes."""
    status = Path("/proc/self/status")
    if status.exists():  # what `resource` tells begins with the memory of the parent
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) // 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // MEGABYTE  # in bytes on a Mac


if __name__ == "__main__":
    outcomes = {}
    for file in sorted(Path(sys.argv[1]).iterdir()):
        start = time.process_time()
        told = result(file)
        outcomes[file.name] = (told, time.process_time() - start, _peak())
    json.dump(outcomes, sys.stdout)

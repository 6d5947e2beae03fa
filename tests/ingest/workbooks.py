"""Workbooks, Parquet files and archives for tests, made in memory."""

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq


def workbook(
    sheets: Mapping[str, Sequence[Sequence[Any]]], formats: Mapping[str, str] | None = None
) -> bytes:
    """An Excel workbook of sheets; formats: number format of cells of the first sheet."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
    for cell, shown in (formats or {}).items():
        book.worksheets[0][cell].number_format = shown
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def one_sheet(rows: Sequence[Sequence[Any]], **formats: str) -> bytes:
    """An Excel workbook of one sheet."""
    return workbook({"Data": rows}, formats)


def edited(book: bytes, part: str, old: bytes, new: bytes) -> bytes:
    """A workbook with a piece of one of its parts replaced, as no spreadsheet would do."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book)) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        assert part in source.namelist()
        for name in source.namelist():
            content = source.read(name)
            if name == part:
                assert old in content
                content = content.replace(old, new)
            target.writestr(name, content)
    return out.getvalue()


def with_shared_strings(book: bytes, rich: bool = False) -> bytes:
    """The workbook with its texts in one part, as spreadsheets write it (the library does not).

    rich: each text in two runs, as where a word of it is bold.
    """
    texts: list[bytes] = []

    def number(found: re.Match[bytes]) -> bytes:
        texts.append(found.group(1))
        return b't="s"><v>%d</v>' % (len(texts) - 1)

    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book)) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            content = source.read(name)
            if "/worksheets/" in name:
                content = re.sub(rb't="inlineStr"><is><t[^>]*>(.*?)</t></is>', number, content)
            if name == "[Content_Types].xml":
                kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml"
                part = b'<Override PartName="/xl/sharedStrings.xml" ContentType="'
                content = content.replace(
                    b"</Types>", part + kind + b'.sharedStrings+xml" /></Types>'
                )
            target.writestr(name, content)
        runs = b"</t></r><r><t xml:space='preserve'>" if rich else b""
        before, after = (b"<si><r><t>", b"</t></r></si>") if rich else (b"<si><t>", b"</t></si>")
        body = b"".join(
            before + text[: len(text) // 2] + runs + text[len(text) // 2 :] + after
            if rich and b"&" not in text
            else b"<si><t>" + text + b"</t></si>"
            for text in texts
        )
        head = b'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>'
        space = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        target.writestr(
            "xl/sharedStrings.xml", head + b'<sst xmlns="' + space + b'">' + body + b"</sst>"
        )
    return out.getvalue()


def parquet(columns: Mapping[str, Any], **options: Any) -> bytes:
    """A Parquet file of columns."""
    out = io.BytesIO()
    pq.write_table(pa.table(dict(columns)), out, **options)
    return out.getvalue()


def archive(members: Mapping[str, bytes]) -> bytes:
    """A ZIP archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in members.items():
            target.writestr(name, content)
    return out.getvalue()

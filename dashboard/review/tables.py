"""The tables of a pack as an Excel workbook: a sheet each, and a sheet that says what they are."""

import io
import zipfile
from datetime import datetime
from typing import Any

from dashboard.review.model import Contents, Table, checksum
from dashboard.review.seal import PROPERTIES, sealed_workbook
from ingest.exporting import cell

_NO_TIME = datetime(1980, 1, 1)  # noqa: DTZ001 - a workbook knows no zone; the same every time
_LONGEST_NAME = 31  # letters of a sheet's name
_WIDEST = 60  # of a column, in letters


def workbook(contents: Contents) -> bytes:
    """The workbook. Text that a spreadsheet would take for a formula gets an apostrophe."""
    from openpyxl import Workbook  # slow to import and seldom needed
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    about = book.active
    about.title = "about"
    bold, wrap = Font(bold=True), Alignment(wrap_text=True, vertical="top")

    def put(sheet: Any, rows: list[tuple[Any, ...]]) -> None:
        for row in rows:
            sheet.append([cell(value) for value in row])

    put(about, about_rows(contents))
    about.column_dimensions["A"].width, about.column_dimensions["B"].width = 22, 100
    for row in about.iter_rows():
        row[0].font = bold
        for one in row:
            one.alignment = wrap
    stamp = footer(contents)
    _on_paper(about, stamp)
    for _, table in contents.tables:
        sheet = book.create_sheet(table.key[:_LONGEST_NAME])
        put(sheet, [(table.title,), table.columns])
        put(sheet, [*table.rows] if table.rows else [(table.empty,)])
        for row in (sheet[1], sheet[2]):
            for one in row:
                one.font = bold
        for number, width in enumerate(_widths(table), 1):
            sheet.column_dimensions[get_column_letter(number)].width = width
        for row in sheet.iter_rows(min_row=2):
            for one in row:
                one.alignment = wrap
        sheet.freeze_panes = "A3"
        sheet.print_title_rows = "2:2"
        _on_paper(sheet, stamp)
    properties = book.properties
    properties.creator = "viscosity-spc"
    properties.created = properties.modified = _NO_TIME
    return sealed_workbook(_parts(book))


def about_rows(contents: Contents) -> list[tuple[str, str]]:
    """What the workbook says of itself: which period, which data, which cautions."""
    rows = [
        ("Pack", contents.title),
        ("Period", contents.period),
        ("Products", contents.products),
        ("At a glance", contents.headline),
        ("Data cut-off", contents.cut_off),
        ("Store revision", str(contents.revision)),
        ("Contents sha256", checksum(contents)),
        ("Caution", contents.caution),
        *(("Assumed", said) for said in contents.assumed),
    ]
    for section, table in contents.tables:
        rows.append((section.title, f"{table.title}: sheet {table.key[:_LONGEST_NAME]}"))
    return rows


def footer(contents: Contents) -> str:
    """What stands at the foot of every page on paper; & starts a code there and is doubled."""
    said = f"Data cut-off {contents.cut_off}; store revision {contents.revision}; contents sha256 "
    return said.replace("&", "&&") + checksum(contents)


def _on_paper(sheet: Any, stamp: str) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text = stamp
    sheet.oddFooter.right.text = "Page &P of &N"


def _widths(table: Table) -> list[int]:
    longest = [len(name) for name in table.columns]
    for row in table.rows:
        for i, value in enumerate(row):
            longest[i] = max(longest[i], len(str(value if value is not None else "")))
    return [min(max(n + 2, 8), _WIDEST) for n in longest]


def _parts(book: Any) -> dict[str, bytes]:
    """The parts of the workbook, with the one of its own properties declared."""
    from openpyxl.packaging.custom import StringProperty

    book.custom_doc_props.append(StringProperty(name="pack sha256", value="0" * 64))
    raw = io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as held:
        parts = {one.filename: held.read(one) for one in held.infolist()}
    parts.pop(PROPERTIES, None)  # declared in the types and relations; written with the hash
    parts["docProps/core.xml"] = _without_time(parts["docProps/core.xml"])
    return parts


def _without_time(raw: bytes) -> bytes:
    """The properties without the moment of saving, which openpyxl puts there itself."""
    import re

    stamp = _NO_TIME.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*(<)", rb"\g<1>" + stamp + rb"\g<2>", raw)

"""Excel workbooks: what a person sees in a cell is read, and the line is the row of the sheet."""

import datetime as dt
import io
import zipfile

import openpyxl
import pytest

from ingest import FileReading, IngestError, read_bytes

from .workbooks import edited, one_sheet, with_shared_strings, workbook

HEAD = ["date", "batch", "product", "torque %", "viscosity mPa.s", "comment"]
SHEET = "xl/worksheets/sheet1.xml"


def read(content: bytes, **answers: str) -> FileReading:
    reading = read_bytes(content, "book.xlsx", answers)
    assert reading.account.closes
    return reading


def row(batch: object = "B1", viscosity: object = 2010, comment: object = "") -> list[object]:
    return [dt.datetime(2025, 3, 13, 6, 42), batch, "P", 40.2, viscosity, comment]


def told(reading: FileReading) -> dict[str, str]:
    return {item.what: item.value for item in reading.understood}


def test_a_sheet_with_lines_above_its_header_and_gaps() -> None:
    reading = read(one_sheet([["Report"], [], HEAD, row(), [], row("B2", 1990)]))
    assert reading.rows["viscosity"].tolist() == [2010.0, 1990.0]
    assert reading.rows["line"].tolist() == [4, 6]  # as the sheet numbers its rows
    assert reading.account.blank_lines == 1
    assert reading.rows["tested_at"].tolist() == [1741848120] * 2  # 2025-03-13 06:42, by date(1)
    assert told(reading)["file"] == "Excel workbook, sheet 'Data'"
    assert "encoding" not in told(reading)


@pytest.mark.parametrize(
    ("value", "received"),
    [
        (2010.1, "2010.1"),
        (2010, "2010"),
        (2010.0, "2010"),
        (1 / 3, "0.333333333333333"),  # 15 digits: what a spreadsheet holds and shows
        (0.1 + 0.2, "0.3"),
        (123456789.123, "123456789.123"),
        (1e-7, "0.0000001"),
        (2.125, "2.1250"),  # so that no mark for thousands is seen in it
        ("2010.5", "2010.5"),
        ("<500", "<500"),
    ],
)
def test_numbers_keep_their_digits(value: object, received: str) -> None:
    reading = read(one_sheet([HEAD, row(viscosity=value)]))
    assert reading.rows["received"].tolist() == [f"{received} mPa.s"]
    if isinstance(value, float):
        assert reading.rows["viscosity"].iat[0] == pytest.approx(value, rel=1e-14)


def test_number_formats_are_read_as_they_are_seen() -> None:
    content = one_sheet(
        [HEAD, [dt.date(2025, 3, 13), 123, "P", 0.402, 2.01, ""]],
        B2="00000",
        D2="0.0%",
        E2='0.00" Pa·s"',
    )
    rows = read(content).rows
    assert rows["batch"].tolist() == ["00123"]
    assert rows["torque"].tolist() == [40.2]
    assert rows["viscosity"].tolist() == [2010.0]


@pytest.mark.parametrize("rich", [False, True])
def test_texts_in_one_part_of_the_workbook_as_spreadsheets_write_them(rich: bool) -> None:
    content = one_sheet([HEAD, row(comment="5 < 6 & ä"), row("B 2", "<500", "x  y")])
    reading = read(with_shared_strings(content, rich))
    assert reading.rows["batch"].tolist() == ["B1", "B 2"]
    assert reading.rows["comment"].tolist() == ["5 < 6 & ä", "x y"]
    assert reading.account.set_aside == {"below_range": 1}


def test_long_numbers_and_truth_values_in_a_column_of_names() -> None:
    rows = read(one_sheet([HEAD, row(123456789012345), row(True)])).rows
    assert rows["batch"].tolist() == ["123456789012345", "TRUE"]


@pytest.mark.parametrize("error", ["#N/A", "#REF!", "#DIV/0!", "#VALUE!"])
def test_cells_in_error_are_text_and_no_number(error: str) -> None:
    content = one_sheet([HEAD, row(viscosity=error), row("B2", comment=error)])
    reading = read(content)
    assert [(item.line, item.reason) for item in reading.not_parsed] == [
        (2, "viscosity_not_a_number")
    ]
    assert error in reading.not_parsed[0].text
    assert reading.rows["comment"].tolist() == [error]


def test_formulas_give_their_stored_value_and_are_told_where_they_have_none() -> None:
    stored = one_sheet([HEAD, row(viscosity="=2000+10")])
    without = read(stored)
    assert without.account.set_aside == {"no_result": 1}
    assert told(without)["formulas without a stored value"] == "1"
    with_value = edited(stored, SHEET, b"<f>2000+10</f><v />", b"<f>2000+10</f><v>2010</v>")
    assert read(with_value).rows["viscosity"].tolist() == [2010.0]


def test_hidden_rows_and_merged_cells_are_told() -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    for cells in (HEAD, row(), row("", 1990), row("B3", 2020)):
        sheet.append(cells)
    sheet.merge_cells("B2:B3")
    sheet.row_dimensions[4].hidden = True
    out = io.BytesIO()
    book.save(out)
    reading = read(out.getvalue())
    assert told(reading)["hidden rows"] == "1"
    assert told(reading)["merged cells"] == "1 areas"
    assert reading.account.rows_read == 3
    assert reading.account.set_aside == {"no_batch": 1}  # not filled down by itself


def test_dates_times_and_durations() -> None:
    head = ["date", "time", "batch", "product", "viscosity mPa.s", "reading time s"]
    content = one_sheet([head, [dt.date(2025, 3, 13), dt.time(6, 42), "B1", "P", 2010, 60]])
    assert read(content).rows["tested_at"].tolist() == [1741848120]


def test_a_serial_that_is_shown_as_a_number_is_a_date_too() -> None:
    content = one_sheet([HEAD, [45729.279166667, "B1", "P", 40.2, 2010, ""]])
    assert read(content).rows["tested_at"].tolist() == [1741848120]


def test_numbers_typed_as_text_with_a_decimal_comma() -> None:
    rows = [HEAD, row(), [dt.datetime(2025, 3, 13), "B2", "P", "39,8", "1990,5", ""]]
    reading = read(one_sheet(rows))
    assert reading.rows["viscosity"].tolist() == [2010.0, 1990.5]
    assert reading.rows["torque"].tolist() == [40.2, 39.8]


def test_headings_and_comments_with_line_breaks() -> None:
    head = ["batch", "product", "Viscosity\n[mPa·s]", "comment"]
    reading = read(one_sheet([head, ["B1", "P", 2010, 'first\nsecond\t"x"'], ["B2", "P", 1, ""]]))
    assert reading.rows["line"].tolist() == [2, 3]
    assert reading.rows["comment"].tolist() == ['first ⏎ second\t"x"', ""]


def test_remarks_to_the_right_of_the_table_are_kept() -> None:
    reading = read(one_sheet([HEAD, [*row(), "", "look"], row("B2")]))
    assert reading.rows["extra"].tolist() == ['{"column 8": "look"}', ""]


def test_one_cell_far_to_the_right_costs_no_other_row() -> None:
    far = [*row("B2"), *[""] * 3000, "x"]
    reading = read(one_sheet([HEAD, row(), far, row("B3"), *[row(f"C{i}") for i in range(30)]]))
    assert len(reading.rows) == 32
    assert reading.account.not_parsed == {"too_many_fields": 1}


def test_the_one_sheet_with_viscosities_is_found() -> None:
    sheets = {"Cover": [["Lab 2"]], "Readings": [HEAD, row()], "Empty": [HEAD]}
    reading = read(workbook(sheets))
    assert told(reading)["file"] == "Excel workbook, sheet 'Readings'"
    assert reading.name == "book.xlsx"


def test_several_sheets_with_viscosities_are_asked_and_stay_apart(store) -> None:
    content = workbook({"March": [HEAD, row()], "April": [HEAD, row("B2", 1990)]})
    asked = read(content)
    assert [(q.field, q.choices) for q in asked.questions] == [("sheet", ("March", "April"))]
    for sheet, batch in (("March", "B1"), ("April", "B2")):
        reading = read(content, sheet=sheet)
        assert reading.name == f"book.xlsx: {sheet}"
        assert reading.rows["batch"].tolist() == [batch]
        assert store.add(reading).account.used == 1
    assert store.add(read(content, sheet="March")).account.duplicates == 1
    with pytest.raises(IngestError, match="has no sheet 'May': it has 'March', 'April'"):
        read(content, sheet="May")


def test_what_a_file_declares_of_its_size_cuts_no_row() -> None:
    content = one_sheet([HEAD, row(), row("B2", 1990)])
    lie = edited(content, SHEET, b'<dimension ref="A1:F3" />', b'<dimension ref="A1:B2" />')
    assert read(lie).rows["viscosity"].tolist() == [2010.0, 1990.0]


def test_a_workbook_without_a_viscosity_is_refused_with_its_sheets() -> None:
    message = r"book.xlsx has no sheet with a header that names a viscosity .*'One', 'Two'"
    with pytest.raises(IngestError, match=message):
        read(workbook({"One": [["a", "b"]], "Two": [[]]}))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
            r"of the old kind .* or one with a pass",
        ),
        (one_sheet([HEAD, row()])[:-40], r"ZIP archive that is damaged"),
        (
            edited(one_sheet([HEAD, row()]), SHEET, b"</sheetData>", b"</sheetDta>"),
            r"is a workbook that cannot be read",
        ),
        (
            edited(one_sheet([HEAD, row(), row()]), SHEET, b'<row r="3"', b'<row r="2"'),
            r"numbers its rows out of order",
        ),
    ],
)
def test_damaged_workbooks_are_refused_in_one_sentence(content: bytes, message: str) -> None:
    with pytest.raises(IngestError, match=message) as caught:
        read(content)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["mimetype", "content.xml"], "OpenDocument"),
        (["[Content_Types].xml", "word/document.xml"], "an Office document, not a workbook"),
        (["[Content_Types].xml", "xl/workbook.bin"], "a binary workbook"),
    ],
)
def test_other_documents_are_refused_by_their_name(names: list[str], message: str) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as target:
        for name in names:
            target.writestr(name, "x")
    with pytest.raises(IngestError, match=message):
        read(out.getvalue())

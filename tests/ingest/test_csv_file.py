"""Lines against rows: nothing is swallowed, cut or shifted, whatever the quotes do."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.csv_file import TextTable, check_lines_close, read_csv_text
from ingest.errors import IngestError

HEADER = "batch,viscosity,unit,comment"


def read(text: str | bytes) -> TextTable:
    table = read_csv_text(text if isinstance(text, bytes) else text.encode(), "x.csv")
    check_lines_close(table, "x.csv")
    return table


def rows(table: TextTable) -> list[list[str]]:
    return [list(row.values()) for row in table.cells.to_pylist()]


def test_a_stray_quote_does_not_swallow_the_rows_after_it() -> None:
    good = [f"B{i},2000,cP," for i in range(50)]
    lines = [*good[:10], 'B10,"2000,cP,', *good[10:30], 'B31,2000,cP,"', *good[30:]]
    table = read("\n".join([HEADER, *lines]))
    assert rows(table) == [line.split(",") for line in good]
    assert [(item.line, item.reason) for item in table.not_parsed] == [
        (12, "open_quote"),
        (33, "open_quote"),
    ]


def test_two_stray_quotes_that_would_close_each_other_swallow_nothing() -> None:
    # legal by RFC 4180 if taken together: one record with line breaks in its cell
    lines = ['B1,2000,cP,"abc', "B2,2000,cP,", 'B3,2000,cP,def"', "B4,2000,cP,"]
    table = read("\n".join([HEADER, *lines]))
    assert [row[0] for row in rows(table)] == ["B2", "B3", "B4"]
    assert [(item.line, item.reason) for item in table.not_parsed] == [(2, "open_quote")]


def test_a_quoted_line_break_is_one_row_with_its_lines() -> None:
    table = read(f'{HEADER}\nB1,2000,cP,"first\nsecond, with comma"\nB2,2010,cP,"say ""x"""\n')
    assert rows(table) == [
        ["B1", "2000", "cP", "first\nsecond, with comma"],
        ["B2", "2010", "cP", 'say "x"'],
    ]
    assert table.line.tolist() == [2, 4]
    assert table.last_line.tolist() == [3, 4]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("B1,2000", "too_few_fields"),
        ("B1,2000,cP,x,y", "too_many_fields"),
        ("B1,19100,471,cP,", "too_many_fields"),
        ('B1,"2000"x,cP,', "stray_quote"),
        ("B1,20\x0000,cP,", "nul_byte"),
        (f'B1,2000,cP,"{"y" * 120_000}"', "field_too_long"),
        (f'B1,2000,cP,"{"y" * 200_000}"', "field_too_long"),
    ],
)
def test_a_line_that_does_not_fit_is_kept_as_not_parsed(line: str, reason: str) -> None:
    table = read(f"{HEADER}\nB0,2000,cP,\n{line}\nB2,2000,cP,\n" + "B3,2000,cP,\n" * 100)
    assert [(item.line, item.reason) for item in table.not_parsed] == [(3, reason)]
    assert len(rows(table)) == 102


def test_rows_that_all_end_with_a_delimiter_get_a_nameless_column() -> None:
    table = read(f"{HEADER}\n" + "B1,2000,cP,x,\n" * 20)
    assert rows(table) == [["B1", "2000", "cP", "x", ""]] * 20
    assert table.not_parsed == ()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    table = read(end.join([HEADER, "B1,2000,cP,", "", "B2,2000,cP,"]))
    assert table.line.tolist() == [2, 4]
    assert table.blank_lines == 1


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_encodings_and_delimiters(encoding: str, delimiter: str) -> None:
    text = "Charge,Viskosität mPa·s,Prüfer\nB1,2000,Mü\nB2,2010,Jö\n".replace(",", delimiter)
    table = read(text.encode(encoding))
    assert rows(table) == [["B1", "2000", "Mü"], ["B2", "2010", "Jö"]]
    assert [m.column.name if m else None for m in table.header.matches] == [
        "batch",
        "viscosity",
        "operator",
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"is empty"),
        (b"\n \n", r"is empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(300), r"is a PNG picture, not a text file"),
        (b"PK\x03\x04" + bytes(300), r"a ZIP archive or an Excel workbook"),
        (b"\x01\x02\x00\x03" * 200, r"is not a text file|no header line"),
        (b"Dear all,\nplease find it attached\n", r"no header line that names a viscosity"),
        (b"colour,size\nred,small\n", r"no header line that names a viscosity column"),
        # rows without any header: the first of them is a row and no header
        (b"B1;P;V1;S3;2000\nB2;P;V1;S3;2010\n", r"no header line that names a viscosity"),
        (b"2025-03-03;B1;P;2000\n2025-03-04;B2;P;2010\n", r"no header line that names a visc"),
        ("batch,ViskositÃ¤t mPas\nB1,2000\n".encode(), r"saved in the wrong encoding"),
        ("batch,viscosity cP\nB1,2000\n".encode("utf-16")[:-1], r"damaged further on"),
    ],
)
def test_what_is_no_table_of_readings_is_refused_in_one_sentence(
    content: bytes, message: str
) -> None:
    with pytest.raises(IngestError, match=message) as caught:
        read_csv_text(content, "x.csv")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("x.csv")


CELL = st.text(st.characters(codec="utf-8", exclude_characters="\0\rÃÂ"), max_size=12)


@given(st.lists(st.tuples(CELL, CELL, CELL, CELL), min_size=1, max_size=12))
def test_what_the_standard_writer_wrote_comes_back(records: list[tuple[str, ...]]) -> None:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER.split(","))
    writer.writerows(records)
    table = read(out.getvalue())
    # a record may be refused (a cell whose lines look like rows) but never changed or lost
    got = rows(table)
    kept = [list(record) for record in records if any(cell.strip(" ") for cell in record)]
    if not table.not_parsed and len(got) == len(kept):
        assert got == [[*record] for record in kept]
    else:
        assert all(row in [list(record) for record in records] for row in got if any(row))


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    try:
        read(HEADER.encode() + b"\n" + content)
    except IngestError as error:
        assert "\n" not in str(error)  # noqa: PT017 - both outcomes are right

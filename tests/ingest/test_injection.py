"""Attempts to make a file do something: it is text, or it is refused, soon and in little memory."""

import csv
import json
import re
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

import ingest
from dashboard import escaping
from ingest import IngestError, Store, read_bytes

from .attacks import ATTACKS
from .workbooks import archive, one_sheet, parquet, workbook

ROOT = Path(__file__).parents[2]
TEXTS = (
    "'; DROP TABLE results; --",
    'x"); DELETE FROM imports; --',
    "Robert'); DROP TABLE journal;--",
    "1 OR 1=1",
    "%s %(id)s :id {0} {self.__class__} ${7*7} {{7*7}}",
    "=cmd|' /C calc'!A0",
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "+1+1",
    "-1+1",
    '=HYPERLINK("http://x.invalid/?"&A1,"x")',
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "[x](javascript:alert(1)) ![y](http://x.invalid/y.png)",
    "../../../../etc/passwd",
    "C:\\Windows\\System32",
    "\u202egnp.exe",
    "$(touch /tmp/x) `id` | rm -rf /",
)
COLUMNS = ("batch", "product", "instrument", "spindle", "operator", "lot", "line", "shift", "stage")
COLUMNS += ("comment", "method", "guard", "status", "spindle id", "remarkable")
HEAD = "\t".join((*COLUMNS, "viscosity mPa.s"))


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def reading_with(text: str) -> ingest.FileReading:
    """One reading with a text in every column of text."""
    cells = "\t".join([quoted(text)] * len(COLUMNS))
    return read_bytes(
        f"{HEAD}\n{cells}\t2010\nB1{cells[cells.index(chr(9)) :]}\t2011\n".encode(), text
    )


@pytest.mark.parametrize("text", TEXTS)
def test_every_text_column_and_the_file_name_keep_what_is_in_them(
    text: str, any_store: Store, tmp_path: Path
) -> None:
    reading = reading_with(text)
    any_store.add(reading, source=text)
    readings = any_store.readings(aside=True)
    assert len(readings) == 2
    for name in ("batch", "instrument", "operator", "lot", "comment", "line_name", "shift"):
        assert readings[name].iat[0] == text, name
    assert text in any_store.characteristics()["product"].iat[0]
    assert any_store.imports()["source"].tolist() == [text]
    assert any_store.imports()["file"].tolist() == [text.replace("\u202e", "?")]
    # the tables are all still there, and a second import finds what the first one wrote
    assert any_store.add(reading, source=text).account.duplicates == 2
    assert ingest.verify(any_store) == []
    for table in ("readings", "imports", "set-aside", "batches"):
        for ending in (".csv", ".xlsx"):
            ingest.export(any_store, table, tmp_path / f"out{ending}")
        assert_no_formulas(tmp_path / "out.csv", tmp_path / "out.xlsx")


def assert_no_formulas(text: Path, book: Path) -> None:
    """No cell that a spreadsheet would compute."""
    with text.open(encoding="utf-8-sig", newline="") as lines:
        cells = [cell for row in csv.reader(lines) for cell in row]
    for sheet in openpyxl.load_workbook(book).worksheets:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)
            cells += [cell.value for cell in row if isinstance(cell.value, str)]
    suspects = [cell for cell in cells if cell[:1] in ("=", "+", "-", "@", "\t", "\r") and cell]
    assert all(re.fullmatch(r"[+-][\d.]+", cell) for cell in suspects), suspects


@pytest.mark.parametrize("text", TEXTS)
def test_headings_are_text_too(text: str, store: Store) -> None:
    heading = text.replace("\t", " ")
    rows = f"batch\tproduct\tviscosity mPa.s\t{quoted(heading)}\nB1\tP\t2010\tx\n"
    reading = read_bytes(rows.encode(), "x.csv")
    assert json.loads(reading.rows["extra"].iat[0]) == {heading.strip(): "x"}
    store.add(reading)
    assert ingest.verify(store) == []


@pytest.mark.parametrize("text", TEXTS)
def test_names_of_sheets_members_and_columns_are_text_too(text: str, store: Store) -> None:
    head, row = ["batch", "product", "viscosity mPa.s"], ["B1", "P", 2010]
    title = re.sub(r"[\\*?:/\[\]]", "_", text)[:31]  # what a spreadsheet allows
    book = workbook({title: [head, row], "Other": [head, row]})
    asked = read_bytes(book, "x.xlsx").questions[0]
    assert asked.choices[0] == title
    kept = store.add(read_bytes(book, "x.xlsx", {"sheet": title}))
    assert kept.account.used == 1
    member = text.replace("\\", "/") + " x.csv"
    (question,) = read_bytes(archive({member: b"x", "b.csv": b"y"}), "x.zip").questions
    assert question.choices == (member, "b.csv")
    columns = {"batch": ["B1"], "product": ["P"], "viscosity mPa.s": [1.0], text: ["x"]}
    reading = read_bytes(parquet(columns), "x.parquet")
    assert json.loads(reading.rows["extra"].iat[0]) == {text: "x"}


@pytest.mark.parametrize("text", TEXTS)
def test_answers_are_text_or_refused(text: str, store: Store) -> None:
    content = b"batch,viscosity mPa.s\nB1,2010\n"
    reading = read_bytes(content, "x.csv", {"product": text, "instrument": text, "sheet": text})
    store.add(reading)
    assert store.characteristics()["product"].tolist() == [text]
    for field in ("unit", "time_zone", "date_order", "no_result", "temperature_range"):
        with pytest.raises(IngestError) as caught:
            read_bytes(content, "x.csv", {"product": "P", field: text})
        assert str(caught.value).isprintable()


@pytest.mark.parametrize("text", TEXTS)
def test_text_on_a_page_draws_no_link_no_picture_and_no_tag(text: str) -> None:
    shown = escaping.markdown(text)
    unescaped = re.sub(r"\\.", "", shown)  # what a backslash stands before is a plain sign
    assert not set("<>[]()`*_!$") & set(unescaped)
    assert re.sub(r"\\(.)", r"\1", shown) == " ".join(text.split())


def test_formulas_in_a_workbook_are_never_computed() -> None:
    rows = [["batch", "product", "viscosity mPa.s"], ["B1", "P", "=2000+10"], ["B2", "P", 2011]]
    reading = read_bytes(one_sheet(rows), "x.xlsx")
    assert reading.account.used == 1
    assert reading.account.set_aside == {"no_result": 1}


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, float, int]]:
    """What became of every attack, read one after the other in a process of its own."""
    folder = tmp_path_factory.mktemp("place") / "attacks"
    folder.mkdir()
    for name, (make, _) in ATTACKS.items():
        (folder / name).write_bytes(make())
    run = subprocess.run(
        [sys.executable, "-m", "tests.ingest.attacks", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    beside = [file.name for file in folder.parent.iterdir()]
    assert beside == ["attacks"]  # nothing was written beside the folder
    return {name: tuple(found) for name, found in json.loads(run.stdout).items()}


@pytest.mark.parametrize("name", ATTACKS)
def test_an_attack_is_refused_or_read_as_text_soon_and_in_little_memory(
    name: str, outcomes: dict[str, tuple[str, float, int]]
) -> None:
    told, seconds, megabytes = outcomes[name]
    assert re.search(ATTACKS[name][1], told), told
    assert "root:" not in told  # nothing of /etc/passwd
    assert told.isprintable()
    assert seconds < 5
    assert megabytes < 500

"""The files of a pack: the same bytes, a changed byte found, nothing obeyed, nothing fetched."""

import io
import json
import os
import random
import re
import shutil
import subprocess
import sys
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

from dashboard import cli
from dashboard.results import CAUTION, AssessmentError
from dashboard.review import making, pdf, seal, tables
from dashboard.review.contents import contents_of
from dashboard.review.model import Contents, Section, Table, Words, checksum
from dashboard.review.period import parse
from tests.dashboard.review.small_plant import FORMULA, HOSTILE, WEEK

ROOT = Path(__file__).parents[3]
ENDINGS = (".html", ".pdf", ".xlsx")


@pytest.fixture(scope="module")
def contents(plant):
    return contents_of(plant, parse(WEEK))


@pytest.fixture(scope="module")
def files(contents):
    return making.made(contents, list(ENDINGS))


class Seen(HTMLParser):
    """Elements and attributes of a page, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_every_text_of_the_page_is_escaped(files) -> None:
    page = files[".html"].decode()
    assert "<script" not in page
    assert "<i>the</i>" not in page
    seen = Seen(page)
    assert not any(tag in ("script", "iframe", "object", "link", "img") for tag, _ in seen.elements)
    for tag, attributes in seen.elements:
        assert not any(name.startswith("on") for name in attributes), tag
    for whole in (HOSTILE, "P & Q", FORMULA, "swap <i>the</i> filter", "sampled twice <b>"):
        assert whole in seen.text


def test_the_page_names_no_address_to_fetch_from(files) -> None:
    page = files[".html"].decode()
    for tag, attributes in Seen(page).elements:
        for name in ("src", "href", "xlink:href", "data", "action", "poster", "srcset"):
            assert (attributes.get(name) or "#").startswith("#"), (tag, attributes)
    assert "@import" not in page
    assert all(one.startswith("#") for one in re.findall(r"url\(['\"]?([^)]*)\)", page))
    assert "default-src 'none'" in page  # whatever came in all the same would not be fetched


def test_ids_of_the_pictures_do_not_meet(files) -> None:
    found = re.findall(r'\bid="([^"]+)"', files[".html"].decode())
    assert len(found) == len(set(found))


def test_foot_of_every_page_of_the_document(contents, files, tmp_path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    file = tmp_path / "pack.pdf"
    for paper in making.PAPERS:
        file.write_bytes(making.made(contents, [".pdf"], paper)[".pdf"])
        told = subprocess.run(
            ["pdftotext", "-layout", str(file), "-"], capture_output=True, check=True
        ).stdout.decode()
        pages = told.rstrip("\f").split("\f")
        assert len(pages) > 2
        for number, page in enumerate(pages, 1):
            assert f"Page {number} of {len(pages)}" in page
            assert "Data cut-off 23 Mar 2026, 00:00, UTC" in page
            assert f"store revision {contents.revision}" in page
            assert checksum(contents) in page
        flat = " ".join(told.split())
        assert "font lacks some letters" in flat  # Łąka
        assert CAUTION in flat
        for name in (HOSTILE, "P & Q", FORMULA):
            assert name in flat


def test_the_summary_is_one_page(plant, tmp_path) -> None:
    short = contents_of(plant, parse(WEEK), audience="summary")
    for paper in making.PAPERS:
        raw = pdf.document(short, {}, paper)
        assert len(re.findall(rb"/Type /Page\b", raw)) == 1


def test_cells_of_the_workbook_are_no_formulas(contents, files) -> None:
    book = openpyxl.load_workbook(io.BytesIO(files[".xlsx"]))
    assert set(book.sheetnames) == {"about", *(one.key for _, one in contents.tables)}
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row if c.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert f"'{FORMULA}" in {cell.value for cell in cells}
    about = {row[0]: row[1] for row in book["about"].values}
    assert about["Contents sha256"] == checksum(contents)
    assert about["Caution"] == CAUTION
    for sheet in book:
        assert "&P" in sheet.oddFooter.right.text
        assert f"store revision {contents.revision}" in sheet.oddFooter.left.text
        assert checksum(contents) in sheet.oddFooter.left.text


def test_the_workbook_holds_the_rows_of_the_pack(contents, files) -> None:
    book = openpyxl.load_workbook(io.BytesIO(files[".xlsx"]))
    for _, table in contents.tables:
        held = list(book[table.key].values)
        assert held[1][: len(table.columns)] == table.columns
        if table.rows:
            assert len(held) == len(table.rows) + 2


def test_two_processes_make_the_same_bytes(plant, files, tmp_path) -> None:
    for seed, zone in (("1", "Asia/Tokyo"), ("2", "America/Lima")):
        command = [sys.executable, "-m", "dashboard.cli", "review", "--week", WEEK]
        command += ["--store", plant.url]
        for ending in ENDINGS:
            command += ["--output", str(tmp_path / f"{seed}{ending}")]
        environment = os.environ | {"PYTHONHASHSEED": seed, "TZ": zone}
        done = subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, check=False)
        assert done.returncode == 1, done.stderr  # made, and an event is open
    for ending in ENDINGS:
        assert (tmp_path / f"1{ending}").read_bytes() == files[ending]
        assert (tmp_path / f"2{ending}").read_bytes() == files[ending]


@pytest.mark.parametrize("ending", ENDINGS)
def test_any_changed_byte_is_found(files, tmp_path, ending) -> None:
    file = tmp_path / f"pack{ending}"
    file.write_bytes(files[ending])
    assert seal.check(file).whole
    places = random.Random(7)
    raw = files[ending]
    spots = [places.randrange(len(raw)) for _ in range(120)] + list(range(len(raw) - 90, len(raw)))
    for spot in spots:
        changed = bytearray(raw)
        changed[spot] ^= 1 << places.randrange(8)
        file.write_bytes(changed)
        try:
            assert not seal.check(file).whole, spot
        except AssessmentError:  # not even a pack any more
            assert ending == ".xlsx"
    for other in (raw[:-1], raw + b" ", raw[: len(raw) // 2], raw + raw):
        file.write_bytes(other)
        try:
            assert not seal.check(file).whole
        except AssessmentError:  # not even a pack any more
            assert ending != ".html"


def test_a_workbook_with_another_cell_is_found(files, tmp_path) -> None:
    """As a spreadsheet program would save it: a valid workbook, with the old hash in it."""
    file = tmp_path / "pack.xlsx"
    parts = {}
    with zipfile.ZipFile(io.BytesIO(files[".xlsx"])) as held:
        parts = {one: held.read(one) for one in held.namelist()}
    sheet = "xl/worksheets/sheet2.xml"
    with zipfile.ZipFile(file, "w") as made:
        for name, raw in parts.items():
            made.writestr(name, raw + b"<!-- -->" if name == sheet else raw)
    assert not seal.check(file).whole


@pytest.fixture
def run(monkeypatch, capsys, plant):
    monkeypatch.setenv("VISCOSITY_SPC_STORE", plant.url)

    def _run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["viscosity-spc", *map(str, arguments)])
        monkeypatch.setattr("signal.signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            cli.main()
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        return int(ended.value.code or 0), told.out, told.err

    return _run


def test_review_and_verify_on_the_command_line(run, tmp_path) -> None:
    file = tmp_path / "pack.xlsx"
    code, out, _ = run("review", "--week", WEEK, "--product", "P & Q", "--output", file)
    assert code in (0, 1)
    assert "week 12 of 2026" in out
    assert CAUTION in out
    assert run("verify", file)[0] == 0
    assert json.loads(run("verify", file, "--json")[1]) == {"whole": True, "found": []}
    file.write_bytes(file.read_bytes().replace(b"store revision", b"store  evision"))
    code, out, _ = run("verify", file)
    assert code == 1
    assert "is not as it was made" in out
    assert list(tmp_path.iterdir()) == [file]


def test_other_periods_on_the_command_line(run, tmp_path) -> None:
    file = tmp_path / "pack.xlsx"
    for given, words in (
        (("--month", "2026-03"), "Mar 2026, 1 Mar 2026 to 31 Mar 2026"),
        (("--quarter", "2026-Q1"), "quarter 1 of 2026"),
        (("--from", "2026-03-01", "--to", "2026-03-10"), "1 Mar 2026 to 10 Mar 2026"),
        (("--week", WEEK, "--time-zone", "Europe/Berlin", "--audience", "summary"), "week 12"),
    ):
        code, out, err = run("review", *given, "--output", file)
        assert (code in (0, 1), err) == (True, "")
        assert words in out


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((), "Name one period"),
        (("--week", WEEK, "--month", "2026-03"), "Name one period"),
        (("--week", "2026-W60"), "is no period"),
        (("--week", "2026-03"), "is a month"),
        (("--from", "2026-03-01"), "needs both ends"),
        (("--week", WEEK, "--product", "P-9"), "No product 'P-9'"),
        (("--week", WEEK, "--audience", "board"), "audience must be one of"),
        (("--week", WEEK, "--paper", "a5"), "--paper must be one of a4, letter"),
        (("--week", WEEK, "--time-zone", "Moon"), "no known time zone"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(run, tmp_path, given, said) -> None:
    code, _, err = run("review", *given, "--output", tmp_path / "pack.html")
    assert code == 2
    assert said in err
    assert len(err.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_other_endings_folders_and_files_are_refused(run, tmp_path) -> None:
    code, _, err = run("review", "--week", WEEK, "--output", tmp_path / "pack.docx")
    assert (code, "ends in .html, .pdf, .xlsx" in err) == (2, True)
    code, _, err = run("review", "--week", WEEK, "--output", tmp_path / "none" / "pack.xlsx")
    assert (code, "cannot be written" in err) == (2, True)
    other = tmp_path / "other.pdf"
    for raw in (b"", b"%PDF-1.4 something", b"PK\x03\x04 broken", b"\0" * 50):
        other.write_bytes(raw)
        code, _, err = run("verify", other)
        assert (code, "no review pack" in err) == (2, True)
    code, _, err = run("verify", tmp_path / "absent.pdf")
    assert (code, "cannot be read" in err) == (2, True)


def pack_of(*blocks: Words | Table) -> Contents:
    """Contents with one section of these blocks."""
    return Contents(
        title="T", period="p", period_key="2026-W12", borders="b", audience="full", products="all",
        headline="h", cut_off="c", cut_off_utc="u", revision=1, needs_a_person=False,
        assumed=("a",),         sections=(Section("s", "S", 3, blocks),),
    )  # fmt: skip


def test_long_cells_strange_letters_and_wide_tables_fit_the_page() -> None:
    """A row taller than a page, or a word wider than one, would stop the making."""
    wide = Table(
        "wide",
        "Wide",
        tuple(f"Column number {i}" for i in range(14)),
        tuple(("W" * 300, "word " * 600, "Łódź Ω 漢字 →", *range(11)) for _ in range(40)),
    )
    raw = pdf.document(pack_of(Words("x" * 5000), Words("<b>&amp;</b> {{ 1 }}"), wide), {})
    assert raw.startswith(b"%PDF")
    assert len(tables.workbook(pack_of(wide))) > 1000
    assert pdf._plain("Łódź 漢 → μ e\u0301") == "Łódz ? to µ e"


def test_a_table_may_have_any_key_that_a_sheet_may_have(contents) -> None:
    for _, table in contents.tables:
        assert len(table.key) <= 31
        assert not re.search(r"[\[\]:*?/\\]", table.key)
    keys = [table.key for _, table in contents.tables]
    assert len(keys) == len(set(keys))

"""Exports read back by other libraries: the same numbers, and no cell that is a formula."""

import csv
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import ingest
from ingest.exporting import TABLES

NASTY = ["=1+1", "+49 30", "-5", "@SUM(A1)", "\tx", "plain", "ä \x01", "=cmd|' /C calc'!A0"]


@pytest.fixture
def held(store: ingest.Store, data: Path) -> ingest.Store:
    store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    lines = [
        f'2025-01-01T06:{i:02}:00,"B{i}",P,1,{2000 + i},"{text}"' for i, text in enumerate(NASTY)
    ]
    head = "timestamp,batch,product,replicate,viscosity cP,comment"
    lines.append("2025-01-01T07:00:00,=B9,P,1,OVER,")
    store.add(ingest.read_bytes("\n".join([head, *lines]).encode(), "=nasty.csv"))
    store.add_specification("P", lower=1, why="=1+1")
    return store


@pytest.mark.parametrize("what", list(TABLES))
@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet"])
def test_every_table_comes_out_in_every_kind(
    held: ingest.Store, tmp_path: Path, what: str, ending: str
) -> None:
    file = tmp_path / f"out.{ending}"
    rows = ingest.export(held, what, file)
    if ending == "csv":
        with file.open(encoding="utf-8-sig", newline="") as lines:
            cells = list(csv.reader(lines, strict=True))
    elif ending == "xlsx":
        sheet = openpyxl.load_workbook(file).active
        cells = [list(row) for row in sheet.iter_rows(values_only=True)]
    else:
        cells = [[], *pd.read_parquet(file).to_numpy().tolist()]
    assert len(cells) == rows + 1
    if ending != "parquet":
        texts = [cell for row in cells for cell in row if isinstance(cell, str)]
        numbers = [text for text in texts if text.startswith("-") and text[1:2].isdigit()]
        assert not [
            t for t in texts if t.startswith(("=", "+", "-", "@", "\t")) and t not in numbers
        ]
    assert not list(tmp_path.glob(".*part"))


def test_readings_come_back_as_they_are(held: ingest.Store, tmp_path: Path) -> None:
    kept = held.readings(aside=True)
    ingest.export(held, "readings", tmp_path / "r.parquet")
    back = pd.read_parquet(tmp_path / "r.parquet")
    assert back["viscosity"].equals(kept["viscosity"])
    assert back["comment"].tolist() == kept["comment"].tolist()  # for programs: as received
    ingest.export(held, "readings", tmp_path / "r.csv")
    text = pd.read_csv(tmp_path / "r.csv", keep_default_na=False)
    assert set(text["comment"]) >= {"'=1+1", "'+49 30", "'-5", "'@SUM(A1)", "plain"}
    assert text["at"].iloc[0] == kept["at"].iloc[0].strftime("%Y-%m-%dT%H:%M:%SZ")
    ingest.export(held, "readings", tmp_path / "r.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx").active
    columns = {cell.value: cell.column for cell in sheet[1]}
    for row in range(2, sheet.max_row + 1):
        for name in columns:
            assert sheet.cell(row, columns[name]).data_type != "f", "a formula got through"
    first = sheet.cell(2, columns["viscosity"]).value
    assert first == kept["viscosity"].iloc[0]


def test_an_export_without_sense_is_refused(held: ingest.Store, tmp_path: Path) -> None:
    with pytest.raises(ingest.IngestError, match="'secrets' cannot be exported: choose from"):
        ingest.export(held, "secrets", tmp_path / "x.csv")
    with pytest.raises(ingest.IngestError, match=r"ends in \.csv, \.xlsx, \.parquet"):
        ingest.export(held, "readings", tmp_path / "x.doc")
    with pytest.raises(ingest.IngestError, match="cannot be written"):
        ingest.export(held, "readings", tmp_path / "no" / "x.csv")


def test_too_many_rows_for_a_sheet(
    held: ingest.Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.exporting._EXCEL_ROWS", 10)
    with pytest.raises(ingest.IngestError, match="more than an Excel sheet holds"):
        ingest.export(held, "readings", tmp_path / "x.xlsx")


def test_what_a_site_decided_comes_out_with_the_rows_before(
    any_store: ingest.Store, tmp_path: Path
) -> None:
    any_store.add(ingest.read_bytes(b"batch,product,viscosity,unit\nB1,P,2000,mPa.s\n", "a.csv"))
    any_store.add_specification("P", lower=1800, upper=2200, why="first")
    later = date(2025, 5, 1)
    any_store.add_specification("P", lower=1850, upper=2200, valid_from=later, why="second")
    ingest.set_setting(any_store, "check_interval_days", 1)
    ingest.exclude_batch(any_store, 1, "B1", "=charged twice")
    for what, column, expected in (
        ("specifications", "lower", [1800, 1850]),
        ("exclusions", "cause", ["'=charged twice"]),
        ("settings", "name", ["check_interval_days"]),
    ):
        ingest.export(any_store, what, tmp_path / "out.csv")
        assert pd.read_csv(tmp_path / "out.csv")[column].tolist() == expected

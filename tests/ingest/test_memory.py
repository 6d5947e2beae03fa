"""What is remembered of a source: asked once, shown with its origin, replaced, forgotten."""

import json
from pathlib import Path

import pandas as pd
import pytest

import ingest
from ingest import journal

HEAD = "Los;Ware;Ergebnis;Tag"
NAMES = {
    "column:Los": "batch",
    "column:Ware": "product",
    "column:Ergebnis": "viscosity",
    "column:Tag": "tested_at",
    "unit": "cP",
}


def lines(first: int = 1, day: str = "03/04/2025") -> bytes:
    rows = [f"B{first + i};P-100;{2000 + 10 * i};{day}" for i in range(3)]
    return "\n".join([HEAD, *rows]).encode()


def read(
    store: ingest.Store, raw: bytes, source: str = "lab", **answers: str
) -> ingest.FileReading:
    return ingest.read_bytes(raw, "x.csv", answers, store.site(source))


def why(reading: ingest.FileReading) -> dict[str, str]:
    return {one.what: one.why for one in reading.understood}


def decisions(store: ingest.Store) -> pd.DataFrame:
    with store.reading() as connection:
        return journal.as_table(connection)


def fields(reading: ingest.FileReading) -> list[str]:
    return [question.field for question in reading.questions]


def test_unknown_headings_are_asked_about_and_then_known(any_store: ingest.Store) -> None:
    asked = read(any_store, lines())
    assert fields(asked)[:2] == ["viscosity_column", "batch_column"]
    assert asked.questions[0].choices == ("Ergebnis", "Los", "Ware", "Tag")  # numbers first
    assert asked.rows.empty
    named = read(any_store, lines(), **NAMES)
    assert fields(named) == ["date_order"]
    first = read(any_store, lines(), **NAMES, date_order="dmy")
    assert any_store.add(first, "lab", by="AK").account.used == 3

    later = read(any_store, lines(first=4))
    assert later.questions == ()
    assert later.rows["viscosity"].tolist() == [2000.0, 2010.0, 2020.0]
    assert later.rows["batch"].tolist() == ["B4", "B5", "B6"]
    days = later.rows["tested_at"].to_numpy().astype("datetime64[s]").astype("datetime64[D]")
    assert set(days.astype(str)) == {"2025-04-03"}  # day first, as answered before
    today = ingest.remembered(any_store)[0].answers["unit"].at[:10]
    for what in ("dates", "unit", "'Los'", "'Ergebnis'"):
        assert why(later)[what] == f"as answered on {today} by AK"
    assert later.answers["date_order"] == "dmy"
    assert later.given == {}


def test_an_answer_wins_over_what_is_remembered_and_replaces_it(any_store: ingest.Store) -> None:
    any_store.add(read(any_store, lines(), **NAMES, date_order="dmy"), "lab", by="AK")
    other = read(any_store, lines(first=4), date_order="mdy")
    assert why(other)["dates"] == "as answered"
    any_store.add(other, "lab", by="BM")
    held = ingest.remembered(any_store)[0].answers
    assert (held["date_order"].value, held["date_order"].who) == ("mdy", "BM")
    assert (held["unit"].value, held["unit"].who) == ("cP", "AK")
    entry = decisions(any_store).iloc[-1]
    assert entry["what"] == "source answers remembered"
    assert (json.loads(entry["old"]), json.loads(entry["new"])) == (
        {"date_order": "dmy"},
        {"date_order": "mdy"},
    )
    assert (entry["who"], entry["subject"]) == ("BM", "lab")
    assert ingest.verify(any_store) == []


def test_nothing_is_remembered_of_an_import_that_fails(store: ingest.Store) -> None:
    reading = read(store, lines(), **NAMES, date_order="dmy")
    store.preview(reading)
    assert ingest.remembered(store) == []

    def stop(done: int, total: int) -> None:
        raise RuntimeError("cut off")

    with pytest.raises(RuntimeError, match="cut off"):
        store.add(reading, "lab", progress=stop)
    assert ingest.remembered(store) == []
    assert decisions(store).empty


def test_another_source_is_asked_again(store: ingest.Store) -> None:
    store.add(read(store, lines(), **NAMES, date_order="dmy"), "lab")
    assert fields(read(store, lines(first=4), source="other"))[0] == "viscosity_column"


def test_what_is_forgotten_is_asked_again_and_journaled(any_store: ingest.Store) -> None:
    any_store.add(read(any_store, lines(), **NAMES, date_order="dmy"), "lab")
    gone = ingest.forget(any_store, "lab", "date_order", by="AK", why="instrument set anew")
    assert gone == {"date_order": "dmy"}
    assert fields(read(any_store, lines(first=4))) == ["date_order"]
    entry = decisions(any_store).iloc[-1]
    assert (entry["what"], entry["who"], entry["why"]) == (
        "source answers forgotten",
        "AK",
        "instrument set anew",
    )
    ingest.forget(any_store, "lab")
    assert fields(read(any_store, lines(first=4)))[:1] == ["viscosity_column"]
    with pytest.raises(ingest.IngestError, match="Nothing is remembered of lab"):
        ingest.forget(any_store, "lab")
    assert ingest.verify(any_store) == []


def test_forgetting_names_what_is_remembered(store: ingest.Store) -> None:
    store.add(read(store, lines(), **NAMES, date_order="dmy"), "lab")
    with pytest.raises(ingest.IngestError, match="'density' is not remembered of lab: remembered"):
        ingest.forget(store, "lab", "density")


def test_what_a_file_says_itself_wins_over_memory(store: ingest.Store) -> None:
    store.add(read(store, lines(), **NAMES, date_order="mdy"), "lab")
    itself = read(store, lines(first=4, day="13/04/2025"))
    assert itself.questions == ()
    days = itself.rows["tested_at"].to_numpy().astype("datetime64[s]").astype("datetime64[D]")
    assert set(days.astype(str)) == {"2025-04-13"}
    assert "can only be day-month" in why(itself)["dates"]


def test_a_remembered_decimal_mark_only_decides_where_cells_do_not(store: ingest.Store) -> None:
    head = "batch;product;viscosity cP"
    open_file = f"{head}\nB1;P;2,010\n".encode()
    assert fields(read(store, open_file)) == ["decimal_mark"]
    first = read(store, open_file, decimal_mark="point")
    assert first.rows["viscosity"].tolist() == [2010.0]
    store.add(first, "lab")
    assert read(store, f"{head}\nB2;P;2,020\n".encode()).rows["viscosity"].tolist() == [2020.0]
    proved = f"{head}\nB3;P;20,5\nB4;P;20,25\n".encode()
    assert read(store, proved).rows["viscosity"].tolist() == [20.5, 20.25]


def test_a_product_is_remembered_of_a_named_source_only(store: ingest.Store) -> None:
    def file(batch: str) -> bytes:
        return f"batch;viscosity cP\n{batch};2000\n".encode()

    store.add(read(store, file("B1"), product="P-1"), "line 3")
    later = read(store, file("B2"), source="line 3")
    assert later.rows["product"].tolist() == ["P-1"]
    assert why(later)["product"].startswith("as answered on")
    store.add(read(store, file("B3"), source="", product="P-1"))
    assert fields(read(store, file("B4"), source="")) == ["product"]
    with_product = b"batch;product;viscosity cP\nB5;;2000\n"
    assert read(store, with_product, source="line 3").account.set_aside == {"no_product": 1}


def test_files_without_a_source_share_answers_only_where_their_columns_are_the_same(
    store: ingest.Store,
) -> None:
    one = b"batch;product;viscosity\nB1;P;2000\n"
    store.add(read(store, one, source="", unit="cP"))
    assert read(store, b"batch;product;viscosity\nB2;P;2000\n", source="").questions == ()
    other = b"batch;product;viscosity;operator\nB2;P;2000;A\n"
    assert fields(read(store, other, source="")) == ["unit"]


def test_the_same_file_again_changes_nothing_whatever_was_said_since(
    any_store: ingest.Store, data: Path
) -> None:
    file = data / "U6_overlap_export_and_retest.csv"
    given = {"product": "P-1"}
    any_store.add(ingest.read_file(file, given, site=any_store.site("lab")), "lab")
    before = any_store.readings(aside=True)
    other = read(any_store, lines(), **NAMES, date_order="dmy", time_zone="Europe/Berlin")
    any_store.add(other, "lab")
    ingest.merge_product(any_store, "P-1", "P1")
    again = ingest.read_file(file, site=any_store.site("lab"))
    assert again.questions == ()
    assert why(again)["product"] == "as when this file was imported before"
    report = any_store.add(again, "lab")
    assert report.account.duplicates == report.account.rows_read == 7
    after = any_store.readings(aside=True)
    mine = after[after["file"] == file.name].reset_index(drop=True)
    pd.testing.assert_frame_equal(mine, before)


def test_an_ignored_column_stays_ignored(store: ingest.Store) -> None:
    head = "batch;product;viscosity cP;torque\n"
    raw = f"{head}B1;P;2000;250\n".encode()
    assert read(store, raw).account.set_aside == {"over_range": 1}
    first = read(store, raw, **{"column:torque": "ignore"})
    assert first.account.used == 1
    assert json.loads(first.rows["extra"].iat[0]) == {"torque": "250"}  # kept as it is
    store.add(first, "lab")
    later = read(store, f"{head}B2;P;2000;260\n".encode())
    assert later.account.used == 1
    assert why(later)["'torque'"].startswith("as answered on")
    back = read(store, f"{head}B2;P;2000;26\n".encode(), torque_column="torque")
    assert back.rows["torque"].tolist() == [26.0]


@pytest.mark.parametrize(
    ("answers", "message"),
    [
        ({"column:nothing": "batch"}, r"batch_column=nothing is not in the file: x.csv has the"),
        ({"column:Los": "colour"}, r"column:Los=colour is no column that is known: use one of"),
        ({"column:Los": "batch", "column:Ware": "batch"}, r"batch_column is answered twice"),
        ({"column:Los": "batch", "product_column": "Los"}, r"'Los' cannot be both"),
    ],
)
def test_an_answer_about_a_column_without_sense_is_refused(
    answers: dict[str, str], message: str
) -> None:
    with pytest.raises(ingest.IngestError, match=message):
        ingest.read_bytes(lines(), "x.csv", answers)


def test_what_is_said_later_stands() -> None:
    held = {"unit": "cP", "batch_column": "A", "column:B": "product"}
    assert ingest.said_later(held, {"column:C": "batch"}) == {
        "unit": "cP",
        "column:B": "product",
        "column:C": "batch",
    }
    assert ingest.said_later(held, {"column:B": "ignore"}) == {
        "unit": "cP",
        "batch_column": "A",
        "column:B": "ignore",
    }
    assert ingest.said_later(held, {"unit": "P"})["unit"] == "P"

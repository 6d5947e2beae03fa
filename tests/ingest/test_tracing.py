"""Tracing a batch: where its rows came from, that they came again, and finding it by its number."""

import pytest

import ingest

ROWS = """batch,product,replicate,viscosity,unit,line,Rack place
K1,P-1,1,2000,mPa.s,L1,a3
K1,P-1,2,2010,mPa.s,L1,a4
K12,P-1,1,1990,mPa.s,L2,
K12,P-2,1,990,mPa.s,,
"""


@pytest.fixture
def store(any_store):
    any_store.add(ingest.read_bytes(ROWS.encode(), "first.csv", {}), source="lab")
    return any_store


def owner(store, product):
    return int(store.characteristics().query("product == @product")["id"].iat[0])


def test_rows_name_their_file_and_what_meant_nothing_to_us(store):
    found = ingest.received(store, owner(store, "P-1"), "K1")
    (origin,) = found.origins
    assert (origin.file, origin.source, origin.undone) == ("first.csv", "lab", False)
    assert len(origin.digest) == 64
    assert any(what == "unit" or value == "mPa·s" for what, value, _ in origin.understood)
    assert sorted(kept["Rack place"] for kept in found.details.values()) == ["a3", "a4"]
    assert found.reasons.empty
    assert found.condition.product == "P-1"


def test_a_row_that_came_again_is_told_with_file_and_line(store):
    more = ROWS.replace("K12,P-1,1,1990,mPa.s,L2,\n", "K13,P-1,1,1970,mPa.s,L2,\n")
    store.add(ingest.read_bytes(more.encode(), "second.csv", {}))
    found = ingest.received(store, owner(store, "P-1"), "K1")
    assert list(found.repeats[["file", "line"]].itertuples(index=False, name=None)) == [
        ("second.csv", 2),
        ("second.csv", 3),
    ]
    assert [one.file for one in found.origins] == ["first.csv", "second.csv"]


def test_an_undone_import_is_said(store):
    ingest.undo_import(store, 1, why="wrong file")
    found = ingest.received(store, owner(store, "P-1"), "K1")
    assert found.origins[0].undone
    assert set(found.reasons["reason"]) == {"import_undone"}


def test_a_batch_is_found_by_a_part_of_its_number_whatever_the_product(store):
    found = ingest.find_batches(store, "k1")
    rows = list(found[["batch", "product"]].itertuples(index=False, name=None))
    assert rows == [("K1", "P-1"), ("K12", "P-1"), ("K12", "P-2")]
    assert ingest.find_batches(store, "12")["product"].tolist() == ["P-1", "P-2"]
    assert ingest.find_batches(store, "%").empty
    assert ingest.find_batches(store, "  ").empty
    assert len(ingest.find_batches(store, "k", most=2)) == 2


def test_lines_are_those_of_the_readings(store):
    assert ingest.production_lines(store) == {
        owner(store, "P-1"): ("L1", "L2"),
        owner(store, "P-2"): ("",),
    }


def test_rows_come_with_imports_only(store):
    assert ingest.newest_import(store) == 1
    ingest.exclude_batch(store, owner(store, "P-1"), "K1", "a cause")
    assert ingest.newest_import(store) == 1
    assert [entry.what for entry in ingest.journal_entries(store)] == ["batch left out of limits"]

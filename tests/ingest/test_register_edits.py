"""Corrections of registers and specifications: the old row and the new one are both on record."""

import json
from datetime import date

import pytest

import ingest
from ingest import journal


def last(store: ingest.Store) -> journal.Entry:
    with store.reading() as connection:
        return journal.entries(connection)[-1]


def test_a_product_is_renamed_and_keeps_its_history(any_store: ingest.Store) -> None:
    ingest.add_product(any_store, "P-1", "white", ["P1", "p 1"])
    ingest.add_product(any_store, "P-2")
    ingest.change_product(
        any_store, "P-1", ingest.Product("P-1", "white, matt", ("P1", "P-01")), by="Kim", why="typo"
    )
    held = {one.name: one for one in ingest.products(any_store)}
    assert held["P-1"] == ingest.Product("P-1", "white, matt", ("P-01", "P1"))
    entry = last(any_store)
    assert (entry.what, entry.subject, entry.who, entry.why) == (
        "product changed",
        "P-1",
        "Kim",
        "typo",
    )
    assert json.loads(entry.old)["aliases"] == ["P1", "p 1"]
    assert json.loads(entry.new)["description"] == "white, matt"
    with pytest.raises(ingest.IngestError, match="'P-2' is the name of product P-2 already"):
        ingest.change_product(any_store, "P-1", ingest.Product("P-1", "", ("P-2",)))
    with pytest.raises(ingest.IngestError, match="'P-9' is not registered"):
        ingest.change_product(any_store, "P-9", None)
    ingest.change_product(any_store, "P-1", None)
    assert [one.name for one in ingest.products(any_store)] == ["P-2"]
    assert json.loads(last(any_store).new) is None
    ingest.add_product(any_store, "P-1", aliases=["P-01"])  # names are free again
    assert ingest.verify(any_store) == []


def test_nothing_changed_writes_nothing(store: ingest.Store) -> None:
    ingest.add_product(store, "P-1")
    before = store.revision()
    ingest.change_product(store, "P-1", ingest.Product("P-1", "", ()))
    assert store.revision() == before


def test_a_method_and_a_check_standard_are_corrected_and_removed(any_store: ingest.Store) -> None:
    ingest.add_method(any_store, ingest.Method("M", "1", speed=20.0))
    ingest.add_method(any_store, ingest.Method("M", "2", speed=20.0))
    ingest.change_method(any_store, "M", "1", ingest.Method("M", "1", speed=50.0, torque_low=20))
    assert [one.speed for one in ingest.methods(any_store)] == [50.0, 20.0]
    assert json.loads(last(any_store).old)["speed"] == 20.0
    with pytest.raises(ingest.IngestError, match="give a new version"):
        ingest.change_method(any_store, "M", "1", ingest.Method("M", "2"))
    with pytest.raises(ingest.IngestError, match="torque window"):
        ingest.change_method(any_store, "M", "1", ingest.Method("M", "1", torque_low=101))
    ingest.change_method(any_store, "M", "1", None)
    assert [one.version for one in ingest.methods(any_store)] == ["2"]

    fluid = ingest.CheckFluid("CF", "A", 1000.0, 10.0, 25.0, date(2027, 1, 31))
    ingest.add_check_standard(any_store, fluid)
    better = ingest.CheckFluid("CF", "A", 1002.0, 8.0, 25.0, None)
    ingest.change_check_standard(any_store, "CF", "A", better, why="certificate read again")
    assert ingest.check_standards(any_store) == [better]
    entry = last(any_store)
    assert (json.loads(entry.old)["expires"], json.loads(entry.new)["expires"]) == (
        "2027-01-31",
        "",
    )
    with pytest.raises(ingest.IngestError, match="CF lot B is not registered"):
        ingest.change_check_standard(any_store, "CF", "B", None)
    ingest.change_check_standard(any_store, "CF", "A", None)
    assert ingest.check_standards(any_store) == []
    assert ingest.verify(any_store) == []


def test_a_specification_is_replaced_and_both_rows_stay(any_store: ingest.Store) -> None:
    may = date(2025, 5, 1)
    any_store.add_specification("P-1", 1800, 2200)
    any_store.add_specification("P-1", 1850, 2150, valid_from=may)
    any_store.replace_specification("P-1", None, 1700, 2200, by="Kim")
    any_store.replace_specification("P-1", may, 1860, None, 1900)
    held = any_store.specifications("P-1")
    assert [(one.lower, one.upper) for one in held] == [
        (1800, 2200),
        (1850, 2150),
        (1700, 2200),
        (1860, None),
    ]
    in_april = ingest.specification_for(held, date(2025, 4, 30))
    assert in_april is not None
    assert in_april.lower == 1700
    assert json.loads(last(any_store).old)["lower"] == 1850
    with pytest.raises(ingest.IngestError, match="add it instead"):
        any_store.replace_specification("P-1", date(2025, 6, 1), 1, 2)
    with pytest.raises(ingest.IngestError, match="not below"):
        any_store.replace_specification("P-1", may, 3, 2)
    any_store.replace_specification("P-1", may)  # taken back: what held before holds on
    newest = ingest.specification_for(any_store.specifications("P-1"), None)
    assert newest is not None
    assert (newest.lower, newest.upper) == (1700, 2200)
    any_store.replace_specification("P-1", None)
    assert ingest.specification_for(any_store.specifications("P-1"), None) is None


def test_the_journal_as_a_table_tells_a_broken_chain(store: ingest.Store) -> None:
    ingest.add_product(store, "P-1")
    ingest.add_product(store, "P-2")
    frame, faults = ingest.journal_table(store)
    assert frame["subject"].tolist() == ["P-1", "P-2"]
    assert faults == []
    with store.writing() as connection:
        connection.exec_driver_sql("UPDATE journal SET who = 'nobody' WHERE id = 1")
    assert ingest.journal_table(store)[1] == ["Journal: entry 1 was changed after it was written."]

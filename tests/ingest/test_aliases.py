"""Products in several spellings: proposed, merged by a person, kept as received, taken back."""

import json

import pytest

import ingest
from ingest import aliases, journal

HEAD = "batch;product;replicate;viscosity cP"


def file(*products: str, first: int = 1) -> bytes:
    rows = [f"B{first + i};{product};1;{2000 + i}" for i, product in enumerate(products)]
    return "\n".join([HEAD, *rows]).encode()


def read(store: ingest.Store, raw: bytes, **answers: str) -> ingest.FileReading:
    return ingest.read_bytes(raw, "x.csv", answers, store.site("lab"))


def fields(reading: ingest.FileReading) -> list[str]:
    return [question.field for question in reading.questions]


@pytest.mark.parametrize(
    ("one", "other"), [("P-100", "P100"), ("P-100", "p 100"), ("Öl 5", "ÖL-5"), ("A.B/1", "ab1")]
)
def test_names_that_differ_in_marks_and_case_are_alike(one: str, other: str) -> None:
    assert aliases.spelling(one) == aliases.spelling(other)


@pytest.mark.parametrize(("one", "other"), [("P-100", "P-101"), ("P-1", "P-11"), ("A", "B")])
def test_other_names_are_not(one: str, other: str) -> None:
    assert aliases.spelling(one) != aliases.spelling(other)


def test_a_spelling_is_proposed_confirmed_and_holds(any_store: ingest.Store) -> None:
    any_store.add(read(any_store, file("P-100", "P-100")), "lab")
    raw = file("P100", "p 100 ", "P-200", first=3)
    asked = read(any_store, raw)
    assert fields(asked) == ["product_alias:P100", "product_alias:p 100"]
    assert asked.questions[0].choices == ("P-100", "P100")
    assert asked.notes == (
        "Product 'P100' (1 row) may be 'P-100' in another spelling.",
        "Product 'p 100' (1 row) may be 'P-100' in another spelling.",
    )
    assert asked.rows.empty  # nothing is merged unasked
    said = {"product_alias:P100": "P-100", "product_alias:p 100": "P-100"}
    merged = read(any_store, raw, **said)
    assert merged.rows["product"].tolist() == ["P-100", "P-100", "P-200"]
    received = [json.loads(text) if text else {} for text in merged.rows["extra"]]
    assert received == [{"product": "P100"}, {"product": "p 100"}, {}]
    any_store.add(merged, "lab", by="AK")
    (product,) = ingest.products(any_store)
    assert (product.name, product.aliases) == ("P-100", ("P100", "p 100"))
    later = read(any_store, file("P100", first=9))
    assert later.questions == ()
    assert later.rows["product"].tolist() == ["P-100"]
    why = {one.what: one.why for one in later.understood}["product 'P100'"]
    assert why.startswith("the same product, as said on ")
    assert why.endswith(" by AK")
    with any_store.reading() as connection:
        entries = journal.as_table(connection)
    added = entries[entries["what"] == "product alias added"]
    assert added["who"].tolist() == ["AK", "AK"]
    assert json.loads(added["new"].iloc[-1]) == ["P100", "p 100"]
    assert ingest.verify(any_store) == []


def test_a_product_of_its_own_is_said_once(any_store: ingest.Store) -> None:
    any_store.add(read(any_store, file("P-100")), "lab")
    raw = file("P100", first=2)
    own = read(any_store, raw, **{"product_alias:P100": "P100"})
    assert own.rows["product"].tolist() == ["P100"]
    any_store.add(own, "lab")
    assert ingest.products(any_store) == []
    assert read(any_store, file("P100", "P-100", first=5)).questions == ()


def test_within_one_file_the_usual_spelling_is_proposed(store: ingest.Store) -> None:
    asked = read(store, file("P100", "P-100", "P-100"))
    assert fields(asked) == ["product_alias:P100"]
    assert asked.questions[0].choices == ("P-100", "P100")


def test_without_a_store_it_is_only_a_remark() -> None:
    reading = ingest.read_bytes(file("P100", "P-100", "P-100"), "x.csv")
    assert reading.questions == ()
    assert reading.rows["product"].tolist() == ["P100", "P-100", "P-100"]
    assert reading.notes == ("Product 'P100' (1 row) may be 'P-100' in another spelling.",)


def test_taking_a_name_back_changes_no_stored_row(any_store: ingest.Store) -> None:
    any_store.add(read(any_store, file("P-100")), "lab")
    any_store.add(read(any_store, file("P100", first=2), **{"product_alias:P100": "P-100"}), "lab")
    before = any_store.readings()
    (note,) = ingest.remove_alias(any_store, "P100", by="AK", why="another recipe")
    assert note == (
        "Rows received as 'P100' stay stored under 'P-100' (import 2): to bring them to 'P100', "
        "undo those imports and import their files again."
    )
    assert any_store.readings().equals(before)
    assert fields(read(any_store, file("P100", first=3))) == ["product_alias:P100"]
    with pytest.raises(ingest.IngestError, match="'P100' is no other name of a product"):
        ingest.remove_alias(any_store, "P100")


def test_an_answer_moves_a_name_to_another_product(any_store: ingest.Store) -> None:
    ingest.merge_product(any_store, "X1", "P-1")
    moved = read(any_store, file("X1"), **{"product_alias:X1": "P-2"})
    assert moved.rows["product"].tolist() == ["P-2"]
    any_store.add(moved, "lab")
    held = {one.name: one.aliases for one in ingest.products(any_store)}
    assert held == {"P-1": (), "P-2": ("X1",)}
    own = read(any_store, file("X1", first=2), **{"product_alias:X1": "X1"})
    assert own.rows["product"].tolist() == ["X1"]
    any_store.add(own, "lab")
    assert read(any_store, file("X1", first=3)).rows["product"].tolist() == ["X1"]


def test_readings_stored_under_the_other_name_are_pointed_at(any_store: ingest.Store) -> None:
    any_store.add(read(any_store, file("P100")), "lab")
    (note,) = ingest.merge_product(any_store, "P100", "P-100")
    assert note == (
        "Readings of 1 import stay stored under 'P100': to bring them to 'P-100', undo those "
        "imports and import their files again."
    )
    assert any_store.characteristics()["product"].tolist() == ["P100"]


def test_a_registered_product_is_no_other_name(store: ingest.Store) -> None:
    ingest.add_product(store, "P100")
    store.add(read(store, file("P-100"), **{"product_alias:P-100": "P-100"}), "lab")
    with pytest.raises(ingest.IngestError, match="'P100' is registered as a product of its own"):
        store.add(read(store, file("P100"), **{"product_alias:P100": "P-100"}), "lab")
    assert len(store.imports()) == 1  # nothing of that file was stored

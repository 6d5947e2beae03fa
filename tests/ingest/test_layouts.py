"""A known export that changes: what is only said, what is asked, and what is never done unasked."""

import json

import pytest

import ingest
from ingest import journal

HEAD = ["Datum", "Charge", "Produkt", "Nr", "T Probe", "Viskosität cP", "Waage"]


def rows(first: int = 1, n: int = 6) -> list[dict[str, str]]:
    return [
        {
            "Datum": f"2025-03-{first + i:02d} 06:30",
            "Charge": f"B{first + i:03d}",
            "Produkt": "P-100",
            "Nr": "1",
            "T Probe": f"{24.9 + 0.1 * (i % 3):.1f}",
            "Viskosität cP": str(1990 + 7 * i),
            "Waage": "W2",
        }
        for i in range(n)
    ]


def export(
    renamed: dict[str, str] | None = None,
    left_out: tuple[str, ...] = (),
    added: dict[str, str] | None = None,
    order: list[str] | None = None,
    first: int = 1,
) -> bytes:
    """The lab's export, with columns renamed, left out, added, or in another order."""
    heads = [name for name in (order or HEAD) if name not in left_out]
    lines = [";".join([*((renamed or {}).get(name, name) for name in heads), *(added or {})])]
    lines += [
        ";".join([*(row[name] for name in heads), *(added or {}).values()]) for row in rows(first)
    ]
    return "\n".join(lines).encode()


KNOWN = {"column:T Probe": "temperature"}


@pytest.fixture
def known(any_store: ingest.Store) -> ingest.Store:
    """A store that knows the export."""
    any_store.add(read(any_store, export(), **KNOWN), "lab")
    return any_store


def read(store: ingest.Store, raw: bytes, source: str = "lab", **answers: str):
    return ingest.read_bytes(raw, "x.csv", answers, store.site(source))


def fields(reading: ingest.FileReading) -> list[str]:
    return [question.field for question in reading.questions]


def test_the_same_columns_say_nothing(known: ingest.Store) -> None:
    reading = read(known, export(first=10))
    assert reading.questions == ()
    assert reading.notes == ()
    assert reading.rows["temperature"].notna().all()


def test_columns_in_another_order_are_taken_by_their_names(known: ingest.Store) -> None:
    reading = read(known, export(order=HEAD[::-1], first=10))
    assert reading.questions == ()
    assert reading.notes == (
        "The columns stand in another order than at the last import: they are taken by their "
        "names.",
    )
    assert reading.rows["viscosity"].tolist() == [1990.0 + 7 * i for i in range(6)]
    assert reading.rows["temperature"].iat[0] == 24.9


def test_a_new_column_is_a_remark(known: ingest.Store) -> None:
    reading = read(known, export(added={"Schicht": "früh", "Raum": "2"}, first=10))
    assert reading.questions == ()
    assert reading.notes == (
        "Column 'Schicht' is new: it is taken as the shift.",
        "Column 'Raum' is new: it is kept as it is.",
    )


def test_an_unused_column_may_go(known: ingest.Store) -> None:
    reading = read(known, export(left_out=("Waage",), first=10))
    assert reading.questions == ()
    assert reading.notes == ("Column 'Waage' is gone; it was not used.",)


def test_a_renamed_column_is_asked_about_and_never_taken_unasked(known: ingest.Store) -> None:
    raw = export(renamed={"T Probe": "T-Probe neu"}, first=10)
    asked = read(known, raw)
    assert fields(asked) == ["renamed:T Probe"]
    assert asked.questions[0].choices == ("T-Probe neu", "gone")
    assert asked.questions[0].text == (
        "Column 'T Probe' (sample temperature) is gone, and 'T-Probe neu' is new (its name is "
        "alike and its content is alike): is it the same column under a new name?"
    )
    assert asked.rows.empty
    with pytest.raises(ingest.IngestError, match="before this is answered"):
        known.add(asked, "lab")
    answered = read(known, raw, **{"renamed:T Probe": "T-Probe neu"})
    assert answered.rows["temperature"].iat[0] == 24.9
    known.add(answered, "lab", by="AK")
    with known.reading() as connection:
        entries = journal.as_table(connection)
    entry = entries[entries["what"] == "export of a source changed"].iloc[0]
    assert entry["who"] == "AK"
    assert json.loads(entry["old"]) == HEAD
    assert json.loads(entry["new"])["renamed"] == {"T Probe": "T-Probe neu"}
    later = read(known, export(renamed={"T Probe": "T-Probe neu"}, first=20))
    assert later.questions == ()
    assert later.rows["temperature"].iat[0] == 24.9
    earlier = read(known, export(first=25))  # a late file of the old kind is known too
    assert earlier.questions == ()
    assert earlier.rows["temperature"].iat[0] == 24.9


def test_a_column_that_is_gone_is_asked_about(known: ingest.Store) -> None:
    raw = export(left_out=("T Probe",), first=10)
    asked = read(known, raw)
    assert fields(asked) == ["renamed:T Probe"]
    assert asked.questions[0].choices == ("gone",)
    answered = read(known, raw, **{"renamed:T Probe": "gone"})
    assert answered.notes == ("Column 'T Probe' (sample temperature) is gone, as answered.",)
    assert answered.rows["temperature"].isna().all()
    known.add(answered, "lab")
    assert read(known, export(left_out=("T Probe",), first=20)).questions == ()


def test_a_required_column_under_a_new_name_is_one_question(known: ingest.Store) -> None:
    asked = read(known, export(renamed={"Charge": "Partienr"}, first=10))
    assert fields(asked) == ["renamed:Charge"]
    assert asked.questions[0].choices[0] == "Partienr"  # B010 … has the form of B001 …


def test_naming_the_column_or_its_value_is_an_answer_too(known: ingest.Store) -> None:
    raw = export(renamed={"Charge": "Partienr"}, left_out=("Produkt",), first=10)
    assert fields(read(known, raw)) == ["renamed:Charge", "renamed:Produkt"]
    reading = read(known, raw, batch_column="Partienr", product="P-100")
    assert reading.questions == ()
    assert reading.rows["batch"].iat[0] == "B010"
    assert reading.rows["product"].iat[0] == "P-100"


def test_a_heading_that_is_recognised_all_the_same_is_asked_about(known: ingest.Store) -> None:
    """Another unit in the heading of the viscosity: it is read, but not before somebody agrees."""
    raw = export(renamed={"Viskosität cP": "Viskosität Pa·s"}, first=10)
    asked = read(known, raw)
    assert fields(asked) == ["renamed:Viskosität cP"]
    answered = read(known, raw, **{"renamed:Viskosität cP": "Viskosität Pa·s"})
    assert answered.rows["viscosity"].iat[0] == 1_990_000.0


def test_of_several_new_columns_the_one_with_like_content_comes_first(known: ingest.Store) -> None:
    raw = export(renamed={"T Probe": "Wert 2"}, added={"Raum": "2", "Wert 1": "77"}, first=10)
    (question,) = read(known, raw).questions
    assert question.choices[0] == "Wert 2"
    assert set(question.choices) == {"Wert 2", "Raum", "Wert 1", "gone"}


def test_an_answer_that_names_no_column_is_refused(known: ingest.Store) -> None:
    raw = export(renamed={"T Probe": "neu"}, first=10)
    with pytest.raises(ingest.IngestError, match=r"the file has no column 'alt': choose from neu"):
        read(known, raw, **{"renamed:T Probe": "alt"})


def test_another_export_of_the_source_is_no_change(known: ingest.Store) -> None:
    other = b"timestamp,batch,product,viscosity cP\n2025-03-20T06:30,B30,P-100,2000\n"
    reading = read(known, other)
    assert reading.questions == ()
    assert reading.notes == ()
    known.add(reading, "lab")
    assert read(known, export(first=25)).questions == ()  # the first one is still known


def test_without_a_source_only_files_that_are_nearly_alike_are_compared(
    store: ingest.Store,
) -> None:
    store.add(read(store, export(), source="", **KNOWN))
    nearly = read(store, export(renamed={"T Probe": "T neu"}, first=10), source="")
    assert fields(nearly) == ["renamed:T Probe"]
    left = ("T Probe", "Nr", "Waage")
    assert read(store, export(left_out=left, first=10), source="").questions == ()


def test_the_difference_side_by_side(known: ingest.Store) -> None:
    raw = export(renamed={"T Probe": "T-Probe neu"}, added={"Raum": "2"}, left_out=("Waage",))
    change = read(known, raw).change
    assert change is not None
    assert change.side_by_side() == (
        *(("Datum", "Datum"), ("Charge", "Charge"), ("Produkt", "Produkt"), ("Nr", "Nr")),
        *(("T Probe", "T-Probe neu?"), ("Viskosität cP", "Viskosität cP"), ("Waage", "")),
        ("", "Raum"),
    )
    assert change.as_dict()["gone"] == ["Waage"]

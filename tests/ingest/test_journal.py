"""The journal: every decision in it, and no change, gap or insertion that goes unseen.

The chain is checked here by its definition, with hashlib and json alone.
"""

import getpass
import hashlib
import json
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa

import ingest
from ingest import journal

FIELDS = ("id", "at", "who", "what", "subject", "old", "new", "why", "previous")


@pytest.fixture
def filled(any_store: ingest.Store, data: Path) -> ingest.Store:
    """A store with six decisions of different kinds."""
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    any_store.add_specification("P-100", lower=1800, upper=2200, by="Kim", why="contract")
    any_store.add_specification("P-100", lower=1850, upper=2150, valid_from=date(2025, 5, 1))
    ingest.exclude_batch(any_store, 1, "B003", "wrong spindle was fitted", by="Kim")
    ingest.freeze_limits(
        any_store,
        1,
        center=2001.7,
        sigma=73.4,
        lower=1781.4,
        upper=2222.1,
        first_batch="B001",
        last_batch="B020",
        n=19,
        method="moving range",
        exclusions={"B003": "wrong spindle was fitted"},
        why="first stable stretch",
        by="Lee",
    )
    ingest.add_product(any_store, "P-100", aliases=["P100", "p 100"], by="Kim")
    ingest.undo_import(any_store, 1, "to be imported with its time zone", by="Kim")
    return any_store


def entries(store: ingest.Store) -> list[journal.Entry]:
    with store.reading() as connection:
        return journal.entries(connection)


def faults(store: ingest.Store) -> list[str]:
    with store.reading() as connection:
        return journal.faults(connection)


def test_every_decision_is_in_the_journal(filled: ingest.Store) -> None:
    held = entries(filled)
    assert [entry.id for entry in held] == [1, 2, 3, 4, 5, 6]
    assert [entry.who for entry in held] == [
        *("Kim", getpass.getuser(), "Kim", "Lee", "Kim", "Kim"),
    ]
    assert held[0].why == "contract"
    assert json.loads(held[1].old)["lower"] == 1800
    assert json.loads(held[1].new) == {
        "lower": 1850.0,
        "upper": 2150.0,
        "target": None,
        "valid_from": "2025-05-01",
    }
    assert held[2].subject == "P-100, S3 · 20 rpm, batch B003"
    assert json.loads(held[5].old)["1"]["used"] == 60
    assert json.loads(held[5].new)["1"]["used"] == 0
    assert faults(filled) == []


def test_the_chain_is_sha256_over_canonical_json(filled: ingest.Store) -> None:
    previous = ""
    for entry in entries(filled):
        content = json.dumps(
            {name: getattr(entry, name) for name in FIELDS},
            sort_keys=True,
            ensure_ascii=False,
            separators=(",", ":"),
        )
        assert entry.hash == hashlib.sha256(content.encode()).hexdigest()
        assert entry.previous == previous
        previous = entry.hash


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        ("UPDATE journal SET why = 'other' WHERE id = 3", "entry 3 was changed"),
        ("UPDATE journal SET who = 'Lee' WHERE id = 1", "entry 1 was changed"),
        ("UPDATE journal SET new = old WHERE id = 2", "entry 2 was changed"),
        ("UPDATE journal SET at = '2024' WHERE id = 6", "entry 6 was changed"),
        ("UPDATE journal SET id = 9 WHERE id = 6", "entries 6 to 8 are missing"),
    ],
)
def test_a_changed_entry_is_found(filled: ingest.Store, damage: str, told: str) -> None:
    loosen(filled, damage)
    assert told in " ".join(faults(filled))


@pytest.mark.parametrize("number", [1, 3, 6])
def test_a_missing_entry_is_found(filled: ingest.Store, number: int) -> None:
    loosen(filled, f"DELETE FROM journal WHERE id = {number}")
    found = " ".join(faults(filled))
    assert f"entry {number} is missing" in found or f"entry {number} of table" in found


def test_an_entry_put_in_with_a_right_hash_of_its_own_is_found(filled: ingest.Store) -> None:
    made = {
        "id": 7,
        "at": "2025-01-01",
        "who": "X",
        "what": "x",
        "subject": "",
        "old": "null",
        "new": "null",
        "why": "",
        "previous": entries(filled)[-1].hash,
    }
    with filled._engine.begin() as connection:
        connection.execute(
            sa.insert(journal.schema.JOURNAL).values(**made, hash=journal.hash_of(made))
        )
    assert "after entry 7 something is missing or was put in" in " ".join(faults(filled))


def test_an_entry_written_anew_with_its_hash_breaks_the_chain(filled: ingest.Store) -> None:
    third = {name: getattr(entries(filled)[2], name) for name in FIELDS}
    third["why"] = "a better reason"
    with filled._engine.begin() as connection:
        connection.execute(
            sa.update(journal.schema.JOURNAL)
            .where(journal.schema.JOURNAL.c.id == 3)
            .values(why="a better reason", hash=journal.hash_of(third))
        )
    assert faults(filled) == [
        "Journal: entry 4 does not follow entry 3: one of them was put in or written anew."
    ]


def loosen(store: ingest.Store, statement: str) -> None:
    """Damage the database behind the program's back, past its foreign keys."""
    with store._engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("SET session_replication_role = replica")
        connection.exec_driver_sql(statement)
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("SET session_replication_role = DEFAULT")


def test_nothing_is_written_where_the_decision_fails(any_store: ingest.Store, data: Path) -> None:
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    before = any_store.revision()
    with pytest.raises(ingest.IngestError, match="needs a cause in words: say why"):
        ingest.exclude_batch(any_store, 1, "B003", "  ")
    with pytest.raises(ingest.IngestError, match="has no batch 'B999'"):
        ingest.exclude_batch(any_store, 1, "B999", "wrong spindle")
    with pytest.raises(ingest.IngestError, match="is not left out of limits"):
        ingest.include_batch(any_store, 1, "B003", "was right after all")
    assert entries(any_store) == []
    assert any_store.revision() == before
    assert ingest.exclusions(any_store, 1) == {}


def test_an_exclusion_and_its_undo_are_two_entries(any_store: ingest.Store, data: Path) -> None:
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    ingest.exclude_batch(any_store, 1, "B003", "wrong spindle", by="Kim")
    assert ingest.exclusions(any_store, 1) == {"B003": "wrong spindle"}
    with pytest.raises(ingest.IngestError, match="is left out of limits already"):
        ingest.exclude_batch(any_store, 1, "B003", "again")
    ingest.include_batch(any_store, 1, "B003", "spindle was right", by="Lee")
    assert ingest.exclusions(any_store, 1) == {}
    told = [(e.who, json.loads(e.old), json.loads(e.new), e.why) for e in entries(any_store)]
    assert told == [
        (
            "Kim",
            {"excluded": False, "cause": ""},
            {"excluded": True, "cause": "wrong spindle"},
            "wrong spindle",
        ),
        (
            "Lee",
            {"excluded": True, "cause": "wrong spindle"},
            {"excluded": False, "cause": ""},
            "spindle was right",
        ),
    ]
    assert ingest.exclusion_history(any_store)["excluded"].astype(bool).tolist() == [True, False]
    assert len(any_store.readings()) == 60  # it stays in use and plotted


def test_frozen_limits_stay_while_rows_come(any_store: ingest.Store, data: Path) -> None:
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    choice = {
        "center": 1996.6,
        "sigma": 37.2,
        "first_batch": "B001",
        "last_batch": "B020",
        "n": 20,
        "method": "moving range",
        "why": "stable",
    }
    first = ingest.freeze_limits(any_store, 1, **choice)
    head = "timestamp,batch,product,spindle,speed_rpm,replicate,viscosity cP"
    rows = "\n".join(f"2025-06-01T0{i}:00,N{i},P-100,S3,20,1,{1500 + i}" for i in range(9))
    any_store.add(ingest.read_bytes(f"{head}\n{rows}".encode(), "more.csv"))
    assert ingest.frozen_limits(any_store, 1) == [first]
    second = ingest.freeze_limits(any_store, 1, **{**choice, "center": 1900.0, "why": "new lot"})
    assert ingest.frozen_limits(any_store, 1) == [first, second]
    last = entries(any_store)[-1]
    assert (json.loads(last.old)["center"], json.loads(last.new)["center"]) == (1996.6, 1900.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"sigma": 0.0}, "sigma of frozen limits must be above 0"),
        ({"center": float("nan")}, "center of frozen limits must be a number"),
        ({"lower": 2100.0}, "must lie on both sides of their center 2000"),
        ({"n": 1}, "need at least 2 batches"),
        ({"why": ""}, "Freezing limits needs a cause in words"),
        ({"method": " "}, "name it"),
        ({"last_batch": "B999"}, "has no batch 'B999'"),
        ({"exclusions": {"B003": ""}}, "Leaving batch B003 out of limits needs a cause"),
    ],
)
def test_limits_without_sense_are_refused(
    store: ingest.Store, data: Path, change: dict[str, object], message: str
) -> None:
    store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    choice = {
        "center": 2000.0,
        "sigma": 40.0,
        "first_batch": "B001",
        "last_batch": "B020",
        "n": 20,
        "method": "moving range",
        "why": "stable",
    }
    with pytest.raises(ingest.IngestError, match=message):
        ingest.freeze_limits(store, 1, **{**choice, **change})
    assert ingest.frozen_limits(store) == []
    assert entries(store) == []


def test_registers_keep_what_was_added(any_store: ingest.Store) -> None:
    ingest.add_product(any_store, "P-100", "a syrup", ["P100"])
    after = ingest.add_alias(any_store, "P-100", "p  100 ")
    assert after.aliases == ("P100", "p 100")
    assert ingest.products(any_store) == [after]
    method = ingest.Method(
        "syrup", "2", spindle="S3", speed=20.0, set_temperature=25.0, torque_low=15.0, replicates=2
    )
    ingest.add_method(any_store, method)
    assert ingest.methods(any_store) == [method]
    fluid = ingest.CheckFluid("CHK-1000", "L7", 1012.0, 6.1, 25.0, date(2026, 3, 31))
    ingest.add_check_standard(any_store, fluid)
    assert ingest.check_standards(any_store) == [fluid]
    assert [entry.what for entry in entries(any_store)] == [
        *("product added", "product alias added", "method added", "check standard added")
    ]
    assert faults(any_store) == []


def test_registers_refuse_what_makes_no_sense(store: ingest.Store) -> None:
    ingest.add_product(store, "P-100", aliases=["P100"])
    ingest.add_method(store, ingest.Method("syrup"))
    ingest.add_check_standard(store, ingest.CheckFluid("CHK", "L7", 1012.0, 6.1))
    before = store.revision()
    for refused, message in (
        (lambda: ingest.add_product(store, " "), "A product needs a name"),
        (lambda: ingest.add_product(store, "P100"), "'P100' is an alias of product P-100"),
        (lambda: ingest.add_product(store, "Q", aliases=["P-100"]), "is the name of product P-100"),
        (lambda: ingest.add_product(store, "Q", aliases=["Q"]), "an alias is named twice"),
        (lambda: ingest.add_alias(store, "R", "r"), "registered are: P-100"),
        (lambda: ingest.add_method(store, ingest.Method("syrup")), "give a new version"),
        (lambda: ingest.add_method(store, ingest.Method("m", speed=0)), "speed must be above 0"),
        (lambda: ingest.add_method(store, ingest.Method("m", torque_high=120)), "torque window"),
        (lambda: ingest.add_method(store, ingest.Method("m", replicates=0)), "replicates must be"),
        (
            lambda: ingest.add_check_standard(store, ingest.CheckFluid("CHK", "L7", 1, 1)),
            "registered already",
        ),
        (
            lambda: ingest.add_check_standard(store, ingest.CheckFluid("CHK", "L8", 0, 1)),
            "certified value must be above 0",
        ),
    ):
        with pytest.raises(ingest.IngestError, match=message):
            refused()
    assert store.revision() == before
    assert len(entries(store)) == 3


def test_verify_says_what_is_wrong(filled: ingest.Store) -> None:
    assert ingest.verify(filled) == []
    loosen(filled, "UPDATE journal SET why = 'other' WHERE id = 3")
    loosen(filled, "DELETE FROM set_aside WHERE result_id = 5")
    told = " ".join(ingest.verify(filled))
    assert "entry 3 was changed" in told
    assert "Import 1 was undone, but some of its results still count" in told
    assert "is not what its readings come to" in told
    assert ingest.rebuild(filled) == 1
    assert "is not what its readings come to" not in " ".join(ingest.verify(filled))


def test_verify_finds_results_that_vanished(any_store: ingest.Store, data: Path) -> None:
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    loosen(any_store, "DELETE FROM results WHERE id = 60")
    told = " ".join(ingest.verify(any_store))
    assert "Import 1: its account says 60 results, the store holds 59" in told

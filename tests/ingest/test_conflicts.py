"""What stands beside what: conflicts, changed status, retests, and batch numbers used again."""

import functools
import itertools
import time
from pathlib import Path

import pandas as pd
import pytest

import ingest
from dashboard.batches import batch_tables
from dashboard.grouping import load_batch
from ingest.reasons import NEEDS_A_PERSON

HEAD = "timestamp,batch,product,replicate,viscosity,unit,status,comment"


@functools.cache
def reading(*lines: str, name: str = "x.csv", head: str = HEAD) -> ingest.FileReading:
    return ingest.read_bytes("\n".join([head, *lines]).encode(), name)


def line(at: str, value: object, batch: str = "B1", unit: str = "mPa.s", more: str = ",") -> str:
    return f"{at},{batch},P,1,{value},{unit},{more}"


def fates(store: ingest.Store) -> list[tuple[object, ...]]:
    """Every reading by its content, with its reason: nothing here says in what order they came."""
    kept = store.readings(aside=True)
    columns = ["batch", "replicate", "received", "status", "comment", "reason"]
    return sorted(
        (str(at), *rest) for at, *rest in kept[["at", *columns]].itertuples(index=False, name=None)
    )


A = line("2025-03-13T09:15", 2310)
LATER = line("2025-03-13T11:05", 2190)
CORRECTED = line("2025-03-13T09:15", 2311)
INVALID = line("2025-03-13T09:15", 2310, more="invalid,")
FOAM = line("2025-03-13T09:15", 2310, more=",foam")
IN_PA_S = line("2025-03-13T09:15", 2.31, unit="Pa.s")
OVER = line("2025-03-13T09:15", "OVER")
YEAR_LATER = line("2026-03-13T09:15", 2250)


@pytest.mark.parametrize(
    ("rows", "used"),
    [
        ((A, LATER, CORRECTED), []),
        ((A, LATER, INVALID), []),
        ((A, LATER, FOAM), [2310.0]),
        ((A, IN_PA_S, FOAM), [2310.0]),
        ((INVALID, LATER, FOAM), []),
        ((INVALID, LATER), [2190.0]),
        ((A, OVER, LATER), []),
        ((A, YEAR_LATER, LATER), [2310.0, 2250.0]),
    ],
)
def test_what_is_used_does_not_depend_on_the_order_of_files(
    tmp_path: Path, rows: tuple[str, ...], used: list[float]
) -> None:
    seen = []
    for order in itertools.permutations(rows):
        store = ingest.open_store(str(tmp_path / f"{len(seen)}.sqlite"))
        for i, row in enumerate(order):
            assert store.add(reading(row, name=f"{i}.csv")).account.closes
        assert sorted(store.readings()["viscosity"]) == pytest.approx(sorted(used))
        seen.append(fates(store))
        store.close()
    store = ingest.open_store(str(tmp_path / "at once.sqlite"))
    store.add(reading(*rows))
    seen.append(fates(store))
    store.close()
    assert all(one == seen[0] for one in seen)


def test_a_row_re_exported_as_invalid_waits_for_a_person(any_store: ingest.Store) -> None:
    any_store.add(reading(A))
    report = any_store.add(reading(INVALID, name="y.csv"))
    assert any_store.readings().empty
    assert report.account.set_aside == {"marked_invalid": 1}
    assert report.account.conflicts == 1  # the command line ends with exit code 1 for it
    assert "2310 mPa·s is recorded as good, and also as: Marked invalid" in report.notes[0]
    kept = any_store.readings(aside=True)
    assert sorted(kept["reason"]) == ["marked_invalid", "status_changed"]


def test_a_row_re_exported_as_valid_waits_for_a_person(any_store: ingest.Store) -> None:
    any_store.add(reading(INVALID))
    report = any_store.add(reading(A, name="y.csv"))
    assert any_store.readings().empty
    assert report.account.set_aside == {"status_changed": 1}
    assert "status_changed" in NEEDS_A_PERSON
    assert report.account.conflicts == 1


def test_a_withdrawn_value_beside_a_new_one_is_no_conflict(store: ingest.Store) -> None:
    report = store.add(reading(INVALID, CORRECTED))
    assert store.readings()["viscosity"].tolist() == [2311.0]
    assert report.account.conflicts == 0


def test_a_result_that_was_still_missing_is_no_conflict(store: ingest.Store) -> None:
    store.add(reading(line("2025-03-13T09:15", "n/a")))
    report = store.add(reading(A, name="y.csv"))
    assert report.account.used == 1
    assert store.readings()["viscosity"].tolist() == [2310.0]


def test_one_value_in_two_units_is_no_conflict(any_store: ingest.Store) -> None:
    any_store.add(reading(line("2025-03-13T09:15", 1000.2)))
    again = reading(line("2025-03-13T09:15", 1.0002, unit="Pa.s"), name="y.csv")
    report = any_store.add(again)
    assert report.account.conflicts == 0
    assert any_store.readings()["viscosity"].tolist() == pytest.approx([1000.2])
    assert sorted(any_store.readings(aside=True)["reason"]) == ["", "other_remarks"]


def test_a_value_without_torque_beside_one_with_it_is_no_conflict(store: ingest.Store) -> None:
    head = "timestamp,batch,product,replicate,viscosity cP,torque %"
    store.add(reading("2025-03-13T09:15,B1,P,1,2010,40.2", head=head))
    report = store.add(reading("2025-03-13T09:15,B1,P,1,2010,", head=head, name="y.csv"))
    assert report.account.conflicts == 0
    other = store.add(reading("2025-03-13T09:15,B1,P,1,2010,44.1", head=head, name="z.csv"))
    assert other.account.conflicts == 1
    assert "2010 mPa·s with a torque of 40.2 and 44.1 %" in other.notes[0]


def test_numbers_in_sentences_are_plain_digits(store: ingest.Store) -> None:
    first = store.add(
        reading(line("2025-03-13T09:15", 2000000), line("2025-03-13T09:15", 20000000))
    )
    assert "recorded as 2000000 and 20000000 mPa·s" in first.notes[0]
    store.add(reading(line("2025-03-14T09:15", 3000000, "B2"), line("2025-03-14T10:15", 1, "B2")))
    details = store.set_aside()["detail"]
    assert "attempt 2; the first gave 3000000 mPa·s" in set(details)
    assert not details.str.contains("e+", regex=False).any()


def test_a_batch_number_used_again_next_year_is_no_retest(any_store: ingest.Store) -> None:
    for year in (2024, 2025):
        rows = [line(f"{year}-03-1{i}T06:00", 2000 + i + year, f"B00{i}") for i in (1, 2, 3)]
        report = any_store.add(reading(*rows, name=f"{year}.csv"))
    assert report.account.used == 3
    assert report.account.set_aside == {}
    assert len([note for note in report.notes if "used again more than 60 days later" in note]) == 3
    used = any_store.readings()
    assert len(used) == 6
    table = batch_tables(any_store.batches())[1]
    again = [f"B00{i} (2025)" for i in (1, 2, 3)]
    assert table.frame["batch"].tolist() == ["B001", "B002", "B003", *again]
    assert table.frame["mean"].tolist() == [
        2000.0 + i + year for year in (2024, 2025) for i in (1, 2, 3)
    ]
    assert table.far_apart == ("B001", "B002", "B003")


def test_two_uses_in_one_year_are_told_by_the_month(store: ingest.Store) -> None:
    rows = [line("2025-01-10T06:00", 2000), line("2025-05-10T06:00", 2100)]
    store.add(reading(*rows, line("2025-05-11T06:00", 2100, "B2")))
    frame = batch_tables(store.batches())[1].frame
    assert frame["batch"].tolist() == ["B1", "B1 (2025-05)", "B2"]


@pytest.mark.parametrize(("day", "batches"), [("2025-03-02", 1), ("2025-03-03", 2)])
def test_the_gap_that_begins_a_new_batch_is_more_than_60_days(
    store: ingest.Store, day: str, batches: int
) -> None:
    store.add(reading(line("2025-01-01T06:00", 2000), line(f"{day}T06:00", 2100)))
    assert pd.Timestamp(day) - pd.Timestamp("2025-01-01") == pd.Timedelta(days=59 + batches)
    assert len(store.readings()) == batches


@pytest.mark.parametrize("undated_first", [True, False])
def test_a_reading_without_its_time_is_no_later_attempt(
    any_store: ingest.Store, undated_first: bool
) -> None:
    undated = reading(
        "B1,P,1,2310",
        "B2,P,1,1900",
        name="undated.csv",
        head="batch,product,replicate,viscosity cP",
    )
    dated = reading(A, line("2025-03-14T09:15", 2000, "B2"))
    for file in (undated, dated) if undated_first else (dated, undated):
        any_store.add(file)
    assert any_store.readings()["viscosity"].tolist() == [2310.0, 2000.0]
    aside = any_store.readings(aside=True).query("reason != ''")
    assert sorted(zip(aside["batch"], aside["reason"], strict=True)) == [
        ("B1", "other_remarks"),
        ("B2", "undated"),
    ]
    assert "undated" in NEEDS_A_PERSON


def test_a_retest_that_is_none_any_more_is_used_again_and_no_result_changes(
    any_store: ingest.Store,
) -> None:
    any_store.add(reading(LATER))
    before = any_store.readings(aside=True)
    any_store.add(reading(A, name="y.csv"))  # the first attempt comes in late
    assert any_store.readings()["viscosity"].tolist() == [2310.0]
    after = any_store.readings(aside=True).query("file == 'x.csv'").reset_index(drop=True)
    assert after["reason"].tolist() == ["retest"]
    assert after.drop(columns="reason").equals(before.drop(columns="reason"))


def test_20_000_corrected_rows_take_seconds(store: ingest.Store) -> None:
    stamps = pd.date_range("2025-01-01", periods=20_000, freq="min").strftime("%Y-%m-%dT%H:%M")
    rows = [line(at, 2000 + i % 7, f"B{i}") for i, at in enumerate(stamps)]
    corrected = [line(at, 2100 + i % 7, f"B{i}") for i, at in enumerate(stamps)]
    store.add(reading(*rows))
    file = reading(*corrected, name="y.csv")
    start = time.process_time()
    account = store.add(file).account
    took = time.process_time() - start
    assert account.conflicts == 20_000
    assert account.set_aside == {"conflict": 20_000}
    assert took < 20, "row by row it is minutes"


def test_many_values_under_one_key_take_seconds(store: ingest.Store) -> None:
    start = time.process_time()
    report = store.add(reading(*(line("2025-01-01T06:00", 1000 + i) for i in range(5_000))))
    assert report.account.set_aside == {"conflict": 5_000}
    assert report.account.conflicts == 1
    assert "1000, 1001, 1002, 1003, 1004 and 4995 more" in report.notes[0]
    again = [line("2025-01-01T06:00", 1000 + i, more=",foam") for i in range(5_000)]
    assert store.add(reading(*again, name="y.csv")).account.set_aside == {"conflict": 5_000}
    assert time.process_time() - start < 20, "row by row it is minutes"


def test_the_same_bytes_read_in_two_ways_do_not_count_twice(any_store: ingest.Store) -> None:
    content = b"timestamp,batch,product,viscosity cP\n2025-01-01T06:00,B1,P,2000\n"
    any_store.add(ingest.read_bytes(content, "a.csv"))
    other = ingest.read_bytes(content, "b.csv", {"time_zone": "Europe/Berlin"})
    for attempt in (any_store.add, any_store.preview):
        with pytest.raises(ingest.IngestError, match=r"b.csv is in the store already, as a.csv"):
            attempt(other)
    assert len(any_store.readings()) == 1
    assert any_store.add(ingest.read_bytes(content, "c.csv")).account.duplicates == 1


def test_a_decision_stays_with_its_batch_when_the_number_is_used_again(
    any_store: ingest.Store,
) -> None:
    any_store.add(reading(line("2024-03-11T06:00", 2000), line("2024-03-12T06:00", 2010, "B2")))
    ingest.exclude_batch(any_store, 1, "B1", "charged twice", by="Kim Example")
    any_store.add(reading(line("2025-03-11T06:00", 2100), name="2025.csv"))
    names = batch_tables(any_store.batches())[1].frame["batch"].tolist()
    assert names == ["B1", "B2", "B1 (2025)"]
    assert ingest.exclusions(any_store, 1) == {"B1": "charged twice"}
    ingest.exclude_batch(any_store, 1, "B1 (2025)", "old resin", by="Kim Example")
    assert ingest.exclusions(any_store, 1) == {"B1": "charged twice", "B1 (2025)": "old resin"}
    assert load_batch(any_store, 1, "B1")["viscosity"].tolist() == [2000.0]
    assert load_batch(any_store, 1, "B1 (2025)")["viscosity"].tolist() == [2100.0]
    assert load_batch(any_store, 1, "B1 (2031)").empty
    for unknown in ("B2 (2025)", "B7 (2025)", "B1 (spring)"):
        with pytest.raises(ingest.IngestError, match="has no batch"):
            ingest.exclude_batch(any_store, 1, unknown, "old resin")

"""Undo of a whole import: nothing deleted, nothing counted twice, nothing lost that others said.

The numbers expected here are worked out by hand from the rows of each test.
"""

import random
from pathlib import Path

import pytest

import ingest
from ingest import batches, recount

HEAD = "timestamp,batch,product,replicate,viscosity cP,comment"
A1 = "2025-01-01T06:00,B1,P,1,2000,"
A2 = "2025-01-01T06:10,B1,P,2,2010,"
B1 = "2025-01-02T06:00,B2,P,1,1990,"


def reading(*lines: str, name: str = "x.csv") -> ingest.FileReading:
    return ingest.read_bytes("\n".join([HEAD, *lines]).encode(), name)


def used(store: ingest.Store) -> list[tuple[str, float, str]]:
    rows = store.readings()
    return list(zip(rows["batch"], rows["viscosity"], rows["file"], strict=True))


def assert_whole(store: ingest.Store) -> None:
    with store.reading() as connection:
        assert batches.differences(connection) == []
        assert recount.faults(connection) == []


def account(store: ingest.Store, import_id: int) -> ingest.RowAccount:
    with store.reading() as connection:
        found = recount.stored(connection, import_id)
    assert found.closes
    return found


def test_an_undone_import_counts_no_more_and_is_all_there(any_store: ingest.Store) -> None:
    any_store.add(reading(A1, A2, name="a"))
    any_store.add(reading(B1, "2025-01-02T06:10,B2,P,2,OVER,", name="b"))
    before = any_store.revision()
    report = ingest.undo_import(any_store, 2, "wrong file", by="Kim")
    assert (report.n_results, report.counted_again, report.file) == (2, {}, "b")
    assert used(any_store) == [("B1", 2000.0, "a"), ("B1", 2010.0, "a")]
    everything = any_store.readings(aside=True)
    assert everything["reason"].tolist() == ["", "", "import_undone", "import_undone"]
    assert account(any_store, 2).set_aside == {"import_undone": 2}
    assert account(any_store, 2).used == 0
    assert any_store.imports()["undone"].tolist() == [True, False]
    changed = any_store.batches(since_revision=before)
    assert changed[["batch", "n"]].to_numpy().tolist() == [["B2", 0]]
    assert_whole(any_store)


def test_rows_that_a_later_import_also_had_count_by_that_one(any_store: ingest.Store) -> None:
    any_store.add(reading(A1, A2, name="a"))
    later = any_store.add(reading(A2, A1, B1, name="b"))
    assert (later.account.used, later.account.duplicates) == (1, 2)
    report = ingest.undo_import(any_store, 1, "wrong file")
    assert report.counted_again == {2: 2}
    assert used(any_store) == [("B1", 2000.0, "b"), ("B1", 2010.0, "b"), ("B2", 1990.0, "b")]
    lines = any_store.readings()["file_line"].tolist()
    assert lines == [3, 2, 4]  # where they stand in b
    assert (account(any_store, 2).used, account(any_store, 2).duplicates) == (3, 0)
    assert account(any_store, 1).set_aside == {"import_undone": 2}
    assert any_store.batches()["n"].tolist() == [2, 1]
    assert_whole(any_store)
    # and the third to say so takes over when the second is undone too
    any_store.add(reading(A1, name="c"))
    assert account(any_store, 3).duplicates == 1
    assert ingest.undo_import(any_store, 2, "also wrong").counted_again == {3: 1}
    assert used(any_store) == [("B1", 2000.0, "c")]
    assert_whole(any_store)


def test_of_several_that_repeat_a_row_the_earliest_counts(any_store: ingest.Store) -> None:
    any_store.add(reading(A1, name="a"))
    any_store.add(reading(A1, B1, name="b"))
    any_store.add(reading(B1, A1, A1, name="c"))
    assert ingest.undo_import(any_store, 1, "wrong").counted_again == {2: 1}
    assert used(any_store) == [("B1", 2000.0, "b"), ("B2", 1990.0, "b")]
    assert account(any_store, 3).duplicates == 3
    assert ingest.undo_import(any_store, 2, "wrong").counted_again == {3: 2}
    assert used(any_store) == [("B1", 2000.0, "c"), ("B2", 1990.0, "c")]
    assert (account(any_store, 3).used, account(any_store, 3).duplicates) == (2, 1)
    assert_whole(any_store)


def test_a_repeat_that_is_set_aside_anyway_stays_so(any_store: ingest.Store) -> None:
    over = "2025-01-01T06:00,B1,P,1,OVER,"
    any_store.add(reading(over, name="a"))
    any_store.add(reading(over, name="b"))
    ingest.undo_import(any_store, 1, "wrong")
    assert account(any_store, 2).set_aside == {"over_range": 1}
    assert any_store.readings(aside=True)["reason"].tolist() == ["import_undone", "over_range"]
    assert_whole(any_store)


def test_a_conflict_falls_with_the_import_that_made_it(any_store: ingest.Store) -> None:
    any_store.add(reading(A1, A2, name="a"))
    any_store.add(reading("2025-01-01T06:00,B1,P,1,2100,", name="b"))
    assert used(any_store) == [("B1", 2010.0, "a")]
    ingest.undo_import(any_store, 2, "typed by mistake")
    assert used(any_store) == [("B1", 2000.0, "a"), ("B1", 2010.0, "a")]
    assert account(any_store, 1).used == 2
    assert_whole(any_store)


def test_a_conflict_of_three_stays_a_conflict_of_two(any_store: ingest.Store) -> None:
    for name, value in (("a", 2000), ("b", 2100), ("c", 2200)):
        any_store.add(reading(f"2025-01-01T06:00,B1,P,1,{value},", name=name))
    ingest.undo_import(any_store, 3, "wrong")
    assert used(any_store) == []
    ingest.undo_import(any_store, 1, "wrong")
    assert used(any_store) == [("B1", 2100.0, "b")]
    assert_whole(any_store)


def test_a_retest_stands_when_the_first_attempt_is_undone(any_store: ingest.Store) -> None:
    any_store.add(reading(A1, name="a"))
    any_store.add(reading("2025-01-01T09:00,B1,P,1,2050,", name="b"))
    any_store.add(reading("2025-01-01T11:00,B1,P,1,2060,", name="c"))
    assert used(any_store) == [("B1", 2000.0, "a")]
    ingest.undo_import(any_store, 1, "wrong")
    assert used(any_store) == [("B1", 2050.0, "b")]
    assert any_store.readings(aside=True)["reason"].tolist() == ["import_undone", "", "retest"]
    assert account(any_store, 2).used == 1
    assert_whole(any_store)


def test_the_same_value_with_a_remark_counts_when_the_plain_one_is_undone(
    any_store: ingest.Store,
) -> None:
    any_store.add(reading(A1, name="a"))
    any_store.add(reading(A1 + "foam", name="b"))
    ingest.undo_import(any_store, 1, "wrong")
    assert used(any_store) == [("B1", 2000.0, "b")]
    assert_whole(any_store)


def test_the_file_can_be_imported_again_after_the_undo(any_store: ingest.Store) -> None:
    file = reading(A1, A2, A2, name="a")
    first = any_store.add(file).account
    ingest.undo_import(any_store, 1, "had a question about it")
    again = any_store.add(file).account
    assert again == first
    assert used(any_store) == [("B1", 2000.0, "a"), ("B1", 2010.0, "a")]
    assert any_store.add(file).account.duplicates == 3
    assert_whole(any_store)


def test_undo_is_refused_with_a_sentence(any_store: ingest.Store) -> None:
    any_store.add(reading(A1))
    with pytest.raises(ingest.IngestError, match="Undoing import 1 needs a cause in words"):
        ingest.undo_import(any_store, 1, " - ")
    with pytest.raises(ingest.IngestError, match="There is no import 7"):
        ingest.undo_import(any_store, 7, "wrong")
    ingest.undo_import(any_store, 1, "wrong")
    with pytest.raises(ingest.IngestError, match="is undone already"):
        ingest.undo_import(any_store, 1, "wrong")


def test_any_order_of_imports_and_undos_ends_at_what_the_rest_says(tmp_path: Path) -> None:
    """Undoing some of the files must leave what importing only the others would have given."""
    chance = random.Random(20250602)
    for trial in range(25):
        rows = [
            f"2025-01-01T0{chance.randrange(6, 8)}:00,B{chance.randrange(3)},P,"
            f"{chance.randrange(1, 3)},{chance.choice([2000, 2000, 2100, 'OVER'])},"
            f"{chance.choice(['', '', 'foam'])}"
            for _ in range(14)
        ]
        files = [
            reading(*chance.sample(rows, chance.randrange(1, 9)), name=f"f{number}")
            for number in range(5)
        ]
        undone = set(chance.sample(range(5), 2))
        store = ingest.open_store(str(tmp_path / f"{trial}.sqlite"))
        due: set[int] = set()
        for number, file in enumerate(files):
            store.add(file)
            due |= {number} & undone
            if due and chance.random() < 0.5:
                ingest.undo_import(store, due.pop() + 1, "wrong")
        for number in sorted(due):
            ingest.undo_import(store, number + 1, "wrong")
        assert_whole(store)
        for number in range(5):
            assert account(store, number + 1)
        other = ingest.open_store(str(tmp_path / f"{trial}_other.sqlite"))
        for number, file in enumerate(files):
            if number not in undone:
                other.add(file)
        keys = ["batch", "replicate", "at", "viscosity"]
        kept = store.readings()[keys].sort_values(keys).to_csv(index=False)
        assert kept == other.readings()[keys].sort_values(keys).to_csv(index=False), trial
        store.close()
        other.close()

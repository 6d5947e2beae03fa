"""The batch table against a slow grouping of the readings, by the standard library."""

import json
import random
import statistics
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

import ingest
from ingest import batches, importing

HEAD = "sampled_at,tested_at,batch,product,replicate,viscosity cP,instrument,shift,comment"


def reading(lines: list[str], name: str = "x.csv") -> ingest.FileReading:
    return ingest.read_bytes("\n".join([HEAD, *lines]).encode(), name)


def time_of(row: Any) -> pd.Timestamp | None:
    time = row.sampled_at if row.sampled_at == row.sampled_at else row.at
    return time if time == time else None


def slow(store: ingest.Store) -> dict[tuple[int, str, int], dict[str, object]]:
    """Every batch from the used readings, one by one."""
    named: dict[tuple[int, str], list[Any]] = {}
    for row in store.readings().itertuples():  # production order: without a time first
        named.setdefault((row.characteristic_id, row.batch), []).append(row)
    held: dict[tuple[int, str, int], list[Any]] = {}
    for key, rows in named.items():
        use, last = 0, None
        for row in rows:
            time = time_of(row)
            if time and last and time - last > timedelta(days=60):
                use += 1
            last = time or last
            held.setdefault((*key, use), []).append(row)
    found = {}
    for key, rows in held.items():
        by_replicate = sorted(rows, key=lambda row: row.replicate)
        values = [row.viscosity for row in by_replicate]
        times = [time for row in rows if (time := time_of(row))]
        mean = statistics.fmean(values)
        names = {row.instrument for row in rows}
        found[key] = {
            "n": len(values),
            "mean": pytest.approx(mean, rel=1e-14),
            "low": min(values),
            "high": max(values),
            "range": max(values) - min(values) if len(values) > 1 else None,
            "css": pytest.approx(sum((v - mean) ** 2 for v in values), rel=1e-9, abs=1e-9),
            "first_at": min(times) if times else None,
            "last_at": max(times) if times else None,
            "instrument": by_replicate[-1].instrument,
            "instruments": sorted(names) if len(names) > 1 else [],
            "shift": by_replicate[0].shift,
            "readings": values,
        }
    return found


def fast(store: ingest.Store) -> dict[tuple[int, str, int], dict[str, object]]:
    found = {}
    for row in store.batches().to_dict("records"):
        row["readings"] = list(row["readings"])
        row["instruments"] = json.loads(row["instruments"]) if row["instruments"] else []
        row["range"] = None if np.isnan(row["range"]) else row["range"]
        for name in ("first_at", "last_at"):
            row[name] = row[name] if row[name] == row[name] else None
        key = (row.pop("characteristic_id"), row.pop("batch"), row.pop("use"))
        del row["revision"]
        found[key] = row
    return found


def assert_equal_to_readings(store: ingest.Store) -> None:
    assert fast(store) == slow(store)
    # batches stand by characteristic, then in the order of their first reading
    assert list(fast(store)) == sorted(slow(store), key=lambda key: (key[0], place_of(store, key)))
    with store.reading() as connection:
        assert batches.differences(connection) == []


def place_of(store: ingest.Store, key: tuple[int, str, int]) -> int:
    """Where the first reading of a batch stands among all in production order."""
    last = None
    use = 0
    for row in store.readings(key[0], batch=key[1]).itertuples():
        time = time_of(row)
        use += bool(time and last and time - last > timedelta(days=60))
        last = time or last
        if use == key[2]:
            every = store.readings(key[0])["id"].tolist()
            return every.index(row.id)
    raise AssertionError(f"{key} has no reading")


def lines_of(chance: random.Random, n: int) -> list[str]:
    """Rows of all kinds: late, undated, repeated, contradicting, set aside, tried again."""
    start = datetime(2025, 1, 1, 6, tzinfo=UTC)
    lines = []
    for _ in range(n):
        tested = start + timedelta(minutes=10 * chance.randrange(60))
        tested += timedelta(days=chance.choice([0, 0, 0, 45, 100, 130, 250]))
        sampled = (tested - timedelta(hours=1)).isoformat() if chance.random() < 0.5 else ""
        when = tested.isoformat() if chance.random() < 0.9 else ""
        value = chance.choice([2000, 2010, 1990, "OVER", "", 2005.5])
        lines.append(
            f"{sampled},{when},B{chance.randrange(8)},{chance.choice('PQ')},"
            f"{chance.randrange(3)},{value},V{chance.randrange(2)},{chance.choice(['early', ''])},"
            f"{chance.choice(['', '', 'foam'])}"
        )
    return lines


@pytest.mark.parametrize("block", [1, 3, 50_000])
def test_any_rows_in_any_order_give_the_batches_of_the_readings(
    any_store: ingest.Store, monkeypatch: pytest.MonkeyPatch, block: int
) -> None:
    monkeypatch.setattr(importing, "_CHUNK", block)
    chance = random.Random(20250411)
    for file in range(4):
        report = any_store.add(reading(lines_of(chance, 60), f"{file}.csv"))
        assert report.account.closes
        assert_equal_to_readings(any_store)
    assert any_store.set_aside()["reason"].isin(["conflict", "retest"]).any()


def test_the_size_of_blocks_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = []
    for block in (1, 7, 50_000):
        monkeypatch.setattr(importing, "_CHUNK", block)
        chance = random.Random(7)
        store = ingest.open_store(str(tmp_path / f"{block}.sqlite"))
        accounts = [store.add(reading(lines_of(chance, 80))).account.as_dict() for _ in range(3)]
        aside = store.set_aside().drop(columns=["detail"]).sort_values(["line", "reason"])
        told.append((accounts, store.readings(aside=True).to_csv(), aside.to_csv(index=False)))
        store.close()
    assert told[0] == told[1] == told[2]


def test_a_late_row_renews_its_batch_and_only_that(any_store: ingest.Store) -> None:
    any_store.add(
        reading([f",2025-01-01T0{i}:00,B{i},P,1,{2000 + i},V1,," for i in range(1, 6)], "first")
    )
    before = any_store.revision()
    any_store.add(reading([",2025-01-01T03:30,B3,P,2,2103,V1,,"], "late"))
    changed = any_store.batches(since_revision=before)
    assert changed["batch"].tolist() == ["B3"]
    assert changed["readings"].tolist()[0] == [2003.0, 2103.0]
    assert changed["revision"].tolist() == [before + 1]
    assert any_store.batches(since_revision=before + 1).empty
    assert len(any_store.batches()) == 5


def test_a_batch_that_loses_its_last_reading_is_told_of(any_store: ingest.Store) -> None:
    any_store.add(reading([",2025-01-01T06:00,B1,P,1,2000,V1,,"], "a"))
    before = any_store.revision()
    any_store.add(
        reading([",2025-01-01T06:00,B1,P,1,2100,V1,,"], "b")
    )  # a conflict: neither counts
    assert any_store.batches().empty
    changed = any_store.batches(since_revision=before)
    assert changed[["batch", "n"]].to_numpy().tolist() == [["B1", 0]]
    assert np.isnan(changed["mean"].iloc[0])
    assert ingest.reading_grid(changed).tolist()[0] != ingest.reading_grid(changed).tolist()[0]


def test_the_same_file_again_changes_no_batch(any_store: ingest.Store, data: Path) -> None:
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    before = any_store.revision()
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    assert any_store.revision() == before + 1
    assert any_store.batches(since_revision=before).empty


def test_one_characteristic_is_a_part_of_all(any_store: ingest.Store) -> None:
    chance = random.Random(3)
    any_store.add(reading(lines_of(chance, 100)))
    everything = any_store.batches()
    for number in any_store.characteristics()["id"]:
        alone = any_store.batches(int(number))
        of_all = everything[everything["characteristic_id"] == number].reset_index(drop=True)
        assert alone.to_csv() == of_all.to_csv()
    assert any_store.batches(999).empty


def test_names_with_a_control_character_come_back_whole(any_store: ingest.Store) -> None:
    lines = [",2025-01-01T06:00,B\x1f1,P,1,2000,V1,,", ",2025-01-01T07:00,B2,P,1,2010,V1,,"]
    any_store.add(reading(lines))
    assert any_store.batches()["batch"].tolist() == ["B\x1f1", "B2"]
    assert any_store.batches()["mean"].tolist() == [2000.0, 2010.0]


def test_a_damaged_batch_is_found_and_rebuilt(any_store: ingest.Store) -> None:
    any_store.add(reading([f",2025-01-01T0{i}:00,B{i},P,1,{2000 + i},V1,," for i in range(1, 6)]))
    good = any_store.batches().drop(columns="revision")
    for damage in (
        "UPDATE batches SET mean = mean + 0.001 WHERE batch = 'B2'",
        "DELETE FROM batches WHERE batch = 'B3'",
        "UPDATE batches SET n = 0 WHERE batch = 'B4'",
        "UPDATE results SET viscosity = 2100 WHERE batch = 'B5'",
    ):
        with any_store._engine.begin() as connection:
            connection.execute(sa.text(damage))
        with any_store.writing() as connection:
            assert len(batches.differences(connection)) == 1
            assert batches.rebuild(connection, 9) == 1
            assert batches.differences(connection) == []
    remade = any_store.batches().drop(columns="revision")
    assert remade["mean"].tolist() == [2001.0, 2002.0, 2003.0, 2004.0, 2100.0]
    assert remade.iloc[:4].to_csv() == good.iloc[:4].to_csv()


def test_what_changed_since_is_found_by_an_index(store: ingest.Store, data: Path) -> None:
    store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    asked = []
    sa.event.listen(store._engine, "before_cursor_execute", lambda *a: asked.append((a[2], a[3])))
    store.batches(since_revision=5)
    statement, values = next(one for one in asked if "FROM batches" in one[0])
    with store.reading() as connection:
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all()
    assert "SEARCH batches USING INDEX batches_revision" in str(plan)
    assert "SCAN batches" not in str(plan)


def test_no_batches_no_trouble(any_store: ingest.Store) -> None:
    assert any_store.batches().empty
    assert ingest.reading_grid(any_store.batches()).shape == (0, 1)
    any_store.add(reading([",2025-01-01T06:00,B1,P,1,OVER,V1,,"]))
    assert any_store.batches().empty
    told = any_store.batches(since_revision=0)
    assert told[["batch", "n"]].to_numpy().tolist() == [["B1", 0]]
    assert np.isnan(told["mean"].iloc[0])


def test_a_number_used_again_is_two_batches_until_a_reading_bridges_the_gap(
    any_store: ingest.Store,
) -> None:
    any_store.add(
        reading([",2025-01-01T06:00,B1,P,1,2000,V1,,", ",2025-04-01T06:00,B1,P,1,2100,V1,,"], "a")
    )
    assert any_store.batches()[["use", "mean"]].to_numpy().tolist() == [[0, 2000.0], [1, 2100.0]]
    before = any_store.revision()
    any_store.add(reading([",2025-02-15T06:00,B1,P,2,2050,V1,,"], "b"))
    one = any_store.batches()
    assert one["readings"].tolist() == [[2000.0, 2050.0]]  # and 2100 is a later attempt now
    changed = any_store.batches(since_revision=before)
    assert sorted(changed[["use", "n"]].to_numpy().tolist()) == [[0, 2], [1, 0]]
    assert_equal_to_readings(any_store)

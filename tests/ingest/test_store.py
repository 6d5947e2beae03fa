"""The store: nothing lost, nothing twice, nothing overwritten, and all of an import or none."""

import os
import shutil
import sqlite3
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa

import ingest
from ingest import schema

HEAD = "timestamp,batch,product,replicate,viscosity cP,comment"


def reading(*lines: str, name: str = "x.csv", head: str = HEAD) -> ingest.FileReading:
    return ingest.read_bytes("\n".join([head, *lines]).encode(), name)


def test_every_row_is_in_the_store_once(any_store: ingest.Store, data: Path) -> None:
    report = any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    assert report.account.used == 60
    assert report.account.closes
    kept = any_store.readings()
    # against the file, read with the standard library alone
    lines = (data / "F01_baseline_duplicates.csv").read_text().splitlines()[1:]
    cells = [line.split(",") for line in lines]
    assert kept["viscosity"].tolist() == [float(row[8]) for row in cells]
    assert kept["batch"].tolist() == [row[1] for row in cells]
    assert kept["file_line"].tolist() == list(range(2, 62))
    assert set(kept["file"]) == {"F01_baseline_duplicates.csv"}
    assert any_store.characteristics()["condition"].tolist() == ["S3 · 20 rpm"]


def test_the_same_file_twice_changes_no_number(any_store: ingest.Store, data: Path) -> None:
    for name in ("F01_baseline_duplicates", "U1_latin1_semicolon_preamble", "S02_zero_drift"):
        first = any_store.add(ingest.read_file(data / f"{name}.csv")).account
        before = any_store.readings(aside=True)
        again = any_store.add(ingest.read_file(data / f"{name}.csv")).account
        assert again.used == 0
        assert again.duplicates == first.rows_read
        assert again.closes
        assert any_store.readings(aside=True).equals(before)


def test_u6_overlapping_export_with_a_conflict_and_a_retest(
    any_store: ingest.Store, data: Path
) -> None:
    file = ingest.read_file(data / "U6_overlap_export_and_retest.csv", {"product": "P"})
    report = any_store.add(file)
    assert report.account.rows_read == 7
    assert report.account.duplicates == 2
    assert report.account.conflicts == 1
    assert report.account.set_aside == {"conflict": 2, "retest": 1}
    assert report.account.closes
    everything = any_store.readings(aside=True)
    assert everything[["batch", "viscosity", "reason"]].to_numpy().tolist() == [
        ["B101", 2010.0, "conflict"],
        ["B101", 2060.0, "conflict"],
        ["B101", 1990.0, ""],
        ["B102", 2310.0, ""],
        ["B102", 2190.0, "retest"],
    ]
    assert any("2010 and 2060" in note for note in report.notes)
    again = any_store.add(file)
    assert again.account.duplicates == 7
    assert any_store.readings(aside=True).equals(everything)


def test_a_later_file_with_another_value_is_a_conflict_and_both_stay(
    any_store: ingest.Store,
) -> None:
    any_store.add(reading("2025-01-01T06:00,B1,P,1,2000,", "2025-01-01T06:10,B1,P,2,2010,"))
    report = any_store.add(reading("2025-01-01T06:00,B1,P,1,2100,", name="y.csv"))
    assert report.account.set_aside == {"conflict": 1}
    assert any_store.readings()["viscosity"].tolist() == [2010.0]
    both = any_store.readings(aside=True).query("reason == 'conflict'")
    assert both["viscosity"].tolist() == [2000.0, 2100.0]
    assert both["file"].tolist() == ["x.csv", "y.csv"]


def test_the_same_value_with_another_remark_is_kept_beside(any_store: ingest.Store) -> None:
    any_store.add(reading("2025-01-01T06:00,B1,P,1,2000,"))
    report = any_store.add(reading("2025-01-01T06:00,B1,P,1,2000,foam"))
    assert report.account.set_aside == {"other_remarks": 1}
    assert any_store.readings()["comment"].tolist() == [""]
    assert any_store.readings(aside=True)["comment"].tolist() == ["", "foam"]


def test_conflicts_do_not_depend_on_the_order_of_files(tmp_path: Path) -> None:
    files = [
        reading("2025-01-01T06:00,B1,P,1,2000,", "2025-01-01T06:00,B2,P,1,1,", name="a"),
        reading("2025-01-01T06:00,B1,P,1,2100,", name="b"),
        reading("2025-01-01T06:00,B1,P,1,2000,", "2025-01-01T06:00,B1,P,1,2200,", name="c"),
    ]
    used = []
    for order in ((0, 1, 2), (2, 1, 0), (1, 2, 0)):
        store = ingest.open_store(str(tmp_path / f"{order}.sqlite"))
        for index in order:
            assert store.add(files[index]).account.closes
        everything = store.readings(aside=True)
        used.append(sorted(zip(everything["batch"], everything["viscosity"], everything["reason"])))  # noqa: B905
        store.close()
    assert used[0] == used[1] == used[2]
    assert [row[2] for row in used[0]] == ["conflict", "conflict", "conflict", ""]


def test_measuring_conditions_are_never_mixed(store: ingest.Store, data: Path) -> None:
    store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    before = store.readings(1)
    head = "timestamp,batch,product,spindle,speed_rpm,replicate,viscosity cP"
    lines = [f"2025-03-0{i}T07:00,B90{i},P-100,S4,20,1,2000" for i in range(1, 6)]
    store.add(reading(*lines, head=head))
    found = store.characteristics()
    assert found["condition"].tolist() == ["S3 · 20 rpm", "S4 · 20 rpm"]
    assert found["n_readings"].tolist() == [60, 5]
    assert store.readings(1).equals(before)


def test_what_is_not_recorded_makes_its_own_characteristic(store: ingest.Store) -> None:
    store.add(reading("2025-01-01T06:00,B1,P,1,2000,"))
    assert store.characteristics()["condition"].tolist() == ["condition not recorded"]


def test_production_order_is_sampling_time_then_reading_time(store: ingest.Store) -> None:
    head = "sampled_at,tested_at,batch,product,viscosity cP"
    store.add(
        reading(
            "2025-01-02T06:00,2025-01-02T08:00,late,P,1",
            "2025-01-01T06:00,2025-01-02T09:00,early,P,2",
            head=head,
        )
    )
    assert store.readings()["batch"].tolist() == ["early", "late"]


def test_a_trial_import_keeps_nothing(store: ingest.Store, data: Path) -> None:
    file = ingest.read_file(data / "F01_baseline_duplicates.csv")
    revision = store.revision()
    assert store.preview(file).used == 60
    assert store.readings().empty
    assert store.imports().empty
    assert store.revision() == revision
    store.add(file)
    assert store.preview(file).duplicates == 60


def test_an_import_that_fails_half_way_leaves_the_store_as_it_was(
    any_store: ingest.Store, data: Path
) -> None:
    any_store.add(ingest.read_file(data / "S02_zero_drift.csv"))
    before, revision = any_store.readings(aside=True), any_store.revision()

    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"), progress=stop)
    assert any_store.readings(aside=True).equals(before)
    assert any_store.revision() == revision
    # and it goes on working
    assert any_store.add(ingest.read_file(data / "S07_transcription.csv")).account.closes


def test_a_question_that_is_open_keeps_a_file_out(store: ingest.Store, data: Path) -> None:
    file = ingest.read_file(data / "U3_ambiguous_dates.csv", {"product": "P"})
    with pytest.raises(ingest.IngestError, match="cannot be imported before this is answered"):
        store.add(file)
    assert store.imports().empty


def test_specifications_are_dated_and_none_is_overwritten(any_store: ingest.Store) -> None:
    any_store.add_specification("P", lower=1.8, upper=2.2, unit="Pa.s")
    any_store.add_specification("P", lower=1850, upper=2150, valid_from=date(2025, 5, 1))
    specs = any_store.specifications("P")
    assert [s.lower for s in specs] == [1800.0, 1850.0]
    assert ingest.specification_for(specs, date(2025, 4, 30)).lower == 1800.0
    assert ingest.specification_for(specs, date(2025, 5, 1)).lower == 1850.0
    assert ingest.specification_for(specs, None).lower == 1850.0
    assert ingest.specification_for([], date(2025, 5, 1)) is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({}, "needs a lower limit, an upper one or both"),
        ({"lower": 5, "upper": 5}, "lower limit 5 is not below the upper limit 5"),
        ({"lower": -1}, "must be a positive number"),
        ({"lower": 1, "upper": 2, "target": 3}, "target 3 lies outside"),
        ({"lower": 1, "unit": "KU"}, "unit 'KU' cannot be converted"),
    ],
)
def test_a_specification_without_sense_is_refused(
    store: ingest.Store, arguments: dict[str, float], message: str
) -> None:
    with pytest.raises(ingest.IngestError, match=message):
        store.add_specification("P", **arguments)
    assert store.specifications() == []


def test_a_second_specification_needs_its_day(store: ingest.Store) -> None:
    store.add_specification("P", lower=1)
    with pytest.raises(ingest.IngestError, match="say from which day the new one holds"):
        store.add_specification("P", lower=2)


# --- stores that are none -------------------------------------------------------------------


def test_an_empty_file_is_no_store(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    path.touch()
    os.utime(path, (0, 0))  # a file of just now might be a store that another process is making
    with pytest.raises(ingest.StoreError, match=r"is empty \(0 bytes\), not a store"):
        ingest.open_store(str(path))
    assert path.stat().st_size == 0


def test_a_text_file_is_no_store(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    path.write_text("not a database at all, but long enough to have a header\n" * 50)
    before = path.read_bytes()
    with pytest.raises(ingest.StoreError, match="is not a database") as caught:
        ingest.open_store(str(path))
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == before


def test_another_programs_database_is_no_store(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE wine (year)")
    connection.close()
    with pytest.raises(ingest.StoreError, match="is a database, but not a store of viscosity-spc"):
        ingest.open_store(str(path))


def test_a_store_of_a_newer_version_is_left_alone(any_store: ingest.Store) -> None:
    url = any_store._engine.url.render_as_string(hide_password=False)
    with any_store._engine.begin() as connection:
        connection.execute(
            sa.update(schema.META).where(schema.META.c.name == "schema_version").values(value="99")
        )
    with pytest.raises(ingest.StoreError, match="written by a newer version"):
        ingest.open_store(url)


def test_a_store_that_is_not_there_is_only_made_when_asked(tmp_path: Path) -> None:
    with pytest.raises(ingest.StoreError, match="There is no store at"):
        ingest.open_store(str(tmp_path / "none.sqlite"), create=False)
    assert not (tmp_path / "none.sqlite").exists()
    with pytest.raises(ingest.StoreError, match="is a folder, not a store"):
        ingest.open_store(str(tmp_path))


def test_an_address_without_sense_is_refused() -> None:
    with pytest.raises(ingest.StoreError, match="is not the address of a store"):
        ingest.open_store("://nonsense")
    with pytest.raises(ingest.StoreError, match="no database that can hold a store"):
        ingest.open_store("martian://here/there")


def test_the_environment_names_the_store(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("VISCOSITY_SPC_STORE", str(tmp_path / "env.sqlite"))
    ingest.open_store().close()
    assert (tmp_path / "env.sqlite").exists()
    monkeypatch.delenv("VISCOSITY_SPC_STORE")
    assert ingest.default_url().startswith("sqlite:///")


def test_a_full_disk_stores_nothing_and_says_so(store: ingest.Store, data: Path) -> None:
    store.add(ingest.read_file(data / "U1_latin1_semicolon_preamble.csv"))
    before = store.readings(aside=True)

    @sa.event.listens_for(store._engine, "checkout")
    def _no_more_pages(connection: sqlite3.Connection, _record: object, _proxy: object) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")

    lines = [f"2025-01-01T06:00,B{i},P,1,{1000 + i},{'x' * 200}" for i in range(2000)]
    with pytest.raises(ingest.StoreError, match=r"the disk is full.*nothing was stored"):
        store.add(reading(*lines))
    sa.event.remove(store._engine, "checkout", _no_more_pages)
    store._engine.dispose()
    assert store.readings(aside=True).equals(before)
    assert len(store.imports()) == 1


@pytest.mark.skipif(shutil.which("mount") is None, reason="needs a file system that can fill up")
def test_a_really_full_file_system_stores_nothing(tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(small)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("mounting a small file system is not allowed here")
    store = ingest.open_store(str(small / "s.sqlite"))
    try:
        store.add(reading("2025-01-01T06:00,B1,P,1,2000,"))
        lines = [f"2025-01-01T06:00,B{i},P,1,{1000 + i},{'x' * 200}" for i in range(5000)]
        with pytest.raises(ingest.StoreError, match="nothing was stored"):
            store.add(reading(*lines))
        store.close()
        store = ingest.open_store(str(small / "s.sqlite"))
        assert store.readings()["viscosity"].tolist() == [2000.0]
    finally:
        store.close()
        subprocess.run(["umount", "--lazy", str(small)], check=True)


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a signal of POSIX systems")
def test_a_killed_import_leaves_the_store_as_it_was(tmp_path: Path, data: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = ingest.open_store(str(path))
    store.add(ingest.read_file(data / "S02_zero_drift.csv"))
    before = store.readings(aside=True)
    store.close()
    program = (
        "import os, signal, sys, ingest\n"
        "store = ingest.open_store(sys.argv[1])\n"
        "kill = lambda done, total: os.kill(os.getpid(), signal.SIGKILL)\n"
        "store.add(ingest.read_file(sys.argv[2]), progress=kill)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", program, str(path), str(data / "F01_baseline_duplicates.csv")]
    )
    assert ended.returncode == -9
    store = ingest.open_store(str(path))
    assert store.readings(aside=True).equals(before)
    store.close()

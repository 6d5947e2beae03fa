"""Backup and restore: the same store afterwards, on either database, and nothing overwritten."""

import sqlite3
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa

import ingest
from ingest import schema


@pytest.fixture
def filled(any_store: ingest.Store, data: Path) -> ingest.Store:
    for name in ("F01_baseline_duplicates", "S02_zero_drift", "F01_baseline_duplicates"):
        any_store.add(ingest.read_file(data / f"{name}.csv"))
    any_store.add(ingest.read_file(data / "U6_overlap_export_and_retest.csv", {"product": "P"}))
    any_store.add_specification("P-100", lower=1800, valid_from=date(2025, 1, 1))
    ingest.exclude_batch(any_store, 1, "B003", "wrong spindle")
    ingest.undo_import(any_store, 2, "wrong file")
    return any_store


def content(store: ingest.Store) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, byte for byte."""
    with store.reading() as connection:
        return {
            table.name: sorted(
                (
                    tuple(bytes(v) if isinstance(v, memoryview) else v for v in row)
                    for row in connection.execute(sa.select(*table.columns))
                ),
                key=repr,
            )
            for table in schema.METADATA.sorted_tables
        }


def test_a_backup_restores_to_the_same_store(
    filled: ingest.Store, tmp_path: Path, postgres_url_or_none: str | None
) -> None:
    file = tmp_path / "backup.sqlite"
    ingest.backup(filled, file)
    assert sorted(path.name for path in tmp_path.glob("*backup*")) == ["backup.sqlite"]
    targets = [str(tmp_path / "again.sqlite")]
    if postgres_url_or_none and filled._engine.dialect.name == "sqlite":
        targets.append(postgres_url_or_none)
    for url in targets:
        restored = ingest.restore(file, url)
        assert content(restored) == content(filled)
        assert ingest.verify(restored) == []
        restored.add(ingest.read_bytes(b"batch,product,viscosity cP\nN1,P,5\n", "more.csv"))
        assert ingest.verify(restored) == []
        restored.close()


def test_a_store_that_holds_data_is_not_overwritten(
    filled: ingest.Store, any_url: str, tmp_path: Path
) -> None:
    file = tmp_path / "backup.sqlite"
    ingest.backup(filled, file)
    before = content(filled)
    with pytest.raises(ingest.StoreError, match="holds data already, so nothing was restored"):
        ingest.restore(file, any_url)
    assert content(filled) == before


def test_an_empty_store_takes_a_backup(
    any_store: ingest.Store, any_url: str, tmp_path: Path
) -> None:
    other = ingest.open_store(str(tmp_path / "other.sqlite"))
    other.add_specification("P", lower=1)
    ingest.backup(other, tmp_path / "b.sqlite")
    other.close()
    restored = ingest.restore(tmp_path / "b.sqlite", any_url)
    assert restored.specifications("P")[0].lower == 1
    restored.close()


def test_a_backup_file_is_not_overwritten(store: ingest.Store, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("something")
    with pytest.raises(ingest.StoreError, match="is there already: name a new file"):
        ingest.backup(store, tmp_path / "there")
    with pytest.raises(ingest.StoreError, match="There is no folder"):
        ingest.backup(store, tmp_path / "no" / "b.sqlite")
    assert (tmp_path / "there").read_text() == "something"


def test_a_damaged_backup_is_refused(store: ingest.Store, tmp_path: Path, data: Path) -> None:
    store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    ingest.backup(store, tmp_path / "b.sqlite")
    connection = sqlite3.connect(tmp_path / "b.sqlite")
    connection.execute("UPDATE results SET viscosity = 1 WHERE id = 7")
    connection.commit()
    connection.close()
    with pytest.raises(ingest.StoreError, match="is damaged, nothing was restored: Batch B004"):
        ingest.restore(tmp_path / "b.sqlite", str(tmp_path / "new.sqlite"))
    assert not (tmp_path / "new.sqlite").exists()
    with pytest.raises(ingest.StoreError, match="There is no backup"):
        ingest.restore(tmp_path / "none.sqlite", str(tmp_path / "new.sqlite"))

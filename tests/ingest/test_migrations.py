"""Stores of an older version: brought up to date when opened, or left exactly as they were."""

import sqlite3
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

import ingest
from ingest import batches, schema

FIRST_ROWS = """
INSERT INTO meta VALUES ('schema_version', '1');
INSERT INTO meta VALUES ('revision', '2');
INSERT INTO imports VALUES (1, '2025-01-01T00:00:00+00:00', 'old.csv', 'd', '',
    '{"rows_read": 4, "used": 3, "set_aside": {"below_range": 1}, "not_parsed": {},
      "duplicates": 0, "conflicts": 0, "blank_lines": 0, "closes": true}', '[]', '{}', 1);
INSERT INTO characteristics VALUES (1, 'P', 'product', '', 'S3', '20', '', '', '', '', 'S3');
INSERT INTO results (id, characteristic_id, batch, replicate, instrument, moment, variant,
    import_id, line, viscosity, received) VALUES
    (1, 1, 'B1', 1, 'V1', 100, 0, 1, 2, 2000.0, '2000'),
    (2, 1, 'B1', 2, 'V1', 200, 0, 1, 3, 2010.0, '2010'),
    (3, 1, 'B2', 1, 'V1', 300, 0, 1, 4, 1990.0, '1990'),
    (4, 1, 'B2', 2, 'V1', 400, 0, 1, 5, 15.0, '15');
INSERT INTO set_aside VALUES (4, 'below_range', 'torque 2 %', 1);
INSERT INTO specifications VALUES (1, 'P', 1800.0, 2200.0, NULL, '',
    '2025-01-01T00:00:00+00:00', 2);
"""


THIRD_ROWS = """
INSERT INTO meta VALUES ('schema_version', '3');
INSERT INTO meta VALUES ('revision', '1');
INSERT INTO imports VALUES (1, '2025-01-01T00:00:00+00:00', 'old.csv', 'd', 'lab',
    '{"rows_read": 1, "used": 1, "set_aside": {}, "not_parsed": {},
      "duplicates": 0, "conflicts": 0, "blank_lines": 0, "closes": true}', '[]', '{}', 1);
INSERT INTO characteristics VALUES (1, 'P', 'product', '', 'S3', '20', '', '', '', '', 'S3');
INSERT INTO results (id, characteristic_id, batch, replicate, instrument, moment, variant,
    import_id, line, viscosity, received) VALUES
    (1, 1, 'B1', 1, 'V1', 100, 0, 1, 2, 2000.0, '2000')
"""


def statements(*texts: str) -> Iterator[str]:
    for text in texts:
        yield from (part.strip() for part in text.split(";") if part.strip())


@pytest.fixture(params=["sqlite", "postgresql"])
def version_1(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store as version 1 of the tables left it, DDL kept as text."""
    return older_store(request, tmp_path, 1, FIRST_ROWS)


@pytest.fixture(params=["sqlite", "postgresql"])
def version_3(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store as version 3 of the tables left it, its batches left out."""
    return older_store(request, tmp_path, 3, THIRD_ROWS)


def older_store(request: pytest.FixtureRequest, tmp_path: Path, version: int, rows: str) -> str:
    data = Path(__file__).parent / "data"
    url = f"sqlite:///{tmp_path / 'old.sqlite'}"
    if request.param == "postgresql":
        url = request.getfixturevalue("postgres_url")
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        ddl = (data / f"version_{version}_{request.param}.sql").read_text()
        for statement in statements(ddl, rows):
            connection.execute(sa.text(statement.replace(":", r"\:")))
    engine.dispose()
    return url


def test_a_store_of_version_1_is_brought_up_to_date(version_1: str) -> None:
    store = ingest.open_store(version_1)
    batches = store.batches()
    assert batches["batch"].tolist() == ["B1", "B2"]
    assert batches["n"].tolist() == [2, 1]
    assert batches["mean"].tolist() == [2005.0, 1990.0]  # by hand from the rows above
    assert batches["range"].iloc[0] == 10.0
    assert store.readings(aside=True)["reason"].tolist() == ["", "", "", "below_range"]
    assert [one.lower for one in store.specifications("P")] == [1800.0]
    assert store.revision() == 2
    store.add_specification("P", lower=1850, valid_from=date(2025, 6, 1))
    store.close()
    again = ingest.open_store(version_1)
    assert again.batches()["mean"].tolist() == [2005.0, 1990.0]
    again.close()


def test_a_migrated_store_has_the_tables_of_a_new_one(version_1: str) -> None:
    store = ingest.open_store(version_1)
    with store.reading() as connection:
        assert differences(connection) == []
        assert columns_of(connection) == columns_of_metadata(connection)
    store.close()


def test_a_store_of_version_3_is_brought_up_to_date(version_3: str) -> None:
    store = ingest.open_store(version_3)
    with store.reading() as connection:
        assert differences(connection) == []
        assert columns_of(connection) == columns_of_metadata(connection)
    assert store.readings()["viscosity"].tolist() == [2000.0]
    assert ingest.remembered(store) == []
    assert store.imports()["source"].tolist() == ["lab"]
    store.close()


def test_a_new_store_has_the_tables_of_the_schema(any_store: ingest.Store) -> None:
    with any_store.reading() as connection:
        assert differences(connection) == []
        assert columns_of(connection) == columns_of_metadata(connection)


def differences(connection: sa.Connection) -> list[object]:
    """What alembic itself finds different between the database and the declared tables."""
    context = MigrationContext.configure(connection, opts={"compare_type": True})
    return list(compare_metadata(context, schema.METADATA))


def columns_of(connection: sa.Connection) -> dict[str, list[tuple[str, bool]]]:
    inspector = sa.inspect(connection)
    return {
        table: sorted(
            (column["name"], column["nullable"]) for column in inspector.get_columns(table)
        )
        for table in inspector.get_table_names()
    }


def columns_of_metadata(connection: sa.Connection) -> dict[str, list[tuple[str, bool]]]:
    return {
        table.name: sorted((column.name, bool(column.nullable)) for column in table.columns)
        for table in schema.METADATA.sorted_tables
    }


def test_a_migration_that_fails_leaves_the_old_store(
    version_1: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(connection: sa.Connection, keys: object, revision: int) -> None:
        raise ingest.StoreError("no more")

    monkeypatch.setattr(batches, "renew", fail)
    with pytest.raises(ingest.StoreError, match="no more"):
        ingest.open_store(version_1)
    engine = sa.create_engine(version_1)
    with engine.connect() as connection:
        tables = sa.inspect(connection).get_table_names()
        version = connection.exec_driver_sql("SELECT value FROM meta WHERE name='schema_version'")
        assert version.scalar_one() == "1"
    engine.dispose()
    assert "batches" not in tables
    monkeypatch.undo()
    store = ingest.open_store(version_1)
    assert len(store.batches()) == 2
    store.close()


def test_opening_for_reading_only_brings_it_up_to_date_too(version_1: str) -> None:
    store = ingest.open_store(version_1, create=False)
    assert len(store.batches()) == 2
    store.close()


def test_the_old_tables_are_those_of_version_1(tmp_path: Path) -> None:
    data = Path(__file__).parent / "data"
    connection = sqlite3.connect(tmp_path / "x.sqlite")
    connection.executescript((data / "version_1_sqlite.sql").read_text())
    names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    connection.close()
    assert "batches" not in names
    assert {"results", "set_aside", "repeated", "not_parsed", "meta"} <= names

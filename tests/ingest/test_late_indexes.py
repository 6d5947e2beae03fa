"""Indexes that are made behind the rows of a large file: the store ends up as with them before."""

import random
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import sqlalchemy as sa

import ingest
from ingest import late_indexes, result_rows, schema, text_blocks
from ingest.late_indexes import LateIndexes

HEAD = "timestamp,batch,product,replicate,viscosity cP,instrument,status"


def lines_of(first: int, batches: int, apart: int = 60) -> list[str]:
    """Duplicates of batches, in the order of time; so many seconds from one to the next."""
    return [
        f"{pd.Timestamp('2025-01-01') + pd.Timedelta(seconds=b * apart + 10 * (k % 2)):%FT%T},"
        f"B{b:05},P-{b % 7},{k},{2000 + (b * 7 + k) % 90},V1,valid"
        for b in range(first, first + batches)
        for k in (1, 2)
    ]


PLAIN = lines_of(0, 500)
SAME_MINUTE = [line[:14] + "00:00" + line[19:] for line in lines_of(0, 500, 5)]
OTHER_VALUE = PLAIN[3].replace(",200", ",201").replace(",207", ",208")
SHUFFLED = random.Random(7).sample(PLAIN, len(PLAIN))
UNDATED = [line[19:] for line in PLAIN]
FILES = {
    "in order": PLAIN,
    "newest first": PLAIN[::-1],
    "many rows at one time": SAME_MINUTE,
    "shuffled": SHUFFLED,
    "a row again at the end": [*PLAIN, PLAIN[3]],
    "a row again at once": [PLAIN[0], *PLAIN],
    "another value at the end": [*PLAIN, OTHER_VALUE],
    "no times": UNDATED,
    "a retest at once": [*PLAIN[:2], PLAIN[0].replace("00:00:10", "00:05:00"), *PLAIN[2:]],
    "set aside among them": [*PLAIN[:50], PLAIN[50].replace("valid", "invalid"), *PLAIN[51:]],
    "a name that would end a literal": [line.replace("V1", "V'1") for line in PLAIN],
}


def content(store: ingest.Store) -> dict[str, list[Any]]:
    """Every row of every table but the times of imports, and how the store is made."""
    found: dict[str, list[Any]] = {}
    with store.reading() as connection:
        for table in schema.METADATA.sorted_tables:
            columns = [c for c in table.columns if c.name not in ("at", "recorded_at")]
            rows = connection.execute(sa.select(*columns).order_by(*columns)).all()
            found[table.name] = [tuple(row) for row in rows]
        made = "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
        found["sqlite_master"] = [tuple(row) for row in connection.exec_driver_sql(made)]
    return found


def imported(folder: Path, name: str, *files: list[str]) -> dict[str, list[Any]]:
    """What a store holds after some files."""
    store = ingest.open_store(str(folder / name))
    for number, lines in enumerate(files):
        text = "\n".join([HEAD, *lines]) + "\n"
        assert store.add(ingest.read_bytes(text.encode(), f"{number}.csv")).account.closes
    held = content(store)
    assert ingest.verify(store) == []
    store.close()
    return held


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 12_000)


@pytest.mark.parametrize(
    ("kind", "before"),
    [*((kind, "nothing") for kind in FILES), ("in order", "earlier"), ("in order", "a part")],
)
def test_the_store_is_the_same_as_with_indexes_from_the_beginning(
    kind: str, before: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = {"nothing": [], "earlier": lines_of(-90, 80), "a part": FILES[kind][-60:]}[before]
    files = [first, FILES[kind]] if first else [FILES[kind]]
    usual = imported(tmp_path, "usual", *files)
    made: list[bool] = []
    make = LateIndexes.make

    def noted(self: LateIndexes) -> None:
        made.append(bool(self._waiting))
        make(self)

    monkeypatch.setattr(LateIndexes, "make", noted)
    monkeypatch.setattr(late_indexes, "_FEWEST", 500)
    monkeypatch.setattr(result_rows, "_MANY", 50)
    assert imported(tmp_path, "late", *files) == usual
    assert any(made), "no index was put off"
    if kind in ("in order", "newest first") and before != "a part":
        assert made[-1], "they were made before the last block"


def test_nothing_is_put_off_where_the_store_is_large(store: ingest.Store) -> None:
    with store.writing() as connection:
        assert not LateIndexes(connection, 60_000, 100_000)._waiting
        assert not LateIndexes(connection, 0, 10_000)._waiting
        late = LateIndexes(connection, 0, 100_000)
        assert late._waiting
        late.make()
        assert not late._waiting

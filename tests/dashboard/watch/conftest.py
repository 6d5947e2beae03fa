"""A store with an ordinary record, and a watch on it."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[3]))

import ingest
from tests.dashboard.watch.bench import Bench, make_plant
from tests.ingest.conftest import any_url, postgres_url

__all__ = ["any_url", "postgres_url"]  # fixtures, for the store on either database


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setenv("VISCOSITY_SPC_SOURCES", str(tmp_path / "sources.toml"))
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    make_plant(store)
    yield Bench(store, tmp_path / "watch.toml")
    store.close()

"""The small plant of this folder, made once for all its tests."""

from collections.abc import Iterator
from datetime import date

import pytest

import ingest
from tests.dashboard.review.small_plant import HOSTILE, fill, of, rows


@pytest.fixture(scope="session")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ingest.Store]:
    """The whole plant, with decisions."""
    store = fill(tmp_path_factory.mktemp("plant") / "plant.sqlite", rows())
    first = of(store, HOSTILE)
    ingest.exclude_batch(store, of(store, "P & Q"), "C010", "sampled twice <b>", by="Kim")
    about = (first, "means", "A038", "A050")
    action = ingest.record_event(
        store,
        *about,
        "action",
        "swap <i>the</i> filter",
        owner="Sam",
        due=date(2026, 3, 20),
        by="Kim",
    )
    done = ingest.record_event(
        store, *about, "action", "check lot R2", owner="Lee", due=date(2026, 3, 30), by="Kim"
    )
    ingest.record_event(store, *about, "action done", about=done.id, by="Lee")
    ingest.record_event(store, *about, "effect", "level back", about=done.id, by="Kim")
    assert action.id != done.id
    yield store
    store.close()

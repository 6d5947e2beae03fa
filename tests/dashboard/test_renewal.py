"""Judging again only what a change is about comes to what judging everything comes to."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

import ingest
from dashboard.assessment import assess_store, to_json
from dashboard.handling import MEANS
from dashboard.renewal import Judged, judge
from dashboard.rule_sets import DEFAULT_RULES

NOW = datetime(2025, 7, 1, tzinfo=UTC)
HEADER = "batch,product,replicate,viscosity,unit,instrument,tested_at,sample_type"


def rows(product: str, first: int, stop: int, level: float, sample_type: str = "product") -> bytes:
    random = np.random.default_rng([first, stop, int(level)])
    at = [np.datetime64("2025-03-01T06:00") + np.timedelta64(12 * i, "h") for i in range(stop)]
    lines = [
        f"B{i:03},{product},{k},{level + random.normal(0, 20):.0f},mPa.s,V1,{at[i]}Z,{sample_type}"
        for i in range(first, stop)
        for k in (1, 2)
    ]
    return "\n".join([HEADER, *lines, ""]).encode()


def bring(store: ingest.Store, content: bytes) -> int:
    return store.add(ingest.read_bytes(content, f"{len(content)}.csv", {})).import_id


@pytest.fixture
def store(tmp_path: Path):
    held = ingest.open_store(str(tmp_path / "store.sqlite"))
    for product, level in (("P-1", 1000), ("P-2", 2000), ("P-3", 3000)):
        bring(held, rows(product, 0, 40, level))
    bring(held, rows("S-500", 0, 30, 500, "check"))
    yield held
    held.close()


def number_of(store: ingest.Store, product: str) -> int:
    found = store.characteristics()
    return int(found.loc[found["product"] == product, "id"].iloc[0])


def specify(store: ingest.Store) -> None:
    store.add_specification("P-2", 1900, 2100, 2000, date(2025, 1, 1))


def freeze(store: ingest.Store) -> None:
    ingest.freeze_limits(
        store, number_of(store, "P-2"), center=2000, sigma=20, first_batch="B000",
        last_batch="B019", n=20, method="moving_range", why="settled", by="Kim",
    )  # fmt: skip


def leave_out(store: ingest.Store) -> None:
    ingest.exclude_batch(store, number_of(store, "P-2"), "B010", "charged twice", by="Kim")


def remark(store: ingest.Store) -> None:
    number = number_of(store, "P-2")
    ingest.record_event(store, number, MEANS, "B038", "B039", "remark", "looked at", by="Kim")


CHANGES: dict[str, tuple[Callable[[ingest.Store], object], set[str]]] = {
    "nothing": (lambda store: None, set()),
    "more batches": (lambda store: bring(store, rows("P-2", 40, 44, 2090)), {"P-2"}),
    "a new product": (lambda store: bring(store, rows("P-4", 0, 25, 4000)), {"P-4"}),
    "a specification": (specify, {"P-2"}),
    "frozen limits": (freeze, {"P-2"}),
    "a batch left out": (leave_out, {"P-2"}),
    "a record": (remark, {"P-2"}),
    "an import taken out": (
        lambda store: ingest.undo_import(store, 3, "wrong file", "Kim"),
        {"P-3"},
    ),
    "a contradiction": (lambda store: bring(store, rows("P-2", 5, 7, 2500)), {"P-2"}),
    "check readings": (
        lambda store: bring(store, rows("S-500", 30, 33, 600, "check")),
        {"P-1", "P-2", "P-3"},
    ),
    "the site's uncertainty": (
        lambda store: ingest.set_setting(store, "uncertainty_percent", 1.5, why="study", by="Kim"),
        {"P-1", "P-2", "P-3"},
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_renewed_is_as_judged_anew_and_the_rest_is_kept(store: ingest.Store, name: str) -> None:
    before = judge(store, DEFAULT_RULES, NOW)
    change, about = CHANGES[name]
    change(store)
    after = judge(store, DEFAULT_RULES, NOW, before)
    anew = assess_store(store, rules=DEFAULT_RULES, now=NOW)
    assert [to_json(one) for one in after.found] == [to_json(one) for one in anew]
    assert renewed_products(before, after) == about


def renewed_products(before: Judged, after: Judged) -> set[str]:
    kept = {id(one) for one in before.found}
    return {one.product for one in after.found if id(one) not in kept}


def test_changes_one_after_the_other(store: ingest.Store) -> None:
    judged = judge(store, DEFAULT_RULES, NOW)
    for change, _ in CHANGES.values():
        change(store)
        judged = judge(store, DEFAULT_RULES, NOW, judged)
        anew = assess_store(store, rules=DEFAULT_RULES, now=NOW)
        assert [to_json(one) for one in judged.found] == [to_json(one) for one in anew]


def test_other_rules_renew_all_of_them(store: ingest.Store) -> None:
    before = judge(store, DEFAULT_RULES, NOW)
    after = judge(store, "four-zone", NOW, before)
    assert {one.rule_set for one in after.found} == {"four-zone"}

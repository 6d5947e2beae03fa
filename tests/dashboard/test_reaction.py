"""What is asked of whom: from the demo plant's files, and with the site's own texts."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

import ingest
from dashboard.assessment import assess_store
from dashboard.reaction import PLAN, plan_of, tasks_of

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def drifting(tmp_path_factory):
    (path,) = DATA.glob("S02_*.csv")
    store = ingest.open_store(str(tmp_path_factory.mktemp("reaction") / "store.sqlite"))
    store.add(ingest.read_file(path))
    yield assess_store(store, now=datetime(2025, 4, 1, tzinfo=UTC))
    store.close()


def test_a_check_standard_outside_its_limits_is_asked_about_once_and_first(drifting):
    tasks = tasks_of(drifting, {})
    names = {
        standard.name
        for one in drifting
        for standard in one.check_standards
        if standard.in_order is False
    }
    asked = [task for task in tasks if task.key == "check_standard"]
    assert names
    assert len(asked) == len(names)
    assert tasks[: len(asked)] == asked
    assert all(task.since is not None and task.who == "QC lead" for task in asked)


def test_every_open_event_is_a_task_with_its_handling(drifting):
    tasks = tasks_of(drifting, {})
    events = [event for one in drifting for event in one.open_events]
    assert {id(task.event) for task in tasks if task.event} == {id(event) for event in events}
    assert {task.handling for task in tasks} == {"new"}


def test_the_sites_own_text_replaces_the_usual_one():
    plan = plan_of({"reaction_plan": {"slow_shift": {"step": "Call the shift.", "who": "Kim"}}})
    assert (plan["slow_shift"].step, plan["slow_shift"].who) == ("Call the shift.", "Kim")
    assert plan["check_standard"].who == "QC lead"


def test_the_plan_lets_nothing_go_and_corrects_no_recipe():
    words = " ".join(f"{one.step} {one.when}" for one in PLAN).lower()
    assert not {"safe", "release", "thinner", "thickener"} & set(words.split())


def test_a_newest_range_beyond_its_limit_is_asked_about(tmp_path):
    """Repeatability of 10: ranges of pairs stay below 40, the newest is 300."""
    rows = ["batch,product,replicate,viscosity,unit"]
    for i in range(24):
        apart = 300 if i == 23 else 5 + 10 * (i % 2)
        level = 2000 + 37 * (-1) ** i + 11 * (i % 3)
        rows += [f"K{i:02},P-1,1,{level},mPa.s", f"K{i:02},P-1,2,{level + apart},mPa.s"]
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    store.add(ingest.read_bytes("\n".join(rows).encode(), "x.csv", {}))
    found = assess_store(store, now=datetime(2025, 4, 1, tzinfo=UTC))
    (task,) = [one for one in tasks_of(found, {}) if one.key == "duplicates_range"]
    assert task.what.startswith("K23: readings 300 mPa·s apart")
    assert task.who == "analyst"
    store.close()

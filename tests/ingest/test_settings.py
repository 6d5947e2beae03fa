"""Settings of a site: the newest is in force, the journal knows the ones before."""

import json

import pytest

import ingest
from ingest import journal


def test_the_newest_setting_is_in_force(any_store: ingest.Store) -> None:
    assert ingest.settings(any_store) == {}
    before = any_store.revision()
    ingest.set_setting(any_store, "reaction_plan", {"range": "two more readings"}, by="Kim")
    ingest.set_setting(any_store, "check_interval_days", 1)
    ingest.set_setting(any_store, "check_interval_days", 2.5, by="Lee", why="weekend")
    assert ingest.settings(any_store) == {
        "reaction_plan": {"range": "two more readings"},
        "check_interval_days": 2.5,
    }
    assert any_store.revision() == before + 3
    with any_store.reading() as connection:
        entry = journal.entries(connection)[-1]
    assert (entry.who, entry.what, entry.why) == ("Lee", "setting changed", "weekend")
    assert (json.loads(entry.old), json.loads(entry.new)) == (1, 2.5)
    assert ingest.verify(any_store) == []


def test_a_setting_is_taken_out_of_force(store: ingest.Store) -> None:
    ingest.set_setting(store, "check_interval_days", 1)
    ingest.set_setting(store, "check_interval_days", None, why="not used here")
    assert ingest.settings(store) == {}


@pytest.mark.parametrize("value", [float("nan"), {1, 2}, object()])
def test_what_json_cannot_hold_is_refused(store: ingest.Store, value: object) -> None:
    with pytest.raises(ingest.IngestError, match="The setting x cannot hold"):
        ingest.set_setting(store, "x", value)
    assert ingest.settings(store) == {}


def test_a_setting_has_a_name(store: ingest.Store) -> None:
    with pytest.raises(ingest.IngestError, match="needs a name"):
        ingest.set_setting(store, " ", 1)

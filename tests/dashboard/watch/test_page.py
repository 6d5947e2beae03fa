"""The watch on the Set-up page, and the address that a message leads to."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard.results import CAUTION
from tests.dashboard.watch.bench import NOW, Bench, add_batches

APP = Path(__file__).parents[3] / "dashboard" / "app.py"
BOOK = '[watch]\nevery = "5 minutes"\n[watch.channels.book]\nkind = "file"\npath = "n.jsonl"\n'


@pytest.fixture
def watched(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    st.cache_data.clear()
    st.cache_resource.clear()
    monkeypatch.setenv("VISCOSITY_SPC_STORE", bench.store.url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", (NOW + timedelta(hours=3)).isoformat())
    add_batches(bench.store, [("HIGH-1", 2190.0), ("<b>OUT", 2300.0)], NOW)
    return bench.describe(BOOK)


def page(file: str, **query: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    for key, value in query.items():
        app.query_params[key] = value
    app.switch_page(f"views/{file}")
    return app.run()


def words(app: AppTest) -> str:
    kinds = ("markdown", "caption", "subheader", "title", "success", "error")
    return "\n".join(str(one.value) for kind in kinds for one in app.get(kind))


def test_before_the_first_look(watched: Bench) -> None:
    said = words(page("setup.py", part="watch"))
    assert "The watch has never looked at this store" in said
    assert "Nothing that the watch has noticed waits" in said
    assert CAUTION in said.replace("\\", "")


def test_it_shows_what_waits_and_takes_that_it_was_seen(watched: Bench) -> None:
    watched.now = datetime.now(UTC) - timedelta(minutes=1)
    watched.look(timedelta())
    app = page("setup.py", part="watch")
    assert not app.exception
    said = words(app).replace("\\", "")
    assert "The watch runs: it looked last on" in said
    assert "book: 1 message arrived" in said
    buttons = [one for one in app.button if one.label == "I have seen it"]
    waiting = [one for one in watched.run.ledger.known.values() if one.waits]
    assert len(buttons) == len(waiting) > 1
    event = next(one for one in waiting if one.matter.kind == "event")
    button = next(one for one in buttons if one.key == f"watch.seen.{event.key}")
    app = button.click().run()
    assert not app.exception
    assert "Acknowledged" in words(app)
    records = ingest.event_records(watched.store)
    assert [one.kind for one in records] == ["acknowledged"]  # on its chart as well
    assert len([one for one in app.button if one.label == "I have seen it"]) == len(waiting) - 1


def test_one_that_does_not_run_any_more_is_said(watched: Bench) -> None:
    watched.now = datetime.now(UTC) - timedelta(hours=2)
    watched.look(timedelta())
    said = words(page("setup.py", part="watch")).replace("\\", "")
    assert "The watch does not run: it looked last on" in said


def test_a_fault_in_its_description_is_said(watched: Bench) -> None:
    watched.file.write_text("[watch]\n")
    app = page("setup.py", part="watch")
    assert not app.exception
    assert "nobody is to be told" in words(app)


def test_the_address_of_an_event_leads_to_its_batch(watched: Bench) -> None:
    watched.look()
    event = next(
        one.matter for one in watched.run.ledger.known.values() if one.matter.first == "HIGH-1"
    )
    assert event.address.startswith("control-chart?characteristic=1&batch=")
    app = page("control_chart.py", characteristic="1", batch="HIGH-1")
    assert not app.exception
    names = app.selectbox(key="batch").options
    assert names[app.selectbox(key="batch").index].startswith("HIGH-1")
    assert any(one.label == "I have seen it" for one in app.button)

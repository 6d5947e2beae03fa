"""The overview: what it says first, what filters leave out, how old the last checks are."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard import front
from dashboard.assessment import assess_store, renewed
from dashboard.figures import LIGHT
from dashboard.serving import build_demo_store

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
DATA = Path(__file__).parent / "data"


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    url, as_of = build_demo_store(tmp_path_factory.mktemp("front") / "demo.sqlite")
    store = ingest.open_store(url)
    found = assess_store(store, now=as_of)
    yield store, found, pd.Timestamp(as_of), ingest.production_lines(store)
    store.close()


def test_cards_are_for_what_needs_a_person_and_the_table_for_the_rest(demo):
    _, found, now, _ = demo
    page = front.front(found, {}, now)
    cards = {card.one.product for card in page.cards}
    assert cards == {one.product for one in found if one.needs_a_person} == {"WB-240", "WB-360"}
    assert set(page.rest["Product"]) == {one.product for one in found} - cards
    assert page.n == len(found)
    assert page.filtered == ""
    for card in page.cards:
        assert [task.event for task in card.tasks if task.event] == list(card.one.open_events)
        newest = card.one.batches.tail(8)
        outside = newest["batch"][newest["in_specification"].eq(False)]
        told = [task.what for task in card.tasks if task.key == "outside_specification"]
        assert told == [f"{name} is outside its specification." for name in outside]
    assert "N4215 is outside its specification." in str(page.cards)


def test_the_newest_batches_are_named_with_their_verdict(demo):
    store, found, now, _ = demo
    page = front.front(found, {}, now)
    readings = store.readings()
    products = store.characteristics().query("sample_type == 'product'")["id"]
    newest = readings[readings["characteristic_id"].isin(products)]["batch"].iat[-1]
    assert page.newest[0].last_batch == newest
    times = [one.last_batch_at for one in page.newest]
    assert times == sorted(times, reverse=True)


def test_a_filter_says_what_it_leaves_out(demo):
    _, found, now, lines = demo
    page = front.front(found, {}, now, front.Filters(product=("WB-110",)), lines)
    assert page.headline == "All quiet"
    assert page.filtered == (
        "Shown are 1 of 3 charts: product WB-110. 2 of those not shown need a person."
    )
    none = front.front(found, {}, now, front.Filters(line=("no such line",)), lines)
    assert (none.headline, none.n) == ("Nothing to show", 0)


def test_filters_go_by_line_instrument_and_age(demo):
    store, found, now, lines = demo
    readings = store.readings()
    offered = front.choices(found, lines)
    assert offered["line"] == sorted(set(readings["line_name"]) - {""})
    for name in offered["line"]:
        wanted = set(readings.loc[readings["line_name"] == name, "characteristic_id"])
        page = front.front(found, {}, now, front.Filters(line=(name,)), lines)
        assert page.n == len(wanted & {one.characteristic_id for one in found})
    for name in offered["instrument"]:
        wanted = set(readings.loc[readings["instrument"] == name, "characteristic_id"])
        page = front.front(found, {}, now, front.Filters(instrument=(name,)), lines)
        assert page.n == len(wanted & {one.characteristic_id for one in found})
    later = now + pd.Timedelta(days=8)
    assert front.front(found, {}, later, front.Filters(period="7")).n == 0
    assert front.front(found, {}, later, front.Filters(period="30")).n == len(found)


def test_an_instrument_in_use_without_a_check_is_not_called_in_order(demo):
    _, found, now, _ = demo
    lines = {line.instrument: line for line in front.measuring_system(found, now)}
    checks = {s.instrument: s for one in found for s in one.check_standards}
    assert checks["V2"].in_order  # its last run was inside; four days of use followed
    assert lines["V2"].in_order is None
    assert "not checked for 4 days while in use" in lines["V2"].words
    # V1 read N4228 on 19 Nov; the newest batch of every product was read on V2
    assert lines["V1"].in_order is None
    assert "newest batch 19 Nov 2026" in lines["V1"].words
    soon = checks["V2"].last_at + pd.Timedelta(hours=5)
    fresh = {line.instrument: line for line in front.measuring_system(found, soon)}
    assert "days" not in fresh["V2"].words


def test_only_the_age_of_the_data_depends_on_the_clock(tmp_path):
    store = ingest.open_store(str(tmp_path / "s.sqlite"))
    store.add(ingest.read_file(DATA / "F01_baseline_duplicates.csv"))
    early, late = datetime(2025, 3, 17, 15, tzinfo=UTC), datetime(2025, 5, 17, 15, tzinfo=UTC)
    (fresh,) = assess_store(store, now=early)
    (old,) = assess_store(store, now=late)
    (renewed_one,) = renewed([fresh], late)
    assert (fresh.shown_states, old.shown_states) == (("quiet",), ("no fresh data",))
    assert renewed_one.shown_states == old.shown_states
    assert renewed_one.stale_sentence == old.stale_sentence
    assert renewed([fresh], early) == [fresh]
    store.close()


def test_pages_of_cards_cover_every_card_once():
    for n in (1, 9, 10, 11, 20, 21, 25):
        named = front.pages(n)
        first = [int(name.split("–")[0]) for name in named]
        last = [int(name.split("–")[-1]) for name in named]
        assert first[0] == 1
        assert last[-1] == n
        assert first[1:] == [one + 1 for one in last[:-1]]


def test_the_small_picture_carries_its_values_and_its_words(demo):
    _, found, _, _ = demo
    one = next(one for one in found if one.product == "WB-240")
    drawn = front.card_picture(one, LIGHT)
    assert "datasets" not in drawn
    lines = [layer for layer in drawn["layer"] if layer["mark"]["type"] == "line"]
    values = [row["value"] for row in lines[0]["data"]["values"]]
    assert np.allclose(values, one.batches["mean"].iloc[-len(values) :])
    assert one.product in drawn["description"]
    assert one.open_events[0].sentence in drawn["description"]


def open_app(store: ingest.Store, now: pd.Timestamp, monkeypatch, **address: str) -> AppTest:
    monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", now.isoformat())
    app = AppTest.from_file(str(APP), default_timeout=60)
    for name, value in address.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    return app


def test_the_address_holds_the_filters(demo, monkeypatch):
    store, _, now, _ = demo
    app = open_app(store, now, monkeypatch, product="WB-110")
    assert app.title[0].value == "All quiet"
    said = " ".join(one.value for one in app.markdown).replace("\\", "")
    assert "2 of those not shown need a person" in said
    app.button(key="filter.forget").click().run()
    assert app.title[0].value == "2 open events"
    assert "product" not in app.query_params


def test_an_empty_store_is_filled_with_the_invented_plant(tmp_path, monkeypatch):
    store = ingest.open_store(str(tmp_path / "new.sqlite"))
    monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", "2026-11-20T14:18:00+00:00")
    app = AppTest.from_file(str(APP), default_timeout=120).run()
    assert app.title[0].value == "Overview"
    app.button(key="demo.fill").click().run()
    assert not app.exception
    assert app.title[0].value == "2 open events"
    assert set(store.imports()["source"]) == {"demo plant"}
    store.close()

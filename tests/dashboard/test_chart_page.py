"""The control chart page as a person uses it, without a browser."""

from datetime import datetime
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard.catalog import CHARTS

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
DATA = Path(__file__).parent / "data"


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def store(own_demo: tuple[str, datetime], monkeypatch: pytest.MonkeyPatch) -> ingest.Store:
    url, as_of = own_demo
    monkeypatch.setenv("VISCOSITY_SPC_STORE", url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", as_of.isoformat())
    return ingest.open_store(url)


def open_chart() -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60)
    with pytest.MonkeyPatch.context() as patch:
        # a page can be gone to after a first run; without a store that run draws nothing else
        patch.setenv("VISCOSITY_SPC_STORE", "nowhere://")
        app.run()
    return app.switch_page("views/control_chart.py").run()


def said(app: AppTest) -> str:
    kinds = ("markdown", "caption", "error", "info", "warning")
    text = " ".join(one.value for kind in kinds for one in app.get(kind))
    return text.replace("\\", "").replace("**", "")


def test_every_chart_is_drawn(store: ingest.Store) -> None:
    app = open_chart()
    for row in CHARTS:
        app.selectbox(key="chart").select(row.key).run()
        assert not app.exception, row.key
        if row.needs_subgroups:
            app.selectbox(key="subgroups").select("day").run()
            assert not app.exception, row.key


def test_the_record_is_gone_along_by_keys(store: ingest.Store) -> None:
    app = open_chart()
    assert "(60). Draw across" in said(app)
    app.button(key="along.Earlier").click().run()
    assert "(60). Draw across" in said(app)
    assert not app.button(key="along.Later").disabled
    app.button(key="along.Closer").click().run()
    assert "(30). Draw across" in said(app)
    app.button(key="along.Later").click().run()
    app.button(key="along.Wider").click().run()
    assert "(60). Draw across" in said(app)
    assert not app.exception


def test_freezing_is_looked_at_refused_and_done(store: ingest.Store) -> None:
    app = open_chart()
    number = app.selectbox(key="characteristic").value
    assert "Batches with a signal: " not in said(app)  # worked out when it is opened
    app.session_state["freeze"] = True
    app.run()
    assert "Batches with a signal: " in said(app)
    freeze = next(one for one in app.button if one.label == "Freeze these limits")
    freeze.click().run()
    assert "Freezing limits needs a cause in words" in said(app)
    assert ingest.frozen_limits(store, number) == []
    app.text_area(key="freeze.why").input("first settled stretch")
    app.text_input(key="freeze.name").input("Kim Lead")
    next(one for one in app.button if one.label == "Freeze these limits").click().run()
    assert not app.exception
    (frozen,) = ingest.frozen_limits(store, number)
    assert (frozen.who, frozen.why) == ("Kim Lead", "first settled stretch")
    assert "Frozen by Kim Lead" in said(app)
    assert app.text_input(key="name").value == "Kim Lead"  # asked once


def test_an_event_is_acknowledged_by_name(store: ingest.Store) -> None:
    app = open_chart()
    number = app.selectbox(key="characteristic").value
    app.text_input(key="name").input("Kim Lead").run()
    button = next(one for one in app.button if one.label == "I have seen it")
    button.click().run()
    assert not app.exception
    (record,) = ingest.event_records(store, number)
    assert (record.kind, record.who) == ("acknowledged", "Kim Lead")
    assert "seen by Kim Lead" in said(app)
    assert button.key not in [one.key for one in app.button]

"""The Investigation page as a person uses it, without a browser."""

from datetime import date
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard.results import CAUTION
from dashboard.serving import build_demo_store

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
DATA = Path(__file__).parent / "data"


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ingest.Store:
    url, as_of = build_demo_store(tmp_path / "demo.sqlite")
    monkeypatch.setenv("VISCOSITY_SPC_STORE", url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", as_of.isoformat())
    return ingest.open_store(url)


@pytest.fixture
def scenario(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def use(name: str) -> ingest.Store:
        store = ingest.open_store(str(tmp_path / "lab.sqlite"))
        (path,) = DATA.glob(f"{name}_*.csv")
        store.add(ingest.read_file(path))
        monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
        return store

    return use


def open_page(**address: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.run()
    for key, value in address.items():
        app.query_params[key] = value
    return app.switch_page("views/investigation.py").run()


def said(app: AppTest) -> str:
    kinds = ("markdown", "caption", "error", "info", "warning", "subheader")
    text = " ".join(one.value for kind in kinds for one in app.get(kind))
    return text.replace("\\", "").replace("**", "")


def press(app: AppTest, label: str, number: int = 0) -> AppTest:
    found = [one for one in app.button if one.label.replace("\\", "") == label]
    return found[number].click().run()


def send(app: AppTest, form: str) -> AppTest:
    """Press the button of a form, on the page or in a dialog."""
    return next(one for one in app.button if one.form_id == form).click().run()


def test_the_answer_comes_first(demo: ingest.Store) -> None:
    app = open_page()
    assert not app.exception
    first = next(one.value for one in app.markdown).replace("\\", "")
    # The demo plant puts a stronger thickener lot in at N4162.
    assert "the process moved, check standard steady; coincides with lot T-306" in first
    assert "95 % interval from N4157" in said(app)
    assert CAUTION in said(app)


def test_the_address_names_product_and_event(demo: ingest.Store) -> None:
    app = open_page(characteristic="3", event="means.N4178")
    assert not app.exception
    assert app.selectbox(key="characteristic").value == 3
    assert app.selectbox(key="event").value == "means.N4178"
    assert "means.N4178" in app.query_params["event"]
    other = open_page(characteristic="5", event="means.N4178")
    assert not other.exception  # an event that the product does not have
    assert "Nothing has moved" in said(other)
    assert "there is nothing to try" in said(other)


def test_a_check_that_was_recorded_is_ticked(demo: ingest.Store) -> None:
    """Dialogs cannot be sent here; the browser test records one."""
    words = "Make one batch with the former lot — found: 1903 mPa·s with T-302"
    ingest.record_event(demo, 3, "means", "N4162", "N4232", "tried", words, by="Kim Lead")
    app = open_page(characteristic="3")
    assert "check_box: Make one batch with the former lot" in said(app)
    assert "Found: 1903 mPa·s with T-302 (Kim Lead" in said(app)
    opened = press(app, "Record what was found")
    assert opened.text_area(key="tried.found").label.startswith("What did it show?")


def test_a_conclusion_needs_a_class_and_words(demo: ingest.Store) -> None:
    app = open_page(characteristic="3", event="means.N4178")
    send(app, "conclusion")
    assert "Choose what it was" in said(app)
    app.selectbox(key="conclusion.class").select("measurement")
    send(app, "conclusion")
    assert "A conclusion needs words" in said(app)
    assert ingest.event_records(demo, 3) == []
    app.text_area(key="conclusion.words").input("the beaker was changed")
    app.text_input(key="conclusion.name").input("Kim Lead")
    send(app, "conclusion")
    assert not app.exception
    (record,) = ingest.event_records(demo, 3)
    assert (record.kind, record.words) == (
        "cause",
        "The measurement moved: the beaker was changed",
    )
    assert (record.first_batch, record.last_batch) == ("N4178", "N4232")
    assert "The data alone say otherwise: “The process moved”" in said(app)
    # seen on the control chart, too
    chart = app.switch_page("views/control_chart.py").run()
    assert "The measurement moved: the beaker was changed" in said(chart)


def test_an_action_its_end_and_its_effect(demo: ingest.Store) -> None:
    action = ingest.record_event(
        demo, 3, "means", "N4162", "N4232", "action", "send lot T-306 back", owner="Shift B",
        due=date(2026, 12, 1), by="Kim Lead",
    )  # fmt: skip
    app = open_page(characteristic="3")
    assert "owner Shift B" in said(app)
    press(app, "Done: send lot T-306 back")
    assert not app.exception
    assert "Not enough batches yet: 0 of 8" in said(app)
    # it was done before it was recorded: a person says from which batch on
    app.selectbox(key=f"effect.first.{action.id}").select("N4232").run()
    assert "Not enough batches yet: 1 of 8 since N4232" in said(app)
    assert not [one for one in app.button if one.label == "Record the effect"]
    first = app.selectbox(key=f"effect.first.{action.id}")
    first.select(first.options[13]).run()  # the newest batch stands first: 14 of them
    assert "not back on level" in said(app)
    press(app, "Record the effect")
    assert not app.exception
    assert any("not back on level" in one.value for one in app.text_area)


def test_names_are_shown_only_when_asked_for(scenario) -> None:
    scenario("S05")
    app = open_page()
    assert "operator 2" in said(app)
    assert "BM" not in said(app)
    app.toggle(key="investigation.names").set_value(True).run()
    assert not app.exception
    assert "operator BM" in said(app)


@pytest.mark.parametrize("name", [f"S{i:02}" for i in range(1, 13)] + ["F01", "F02"])
def test_every_scenario_is_shown(scenario, name) -> None:
    scenario(name)
    app = open_page()
    assert not app.exception
    assert CAUTION in said(app)
    assert ("Cannot tell process from measurement." in said(app)) == (
        name in ("S08", "S11", "S12") and "Cannot tell. " in said(app)
    )


def test_cannot_tell_is_said_plainly(scenario) -> None:
    scenario("S08")
    assert "No check standard is recorded for its instruments" in said(open_page())

"""The Review page, without a browser: every choice, making files, minuting."""

from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard.results import CAUTION
from dashboard.review.contents import contents_of
from dashboard.review.model import checksum
from dashboard.review.period import parse
from tests.dashboard.review.small_plant import HOSTILE, WEEK

APP = Path(__file__).parents[3] / "dashboard" / "app.py"
ONE_ROW = b"batch,product,viscosity,unit\nB1,P-1,2000,mPa.s\n"


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def copy(tmp_path, monkeypatch, plant):
    """A store of this test's own with the small plant in it."""
    url = str(tmp_path / "copy.sqlite")
    ingest.backup(plant, url)
    monkeypatch.setenv("VISCOSITY_SPC_STORE", url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", "2026-03-31T12:00:00+00:00")
    store = ingest.open_store(url)
    yield store
    store.close()


def page(**address: object) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=120)
    app.run()
    for key, value in address.items():
        app.query_params[key] = value
    app.switch_page("views/review.py").run()
    assert not app.exception
    return app


def words(app: AppTest) -> str:
    parts = [
        one.value
        for kind in ("title", "subheader", "markdown", "caption", "error", "warning", "success")
        for one in app.get(kind)
    ]
    return " ".join(parts).replace("\\", "").replace("**", "")


def test_the_page_shows_the_pack_in_the_order_of_the_agenda(copy) -> None:
    app = page(period=WEEK)
    told = words(app)
    contents = contents_of(copy, parse(WEEK))
    assert checksum(contents) in told
    assert CAUTION in told
    heads = [one.value for one in app.subheader]
    assert [head[:2] for head in heads[1:7]] == ["1.", "2.", "3.", "4.", "5.", "6."]
    for section in contents.sections:
        assert any(section.title in head for head in heads)
    shown = [one for one in app.get("html") if "<table" in one.proto.body]
    assert len(shown) == sum(bool(table.rows) for _, table in contents.tables)
    assert WEEK in app.query_params["period"]


def test_without_an_address_it_is_the_week_of_the_newest_batch(copy) -> None:
    app = page()
    assert "Week 14 of 2026" in words(app)  # of 30 March
    assert app.query_params.get("period") is None


def test_products_audience_and_period_come_from_the_address(copy) -> None:
    app = page(period="2026-03-10..2026-03-20", products=[HOSTILE], audience="summary")
    told = words(app)
    assert "10 Mar 2026 to 20 Mar 2026" in told
    contents = contents_of(copy, parse("2026-03-10..2026-03-20"), [HOSTILE], "summary")
    assert checksum(contents) in told
    app = page(period="next week")
    assert "'next week' is no period" in words(app)


def test_one_earlier_one_later_and_other_kinds(copy) -> None:
    app = page(period=WEEK)
    app.button(key="review.Earlier").click().run()
    assert "Week 11 of 2026" in words(app)
    app.button(key="review.Later").click().run()
    app.button(key="review.Later").click().run()
    assert "2026-W13" in app.query_params["period"]
    for kind, said in (("month", "Mar 2026"), ("quarter", "Quarter 1 of 2026"), ("own", "1 Jan")):
        (choice,) = [one for one in app.get("button_group") if "review.kind" in str(one.key)]
        choice.set_value(kind).run()
        assert not app.exception
        assert said in words(app), kind


def test_making_a_file_and_taking_it_away(copy) -> None:
    app = page(period=WEEK, audience="summary")
    for ending in (".html", ".pdf", ".xlsx"):
        app.button(key=f"review.make{ending}").click().run()
        assert not app.exception
    labels = [one.label for one in app.get("download_button")]
    assert labels == ["Download HTML", "Download PDF", "Download Excel"]


def test_minuting_a_decision_and_taking_it_back(copy) -> None:
    app = page(period=WEEK)
    app.text_area(key="review.decision").input("Keep R2 on <b>hold</b>")
    app.text_input(key="review.name").input("Kim")
    next(one for one in app.button if one.label == "Minute this decision").click().run()
    assert not app.exception
    (minute,) = ingest.minutes(copy)
    assert (minute.review, minute.words, minute.who) == (WEEK, "Keep R2 on <b>hold</b>", "Kim")
    assert "The decision is in the journal" in words(app)
    assert checksum(contents_of(copy, parse(WEEK))) in words(app)
    app.text_input(key="review.minute.why").input("said too early")
    next(one for one in app.button if one.label == "Take it back").click().run()
    assert ingest.minutes(copy) == []
    assert "taken back" in words(app)
    assert ingest.verify(copy) == []


def test_an_empty_minute_is_refused_in_words(copy) -> None:
    app = page(period=WEEK)
    next(one for one in app.button if one.label == "Minute this decision").click().run()
    assert "There is nothing to minute yet" in words(app)
    assert ingest.minutes(copy) == []


def test_the_time_zone_of_periods_is_kept_for_the_store(copy) -> None:
    app = page(period=WEEK)
    app.selectbox(key="review.zone.UTC").set_value("Europe/Berlin")
    next(one for one in app.button if one.label == "Keep this for the store").click().run()
    assert not app.exception
    assert "Europe/Berlin" in words(app)
    assert ingest.settings(copy)["reporting_time_zone"] == "Europe/Berlin"


@pytest.mark.parametrize("rows", [b"", ONE_ROW])
def test_stores_with_little_in_them(tmp_path, monkeypatch, rows) -> None:
    url = str(tmp_path / "little.sqlite")
    store = ingest.open_store(url)
    if rows:
        store.add(ingest.read_bytes(rows, "one.csv"))
    monkeypatch.setenv("VISCOSITY_SPC_STORE", url)
    app = page()
    assert "Nothing here yet" in words(app) if not rows else CAUTION in words(app)
    store.close()

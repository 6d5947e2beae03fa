"""One batch traced: every step against the file it came from, and against sums done by hand."""

import csv
import json
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard import batch_trace, changes, verdicts
from dashboard.assessment import assess_store
from dashboard.results import CAUTION

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
DATA = Path(__file__).parent / "data"
BASELINE = DATA / "F01_baseline_duplicates.csv"
NOW = datetime(2025, 4, 1, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def store(tmp_path):
    opened = ingest.open_store(str(tmp_path / "store.sqlite"))
    opened.add(ingest.read_file(BASELINE))
    yield opened
    opened.close()


def traced(store, batch="B005", **options):
    (one,) = [one for one in assess_store(store, now=NOW) if one.product == "P-100"]
    return batch_trace.trace(store, one, batch, **options)


def step(trace, title):
    return next(section for section in trace.sections if section.title.startswith(title))


def facts(section):
    return dict(section.table.itertuples(index=False))


def test_rows_are_those_of_the_file(store):
    with BASELINE.open(newline="") as file:
        lines = [
            (n, row) for n, row in enumerate(csv.DictReader(file), 2) if row["batch"] == "B005"
        ]
    trace = traced(store)
    received = step(trace, "Rows as received").table.set_index("What")
    parsed = step(trace, "Rows as parsed").table.set_index("What")
    assert received.loc["Line"].tolist() == [str(n) for n, _ in lines]
    assert received.loc["File"].tolist() == [BASELINE.name] * 2
    wanted = [
        float(next(v for k, v in row.items() if k.startswith("viscosity"))) for _, row in lines
    ]
    assert [float(value) for value in parsed.loc["Viscosity, mPa·s"]] == wanted
    assert parsed.loc["Used"].tolist() == ["yes", "yes"]


def test_people_are_numbered_unless_a_question_needs_them(store):
    hidden = step(traced(store), "Rows as parsed").table.set_index("What").loc["Operator"]
    named = step(traced(store, show_operators=True), "Rows as parsed").table.set_index("What")
    assert set(hidden) == {"operator 1"}
    assert set(named.loc["Operator"]) == {"AK"}


def test_agreement_uses_the_repeatability_of_the_other_batches(store):
    """Standard deviation of pairs by hand: square root of the mean of half the squared ranges."""
    readings = store.readings()
    pairs = readings.groupby("batch")["viscosity"].agg(["min", "max"])
    ranges = (pairs["max"] - pairs["min"]).drop("B005")
    s_r = float(np.sqrt((ranges**2 / 2).mean()))
    said = " ".join(step(traced(store), "Agreement").said)
    assert f"{s_r:.1f} mPa·s of 29 batches without this one" in said
    assert f"critical range {2.8 * s_r:.1f} mPa·s" in said
    own = pairs.loc["B005"]
    agree = "agree" if own["max"] - own["min"] <= 2.8 * s_r else "do not agree"
    assert f"The readings {agree}." in said


def test_without_decisions_it_says_so(store):
    trace = traced(store)
    assert "nothing was changed" in step(trace, "Decisions").said[0]
    assert "not frozen" in step(trace, "Limits").said[0]
    assert "no measurement uncertainty" not in trace.summary  # no specification at all
    assert "whether the measurement moved is open" in step(trace, "Check standard").said[0]


def test_verdict_names_uncertainty_and_specification_version(store):
    store.add_specification("P-100", lower=1800, upper=2200, by="Kim Example", why="contract 7")
    store.add_specification(
        "P-100", lower=1900, upper=2100, valid_from=date(2030, 1, 1), by="Kim Example", why="later"
    )
    held = {"*": {"standard_percent": 1.8, "source": "validation 3", "date": "2025-01-02"}}
    ingest.set_setting(store, verdicts.UNCERTAINTY, held, by="Kim Example", why="first")
    trace = traced(store)
    told = facts(step(trace, "Verdict"))
    assert "1800–2200" in told["Specification, mPa·s"]
    assert "Kim Example: contract 7" in told["Specification recorded"]
    assert told["Uncertainty"] == (
        "standard uncertainty 1.8 % of the result, validation 3, 2025-01-02"
    )
    assert "specification 1800–2200" in trace.summary


def test_changes_since_are_told_with_old_new_who_and_why(store):
    number = int(store.characteristics()["id"].iat[0])
    ingest.exclude_batch(store, number, "B005", "wrong spindle", by="Kim Example")
    ingest.exclude_batch(store, number, "B006", "other matter", by="Kim Example")
    ingest.include_batch(store, number, "B005", "spindle was right", by="Lee Example")
    ingest.record_event(
        store, number, "means", "B004", "B007", "cause", "bath was cold", by="Lee Example"
    )
    section = step(traced(store), "Decisions")
    assert len(section.table) == 3
    joined = [" ".join(row) for row in section.table.itertuples(index=False)]
    assert "wrong spindle" in joined[0]
    assert "Kim Example" in joined[0]
    assert "excluded no → cause wrong spindle; excluded yes" in joined[0]
    assert "Lee Example" in joined[1]
    assert "bath was cold" in joined[2]
    assert not any("other matter" in one for one in joined)
    assert "3 of them after the first row" in section.said[0]


def test_frozen_limits_tell_that_they_came_later_than_the_batch(store):
    number = int(store.characteristics()["id"].iat[0])
    ingest.freeze_limits(
        store,
        number,
        center=2000.0,
        sigma=70.0,
        first_batch="B001",
        last_batch="B020",
        n=20,
        method="moving_range",
        why="first stable stretch",
        by="Kim Example",
    )
    section = step(traced(store), "Limits")
    told = facts(section)
    assert (told["Lower limit, mPa·s"], told["Upper limit, mPa·s"]) == ("1790", "2210")
    assert told["Why"] == "first stable stretch"
    assert "frozen after this batch was tested" in " ".join(section.said)


def test_check_runs_before_and_after_are_the_nearest_in_time(tmp_path):
    (path,) = DATA.glob("S02_*.csv")
    store = ingest.open_store(str(tmp_path / "drift.sqlite"))
    store.add(ingest.read_file(path))
    one = next(one for one in assess_store(store, now=NOW) if one.check_standards)
    batch = one.last_batch
    rows = store.readings(one.characteristic_id, batch=batch)
    at, instrument = rows["at"].min(), rows["instrument"].iat[0]
    table = step(batch_trace.trace(store, one, batch), "Check standard").table.set_index("What")
    runs = store.readings()
    for standard in one.check_standards:
        mine = runs[
            runs["characteristic_id"].isin(
                store.characteristics().query("product == @standard.name")["id"]
            )
            & (runs["instrument"] == instrument)
        ]
        before = mine[mine["at"] <= at]["at"].max()
        told = table.loc["Before", f"{standard.name} on {standard.instrument}"]
        assert f"{before.day} " in told
    store.close()


def test_a_batch_without_a_used_reading_is_traced_too(tmp_path):
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    rows = [f"K{i},P-1,{2000 + i},mPa.s,valid" for i in range(1, 10)]
    rows.append("K99,P-1,2100,mPa.s,invalid")
    text = "\n".join(["batch,product,viscosity,unit,status", *rows])
    store.add(ingest.read_bytes(text.encode(), "x.csv", {}))
    (one,) = assess_store(store, now=NOW)
    names = batch_trace.batches_of(one, store.readings(one.characteristic_id, aside=True))
    assert names == ["K9", "K8", "K7", "K6", "K5", "K4", "K3", "K2", "K1", "K99"]
    trace = batch_trace.trace(store, one, "K99")
    assert not trace.charted
    assert "none of them used" in trace.summary
    parsed = step(trace, "Rows as parsed").table.set_index("What")
    assert parsed.loc["Used"].iat[0].startswith("no: ")
    store.close()


def test_only_what_differs_is_told_of_a_change():
    old = json.dumps({"lower": 1.0, "upper": 2.0, "kept": "x"})
    new = json.dumps({"lower": 1.5, "upper": 2.0, "kept": "x"})
    assert changes.in_words(old, new) == ("lower 1", "lower 1.5")
    assert changes.in_words("null", json.dumps({"cause": "a"})) == ("–", "cause a")


def test_the_whole_trace_is_one_table_for_a_file(store):
    table = traced(store).as_table()
    assert list(table.columns) == ["Step", "What", "Recorded"]
    assert set(table["Step"]) == {"Batch", *(section.title for section in traced(store).sections)}


def open_batch(store, monkeypatch, **address):
    monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", NOW.isoformat())
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    for name, value in address.items():
        app.query_params[name] = value
    app.switch_page("views/batch.py").run()
    assert not app.exception
    return app


def test_the_address_leads_to_the_batch_and_the_number_alone_finds_it(store, monkeypatch):
    number = str(store.characteristics()["id"].iat[0])
    app = open_batch(store, monkeypatch, characteristic=number, batch="B005")
    assert app.subheader[0].value.replace("\\", "") == "P-100, batch B005"
    assert app.query_params["batch"] in ("B005", ["B005"])
    app.text_input(key="trace.search").input("b017").run()
    app.button(key=f"hit-{number}-0").click().run()
    assert not app.exception
    assert app.subheader[0].value.replace("\\", "") == "P-100, batch B017"
    assert CAUTION in [one.value for one in app.caption]
    app.text_input(key="trace.search").input("no such number").run()
    said = " ".join(one.value for one in app.markdown)
    assert "No batch has no such number in its number" in said

"""The pages on capability, the measuring system and the set-up: every part on every store."""

from datetime import date
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard import drawing, figures, setup_files, site_setup, widgets
from dashboard.results import CAUTION
from dashboard.setup_tables import TABLES

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
DATA = Path(__file__).parent / "data"
ONE_ROW = b"batch,product,viscosity,unit\nB1,P-1,2000,mPa.s\n"
MEASURING = ("checks", "repeatability", "instruments", "torque", "gauge")
SET_UP = (*(table.key for table in TABLES), "sources", "watch", "file", "journal")
STUDY = b"part,appraiser,value\n" + b"".join(
    f"{part},{who},{100 * part + 3 * trial + who_at}\n".encode()
    for part in range(1, 6)
    for who_at, who in enumerate(("AK", "BM"))
    for trial in (0, 1)
)


@pytest.fixture(autouse=True, scope="module")
def _fresh_caches() -> None:
    """Once: each test has a store of its own, or one that all of them only look at."""
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def use(tmp_path, monkeypatch, demo):
    """Let the pages have a store: "empty", "tiny", "demo" (a copy), or files."""

    def _use(kind: str = "", *files: Path) -> ingest.Store:
        url, as_of = str(tmp_path / "store.sqlite"), ""
        if kind == "demo":
            held = ingest.open_store(demo[0])
            ingest.backup(held, url)
            held.close()
            as_of = demo[1]
        store = ingest.open_store(url)
        if kind == "tiny":
            store.add(ingest.read_bytes(ONE_ROW, "one.csv"))
        for file in files:
            store.add(ingest.read_file(file))
        monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
        monkeypatch.setenv("VISCOSITY_SPC_AS_OF", as_of)
        return store

    return _use


def page(file: str, **address: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=90)
    with pytest.MonkeyPatch.context() as patch:
        # a page can be gone to after a first run; without a store that run draws nothing else
        patch.setenv("VISCOSITY_SPC_STORE", "nowhere://")
        app.run()
    for key, value in address.items():
        app.query_params[key] = value
    return app.switch_page(f"views/{file}").run()


def words(app: AppTest) -> str:
    parts = [
        one.value
        for kind in ("title", "subheader", "markdown", "caption", "error", "info", "success")
        for one in app.get(kind)
    ]
    return " ".join(parts).replace("\\", "").replace("**", "")


def enter(app: AppTest, table: str, **values: object) -> None:
    for name, value in values.items():
        key = f"form.{table}.{name}"
        if isinstance(value, date):
            app.date_input(key=key).set_value(value)
        else:
            (app.text_input if isinstance(value, str) else app.number_input)(key=key).set_value(
                value
            )
    next(one for one in app.button if one.label == "Put into the table").click().run()


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory, demo) -> dict[str, tuple[str, str]]:
    """Stores that nothing is changed in, by kind: address and time."""
    found = {"demo": demo}
    for kind in ("empty", "tiny"):
        store = ingest.open_store(str(tmp_path_factory.mktemp(kind) / "store.sqlite"))
        if kind == "tiny":
            store.add(ingest.read_bytes(ONE_ROW, "one.csv"))
        found[kind] = (store.url, "")
        store.close()
    return found


@pytest.mark.parametrize("kind", ["empty", "tiny", "demo"])
@pytest.mark.parametrize(
    ("file", "part"),
    [
        ("capability.py", ""),
        *(("measuring_system.py", part) for part in MEASURING),
        *(("setup.py", part) for part in SET_UP),
    ],
)
def test_every_part_on_every_store(looked_at, monkeypatch, kind, file, part) -> None:
    monkeypatch.setenv("VISCOSITY_SPC_STORE", looked_at[kind][0])
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", looked_at[kind][1])
    app = page(file, **({"part": part} if part else {}))
    assert not app.exception
    assert not app.error
    assert len(app.title) == 1
    said = words(app)
    if kind == "empty":
        assert "The store holds no readings" in said
    elif file != "setup.py":
        assert CAUTION in said


def test_capability_of_the_demo_says_what_stands_against_it(use) -> None:
    use("demo")
    app = page("capability.py")
    said = words(app)
    assert "Performance only, no capability." in said
    assert "3 of 130 batches beyond the control limits." in said
    assert "1.33 cannot be claimed" in said
    assert "The index fell" in said
    app.segmented_control(key="periods").set_value("month").run()
    assert not app.exception
    assert "No period has 30 batches" in words(app)
    app.number_input(key="claim").set_value(1.0).run()
    assert "If Ppk 1.11 stays as it is" in words(app)


def test_a_look_at_the_distribution_is_recorded_and_taken_back(use) -> None:
    store = use("demo")
    app = page("capability.py")
    app.text_input(key="name").input("Kim")
    app.button(key="seen").click().run()
    assert "Looked at by Kim on 2026-11-20." in words(app)
    app.button(key="seen.undo").click().run()
    assert "Looked at by" not in words(app)
    entries, faults = ingest.journal_table(store)
    assert entries["who"].tolist()[-2:] == ["Kim", "Kim"]
    assert faults == []


def test_left_out_batches_are_said_on_the_page(use) -> None:
    store = use("demo")
    number = int(store.characteristics().query("product == 'WB-240'")["id"].iat[0])
    ingest.exclude_batch(store, number, "N4162", "trial of a new lot", by="Kim")
    app = page("capability.py")
    assert "1 batch left out with a cause does not count here; with it Ppk" in words(app)
    assert any("trial of a new lot" in one.value.to_numpy() for one in app.dataframe)


def test_a_certificate_is_entered_and_both_verdicts_appear(use) -> None:
    store = use("demo")
    app = page("measuring_system.py")
    assert "No certificate is entered for it" in words(app)
    app = page("setup.py", part="check_standards")
    enter(
        app, "check_standards", name="CF-2000", lot="F-2607", certified_value=1996.0,
        expanded_uncertainty=12.0, temperature=25.0,
    )  # fmt: skip
    app.button(key="save.check_standards").click().run()
    assert not app.exception
    assert [one.lot for one in ingest.check_standards(store)] == ["F-2607"]
    app = page("setup.py", part="instruments")
    enter(app, "instruments", instrument="V1", percent_of_full_scale=1.0)
    app.button(key="save.instruments").click().run()
    app = page("measuring_system.py")
    table = next(one.value for one in app.dataframe if "Own chart" in one.value)
    row = table[table["Check"] == "CF-2000 on V1"].iloc[0]
    # certificate 12 and 1 % of the full scale of 2500: 1996 ± 37
    assert row["Tolerance, mPa·s"] == "1959–2033"
    assert (row["Tolerance"], row["Own chart"]) == ("inside", "inside")


def test_a_service_is_recorded_drawn_and_taken_back(use) -> None:
    store = use("demo")
    app = page("measuring_system.py", part="checks")
    app.selectbox(key="service.instrument").set_value("V1")
    app.date_input(key="service.on").set_value(date(2026, 10, 2))
    app.text_input(key="service.words").set_value("bath pump exchanged")
    app.text_input(key="service.name").set_value("Kim Example")
    next(one for one in app.button if one.label == "Record").click().run()
    [one] = ingest.services(store)
    assert (one.instrument, one.on, one.who) == ("V1", date(2026, 10, 2), "Kim Example")
    assert "bath pump exchanged" in str([table.value.to_dict() for table in app.dataframe])
    app.text_input(key="service.why").set_value("it was V2")
    next(one for one in app.button if one.label == "Take back").click().run()
    assert ingest.services(store) == []
    assert not app.exception


@pytest.mark.parametrize(
    ("file", "part", "least"),
    [
        ("capability.py", "", 3),
        ("measuring_system.py", "checks", 1),
        ("measuring_system.py", "repeatability", 2),
        ("measuring_system.py", "instruments", 1),
    ],
)
def test_every_figure_can_be_saved_as_a_picture(use, monkeypatch, file, part, least) -> None:
    use("demo")
    saved = []
    monkeypatch.setattr(widgets, "save", lambda make, *rest: saved.append(make()))
    assert not page(file, **({"part": part} if part else {})).exception
    assert len(saved) >= least
    for panels in saved:
        svg = drawing.picture(panels, "svg", figures.LIGHT).decode()
        assert svg.startswith("<svg")
        assert svg.count("<path") > 3
        assert svg.count("<text") > 3


def test_overdue_dates_are_said_in_words(use) -> None:
    store = use("demo")
    ingest.set_setting(store, "calibration", {"V1": "2026-11-08"})
    ingest.set_setting(store, "check_interval_days", 2)
    said = words(page("measuring_system.py"))
    assert "V1: calibration overdue by 12 days, due on 8 Nov 2026." in said
    assert "V2: last checked on 16 Nov 2026: the check is overdue by 2 days." in said


def test_operators_have_numbers_until_somebody_asks(use) -> None:
    use("demo")
    app = page("measuring_system.py", part="repeatability")

    def shown() -> set[str]:
        return {
            str(name)
            for one in app.dataframe
            if "Operator" in one.value
            for name in one.value["Operator"]
        }

    assert shown() == {"operator 1", "operator 2", "operator 3", "operator 4"}
    app.toggle(key="operators.names").set_value(True).run()
    assert shown() == {"HV", "RD", "LK", "JÄ"}


def test_a_gauge_study_is_uploaded_and_not_kept(use) -> None:
    store = use("demo")
    before = store.revision()
    app = page("measuring_system.py", part="gauge")
    app.file_uploader(key="gauge.file").upload("study.csv", STUDY, "text/csv").run()
    assert not app.exception
    assert "5 parts, 2 appraisers, 2 readings of each part by each" in words(app)
    assert "Without a tolerance" in words(app)
    app.selectbox(key="gauge.tolerance.of").select("as typed").run()
    app.number_input(key="gauge.tolerance").set_value(100.0).run()
    assert "of the tolerance of 100.0" in words(app)
    assert store.revision() == before


@pytest.mark.parametrize("raw", [b"", b"a,b\n1,2\n", b"part,value\n1,10\n2,20\n"])
def test_what_is_no_gauge_study_is_one_sentence(use, raw) -> None:
    use("tiny")
    app = page("measuring_system.py", part="gauge")
    app.file_uploader(key="gauge.file").upload("x.csv", raw, "text/csv").run()
    assert not app.exception
    assert len(app.error) == 1
    assert "\n" not in app.error[0].value


def test_a_change_is_set_back_from_the_journal(use) -> None:
    store = use("tiny")
    ingest.set_setting(store, "check_interval_days", 3.0, by="Kim")
    app = page("setup.py", part="journal")
    assert "1 entry; the chain is whole" in words(app)
    app.text_input(key="name.undo").input("Lee")
    app.button(key="undo").click().run()
    assert "Entry 1 is set back by a new entry." in words(app)
    assert ingest.settings(store) == {}
    app.button(key="verify").click().run()
    assert "Journal, batches and accounts all agree." in words(app)


def test_a_broken_chain_is_said(use) -> None:
    store = use("tiny")
    ingest.set_setting(store, "check_interval_days", 3.0, by="Kim")
    with store.writing() as connection:
        connection.exec_driver_sql("UPDATE journal SET who = 'nobody'")
    app = page("setup.py", part="journal")
    assert "entry 1 was changed after it was written" in app.error[0].value


def test_a_file_shows_its_difference_before_it_is_applied(use) -> None:
    store = use("tiny")
    store.add_specification("P-1", 1800, 2200)
    setup = site_setup.read_setup(store)
    changed = setup_files.to_toml(setup).replace("upper = 2200.0", "upper = 2150.0")
    app = page("setup.py", part="file")
    app.file_uploader(key="setup.file").upload("s.toml", changed.encode(), "text/plain").run()
    assert "Upper limit, mPa·s 2200 → 2150" in words(app)
    assert store.specifications("P-1")[-1].upper == 2200
    app.button(key="save.file").click().run()
    assert store.specifications("P-1")[-1].upper == 2150
    app = page("setup.py", part="file")
    same = setup_files.to_toml(site_setup.read_setup(store)).encode()
    app.file_uploader(key="setup.file").upload("s.toml", same, "text/plain").run()
    assert "says what is in the store already" in words(app)


def test_own_rules_are_offered_on_the_control_chart(use) -> None:
    store = use("demo")
    ingest.set_setting(
        store, "own_rules", {"rules": ["beyond_3_sigma", "8_on_one_side"], "with_ewma": False}
    )
    app = page("setup.py", part="rules")
    assert "one false alarm in 153 batches" in words(app)
    app = page("control_chart.py")
    app.selectbox(key="rules").select("own:beyond_3_sigma+8_on_one_side").run()
    assert not app.exception
    app.switch_page("views/overview.py").run()
    assert not app.exception


def test_names_from_a_set_up_are_never_markup(use) -> None:
    store = use("tiny")
    name = "![x](http://example.invalid/a.png)"
    ingest.add_product(store, name)
    ingest.add_check_standard(store, ingest.CheckFluid(name, name, 1.0, 1.0))
    store.add_specification(name, 1, 2)
    for part in SET_UP:
        app = page("setup.py", part=part)
        assert not app.exception
        for kind in ("markdown", "subheader", "caption", "title", "info"):
            assert not [one.value for one in app.get(kind) if "![x](" in one.value]

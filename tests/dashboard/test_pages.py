"""Every page on every kind of store, and the stories of the people who use them."""

import io
import pickle
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard import cache, escaping
from dashboard.assessment import DEFAULT_RULES, to_json
from dashboard.catalog import CHARTS, PAGES, STATE_FORMS
from dashboard.results import CAUTION, NOT_FRESH, STATES

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
DATA = Path(__file__).parent / "data"
FILES = Path(__file__).parents[1] / "ingest" / "data"
VERDICTS = ("overview.py", "control_chart.py", "capability.py", "measuring_system.py", "batch.py")
ONE_ROW = "batch,product,viscosity,unit\nB1,P-1,2000,mPa.s\n"


@pytest.fixture(autouse=True, scope="module")
def _fresh_caches() -> None:
    """Once: each test has a store of its own, or one that all of them only look at."""
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Make a store of files and let the pages have it."""

    def _use(*files: Path | str, as_of: str = "") -> ingest.Store:
        path = tmp_path / "store.sqlite"
        store = ingest.open_store(str(path))
        for file in files:
            reading = (
                ingest.read_file(file)
                if isinstance(file, Path)
                else ingest.read_bytes(file.encode(), "one.csv")
            )
            store.add(reading)
        monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
        monkeypatch.setenv("VISCOSITY_SPC_AS_OF", as_of)
        return store

    return _use


def open_page(file: str = "overview.py", **address: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60)
    if file == "overview.py":
        app.run()
    else:
        with pytest.MonkeyPatch.context() as patch:
            # a page can be gone to after a first run; without a store that draws nothing else
            patch.setenv("VISCOSITY_SPC_STORE", "nowhere://")
            app.run()
        for key, value in address.items():
            app.query_params[key] = value
        app.switch_page(f"views/{file}").run()
    return app


def words(app: AppTest) -> str:
    """Everything that a page says in plain text, without the marks of Markdown."""
    parts = [
        one.value for kind in ("title", "subheader", "markdown", "caption") for one in app.get(kind)
    ]
    parts += [one.value for kind in ("error", "info") for one in app.get(kind)]
    return " ".join(parts).replace("\\", "").replace("**", "")


def table_with(app: AppTest, column: str) -> pd.DataFrame:
    """The plain table of a page that has this column."""
    return next(one.value for one in app.table if column in one.value)


@pytest.mark.parametrize("page", [row.file for row in PAGES])
@pytest.mark.parametrize("kind", ["empty", "one row", "dirty file", "demo"])
def test_every_page_on_every_store(page, kind, use, demo, monkeypatch) -> None:
    if kind == "demo":
        monkeypatch.setenv("VISCOSITY_SPC_STORE", demo[0])
        monkeypatch.setenv("VISCOSITY_SPC_AS_OF", demo[1])
    else:
        given = {
            "empty": [],
            "one row": [ONE_ROW],
            "dirty file": [FILES / "U1_latin1_semicolon_preamble.csv"],
        }
        use(*given[kind])
    app = open_page(page)
    assert not app.exception
    assert len(app.title) == 1
    said = words(app)
    if kind == "empty" and page != "import_file.py":
        assert "The store holds no readings" in said
        assert any("viscosity-spc demo" in one.value for one in app.code)
    elif page in VERDICTS:
        assert CAUTION in said


def test_more_batches_than_the_screen_has_points(use) -> None:
    values = 2000 + 50 * np.random.default_rng(11).standard_normal(2101)
    lines = [f"K{i},BIG,{value:.1f},mPa.s" for i, value in enumerate(values)]
    use("\n".join(["batch,product,viscosity,unit", *lines]))
    app = open_page("control_chart.py")
    assert not app.exception
    assert app.selectbox(key="batch").value == 2100


def test_lists_of_the_catalog_are_complete() -> None:
    views = {path.name for path in (APP.parent / "views").glob("*.py")}
    assert {row.file for row in PAGES} <= views
    assert len({row.url_path for row in PAGES}) == len(PAGES)
    assert set(STATE_FORMS) == {*STATES, NOT_FRESH}
    icons = [icon for icon, _ in STATE_FORMS.values()]
    assert len(set(icons)) == len(icons)  # told by a form of its own, not by colour alone
    assert [row.key for row in CHARTS if not row.needs_subgroups] == [
        *("three-way", "ewma", "cusum", "short-run"),
    ]


def test_quiet_only_while_the_data_are_fresh(use) -> None:
    use(DATA / "F01_baseline_duplicates.csv", as_of="2025-03-17T15:00:00+00:00")
    app = open_page()
    assert app.title[0].value == "All quiet"
    assert "2071 mPa·s, 17 Mar 2025: no specification" in words(app)
    assert "Nothing is asked of anybody" in words(app)


def test_old_data_never_look_quiet(use) -> None:
    use(DATA / "F01_baseline_duplicates.csv", as_of="2025-05-17T15:00:00+00:00")
    app = open_page()
    assert app.title[0].value == "No fresh data since 17 Mar 2025"
    assert "quiet" not in words(app).casefold()


def test_overview_says_what_needs_a_person_first(demo, monkeypatch) -> None:
    monkeypatch.setenv("VISCOSITY_SPC_STORE", demo[0])
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", demo[1])
    app = open_page()
    assert app.title[0].value == "2 open events"
    heads = [one.value for one in app.subheader]
    assert heads == ["Asked of people", "WB\\-360", "WB\\-240", "All others"]
    assert "Open events: WB-240 and WB-360." in words(app)
    assert "V1 not checked for 4 days while in use" in words(app)
    assert "3 things to do (QC lead 3), the oldest since 21 Oct 2026." in words(app)
    (rest,) = (one.value for one in app.dataframe)
    assert rest["Product"].tolist() == ["WB-110"]
    assert rest["State"].tolist() == ["quiet"]


def test_asking_for_x_bar_needs_a_subgroup_and_warns(use) -> None:
    """JOB numbers: by batch 25 of 30 are outside, 1977.04 to 2026.42 with the printed factors."""
    use(DATA / "F01_baseline_duplicates.csv")
    app = open_page("control_chart.py")
    app.selectbox(key="chart").select("xbar-r").run()
    assert "Say first what one subgroup is" in words(app)
    app.selectbox(key="subgroups").select("batch").run()
    assert not app.exception
    assert "25 of 30" in words(app)
    worked = table_with(app, "Worked, mPa·s")
    limits = worked[worked.iloc[:, 0].isin(["Upper limit", "Lower limit"])].iloc[:, 1]
    shown = sorted(float(text.rsplit("= ", 1)[1]) for text in limits)
    assert shown == pytest.approx([1977.04, 2026.42], abs=0.05)


def test_why_these_limits_fills_in_the_numbers(use) -> None:
    """Printed results for F01: centre 2001.73, mean moving range 82.84, 1781.48 to 2221.99."""
    use(DATA / "F01_baseline_duplicates.csv")
    app = open_page("control_chart.py")
    worked = dict(table_with(app, "Worked, mPa·s").itertuples(index=False))
    assert worked["Centre"].endswith("= 2001.73")
    assert worked["Upper limit"] == "2001.73 + 2.6587 × 82.84 = 2221.99"
    assert worked["Lower limit"] == "2001.73 − 2.6587 × 82.84 = 1781.48"
    assert worked["Range of duplicates, upper limit"].endswith("= 42.90")


def test_readings_of_a_batch_name_file_and_line_but_no_person(use) -> None:
    use(DATA / "F01_baseline_duplicates.csv")
    app = open_page("control_chart.py")
    app.selectbox(key="batch").select(4).run()
    frame = table_with(app, "File")
    lines = (DATA / "F01_baseline_duplicates.csv").read_text().splitlines()
    for row in frame.itertuples(index=False):
        assert row.File.replace("\\", "") == "F01_baseline_duplicates.csv"
        cells = lines[int(row.Line) - 1].split(",")
        assert cells[1] == "B005"
        assert cells[8] == frame.loc[frame["Line"] == row.Line, "Viscosity, mPa·s"].iat[0]
    assert set(frame["Operator"]) == {"operator 1"}
    app.toggle(key="operators").set_value(True).run()
    assert set(table_with(app, "File")["Operator"]) == {"AK"}


def test_choices_stay_when_pages_change(use) -> None:
    use(DATA / "F02_levels.csv")
    app = open_page("control_chart.py")
    labels = app.selectbox(key="characteristic").options
    at = next(i for i, label in enumerate(labels) if i > 0 and label.startswith("P-"))
    app.selectbox(key="characteristic").select_index(at).run()
    app.selectbox(key="rules").select("four-zone").run()
    chosen = app.selectbox(key="characteristic").value
    app.switch_page("views/capability.py").run()
    assert app.selectbox(key="characteristic").value == chosen
    app.switch_page("views/control_chart.py").run()
    assert app.selectbox(key="characteristic").value == chosen
    assert app.selectbox(key="rules").value == "four-zone"


def test_address_names_the_product(use) -> None:
    store = use(DATA / "F02_levels.csv")
    wanted = store.characteristics().query("product == 'P-H'")["id"].iat[0]
    app = open_page("control_chart.py", characteristic=str(wanted))
    assert app.selectbox(key="characteristic").value == wanted


def test_unstable_process_gets_reasons_and_performance_only(use) -> None:
    """S12: no capability, "15 of 50 beyond limits", performance 1.01 (0.79 to 1.23)."""
    use(DATA / "S12_unstable_capability.csv").add_specification("P-100", lower=1750, upper=2250)
    app = open_page("capability.py")
    said = words(app)
    assert "15 of 50" in said
    metrics = {one.label: one.value for one in app.metric}
    assert metrics["Ppk"] == "1.01"
    assert "Cpk" not in metrics
    assert "interval 0.79–1.23" in said


def test_repeatability_recommends_percent_across_levels(use) -> None:
    """F02: pooled 0.745 %, log-log slope 1.14."""
    use(DATA / "F02_levels.csv")
    said = words(open_page("measuring_system.py", part="repeatability"))
    assert "slope 1.14" in said
    assert "0.745 %" in said


def test_repeatability_of_the_baseline(use) -> None:
    """F01: s_r 12.12, 0.602 %, limit 2.8 × s_r."""
    use(DATA / "F01_baseline_duplicates.csv")
    metrics = {
        one.label: one.value
        for one in open_page("measuring_system.py", part="repeatability").metric
    }
    assert metrics["Standard deviation s_r"] == "12.12 mPa·s"
    assert metrics["Relative"] == "0.602 %"
    assert metrics["Limit for two readings"] == "33.94 mPa·s"


def test_upload_look_import(use) -> None:
    """U1: 2 used, 1 test row, 1 over range, 1 below range, a blank line skipped."""
    store = use()
    app = open_page("import_file.py")
    file = FILES / "U1_latin1_semicolon_preamble.csv"
    app.file_uploader(key="import.files").upload(file.name, file.read_bytes(), "text/csv").run()
    assert not app.exception
    account = "5 rows read = 2 used + 3 set aside + 0 not parsed. The account closes."
    assert account in words(app)
    assert store.imports().empty  # looking keeps nothing
    aside = next(one.value for one in app.dataframe if "Detail" in one.value)
    assert aside["Line"].tolist() == [8, 9, 10]
    app.button(key="import.0.import").click().run()
    assert f"Imported. {account}" in words(app)
    assert store.imports()["used"].tolist() == [2]
    app.run()
    assert "in the store already" in words(app)


def test_an_import_is_taken_out_again_with_a_reason(use) -> None:
    store = use(DATA / "F01_baseline_duplicates.csv")
    app = open_page("import_file.py")
    take = next(one for one in app.button if one.label == "Take it out")
    take.click().run()
    assert "needs a cause in words" in words(app)  # refused
    app.text_input(key="undo.why").input("wrong file")
    app.text_input(key="undo.name").input("Kim Example")
    next(one for one in app.button if one.label == "Take it out").click().run()
    assert not app.exception
    assert store.imports()["undone"].tolist() == [True]
    assert ingest.journal_entries(store)[-1].who == "Kim Example"
    assert not [one for one in app.button if one.label == "Take it out"]
    open_page()  # nothing left to show is no fault


def test_pages_do_not_change_what_they_share(demo, monkeypatch) -> None:
    """All sessions read the same assessments: a page that wrote into one would change them all."""
    monkeypatch.setenv("VISCOSITY_SPC_STORE", demo[0])
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", demo[1])
    open_page()
    shared = cache.assessments(DEFAULT_RULES)
    before = pickle.dumps([to_json(one) for one in shared]), [one.batches.copy() for one in shared]
    for row in PAGES:
        open_page(row.file)
    again = cache.assessments(DEFAULT_RULES)
    assert again is shared
    assert pickle.dumps([to_json(one) for one in shared]) == before[0]
    for one, batches in zip(shared, before[1], strict=True):
        pd.testing.assert_frame_equal(one.batches, batches)


def test_a_question_is_asked_answered_and_read_again(use) -> None:
    use()
    app = open_page("import_file.py")
    file = FILES / "U3_ambiguous_dates.csv"
    app.file_uploader(key="import.files").upload(file.name, file.read_bytes(), "text/csv").run()
    assert "Nothing of it is imported before it is said" in words(app)
    assert not [one for one in app.button if one.key == "import.0.import"]
    app.text_input(key="import.0.product").input("P-7")
    app.selectbox(key="import.0.date_order").select("dmy")
    next(one for one in app.button if one.label == "Read again").click().run()
    assert not app.exception
    assert "The account closes" in words(app)
    assert app.button(key="import.0.import")


def test_a_source_is_remembered_and_a_changed_export_asked_about(use) -> None:
    store = use()
    app = open_page("import_file.py")
    app.text_input(key="import.source").input("lab").run()
    head = "Tag;Los;Ware;T Probe;Ergebnis"
    first = f"{head}\n2025-03-03;B1;P-9;25.0;2000\n".encode()
    app.file_uploader(key="import.files").upload("a.csv", first, "text/csv").run()
    for heading, meaning in {
        "Tag": "tested_at",
        "Los": "batch",
        "Ware": "product",
        "T Probe": "temperature",
        "Ergebnis": "viscosity",
    }.items():
        app.selectbox(key="import.0.columns.heading").select(heading)
        app.selectbox(key="import.0.columns.meaning").select(meaning)
        next(one for one in app.button if one.label == "Read again with that").click().run()
        assert not app.exception
    app.selectbox(key="import.0.unit").select("cP")
    next(one for one in app.button if one.label == "Read again").click().run()
    app.button(key="import.0.import").click().run()
    assert "Imported. 1 row read = 1 used" in words(app)
    app.run()
    told = next(one.value for one in app.dataframe if "Answer" in one.value)
    assert set(told["What"]) == {"unit", *(f"column:{name}" for name in head.split(";"))}

    changed = head.replace("T Probe", "T-Probe").encode() + b"\n2025-03-04;B2;P-9;25.1;2010\n"
    app.file_uploader(key="import.files").set_value([("b.csv", changed, "text/csv")]).run()
    assert not app.exception
    assert "The columns are not those of the last import from this source." in words(app)
    pairs = next(one.value for one in app.dataframe if "Until now" in one.value)
    assert pairs.to_numpy().tolist()[3] == ["T Probe", "T-Probe?"]
    app.selectbox(key="import.0.renamed:T Probe").select("T-Probe")
    next(one for one in app.button if one.label == "Read again").click().run()
    app.button(key="import.0.import").click().run()
    assert store.readings()["temperature"].tolist() == [25.0, 25.1]

    app.selectbox(key="import.forget.field").select("unit").run()
    app.button(key="import.forget.one").click().run()
    assert "unit" not in ingest.remembered(store)[0].answers
    app.button(key="import.forget.all").click().run()
    assert ingest.remembered(store) == []


def test_remarks_and_proposals_are_shown(use) -> None:
    use()
    app = open_page("import_file.py")
    file = FILES / "S07_transcription.csv"
    app.file_uploader(key="import.files").upload(file.name, file.read_bytes(), "text/csv").run()
    aside = next(one.value for one in app.dataframe if "May have been meant" in one.value)
    assert aside["May have been meant"].tolist() == [
        "1985 instead of 19850? (a digit too many)",
        "1935 instead of 9135? (two digits swapped)",
    ]
    gap = b"batch,product,replicate,viscosity cP\nB1,Q,1,2000\nB1,Q,3,2010\n"
    app.file_uploader(key="import.files").set_value([("gap.csv", gap, "text/csv")]).run()
    assert "1 remark: these rows are used" in words(app)
    shown = next(one.value for one in app.dataframe if "Severity" in one.value)
    assert shown["Severity"].tolist() == ["remark"]


def test_nonsense_said_about_a_file_can_be_taken_back(use) -> None:
    use()
    app = open_page("import_file.py")
    file = DATA / "F01_baseline_duplicates.csv"
    app.file_uploader(key="import.files").upload(file.name, file.read_bytes(), "text/csv").run()
    app.text_input(key="import.0.more.time_zone").input("Nowhere/Land")
    next(one for one in app.button if one.label == "Read again").click().run()
    assert len(app.error) == 1
    assert "Nowhere/Land" in words(app)
    app.button(key="import.0.forget").click().run()
    assert not app.error
    assert "60 rows read = 60 used" in words(app)


def test_a_workbook_of_two_sheets_is_asked_and_read(use) -> None:
    store = use()
    app = open_page("import_file.py")
    book = openpyxl.Workbook()
    for title, batch in (("March", "B1"), ("<script>April", "B2")):
        sheet = book.create_sheet(title)
        sheet.append(["batch", "product", "viscosity mPa.s"])
        sheet.append([batch, "P", 2010])
    content = io.BytesIO()
    book.save(content)
    app.file_uploader(key="import.files").upload("a.xlsx", content.getvalue(), "x/y").run()
    app.selectbox(key="import.0.sheet").select("<script>April")
    next(one for one in app.button if one.label == "Read again").click().run()
    assert "1 row read = 1 used" in words(app)
    app.button(key="import.0.import").click().run()
    assert not app.exception
    assert store.readings()["batch"].tolist() == ["B2"]


@pytest.mark.parametrize("text", ["<img src=x onerror=alert(1)>", "[a](http://x.invalid)", "$x$"])
def test_text_of_a_file_draws_nothing_on_the_page(use, text: str) -> None:
    use()
    app = open_page("import_file.py")
    content = f"batch;product;viscosity;{text}\n{text};{text};2010 mPa.s;{text}\n"
    app.file_uploader(key="import.files").upload(f"{text}.csv", content.encode(), "text/csv").run()
    app.button(key="import.0.import").click().run()
    assert not app.exception
    said = [one.value for kind in ("subheader", "markdown", "caption") for one in app.get(kind)]
    said += [one.value for kind in ("error", "info") for one in app.get(kind)]
    assert any("alert" in one or "invalid" in one or "x" in one for one in said)
    assert not [one for one in said if text in one]


def test_a_file_that_is_none_gives_one_sentence(use) -> None:
    use()
    app = open_page("import_file.py")
    app.file_uploader(key="import.files").upload(
        "x.csv", b"\x89PNG\r\n\x1a\n\0\0", "text/csv"
    ).run()
    assert not app.exception
    assert len(app.error) == 1
    assert "\n" not in app.error[0].value


def test_a_specification_is_added_and_judged_by(use) -> None:
    store = use(DATA / "F01_baseline_duplicates.csv", as_of="2025-03-17T15:00:00+00:00")
    app = open_page("setup.py", part="specifications")
    enter(app, "specifications", product="P-100", lower=2200.0, upper=2100.0)
    assert "not below the upper limit" in words(app)
    assert app.button(key="save.specifications").disabled
    assert store.specifications() == []
    app.button(key="aside.specifications").click().run()
    enter(app, "specifications", product="P-100", lower=2100.0, upper=2200.0)
    assert "P-100 is added (Lower limit, mPa·s 2100; Upper limit, mPa·s 2200)" in words(app)
    app.text_input(key="name.specifications").input("Kim")
    app.button(key="save.specifications").click().run()
    assert not app.exception
    (held,) = store.specifications("P-100")
    assert (held.lower, held.upper) == (2100.0, 2200.0)
    assert ingest.journal_table(store)[0]["who"].tolist() == ["Kim"]
    assert "outside specification 2100–2200" in words(open_page())


def enter(app: AppTest, table: str, **values: object) -> None:
    """Put a line into a table of the set-up, through its form."""
    for name, value in values.items():
        key = f"form.{table}.{name}"
        kind = app.text_input if isinstance(value, str) else app.number_input
        kind(key=key).set_value(value)
    next(one for one in app.button if one.label == "Put into the table").click().run()


def test_a_store_that_cannot_be_opened_is_one_sentence(tmp_path, monkeypatch) -> None:
    broken = tmp_path / "notes.sqlite"
    broken.write_bytes(b"this is no database at all, only text " * 40)
    monkeypatch.setenv("VISCOSITY_SPC_STORE", str(broken))
    app = open_page()
    assert not app.exception
    assert len(app.error) == 1
    assert "is not a database" in words(app)


def test_names_from_a_file_are_never_markup(use) -> None:
    """A product that is a Markdown picture would make the browser fetch it."""
    name = "![x](http://example.invalid/a.png)"
    text = f"batch,product,viscosity,unit\n{name},{name},2000,mPa.s\n"
    use(text)
    for row in PAGES:
        app = open_page(row.file)
        assert not app.exception
        for kind in ("markdown", "subheader", "caption", "title"):
            assert not [one.value for one in app.get(kind) if "![x](" in one.value]


def test_escaping_leaves_no_live_mark() -> None:
    # every character that Markdown or Streamlit gives a meaning, each behind a backslash
    assert escaping.markdown("a*b_c`d`[e](f) :red[g] $h$") == (
        r"a\*b\_c\`d\`\[e\]\(f\) \:red\[g\] \$h\$"
    )
    assert escaping.markdown("one\n\n# two") == r"one \# two"


def test_csv_cells_are_no_formulas() -> None:
    frame = pd.DataFrame(
        {"=A1": ["=1+1", "+x", "-y", "@z", "\tq", "plain"], "n": [-1.5, 2, 3, 4, 5, 6]}
    )
    lines = escaping.csv_bytes(frame).decode("utf-8-sig").splitlines()
    assert lines == [
        "'=A1,n",
        "'=1+1,-1.5",
        "'+x,2.0",
        "'-y,3.0",
        "'@z,4.0",
        "'\tq,5.0",
        "plain,6.0",
    ]

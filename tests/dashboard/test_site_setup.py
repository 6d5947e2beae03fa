"""The set-up of a site: read, checked, compared, saved, set back, carried out and in as a file."""

import json
import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

import ingest
import spc
from dashboard import setup_files, setup_undo, site_setup, tables_of_site, verdicts
from dashboard.rule_sets import RULE_SETS, own_key_of, rule_set
from dashboard.setup_checks import clean, faults_of, remarks_on
from dashboard.setup_tables import BY_KEY, MOVING_AVERAGE, TABLES
from dashboard.verdicts import uncertainty_of

MAY = date(2025, 5, 1)


@pytest.fixture
def store(tmp_path):
    opened = ingest.open_store(str(tmp_path / "store.sqlite"))
    yield opened
    opened.close()


def row_of(table, **values):
    empty = {one.key: None for one in BY_KEY[table].fields}
    (row,), faults = clean(BY_KEY[table], [{**empty, **values}])
    assert faults == []
    return row


def put(store, table, *rows, by="Kim", why="because"):
    """Make a table hold these lines, as the page does."""
    before = site_setup.read_setup(store)
    after = site_setup.whole(before, {table: tuple(rows)})
    assert faults_of(BY_KEY[table], after[table]) == []
    changes = site_setup.compare(before, {table: after[table]})
    done = site_setup.save(store, changes, after, by, why)
    assert done.stopped == ""
    assert done.n == len(changes)
    return changes


def filled(store):
    """A set-up with a line in every table."""
    put(store, "products", row_of("products", name="P-1", description="white", aliases="P1; p 1"))
    put(
        store,
        "methods",
        row_of(
            "methods", name="M", version="2", spindle="S3", speed=20, reading_time="60",
            torque_low=10, torque_high=100, replicates=2.0,
        ),
    )  # fmt: skip
    put(
        store,
        "specifications",
        row_of("specifications", product="P-1", lower=1800, upper=2200, decision_rule="guarded"),
        row_of("specifications", product="P-1", valid_from=MAY, lower=1850, upper=2150),
    )
    put(
        store,
        "uncertainties",
        row_of("uncertainties", product="*", standard_percent=1.8, source="budget", date=MAY),
    )
    put(
        store,
        "check_standards",
        row_of(
            "check_standards", name="CF", lot="A", certified_value=1000, expanded_uncertainty=10,
            temperature=25, expires="2027-01-31",
        ),
    )  # fmt: skip
    put(
        store,
        "instruments",
        row_of("instruments", instrument="*", percent_of_full_scale=1),
        row_of("instruments", instrument="V1", calibration_due=MAY),
    )
    rules = [dict(row) for row in site_setup.read_setup(store)["rules"]]
    rules[0]["used"] = rules[3]["used"] = rules[-1]["used"] = True
    put(store, "rules", *rules)
    plan = [dict(row) for row in site_setup.read_setup(store)["reaction_plan"]]
    plan[0] |= {"step": "Repeat, then ask Lee.", "who": "shift"}
    put(store, "reaction_plan", *plan)
    numbers = [dict(row) for row in site_setup.read_setup(store)["numbers"]]
    numbers[0]["value"], numbers[1]["value"] = 7.0, 2.0
    put(store, "numbers", *numbers)


def test_every_table_is_saved_with_its_journal_and_read_again(store):
    filled(store)
    setup = site_setup.read_setup(store)
    assert all(setup[table.key] for table in TABLES)
    settings = ingest.settings(store)
    assert uncertainty_of(settings, "P-9").standard_percent == 1.8
    assert settings["calibration"] == {"V1": "2025-05-01"}
    assert settings["instrument_tolerance"] == {"*": {"percent_of_full_scale": 1.0}}
    assert settings["check_interval_days"] == 7.0
    assert settings["comparison_margin_percent"] == 2.0
    assert settings["decision_rule"] == {"P-1": {"": "guarded"}}
    assert settings["reaction_plan"]["check_standard"]["who"] == "shift"
    assert [one.name for one in ingest.products(store)] == ["P-1"]
    assert ingest.methods(store)[0].replicates == 2
    newest = ingest.specification_for(store.specifications("P-1"), None)
    assert (newest.valid_from, newest.lower) == (MAY, 1850)
    assert verdicts.decision_rule_of(settings, newest) == ""
    oldest = ingest.specification_for(store.specifications("P-1"), date(2025, 4, 30))
    assert verdicts.decision_rule_of(settings, oldest) == "guarded"
    entries, faults = ingest.journal_table(store)
    assert faults == []
    assert set(entries["who"]) == {"Kim"}
    assert set(entries["why"]) == {"because"}
    assert ingest.verify(store) == []
    assert site_setup.compare(setup, site_setup.read_setup(store)) == []


def test_a_change_is_told_before_it_is_saved_and_keeps_the_old_line(store):
    filled(store)
    setup = site_setup.read_setup(store)
    rows = [dict(row) for row in setup["specifications"]]
    rows[1]["upper"] = 2160.0
    (change,) = site_setup.compare(setup, {"specifications": tuple(rows)})
    assert change.sentence == ("Specifications: P-1 1 May 2025: Upper limit, mPa·s 2150 → 2160.")
    assert site_setup.read_setup(store) == setup  # telling keeps nothing
    put(store, "specifications", *rows)
    entry = ingest.journal_table(store)[0].iloc[-1]
    assert entry["what"] == "specification changed"
    assert json.loads(entry["old"])["upper"] == 2150
    assert json.loads(entry["new"])["upper"] == 2160
    assert len(store.specifications("P-1")) == 3


def test_a_specification_taken_away_lets_the_one_before_hold_on(store):
    filled(store)
    first = site_setup.read_setup(store)["specifications"][0]
    (change,) = put(store, "specifications", first)
    assert change.sentence.startswith("Specifications: P-1 1 May 2025 is taken away (")
    assert site_setup.read_setup(store)["specifications"] == (first,)
    newest = ingest.specification_for(store.specifications("P-1"), None)
    assert (newest.lower, newest.upper) == (1800, 2200)
    put(store, "specifications")
    assert site_setup.read_setup(store)["specifications"] == ()
    put(store, "specifications", first)  # and entered again
    assert site_setup.read_setup(store)["specifications"] == (first,)


@pytest.mark.parametrize(
    ("table", "values", "said"),
    [
        ("specifications", {"product": "P", "lower": 2, "upper": 1}, "not below the upper limit"),
        ("specifications", {"product": "P"}, "needs a lower limit, an upper one or both"),
        ("specifications", {"lower": 1.0}, "needs an entry under “Product”"),
        ("methods", {"name": "M", "torque_low": 10, "torque_high": 100}, "“Readings a batch”"),
        (
            "methods",
            {"name": "M", "torque_low": 50, "torque_high": 10, "replicates": 2},
            "torque window",
        ),
        ("uncertainties", {"product": "P", "standard_percent": 0}, "above 0 and below 100 %"),
        (
            "check_standards",
            {"name": "C", "lot": "1", "certified_value": -1, "expanded_uncertainty": 1},
            "must be above 0 mPa·s",
        ),
        ("instruments", {"instrument": "V1"}, "nothing is entered for it"),
        (
            "instruments",
            {"instrument": "V1", "percent_of_full_scale": 1, "viscosity": 3},
            "not both",
        ),
        ("instruments", {"instrument": "*", "calibration_due": MAY}, "belongs to one instrument"),
        ("products", {"name": "P", "aliases": "x; x"}, "named twice"),
    ],
)
def test_a_fault_is_one_plain_sentence(table, values, said):
    faults = faults_of(BY_KEY[table], [row_of(table, **values)])
    assert len(faults) == 1
    assert said in faults[0]
    assert faults[0].startswith(f"{BY_KEY[table].title}: ")
    assert "\n" not in faults[0]


def test_a_line_twice_and_a_name_of_two_products():
    one = row_of("products", name="P-1", aliases="P1")
    assert faults_of(BY_KEY["products"], [one, one]) == ["Products: P-1 stands there twice."]
    other = row_of("products", name="P-2", aliases="P1")
    assert faults_of(BY_KEY["products"], [one, other]) == [
        "Products: P1 is a name of P-1 and of P-2."
    ]


def test_values_that_are_none_are_named_with_their_line():
    rows, faults = clean(
        BY_KEY["specifications"],
        [{"product": "P"}, {}, {"product": "P", "lower": "18oo", "valid_from": "May"}],
    )
    assert len(rows) == 2
    assert faults == [
        "Specifications, line 3: Valid from 'May' is not a date like 2026-05-01.",
        "Specifications, line 3: Lower limit '18oo' is not a number.",
    ]


def test_names_that_no_reading_has_are_remarked_on():
    rows = [row_of("specifications", product="P-10O", lower=1)]
    said = remarks_on(BY_KEY["specifications"], rows, {"product": {"P-100"}})
    assert said == ["No reading names the product P-10O yet: is it written as in the readings?"]
    assert remarks_on(BY_KEY["specifications"], rows, {"product": {"P-10O"}}) == []


def test_every_entry_can_be_set_back_by_a_new_one(store):
    """From the last entry to the first, each undone: the set-up is empty again, nothing is lost."""
    empty = site_setup.read_setup(store)
    filled(store)
    rows = ingest.journal_table(store)[0].to_dict("records")
    for row in reversed(rows):
        assert f"{row['id']}: {row['what']}" in setup_undo.sentence(row)
        setup_undo.undo(store, row, by="Lee")
    assert site_setup.read_setup(store) == empty
    entries, faults = ingest.journal_table(store)
    assert faults == []
    assert len(entries) == 2 * len(rows)
    assert entries["why"].iloc[-1] == "entry 1 set back"
    for row in reversed(entries.to_dict("records")[len(rows) :]):  # and the undoing undone
        setup_undo.undo(store, row)
    assert site_setup.read_setup(store)["products"][0]["name"] == "P-1"
    assert len(site_setup.read_setup(store)["specifications"]) == 2
    assert ingest.verify(store) == []


def test_an_older_entry_waits_for_the_newer_one(store):
    ingest.set_setting(store, "check_interval_days", 1)
    ingest.set_setting(store, "check_interval_days", 2)
    first, second = ingest.journal_table(store)[0].to_dict("records")
    with pytest.raises(ingest.IngestError, match="changed again since"):
        setup_undo.undo(store, first)
    setup_undo.undo(store, second)
    assert ingest.settings(store)["check_interval_days"] == 1


@pytest.mark.parametrize("ending", ["toml", "xlsx"])
def test_the_whole_set_up_goes_out_and_comes_in(store, tmp_path, ending):
    filled(store)
    setup = site_setup.read_setup(store)
    raw = setup_files.to_toml(setup).encode() if ending == "toml" else setup_files.to_excel(setup)
    found, faults = setup_files.read_setup_file(raw, f"set-up.{ending}")
    assert faults == []
    assert site_setup.compare(setup, site_setup.whole(setup, found)) == []
    other = ingest.open_store(str(tmp_path / "other.sqlite"))
    before = site_setup.read_setup(other)
    after = site_setup.whole(before, found)
    changes = site_setup.compare(before, after)
    assert site_setup.save(other, changes, after).stopped == ""
    assert site_setup.read_setup(other) == setup
    other.close()


@pytest.mark.parametrize("text", ["=1+1", "+x", "-y", "@z", "'quoted", 'a\x7fb \\ " ü \t'])
def test_text_like_a_formula_is_harmless_and_comes_back(text):
    row = row_of("products", name="P-1", description=text)
    setup = {"products": (row,)}
    raw = setup_files.to_excel(setup)
    import openpyxl

    book = openpyxl.load_workbook(__import__("io").BytesIO(raw))
    cell = book["Products"]["B2"].value
    assert not str(cell).startswith(("=", "+", "-", "@"))
    assert setup_files.read_setup_file(raw, "a.xlsx")[0]["products"] == (row,)
    written = setup_files.to_toml(setup)
    assert setup_files.read_setup_file(written.encode(), "a.toml")[0]["products"] == (row,)


@given(st.text(max_size=60), st.floats(min_value=1e-9, max_value=1e11))
def test_any_text_and_number_survive_toml(words, number):
    row = {one.key: None for one in BY_KEY["uncertainties"].fields}
    row |= {"product": words, "standard_percent": number, "source": words}
    held = tomllib.loads(setup_files.to_toml({"uncertainties": (row,)}))
    (back,) = held["uncertainties"]
    assert back.get("source", "") == words
    assert back["standard_percent"] == number


@pytest.mark.parametrize(
    ("raw", "name"),
    [
        (b"", "a.xlsx"),
        (b"PK\x03\x04 no zip", "a.xlsx"),
        (b"= = =", "a.toml"),
        (b"\xff\xfe", "a.toml"),
        (b"x = 1", "a.toml"),
        (b"products = 1", "a.toml"),
        (b"[[products]]\nnmae = 'P'", "a.toml"),
        (b"format = 9\n[[products]]\nname = 'P'", "a.toml"),
        (b"format = 1", "a.toml"),
        (b"name", "a.csv"),
        (b"x" * 5_000_001, "a.toml"),
    ],
)
def test_what_is_no_set_up_is_one_sentence(raw, name):
    with pytest.raises(ingest.IngestError) as caught:
        setup_files.read_setup_file(raw, name)
    assert "\n" not in str(caught.value)


def test_the_own_rules_are_a_rule_set_everywhere(store):
    assert own_key_of(ingest.settings(store)) is None
    filled(store)
    key = own_key_of(ingest.settings(store))
    assert key == "own:beyond_3_sigma+8_on_one_side+ewma"
    own = RULE_SETS[key]
    assert [rule.key for rule in own.rules] == ["beyond_3_sigma", "8_on_one_side"]
    assert own.with_ewma
    assert rule_set(key) == own
    assert key not in list(RULE_SETS)  # on offer only where the site made it
    for wrong in ("own:", "own:ewma", "own:nothing", "other"):
        assert wrong not in RULE_SETS
        with pytest.raises(KeyError):
            RULE_SETS[wrong]


def test_run_length_of_own_rules_against_published_ones():
    """3 sigma alone 370, with 8 on one side 153 (Champ and Woodall, Technometrics 29, 1987)."""
    assert RULE_SETS["own:beyond_3_sigma"].run_length == pytest.approx(370.4, abs=0.05)
    assert RULE_SETS["own:beyond_3_sigma+8_on_one_side"].run_length == pytest.approx(
        152.73, abs=0.01
    )
    zones = "own:" + "+".join(rule.key for rule in spc.FOUR_ZONE_RULES)
    assert RULE_SETS[zones].run_length == pytest.approx(91.75, abs=0.01)
    assert RULE_SETS[zones].false_alarms_per_week(300) == pytest.approx(300 / 91.75, abs=0.001)


def test_the_journal_is_shown_in_words(store):
    filled(store)
    frame = tables_of_site.journal(ingest.journal_table(store)[0])
    assert frame["Entry"].is_monotonic_decreasing
    added = frame[frame["What"] == "check standard added"].iloc[0]
    assert "certified value: 1000" in added["After"]
    assert added["Before"] == ""
    assert "calibration dates" in set(frame["About"])


def test_moving_average_alone_is_no_set(store):
    rows = [dict(row) for row in site_setup.read_setup(store)["rules"]]
    for row in rows:
        row["used"] = row["rule"] == MOVING_AVERAGE
    assert site_setup.own_key(rows) is None

"""The contents of an investigation on worked scenarios, and what people record about it.

What is true of each scenario (which batch, how big, which cause) was worked out beforehand, apart
from this project.
"""

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import ingest
from dashboard import follow_up, investigation, investigation_panels, investigation_tables
from dashboard.assessment import assess_store
from dashboard.investigate import (
    assess_and_investigate,
    investigate_product,
    investigate_store,
    sharing,
)
from dashboard.investigation_words import (
    CHECKS,
    CLASSES,
    SUSPECTS,
    conclusion_parts,
    conclusion_words,
    tried_parts,
    tried_words,
)
from dashboard.results import CAUTION
from spc.drift import CAUSE_CLASSES
from spc.drift import SUSPECTS as ALL_SUSPECTS

DATA = Path(__file__).parent / "data"


class Looked:
    """A store with one scenario, and its first product looked at."""

    def __init__(self, folder, name, edit=None, product=None, names=False):
        (path,) = DATA.glob(f"{name}_*.csv")
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        edited = folder / path.name
        (edit(table) if edit else table).to_csv(edited, index=False)
        self.store = ingest.open_store(str(folder / "lab.sqlite"))
        self.store.add(ingest.read_file(edited))
        self.product, self.names = product, names

    def again(self, chosen=""):
        every = assess_store(self.store)
        self.one = next(x for x in every if self.product in (None, x.product))
        self.found = investigate_product(self.store, self.one, sharing(every), self.names)
        records = ingest.event_records(self.store, self.one.characteristic_id)
        journal = ingest.journal_table(self.store)[0]
        return investigation.contents(self.one, self.found, records, journal, chosen)

    def record(self, shown, kind, words="", **more):
        event = shown.subject.event
        return ingest.record_event(
            self.store, self.one.characteristic_id, "means", event.batches[0], event.batches[-1],
            kind, words, by="Kim", **more,
        )  # fmt: skip


def facts(about):
    return {fact.name: fact.words for fact in about.facts}


def without_checks(table):
    return table[table["sample_type"] != "check"]


# --- the sentence card ----------------------------------------------------------------------------


def test_a_lot_change_is_told_in_full(tmp_path):
    about = Looked(tmp_path, "S04").again()
    said = facts(about)
    assert list(said) == [
        "What", "Since when", "How big", "Process or measurement", "Coincides with", "Check next",
    ]  # fmt: skip
    assert "B019" in said["What"]
    assert "7 %" in said["What"]
    assert said["Since when"].startswith("B019 (12 Mar 2025), known to the batch")
    assert "+140.9 mPa·s (95 % interval +116.2 to +165.6), +7.0 %" in said["How big"]
    assert said["Process or measurement"] == "The process moved; suspect: a raw-material lot."
    assert said["Coincides with"].startswith("Raw-material lot R2 begins at B019.")
    assert "not proof" in said["Coincides with"]
    assert about.cannot_tell == ""
    assert about.caution == CAUTION
    product, check = about.moved
    assert (product.role, check.role) == ("this product", "check standard")
    assert check.low < 0.01 < check.high  # it moved by 0.01 %
    assert about.explanations[0][0] == "process"
    (lot,) = about.happened
    assert (lot.batch, lot.kind, lot.inside) == ("B019", "lot", True)


def test_without_check_standards_it_says_that_nobody_can_tell(tmp_path):
    about = Looked(tmp_path, "S04", edit=without_checks).again()
    assert facts(about)["Process or measurement"].startswith("Cannot tell. No check standard")
    assert "without one nobody can" in about.cannot_tell
    asked = [check.what for check in about.checks]
    assert asked[1].startswith("Run a check standard")  # first of all after the row itself


def test_a_quiet_record_asks_for_nothing(tmp_path):
    about = Looked(tmp_path, "F01").again()
    assert facts(about) == {"What": "Nothing has moved.", "Process or measurement": "Neither."}
    assert about.subject is None
    assert about.checks == about.conclusions == about.effects == about.happened == ()


def test_a_wrong_record_is_no_change_of_level(tmp_path):
    said = facts(Looked(tmp_path, "S06").again())
    assert said["Where"].startswith("B018")
    assert "Since when" not in said
    assert "Coincides with" not in said
    assert said["Process or measurement"].startswith("A record is wrong")


def test_a_ramp_says_when_it_reaches_a_limit(tmp_path):
    looked = Looked(tmp_path, "S08")
    looked.store.add_specification("P-100", 1800.0, 2200.0, 2000.0)
    # −4.85 per batch, the last five batches average 1803: within about a batch or two.
    said = facts(looked.again())["If it goes on"]
    assert "the lower limit of the specification, 1800 mPa·s" in said
    assert "within about" in said or "passed" in said
    number = [int(word) for word in said.split() if word.isdigit() and word != "1800"]
    assert not number or number[0] <= 4


def test_the_card_gives_the_share_of_the_specification(tmp_path):
    looked = Looked(tmp_path, "S04")
    looked.store.add_specification("P-100", 1800.0, 2200.0)
    # 140.9 of a width of 400
    assert "0.35 of the width of the specification" in facts(looked.again())["How big"]


# --- factors --------------------------------------------------------------------------------------


def test_operators_are_numbers_unless_names_are_asked_for(tmp_path):
    about = Looked(tmp_path, "S05").again()
    operator = next(view for view in about.factors if view.name == "operator")
    assert {level.name for level in operator.table} == {"1", "2", "3"}
    told = " ".join((about.sentence, *about.evidence, *operator.notes, *facts(about).values()))
    for name in ("BM", "AK", "CJ"):
        assert name not in told
    folder = tmp_path / "named"
    folder.mkdir()
    named = Looked(folder, "S05", names=True).again()
    operator = next(view for view in named.factors if view.name == "operator")
    # As the scenario was made: BM 2361, AK 2130, CJ 2142.
    means = {level.name: level.mean for level in operator.table}
    assert means == pytest.approx({"BM": 2361, "AK": 2130, "CJ": 2142}, abs=0.6)


def test_factors_are_ranked_and_multiplicity_is_stated(tmp_path):
    about = Looked(tmp_path, "S05").again()
    first = about.factors[0]
    assert first.name == "operator"
    assert first.stands_out
    assert "below 0.0001" in first.words
    assert "allows for all of them" in about.multiplicity
    names = [view.name for view in about.factors]
    assert len(names) == len(set(names))
    table = investigation_tables.factors(about)
    assert len(table) == sum(len(view.table) for view in about.factors)


def test_many_lots_are_shown_by_the_most_deviating(tmp_path):
    def lots(table):
        return table.assign(rm_lot=[f"L{i // 4:02}" for i in range(len(table))])

    about = Looked(tmp_path, "S08", edit=lots).again()
    lot = next((view for view in about.factors if view.name == "lot"), None)
    assert lot is not None
    assert len(lot.rows) == 8
    assert lot.more == len(lot.table) - 8 > 0
    means = [row[1] for row in lot.rows]
    assert means == sorted(means, reverse=True)
    assert any("Lots follow each other" in note for note in lot.notes)


# --- what coincides -------------------------------------------------------------------------------


def test_decisions_and_new_operators_stand_in_order_of_time(tmp_path):
    def late_operator(table):
        product = table["sample_type"] != "check"
        new = product & (table["batch"] >= "B018")
        return table.assign(operator=np.where(new, "ZZ", "AA"))

    looked = Looked(tmp_path, "S04", edit=late_operator)
    about = looked.again()
    said = [(item.batch, item.what, item.where) for item in about.happened]
    assert said == [
        ("B018", "first batch of operator 2", "1 batch before it"),
        ("B019", "raw-material lot R2 begins", "inside the interval"),
    ]


def test_without_a_start_nothing_can_coincide(tmp_path):
    about = Looked(tmp_path, "S05").again()
    assert about.happened == ()
    assert "no beginning in time" in about.happened_note


# --- what people record ---------------------------------------------------------------------------


def test_a_check_is_recorded_and_found_again(tmp_path):
    looked = Looked(tmp_path, "S04")
    about = looked.again()
    what = about.checks[2].what
    looked.record(about, "tried", tried_words(what, "batch with R1: 2004 mPa·s"))
    looked.record(about, "tried", tried_words("Shaft seal looked at", "dry"))
    about = looked.again()
    done = {check.what: [found for found, _ in check.found] for check in about.checks}
    assert done[what] == ["batch with R1: 2004 mPa·s"]
    assert done["Shaft seal looked at"] == ["dry"]
    assert about.checks[0].found == ()
    # the control chart and the journal tell of it, too
    event = next(e for e in looked.one.events if "B025" in e.batches)
    assert event.handling.word == "being investigated"
    entries = ingest.journal_table(looked.store)[0]
    assert entries["what"].tolist().count("check tried for an event") == 2
    assert set(entries[entries["what"] == "check tried for an event"]["who"]) == {"Kim"}
    assert ingest.verify(looked.store) == []


def test_a_conclusion_may_differ_and_can_be_taken_back(tmp_path):
    looked = Looked(tmp_path, "S04")
    about = looked.again()
    words = conclusion_words("measurement", "the guard was left off since then")
    made = looked.record(about, "cause", words)
    (held,) = looked.again().conclusions
    assert (held.cause_class, held.words) == ("measurement", "the guard was left off since then")
    assert "The process moved" in held.differs
    looked.record(about, "taken back", "it was on", about=made.id)
    assert looked.again().conclusions == ()
    looked.record(about, "cause", conclusion_words("process", "lot R2 is thicker"))
    (held,) = looked.again().conclusions
    assert held.differs == ""


def test_a_cause_recorded_on_the_chart_has_no_class(tmp_path):
    looked = Looked(tmp_path, "S04")
    looked.record(looked.again(), "cause", "lot R2: the supplier says so")
    (held,) = looked.again().conclusions
    assert (held.cause_class, held.words) == ("", "lot R2: the supplier says so")


def test_records_of_another_stretch_are_not_mixed_in(tmp_path):
    looked = Looked(tmp_path, "S04")
    looked.again()
    ingest.record_event(
        looked.store, looked.one.characteristic_id, "means", "B002", "B004", "remark", "early",
        by="Kim",
    )  # fmt: skip
    about = looked.again()
    assert about.subject.event.handling.records == ()
    keys = {subject.key: subject for subject in about.subjects}
    other = looked.again(chosen="means.B004").subject
    assert other.key == "means.B004"
    assert [r.words for r in other.event.handling.records] == ["early"]
    assert keys["change"].event.batches[0] == "B019"
    assert looked.again(chosen="no such key").subject.key == "change"


def done_action(looked, about):
    action = looked.record(about, "action", "back to lot R1", owner="Lee", due=date(2025, 6, 1))
    looked.record(about, "action done", about=action.id)
    return action


def test_the_effect_waits_for_enough_batches(tmp_path):
    looked = Looked(tmp_path, "S04")
    done_action(looked, looked.again())
    (view,) = looked.again().effects
    assert view.words == "Not enough batches yet: 0 of 8."
    names = looked.one.batches["batch"].tolist()
    shown = follow_up.effect_of(looked.one, looked.found, view.action, view.done, names[-3])
    assert shown.words.startswith(f"Not enough batches yet: 3 of 8 since {names[-3]}; so far +")


@pytest.mark.parametrize(("factor", "state"), [(1.0, "not back"), (1 / 1.07, "back")])
def test_the_effect_compares_with_the_level_before(tmp_path, factor, state):
    def helped(table):
        late = (table["sample_type"] != "check") & (table["batch"] >= "B026")
        table = table.copy()
        number = table.loc[late, "viscosity"].astype(float) * factor
        table.loc[late, "viscosity"] = number.round(0).astype(int).astype(str)
        torque = table.loc[late, "torque_pct"].astype(float) * factor
        table.loc[late, "torque_pct"] = torque.round(1).astype(str)
        return table

    looked = Looked(tmp_path, "S04", edit=helped)
    about = looked.again()
    action = done_action(looked, about)
    (view,) = looked.again().effects
    shown = follow_up.effect_of(looked.one, looked.found, action, view.done, "B026")
    assert shown.effect.state == state
    means = looked.one.batches.set_index("batch")["mean"]
    before, after = means[:"B018"].to_numpy(), means["B026":].to_numpy()[:15]
    welch = stats.ttest_ind(after, before, equal_var=False)
    assert shown.effect.difference == pytest.approx(after.mean() - before.mean())
    low = shown.effect.difference - shown.effect.low
    plain = welch.confidence_interval(0.95)
    assert low == pytest.approx(shown.effect.widened * (plain.high - plain.low) / 2)
    assert shown.words.endswith("back on level.")
    assert ("not back" in shown.words) == (state == "not back")


def test_what_is_asked_for_next(tmp_path):
    looked = Looked(tmp_path, "S04")

    def asked():
        return follow_up.waits(looked.again().subject.event.handling.records)

    about = looked.again()
    assert "try the checks" in asked()
    looked.record(about, "cause", conclusion_words("process", "lot R2"))
    assert "agree an action" in asked()
    action = looked.record(about, "action", "send it back", owner="Lee", due=date(2025, 6, 1))
    assert "do what was agreed" in asked()
    looked.record(about, "action done", about=action.id)
    assert "8 to 15 batches" in asked()
    looked.record(about, "effect", "back on level", about=action.id)
    assert "can be closed" in asked()


# --- words and figures ----------------------------------------------------------------------------


def test_every_class_and_suspect_has_words_and_checks():
    assert set(CLASSES) == set(CAUSE_CLASSES)
    assert set(SUSPECTS) == set(CHECKS) == set(ALL_SUSPECTS)
    for checks in CHECKS.values():
        for said in checks:
            for word in (" safe", "release", "compliant", "adjust"):
                assert word not in said.lower()


@pytest.mark.parametrize("key", list(CLASSES))
def test_recorded_words_can_be_taken_apart_again(key):
    said = "found: it was — found: lot R2; see sheet 7"
    assert conclusion_parts(conclusion_words(key, said)) == (key, said)
    assert tried_parts(tried_words("Zero in air — found: x", said))[1].endswith("sheet 7")
    assert tried_parts(tried_words("Zero in air", said)) == ("Zero in air", said)
    assert tried_parts("only words") == ("", "only words")


@pytest.mark.parametrize("name", ["S02", "S03", "S04", "S09", "S11"])
def test_product_and_check_standards_share_one_axis(tmp_path, name):
    looked = Looked(tmp_path, name, product="P-40" if name == "S11" else None)
    about = looked.again()
    figures = investigation_panels.panels(looked.one, looked.found, about)
    axes, shades = set(), []
    for panel in figures:
        spec = panel.figure.to_dict()
        assert spec["description"]
        for layer in spec["layer"]:
            scale = layer["encoding"]["x"].get("scale")
            if scale is not None:
                axes.add(tuple(scale["domain"]))
        shades.append(any(layer["mark"]["type"] == "rect" for layer in spec["layer"]))
    assert len(axes) == 1
    assert all(shades)  # each scenario has a start, shaded in every panel
    keys = [panel.key for panel in figures]
    assert keys[0] == "product"
    assert ("ranges" in keys) == (name == "S09")
    checks = {row.name for row in about.moved if row.role == "check standard"}
    assert len([key for key in keys if key.startswith("check")]) == len(checks)


def test_the_level_that_is_drawn_is_that_of_the_batches(tmp_path):
    looked = Looked(tmp_path, "S04")
    looked.again()
    level = looked.found.found.level
    means = looked.one.batches["mean"].to_numpy()
    assert level[:18] == pytest.approx(np.full(18, means[:18].mean()))
    assert level[18:] == pytest.approx(np.full(len(means) - 18, means[18:].mean()))
    assert looked.found.found.column.tolist() == [0.0] * 18 + [1.0] * (len(means) - 18)


def test_one_product_as_all_of_them(tmp_path):
    looked = Looked(tmp_path, "S03", names=True)
    for product in ("P-100", "P-200"):
        looked.product = product
        about = looked.again()
        every = investigate_store(looked.store)
        assert about.verdict == every[looked.one.characteristic_id].verdict
    found, investigated = assess_and_investigate(looked.store, None, "three-sigma-ewma")
    assert {k: v.verdict for k, v in investigated.items()} == {
        k: v.verdict for k, v in every.items()
    }
    assert [one.product for one in found] == [one.product for one in assess_store(looked.store)]
    standards = [[(s.name, s.n, s.center) for s in one.check_standards] for one in found]
    again = [
        [(s.name, s.n, s.center) for s in one.check_standards] for one in assess_store(looked.store)
    ]
    assert standards == again


def test_products_that_share_an_instrument_against_a_plain_count(tmp_path):
    looked = Looked(tmp_path, "S03")
    looked.again()
    every = assess_store(looked.store)
    plain = {}
    for one in every:
        for instrument in one.batches["instrument"]:
            plain.setdefault(instrument, set()).add(one.characteristic_id)
    assert {name: set(ids) for name, ids in sharing(every).items()} == plain
    assert sharing([]) == {}


def test_an_old_slip_does_not_explain_a_new_event(tmp_path):
    """Only the newest batch is beyond a limit; a slip stands long before them."""
    rng = np.random.default_rng(11)
    values = 2000 + 20 * rng.standard_normal(60)
    values[59] = 2000 + 95
    rows = ["timestamp,batch,product,replicate,viscosity,unit,torque,spindle,speed,instrument"]
    for i, value in enumerate(values):
        for replicate in (1, 2):
            seen = value * (10 if i == 20 and replicate == 1 else 1)
            rows.append(
                f"2026-0{1 + i // 28}-{1 + i % 28:02d}T08:00:00Z,B{i:03d},P,{replicate},"
                f"{seen:.1f},mPa.s,{value / 50:.2f},S3,20,V1"
            )
    store = ingest.open_store(str(tmp_path / "slip.sqlite"))
    store.add(ingest.read_bytes("\n".join(rows).encode(), "slip.csv"))
    now = datetime(2026, 3, 6, tzinfo=UTC)
    (one,) = assess_store(store, now=now)
    assert one.open_events
    investigated = investigate_product(store, one, sharing([one]))
    assert investigated is not None
    assert investigated.found.verdict.cause_class == "data"
    assert investigated.found.verdict.since == "B020"
    entries = ingest.journal_table(store)[0]
    about = investigation.contents(one, investigated, [], entries)
    assert about.subject is not None
    assert "B020" not in about.subject.event.batches
    assert "No lasting change can be told yet" in about.sentence
    besides = {fact.name: fact.words for fact in about.facts}["Besides"]
    assert "B020" in besides
    assert besides.endswith("It is no part of this event.")
    slip = investigation.contents(one, investigated, [], entries, chosen="change")
    assert slip.sentence == investigated.found.verdict.what
    store.close()

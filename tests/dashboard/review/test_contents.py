"""What a pack says, held against the screens, against `assess --json` and against hand counts."""

import json
import math
import re
from datetime import date, timedelta

import numpy as np
import pytest

import ingest
from dashboard import measuring, sentences, tables_of_site, text
from dashboard.as_of import StoreAsOf
from dashboard.assessment import assess_store, to_json
from dashboard.capability_study import periods_of
from dashboard.investigate import investigate_store
from dashboard.results import CAUTION, AssessmentError
from dashboard.review.contents import contents_of
from dashboard.review.facts import facts_of
from dashboard.review.model import Figure, Heading, Table, Words, canonical, checksum
from dashboard.review.outcomes import outcomes_of
from dashboard.review.period import days_of, parse
from dashboard.review.top_events import ranked_events
from tests.dashboard.review.small_plant import FORMULA, HOSTILE, WEEK, fill, of, rows

PERIOD = parse(WEEK)


@pytest.fixture(scope="module")
def contents(plant):
    return contents_of(plant, PERIOD)


@pytest.fixture(scope="module")
def cut(tmp_path_factory, plant):
    """A store that was never given anything sampled after the period, with the same decisions."""
    kept = [row for row in rows() if row.split(",")[11] < "2026-03-23"]
    store = fill(tmp_path_factory.mktemp("cut") / "cut.sqlite", kept)
    ingest.exclude_batch(store, of(store, "P & Q"), "C010", "sampled twice <b>", by="Kim")
    about = (of(store, HOSTILE), "means", "A038", "A049")
    for words, owner in (("one", "Sam"), ("two", "Lee")):
        ingest.record_event(store, *about, "action", words, owner=owner, due=date(2026, 3, 20))
    yield store
    store.close()


def table(contents, key):
    return next(one for _, one in contents.tables if one.key == key)


def column(found, name):
    place = found.columns.index(name)
    return [row[place] for row in found.rows]


def said(contents):
    """Everything that a reader reads, in one text."""
    parts = [contents.headline, *contents.assumed]
    for section in contents.sections:
        parts.append(section.title)
        for block in section.blocks:
            if isinstance(block, Words | Heading):
                parts.append(block.text)
            elif isinstance(block, Table):
                parts += [block.title, *block.columns, *(str(c) for r in block.rows for c in r)]
            elif isinstance(block, Figure):
                parts += [block.title, block.description]
    return "\n".join(parts)


def plain(one):
    """An assessment as `assess --json` prints it, without what later decisions add to its words."""
    found = to_json(one)
    for event in found["events"]:
        event.pop("handling")
    return json.loads(json.dumps(found))


def test_the_store_at_a_cut_off_is_the_store_that_never_had_more(plant, cut):
    now = PERIOD.end
    seen = {
        (a.product, a.condition): plain(a)
        for a in assess_store(StoreAsOf(plant, PERIOD.end), now=now)
    }
    never = {(a.product, a.condition): plain(a) for a in assess_store(cut, now=now)}
    assert seen == never
    whole = {(a.product, a.condition): plain(a) for a in assess_store(plant, now=now)}
    assert whole != seen  # the test can fail: there is something after the cut-off


def test_sections_stand_in_the_order_of_the_agenda(contents):
    assert [section.title for section in contents.sections] == [
        "What changed",
        "Top events",
        "Measuring system",
        "Capability trend",
        "Right first time",
        "Actions and decisions",
    ]
    assert [section.minutes for section in contents.sections] == [3, 7, 5, 5, 5, 5]  # 30 in all


def test_every_index_is_that_of_the_screen_and_of_assess_json(contents, cut):
    shown = table(contents, "capability")
    assessed = {_named(one): one for one in assess_store(cut, now=PERIOD.end)}
    seen = dict(zip(column(shown, "Product"), column(shown, "Index (95 % interval)"), strict=False))
    for product, one in assessed.items():
        as_json = to_json(one)["capability"]
        numbers = [float(n.replace("−", "-")) for n in re.findall(r"\d+\.\d\d", seen[product])]
        if as_json["ppk"] is None:
            assert seen[product] == "none"
        elif as_json["cpk"] is not None:
            assert numbers[0] == pytest.approx(as_json["cpk"], abs=0.005)
            assert seen[product] in sentences.capability(one)
        else:
            wanted = (as_json["ppk"], as_json["ppk_low"], as_json["ppk_high"])
            assert numbers == pytest.approx(wanted, abs=0.005)
            assert seen[product].removesuffix(", performance only") in sentences.capability(one)
    assert any("Ppk" in str(cell) or "Cpk" in str(cell) for cell in seen.values())


def _later(one):
    return "adjusted" in one.condition


def _named(one):
    """ "P & Q" has two charts, as made and adjusted, so its condition stands beside its name."""
    return f"{one.product}, {one.condition}" if one.product == "P & Q" else one.product


def test_events_repeatability_and_batches_are_those_of_assess_json(contents, cut):
    assessed = [to_json(one) for one in assess_store(cut, now=PERIOD.end)]
    told = {event["sentence"] for one in assessed for event in one["events"]}
    shown = column(table(contents, "events"), "Event")
    assert shown
    assert set(shown) <= told
    assert {e["sentence"] for one in assessed for e in one["events"] if e["open"]} <= set(shown)
    duplicates = table(contents, "duplicates")
    for row in duplicates.rows:
        (one,) = [
            a["repeatability"]
            for a in assessed
            if (a["product"], a["condition"]) == (row[0], row[-1])
        ]
        assert float(row[1]) == pytest.approx(one["s_r"], rel=0.005)
        assert float(row[3]) == pytest.approx(one["limit"], rel=0.005)
        assert row[4] == one["n_pairs"]
    in_pack = dict(zip(column(table(contents, "capability"), "Product"), column(
        table(contents, "capability"), "Batches"), strict=False))  # fmt: skip
    for one in assess_store(cut, now=PERIOD.end):
        assert in_pack.pop(_named(one)) == to_json(one)["n_batches"]
    assert in_pack == {}


def test_the_chart_of_an_event_carries_the_limits_of_assess_json(contents, cut):
    (one,) = [to_json(a) for a in assess_store(cut, HOSTILE, now=PERIOD.end)]
    figure = next(f for f in contents.figures if HOSTILE in f.title and f.key.startswith("chart-"))
    written = json.dumps(figure.spec)
    for name in ("center", "lower", "upper"):
        assert text.number(one["individuals"][name]) in figure.description
        assert f"{one['individuals'][name]!r}"[:8] in written


def test_measuring_system_and_trend_are_made_as_on_their_pages(contents, cut):
    verdicts = measuring.check_verdicts(cut, PERIOD.last)
    frame = tables_of_site.check_verdicts(verdicts)
    shown = table(contents, "check-standards")
    assert shown.columns == tuple(frame.columns)
    assert [list(row) for row in shown.rows] == frame.to_numpy(dtype=object).tolist()
    trend = table(contents, "capability-trend")
    change = dict(table(contents, "capability-change").rows)
    compared: set[str] = set()
    for one in assess_store(cut, now=PERIOD.end):
        periods, words = periods_of(one, "30")
        name = _named(one)
        mine = [row[1:4] for row in trend.rows if row[0] == name]
        wanted = [
            (p.label, p.n, p.note or text.with_interval(p.result.ppk, p.result.ppk_interval))
            for p in periods[-4:]
        ]
        assert mine == wanted
        assert change.get(name, words) == words
        compared |= {name} & set(change)
    assert compared == set(change) != set()


def test_the_rank_of_an_event_is_size_over_width_times_batches(plant):
    facts = facts_of(plant, PERIOD)
    ranked = ranked_events(facts)
    weights = [one.weight for one in ranked if one.weight is not None]
    assert weights == sorted(weights, reverse=True)
    top = ranked[0]
    assert top.one.product == HOSTILE
    part = slice(top.event.start, top.event.stop + 1)
    means = top.one.batches["mean"].to_numpy()[part]
    away = abs(np.mean(means) - top.one.charts.location.center[0])
    width = 0.2 * 2000  # the specification of `conftest`
    assert top.event.chart == "batch means"
    assert top.weight == pytest.approx(away / width * len(means))
    shown = table(contents_of(plant, PERIOD, [HOSTILE]), "events")
    assert float(column(shown, "Weight")[0]) == pytest.approx(top.weight, rel=0.005)
    assert column(shown, "Batches")[0] == len(means)


def test_false_alarms_are_batches_over_run_lengths(contents):
    """Average run lengths: 370.4 of 3 sigma alone; 91.75 of the four zone rules.

    Champ, Woodall, "Exact results for Shewhart control charts with supplementary runs rules",
    Technometrics 29 (1987), table 1.
    """
    shown = {row[0]: row for row in table(contents, "false-alarms").rows}
    n = shown["beyond 3 sigma only"][1]
    # seven days, one batch a day of three products; the adjusted batch has no limits of its own
    assert n == 21
    assert float(shown["beyond 3 sigma only"][2]) == pytest.approx(n / 370.4, rel=0.06)
    assert float(shown["the four zone rules of 1956"][2]) == pytest.approx(n / 91.75, rel=0.06)


def test_outcomes_are_counted_by_hand(plant):
    found = {one.product: one for one in outcomes_of(facts_of(plant, PERIOD))}
    assert set(found) == {HOSTILE, FORMULA, "P & Q"}  # the fourth product made nothing this week
    for product, low, high in ((HOSTILE, 1800, 2200), (FORMULA, 810, 990), ("P & Q", 3600, 4400)):
        means: dict[str, list[float]] = {}
        for row in rows():
            cells = row.split(",")
            value, day, stage = cells[3], cells[11][:10], cells[12]
            mine = cells[1] == product and "2026-03-16" <= day <= "2026-03-22"
            if mine and not stage and value != "OVER" and cells[14] != "again":
                means.setdefault(cells[0], []).append(float(value))
        batch = {name: np.mean(values) for name, values in means.items()}
        one = found[product]
        assert one.made == one.judged == len(batch) == 7
        outside = {name for name, mean in batch.items() if not low <= mean <= high}
        touched = {FORMULA: {"B045"}, "P & Q": {"C046"}}.get(product, set())
        assert one.outside == len(outside)
        assert one.right == len(set(batch) - outside - touched)
        # not decided: a limit within two standard uncertainties of 1 %
        near = [m for m in batch.values() if any(abs(m - e) <= 0.02 * m for e in (low, high))]
        assert one.uncertain == len(near)
    assert (found[FORMULA].retested, found[FORMULA].retests) == (1, 2)
    assert (found["P & Q"].adjusted, found["P & Q"].adjustments) == (1, 1)
    assert (found[HOSTILE].adjusted, found[HOSTILE].retested) == (0, 0)


def test_what_changed_names_lots_unused_readings_and_decisions(contents):
    lots = table(contents, "lots-and-instruments")
    assert (HOSTILE, "lot R2", "A044", "17 Mar 2026, 08:00", "R1") in lots.rows
    unused = {(row[0], row[2]) for row in table(contents, "import-problems").rows}
    assert unused == {(FORMULA, 2), ("P & Q", 1)}
    since = table(contents, "decided-since")
    why = {row[6] for row in since.rows}
    assert "sampled twice <b>" in why  # whole, and escaped only where a page is made
    assert {"Kim"} == set(column(since, "Who"))
    assert not any("action" in str(cell) for cell in column(since, "What"))


def test_actions_are_overdue_open_or_done_with_their_effect(plant, contents):
    waiting = table(contents, "actions-open")
    assert [(row[0], row[2], row[3]) for row in waiting.rows] == [
        ("overdue", "swap <i>the</i> filter", "Sam")
    ]
    closed = table(contents, "actions-closed")
    assert closed.rows[0][0] == "check lot R2"
    assert closed.rows[0][4].startswith("level back (Kim, ")
    earlier = contents_of(plant, parse("2026-W11"))
    assert table(earlier, "actions-open").rows[0][0] == "open"  # due on the 20th


def test_open_events_without_an_action_are_counted(tmp_path):
    """A level 10 sigma up at the end; then an action about it."""
    store = ingest.open_store(str(tmp_path / "one.sqlite"))
    values = [1000 + (3 if i % 2 else -3) for i in range(40)] + [1060, 1066, 1060, 1066]
    lines = "\n".join(
        f"{date(2026, 1, 1) + timedelta(days=i)}T06:00,B{i:03d},P,{value},mPa.s"
        for i, value in enumerate(values)
    )
    head = "timestamp,batch,product,viscosity,unit\n"
    store.add(ingest.read_bytes((head + lines).encode(), "a.csv", {"time_zone": "UTC"}))
    about = parse("2026-W07")

    def headline():
        section = contents_of(store, about).sections[-1]
        return next(block.text for block in section.blocks if isinstance(block, Words))

    (one,) = assess_store(store)
    n = sum(event.open for event in one.events)
    assert n > 0
    events, have = ("open event", "has") if n == 1 else ("open events", "have")
    assert headline() == f"0 actions open, 0 overdue; {n} {events} {have} no action."
    for chart in ("means", "readings"):
        ingest.record_event(
            store, one.characteristic_id, chart, "B000", "B043", "action", "look", owner="Sam",
            due=date(2027, 1, 1), by="Kim",
        )  # fmt: skip
    assert "no action" not in headline()
    store.close()


def test_a_minuted_decision_stands_in_its_pack_until_it_is_taken_back(tmp_path, plant):
    copy = tmp_path / "copy.sqlite"
    ingest.backup(plant, copy)
    store = ingest.open_store(str(copy))
    before = contents_of(store, PERIOD)
    minute = ingest.add_minute(store, WEEK, "new lot R3 from 1 April", ("P & Q",), by="Kim")
    with_it = contents_of(store, PERIOD)
    assert column(table(with_it, "minutes"), "Decision") == ["new lot R3 from 1 April"]
    assert table(contents_of(store, parse("2026-W11")), "minutes").rows == ()
    assert table(contents_of(store, PERIOD, [FORMULA]), "minutes").rows == ()  # of another product
    # nothing else changes by it
    for one, other in zip(before.sections[:-1], with_it.sections[:-1], strict=True):
        assert [b for b in one.blocks if not isinstance(b, Figure)] == [
            b for b in other.blocks if not isinstance(b, Figure)
        ]
    with pytest.raises(ingest.IngestError, match="needs a cause in words"):
        ingest.take_back_minute(store, minute.id, " ")
    ingest.take_back_minute(store, minute.id, "wrong lot", by="Sam")
    assert table(contents_of(store, PERIOD), "minutes").rows == ()
    with pytest.raises(ingest.IngestError, match="no minuted decision"):
        ingest.take_back_minute(store, minute.id, "again")
    for words, review in ((" . ", WEEK), ("decided", " ")):
        with pytest.raises(ingest.IngestError):
            ingest.add_minute(store, review, words)
    assert ingest.verify(store) == []
    store.close()


def test_the_summary_says_nothing_that_the_full_pack_does_not(plant, contents):
    short = contents_of(plant, PERIOD, audience="summary")
    whole = said(contents)
    for section in short.sections:
        for block in section.blocks:
            if isinstance(block, Words | Heading):
                assert block.text in whole
            elif isinstance(block, Table):
                held = table(contents, block.key).rows
                if block.key == "capability":  # the first reason there, every one here
                    whole_of = {row[:-1]: row[-1] for row in held}
                    for *numbers, why in block.rows:
                        assert whole_of[tuple(numbers)].startswith(why.partition(" And ")[0])
                else:
                    assert set(block.rows) <= set(held)
        for block, after in zip(section.blocks, [*section.blocks[1:], None], strict=True):
            if isinstance(block, Heading):  # none stands above nothing
                assert isinstance(after, Words | Table), block.text
    assert short.figures == []
    assert checksum(short) != checksum(contents)


def test_a_pack_of_some_products_names_no_other(plant):
    found = said(contents_of(plant, PERIOD, ["P & Q"]))
    assert HOSTILE not in found
    assert "P & Q" in found


def test_words_a_pack_never_says_and_the_ones_it_always_says(contents):
    found = said(contents)
    for word in ("compliant", " safe", "released"):
        assert word not in found.casefold()
    assert contents.caution == CAUTION
    assert any("not specification limits" in one for one in contents.assumed)
    assert any("budget" in one for one in contents.assumed)  # source of the uncertainty
    assert any("23 Mar 2026, 00:00, UTC" in one for one in contents.assumed)  # the cut-off
    assert not re.search(r"\bAK\b", found)  # the person who read is not named


def test_contents_are_plain_data_and_their_checksum_follows_every_part(plant, contents):
    held = json.loads(canonical(contents))
    assert held["revision"] == plant.revision()
    assert not any(
        isinstance(x, float) and not math.isfinite(x)
        for _, one in contents.tables
        for row in one.rows
        for x in row
    )
    again = contents_of(plant, PERIOD)
    assert checksum(again) == checksum(contents)
    assert checksum(contents_of(plant, PERIOD, rules="four-zone")) != checksum(contents)
    assert checksum(contents_of(plant, parse("2026-W11"))) != checksum(contents)


def test_limits_frozen_on_later_batches_are_not_there_yet(tmp_path, plant):
    copy = tmp_path / "copy.sqlite"
    ingest.backup(plant, copy)
    store = ingest.open_store(str(copy))
    number = of(store, "P & Q")
    for last in ("C049", "C055"):  # 22 March, inside; 28 March, after the cut-off
        ingest.freeze_limits(
            store, number, center=4000, sigma=80, lower=3760, upper=4240, first_batch="C020",
            last_batch=last, n=30, method="moving_range", why=f"up to {last}", by="Kim",
        )  # fmt: skip
    (one,) = [a for a in facts_of(store, PERIOD, ["P & Q"]).found if not _later(a)]
    assert [stretch.frozen.why for stretch in one.limits.stretches] == ["up to C049"]
    store.close()


def test_unknown_products_audiences_and_rules_are_refused(plant):
    with pytest.raises(AssessmentError, match="No product 'P-9' in this store; it holds"):
        contents_of(plant, PERIOD, ["P-9"])
    with pytest.raises(AssessmentError, match="audience must be one of full, summary"):
        contents_of(plant, PERIOD, audience="board")
    with pytest.raises(AssessmentError, match="rules must be one of"):
        contents_of(plant, PERIOD, rules="all")


@pytest.mark.parametrize("period", ["1999-W05", "2040-W05", "2026-Q1"])
def test_periods_without_data_or_not_over_are_told_as_such(plant, period):
    found = contents_of(plant, parse(period))
    assert len(found.sections) == 6
    if period == "1999-W05":
        assert "No batch was made in the period." in said(found)
    if period == "2040-W05":
        assert any("the period may go on" in one for one in found.assumed)


def test_an_empty_store_has_a_pack_too(tmp_path):
    store = ingest.open_store(str(tmp_path / "empty.sqlite"))
    found = contents_of(store, PERIOD)
    assert found.headline == "No batch before the cut-off"
    assert not found.needs_a_person
    store.close()


def test_nothing_is_overdue_before_its_day_is_over(tmp_path):
    """In a week that goes on, the newest thing in the store is the clock."""
    store = fill(tmp_path / "now.sqlite", rows())
    about = (of(store, HOSTILE), "means", "A038", "A050")
    today = date.fromisoformat(str(facts_of(store, PERIOD).newest)[:10])  # of the newest entry
    for days in (-1, 0, 1):
        due = today + timedelta(days=days)
        ingest.record_event(store, *about, "action", f"{days}", owner="Sam", due=due)
    going_on = contents_of(store, days_of(today - timedelta(days=2), today + timedelta(days=2)))
    states = {row[2]: row[0] for row in table(going_on, "actions-open").rows}
    assert states == {"-1": "overdue", "0": "open", "1": "open"}
    assert any("the period may go on" in one for one in going_on.assumed)
    over = contents_of(store, days_of(today - timedelta(days=9), today - timedelta(days=1)))
    states = {row[2]: row[0] for row in table(over, "actions-open").rows}
    assert states == {"-1": "overdue", "0": "open", "1": "open"}
    store.close()


def test_investigations_say_what_the_page_and_the_json_say(contents, plant, cut):
    facts = facts_of(plant, PERIOD)
    verdicts = {
        number: found.verdict for number, found in investigate_store(cut, facts.found).items()
    }
    told = [one for _, one in contents.tables if one.key.startswith("investigation-")]
    assert told
    for one in told:
        number = int(one.key.rpartition("-")[2])
        shown = dict(reversed(one.rows))
        assert shown["What"] == verdicts[number].what
        if verdicts[number].suspect != "none":
            assert shown["Check next"] == verdicts[number].next_check
        assert any(what == "Check" and "Not tried yet" in said for what, said in one.rows)


def test_what_was_tried_and_concluded_stands_in_the_pack(tmp_path):
    store = fill(tmp_path / "tried.sqlite", rows())
    number = of(store, HOSTILE)
    before = contents_of(store, PERIOD)
    assert table(before, f"investigation-{number}").rows
    about = (number, "means", "A038", "A049")
    ingest.record_event(store, *about, "cause", "process: a new <b>resin</b>", by="Kim")
    after = table(contents_of(store, PERIOD), f"investigation-{number}")
    ((_, concluded),) = [row for row in after.rows if row[0] == "Conclusion"]
    assert "a new <b>resin</b>" in concluded
    assert "Kim" in concluded
    store.close()


def test_what_is_due_says_overdue_in_time_or_that_it_has_no_date(plant, contents):
    due = table(contents, "due")
    assert due.rows
    for what, state in due.rows:
        dated = "due on" in what or "check due" in what
        assert state == ("overdue" if "overdue" in what else "in time" if dated else "no date")

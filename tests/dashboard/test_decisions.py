"""Frozen limits, batches left out and events handled, through a real store.

Expected numbers of S08 are from the plant scenarios (limits frozen on the first 20 batches).
"""

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

import ingest
from dashboard.assessment import assess_store, to_json
from dashboard.handling import MEANS

DATA = Path(__file__).parent / "data"
SOON = datetime(2025, 4, 1, tzinfo=UTC)


def opened(tmp_path, name):
    (path,) = DATA.glob(f"{name}_*.csv")
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    store.add(ingest.read_file(path))
    return store


def assess(store, **options):
    (found,) = assess_store(store, now=SOON, **options)
    return found


@pytest.fixture
def drifting(tmp_path):
    store = opened(tmp_path, "S08")
    yield store
    store.close()


def freeze(store, first="B001", last="B020", why="first stable stretch", **more):
    means = assess(store).batches.set_index("batch")["mean"].loc[first:last]
    sigma = np.abs(np.diff(means)).mean() / 1.128
    return ingest.freeze_limits(
        store, 1, center=means.mean(), sigma=sigma, first_batch=first, last_batch=last,
        n=len(means), method="moving_range", why=why, by="Kim", **more,
    )  # fmt: skip


def first_of(found, rule):
    return next(row.batch for row in found.signals if row.rule == rule)


def test_frozen_limits_do_not_move_with_forty_more_batches(drifting):
    freeze(drifting)
    found = assess(drifting, rules="three-sigma-ewma")
    assert found.n_batches == 60
    assert np.ptp(found.charts.location.center) == 0
    assert found.charts.location.center[0] == pytest.approx(1996.6, abs=0.05)
    assert found.charts.location.sigma == pytest.approx(37.2, abs=0.05)
    assert first_of(found, "beyond_3_sigma") == "B036"
    assert first_of(found, "ewma") == "B028"
    assert first_of(assess(drifting, rules="four-zone"), "8_on_one_side") == "B029"
    assert "frozen" in found.limits.sentence
    assert "by Kim" in found.limits.sentence
    assert to_json(found)["limits"]["frozen"] is True


def test_newer_limits_begin_with_their_baseline_and_older_ones_stay(drifting):
    freeze(drifting)
    freeze(drifting, "B041", "B060", "new mill, meant to last")
    found = assess(drifting)
    location, moving = found.charts.location, found.charts.dispersion
    assert [(one.start, one.stop) for one in found.limits.stretches] == [(0, 40), (40, 60)]
    assert location.center[39] == pytest.approx(1996.6, abs=0.05)
    assert location.center[40] == pytest.approx(np.mean(location.values[40:]))
    assert location.upper[40] - location.center[40] == pytest.approx(
        3 * location.standard_error[40]
    )
    assert moving.center[40] / moving.center[39] == pytest.approx(
        location.standard_error[40] / location.standard_error[39]
    )
    # the average starts anew: with one point it is a fifth of the way from the centre
    away = location.values[40] - location.center[40]
    assert found.ewma.values[40] == pytest.approx(location.center[40] + 0.2 * away)


def test_a_later_decision_about_the_same_beginning_replaces_the_earlier(drifting):
    freeze(drifting)
    freeze(drifting, "B001", "B010", "better baseline")
    (stretch,) = assess(drifting).limits.stretches
    assert stretch.frozen.why == "better baseline"


def test_a_batch_left_out_stays_plotted_and_moves_estimated_limits_only(tmp_path):
    store = opened(tmp_path, "S01")
    before = assess(store)
    for batch in ("B013", "B014", "B015"):
        ingest.exclude_batch(store, 1, batch, "wrong spindle was mounted", by="Kim")
    found = assess(store)
    assert found.n_batches == before.n_batches
    names = found.batches["batch"].tolist()
    assert {names[i] for i in found.limits.left_out} == {"B013", "B014", "B015"}
    means = found.batches["mean"].to_numpy()
    kept = ~found.batches["batch"].isin(["B013", "B014", "B015"]).to_numpy()
    assert found.charts.location.center[0] == pytest.approx(means[kept].mean())
    ranges = np.abs(np.diff(means))[kept[1:] & kept[:-1]]
    assert found.charts.location.sigma == pytest.approx(ranges.mean() * np.sqrt(np.pi) / 2)
    assert found.charts.location.outside()[~kept].all()
    assert any("left out with a cause" in note for note in found.notes)
    frozen = freeze(store, "B001", "B012")
    ingest.include_batch(store, 1, "B013", "spindle was right after all", by="Kim")
    again = assess(store)
    assert again.charts.location.center[0] == frozen.center
    assert again.charts.location.sigma == frozen.sigma
    store.close()


def the_event(store):
    (event,) = [one for one in assess(store).events if "B036" in one.batches]
    return event


def say(store, kind, words="", **more):
    event = the_event(store)
    return ingest.record_event(
        store, 1, MEANS, event.batches[0], event.batches[-1], kind, words, by="Kim", **more
    )


def test_an_event_is_handled_until_it_is_closed(drifting):
    freeze(drifting)
    assert the_event(drifting).handling.word == "new"
    assert assess(drifting).needs_a_person
    say(drifting, "acknowledged")
    assert the_event(drifting).handling.word == "acknowledged"
    say(drifting, "cause", "mill wears")
    assert the_event(drifting).handling.word == "cause recorded"
    say(drifting, "action", "change the beads", owner="Lee", due=date(2025, 5, 1))
    event = the_event(drifting)
    assert (event.handling.word, event.open) == ("action agreed", True)
    say(drifting, "closed", "beads changed, level is back")
    event = the_event(drifting)
    assert (event.handling.word, event.open) == ("closed", False)
    found = assess(drifting)
    assert "1 event closed" in found.state_reason
    assert len(event.handling.records) == 4
    say(drifting, "opened again", "level fell again")
    assert the_event(drifting).open


def test_what_was_taken_back_counts_no_more(drifting):
    freeze(drifting)
    closed = say(drifting, "closed", "done")
    say(drifting, "taken back", "closed by mistake", about=closed.id)
    event = the_event(drifting)
    assert (event.handling.word, event.open) == ("new", True)


def test_an_event_that_goes_on_after_closing_is_open_again(drifting):
    freeze(drifting)
    event = the_event(drifting)
    ingest.record_event(
        drifting, 1, MEANS, event.batches[0], event.batches[-3], "closed", "thought to be over"
    )
    assert the_event(drifting).open


def test_records_on_readings_do_not_touch_events_on_means(drifting):
    freeze(drifting)
    event = the_event(drifting)
    ingest.record_event(
        drifting, 1, "readings", event.batches[0], event.batches[-1], "closed", "beaker"
    )
    assert the_event(drifting).handling.records == ()

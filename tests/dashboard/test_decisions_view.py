"""Looking before deciding: what freezing would change, and what was decided about a batch."""

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

import ingest
from dashboard import decisions_view, limits_view
from dashboard.assessment import assess_store
from dashboard.handling import MEANS

DATA = Path(__file__).parent / "data"
SOON = datetime(2025, 4, 1, tzinfo=UTC)


@pytest.fixture
def drifting(tmp_path):
    (path,) = DATA.glob("S08_*.csv")
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    store.add(ingest.read_file(path))
    yield store
    store.close()


def assess(store):
    (found,) = assess_store(store, now=SOON)
    return found


def test_a_preview_says_what_freezing_then_does(drifting):
    """S08 frozen on the first 20 batches: centre 1996.6, sigma 37.2; the moving average signals
    at B028, 3 sigma at B036."""
    before = assess(drifting)
    preview = decisions_view.freeze_preview(drifting, before, "B001", "B020")
    assert preview.after.center == pytest.approx(1996.6, abs=0.05)
    assert preview.after.sigma == pytest.approx(37.2, abs=0.05)
    assert preview.after.upper == pytest.approx(1996.6 + 3 * 37.2, abs=0.2)
    assert preview.before.center == pytest.approx(before.batches["mean"].mean())
    assert preview.n == 20
    # nothing has been changed by looking
    assert ingest.frozen_limits(drifting) == []
    frozen = decisions_view.freeze(drifting, before, preview, "first stable stretch", "Kim")
    assert (frozen.who, frozen.first_batch, frozen.last_batch) == ("Kim", "B001", "B020")
    after = assess(drifting)
    flagged = {row.batch for row in after.signals if row.chart != "duplicates range"}
    assert preview.flagged_after == len(flagged)
    assert "B028" in preview.newly or "B028" in {row.batch for row in before.signals}
    assert min(flagged) == "B028"
    assert after.charts.location.center[0] == preview.after.center


def test_freezing_without_a_reason_is_refused(drifting):
    one = assess(drifting)
    preview = decisions_view.freeze_preview(drifting, one, "B001", "B020")
    with pytest.raises(ingest.IngestError, match="needs a cause in words"):
        decisions_view.freeze(drifting, one, preview, "  ", None)


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ("B020", "B001", "ends before it begins"),
        ("B001", "B007", "limits need 8"),
        ("B001", "X99", "has no batch 'X99'"),
    ],
)
def test_a_baseline_that_is_none_is_refused(drifting, first, last, said):
    with pytest.raises(ingest.IngestError, match=said):
        decisions_view.freeze_preview(drifting, assess(drifting), first, last)


def test_batches_left_out_do_not_count_in_the_baseline(drifting):
    ingest.exclude_batch(drifting, 1, "B010", "charged twice", by="Kim")
    one = assess(drifting)
    preview = decisions_view.freeze_preview(drifting, one, "B001", "B020")
    means = one.batches.set_index("batch")["mean"].loc["B001":"B020"]
    kept = means.drop("B010")
    assert preview.n == 19
    assert preview.left_out == {"B010": "charged twice"}
    assert preview.after.center == pytest.approx(kept.mean())
    # the two ranges to and from the batch that was left out do not count, either
    ranges = np.abs(np.diff(means))
    counted = np.delete(ranges, [8, 9])
    assert preview.after.sigma == pytest.approx(counted.mean() * np.sqrt(np.pi) / 2)
    said = " ".join(decisions_view.preview_sentences(preview, one.n_batches))
    assert "B010 (charged twice)" in said


def test_a_preview_names_the_limits_that_it_replaces(drifting):
    one = assess(drifting)
    first = decisions_view.freeze_preview(drifting, one, "B001", "B020")
    decisions_view.freeze(drifting, one, first, "first", "Kim")
    one = assess(drifting)
    later = decisions_view.freeze_preview(drifting, one, "B041", "B060")
    assert (later.replaced, later.since) == ((), "B041")
    same = decisions_view.freeze_preview(drifting, one, "B001", "B025")
    assert [old.why for old in same.replaced] == ["first"]


def test_drift_since_the_freeze_is_a_number(drifting):
    one = assess(drifting)
    assert decisions_view.drift_since(one) is None
    preview = decisions_view.freeze_preview(drifting, one, "B001", "B020")
    decisions_view.freeze(drifting, one, preview, "first", "Kim")
    one = assess(drifting)
    drift = decisions_view.drift_since(one)
    after = one.batches["mean"].to_numpy()[20:]
    assert drift.n == 40
    assert drift.size == pytest.approx(after.mean() - preview.after.center)
    half = 1.96 * preview.after.sigma * np.sqrt(1 / 40 + 1 / 20)
    assert drift.interval == pytest.approx((drift.size - half, drift.size + half))
    assert "no detectable drift" not in drift.sentence


def test_frozen_limits_are_explained_with_their_history(drifting):
    one = assess(drifting)
    for last, why in (("B015", "first try"), ("B020", "better baseline")):
        preview = decisions_view.freeze_preview(drifting, one, "B001", last)
        decisions_view.freeze(drifting, one, preview, why, "Kim")
    one = assess(drifting)
    worked = dict(limits_view.arithmetic(one))
    assert worked["Centre"].startswith("mean of 20 batches, B001 to B020 = 1996.")
    center, sigma = one.limits.stretches[0].frozen.center, one.limits.stretches[0].frozen.sigma
    assert worked["Upper limit"].endswith(f"= {center + 3 * sigma:.2f}")
    held = limits_view.every_set(one, ingest.frozen_limits(drifting, 1))
    assert held["Why"] == ["better baseline", "first try"]
    assert held["Holds for"] == ["B001 to B060", "none: replaced"]
    said = " ".join(limits_view.explanation(one))
    assert "Frozen by Kim" in said
    assert "Since the freeze, 40 batches" in said


def test_limits_that_the_baseline_no_longer_gives_are_told(drifting):
    ingest.freeze_limits(
        drifting, 1, center=2100.0, sigma=20.0, first_batch="B001", last_batch="B020", n=20,
        method="moving_range", why="by hand",
    )  # fmt: skip
    one = assess(drifting)
    assert "The frozen numbers stand" in " ".join(limits_view.explanation(one))
    assert dict(limits_view.arithmetic(one))["Sigma"] == "as frozen = 20.00"


def test_the_history_of_a_batch_holds_every_decision_about_it(drifting):
    one = assess(drifting)
    ingest.exclude_batch(drifting, 1, "B030", "spilled", by="Kim")
    ingest.include_batch(drifting, 1, "B030", "it was B031", by="Lee")
    ingest.record_event(
        drifting, 1, MEANS, "B028", "B036", "action", "new beads", owner="Bo",
        due=date(2025, 5, 1), by="Kim",
    )  # fmt: skip
    ingest.record_event(drifting, 1, MEANS, "B050", "B055", "remark", "elsewhere", by="Kim")
    preview = decisions_view.freeze_preview(drifting, one, "B021", "B040")
    decisions_view.freeze(drifting, one, preview, "try", "Lee")
    told = decisions_view.history_of_batch(drifting, one, "B030")
    assert {(row.what, row.who) for row in told} == {
        ("left out of limits", "Kim"),
        ("counted for limits again", "Lee"),
        ("action agreed", "Kim"),
        ("limits frozen, with this batch", "Lee"),
    }
    assert "new beads (owner Bo, until 1 May 2025)" in [row.words for row in told]
    assert decisions_view.history_of_batch(drifting, one, "B002") == []


def test_actions_wait_until_done_and_then_until_checked(drifting):
    def say(kind, words="", **more):
        return ingest.record_event(drifting, 1, MEANS, "B028", "B036", kind, words, **more)

    action = say("action", "new beads", owner="Bo", due=date(2025, 5, 1))
    records = ingest.event_records(drifting)
    assert [one.id for one in decisions_view.open_actions(records)] == [action.id]
    assert decisions_view.unchecked_actions(records) == []
    say("action done", about=action.id)
    records = ingest.event_records(drifting)
    assert decisions_view.open_actions(records) == []
    assert [one.id for one in decisions_view.unchecked_actions(records)] == [action.id]
    say("effect", "level is back", about=action.id)
    assert decisions_view.unchecked_actions(ingest.event_records(drifting)) == []

"""What people record about events: kept in order, never changed, each with its journal entry."""

from datetime import date
from pathlib import Path

import pytest

import ingest
from ingest import journal


@pytest.fixture
def filled(any_store: ingest.Store, data: Path) -> ingest.Store:
    any_store.add(ingest.read_file(data / "F01_baseline_duplicates.csv"))
    return any_store


def record(store: ingest.Store, kind: str, words: str = "", **more: object) -> ingest.EventRecord:
    return ingest.record_event(
        store, 1, "batch means", "B012", "B015", kind, words, by="Kim", **more
    )


def test_an_event_from_seen_to_closed(filled: ingest.Store) -> None:
    before = filled.revision()
    record(filled, "acknowledged")
    record(filled, "cause", "filter was changed late")
    action = record(filled, "action", "change it weekly", owner="Lee", due=date(2025, 6, 1))
    record(filled, "action done", about=action.id)
    record(filled, "effect", "eight batches without a signal", about=action.id)
    record(filled, "closed", "filter changes are in the plan now")
    held = ingest.event_records(filled, 1)
    assert [one.kind for one in held] == [
        "acknowledged", "cause", "action", "action done", "effect", "closed",
    ]  # fmt: skip
    assert [one.id for one in held] == [1, 2, 3, 4, 5, 6]
    assert {one.who for one in held} == {"Kim"}
    assert {(one.first_batch, one.last_batch) for one in held} == {("B012", "B015")}
    assert (held[2].owner, held[2].due) == ("Lee", date(2025, 6, 1))
    assert (held[3].about, held[4].about) == (3, 3)
    assert filled.revision() == before + 6
    assert ingest.event_records(filled, 2) == []
    assert ingest.verify(filled) == []


def test_a_check_that_was_tried_is_a_record(filled: ingest.Store) -> None:
    tried = record(filled, ingest.TRIED, "Zero in air — found: 0.4 % off")
    record(filled, "taken back", "another instrument", about=tried.id)
    held = ingest.event_records(filled, 1)
    assert [one.kind for one in held] == ["tried", "taken back"]
    assert ingest.standing(held) == []
    with filled.reading() as connection:
        what = [entry.what for entry in journal.entries(connection)]
    assert what[-2:] == ["check tried for an event", "record taken back"]
    with pytest.raises(ingest.IngestError, match="A check that was tried needs"):
        record(filled, ingest.TRIED, "  ")


def test_every_record_is_in_the_journal(filled: ingest.Store) -> None:
    record(filled, "cause", "filter was changed late")
    with filled.reading() as connection:
        entry = journal.entries(connection)[-1]
    assert entry.what == "cause of an event recorded"
    assert entry.subject.endswith("batches B012 to B015")
    assert entry.subject.startswith("P-100")
    assert (entry.who, entry.why) == ("Kim", "filter was changed late")


def test_taking_back_is_a_record_of_its_own(filled: ingest.Store) -> None:
    cause = record(filled, "cause", "filter")
    back = record(filled, "taken back", "it was the wrong batch", about=cause.id)
    held = ingest.event_records(filled)
    assert len(held) == 2
    assert ingest.standing(held) == []
    record(filled, "taken back", "it was right after all", about=back.id)
    assert [one.id for one in ingest.standing(ingest.event_records(filled))] == [cause.id]


@pytest.mark.parametrize(
    ("kind", "words", "more", "said"),
    [
        ("blamed", "x", {}, "'blamed' is nothing that can be recorded"),
        ("cause", "  ", {}, "needs a cause in words"),
        ("closed", "", {}, "needs a cause in words"),
        ("action", "clean it", {"owner": "Lee"}, "owner and a date"),
        ("action", "clean it", {"due": date(2025, 6, 1)}, "owner and a date"),
        ("action done", "", {"about": 7}, "There is no record 7"),
        ("action done", "", {}, "There is no record None"),
        ("taken back", "mistake", {"about": 9}, "There is no record 9"),
    ],
)
def test_what_may_not_be_recorded(
    filled: ingest.Store, kind: str, words: str, more: dict[str, object], said: str
) -> None:
    revision = filled.revision()
    with pytest.raises(ingest.IngestError, match=said):
        record(filled, kind, words, **more)
    assert ingest.event_records(filled) == []
    assert filled.revision() == revision


def test_a_cause_is_not_an_action_that_can_be_done(filled: ingest.Store) -> None:
    cause = record(filled, "cause", "filter")
    with pytest.raises(ingest.IngestError, match="can be 'action done'"):
        record(filled, "action done", about=cause.id)


def test_nothing_is_taken_back_twice(filled: ingest.Store) -> None:
    cause = record(filled, "cause", "filter")
    record(filled, "taken back", "wrong batch", about=cause.id)
    with pytest.raises(ingest.IngestError, match="was taken back already"):
        record(filled, "taken back", "again", about=cause.id)


def test_unknown_batches_and_charts_are_refused(filled: ingest.Store) -> None:
    with pytest.raises(ingest.IngestError, match="no batch 'B999'"):
        ingest.record_event(filled, 1, "batch means", "B012", "B999", "acknowledged")
    with pytest.raises(ingest.IngestError, match="no characteristic 77"):
        ingest.record_event(filled, 77, "batch means", "B012", "B015", "acknowledged")

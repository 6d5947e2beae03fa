"""Minuted decisions, and readings by time: what the review of a period asks of the store."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

import ingest

ROWS = """batch,product,replicate,viscosity,unit,torque,sampled_at,tested_at
B1,P-1,1,2000,mPa.s,,2026-03-15T23:59:59Z,2026-03-17T08:00:00Z
B2,P-1,1,2010,mPa.s,,2026-03-16T00:00:00Z,2026-03-17T08:00:00Z
B3,P-1,1,OVER,mPa.s,104,2026-03-16T12:00:00Z,
B4,P-1,1,2020,mPa.s,,,2026-03-22T23:59:59Z
B5,P-1,1,2030,mPa.s,,2026-03-23T00:00:00Z,
B6,P-1,1,OVER,mPa.s,104,2026-03-23T00:00:00Z,
"""
START, END = datetime(2026, 3, 16, tzinfo=UTC), datetime(2026, 3, 23, tzinfo=UTC)


def test_readings_of_a_time_begin_with_it_and_end_before_its_end(any_store) -> None:
    any_store.add(ingest.read_bytes(ROWS.encode(), "week.csv", {"time_zone": "UTC"}))
    inside = any_store.readings(aside=True, between=(START, END))
    assert inside["batch"].tolist() == ["B2", "B3", "B4"]  # by sampling, else by reading
    assert any_store.readings(between=(START, END))["batch"].tolist() == ["B2", "B4"]
    local = timezone(timedelta(hours=5, minutes=30))
    again = any_store.readings(aside=True, between=(START.astimezone(local), END.astimezone(local)))
    assert again["batch"].tolist() == inside["batch"].tolist()
    assert len(any_store.readings(aside=True)) == 6


def test_rows_set_aside_are_counted_up_to_a_time(any_store) -> None:
    any_store.add(ingest.read_bytes(ROWS.encode(), "week.csv", {"time_zone": "UTC"}))
    assert any_store.set_aside_counts()["n"].tolist() == [2]
    assert any_store.set_aside_counts(END)["n"].tolist() == [1]
    assert any_store.set_aside_counts(START).empty
    assert any_store.set_aside_counts(END + timedelta(microseconds=1))["n"].tolist() == [2]


def test_a_minute_is_an_entry_and_is_taken_back_by_another(any_store) -> None:
    first = ingest.add_minute(
        any_store, " 2026-W12 ", "Buy  a new\nthermometer", ("P-1",), by="Kim"
    )
    second = ingest.add_minute(any_store, "2026-W13", "Stay with lot R1", by="Sam")
    assert (first.review, first.words, first.products, first.who) == (
        "2026-W12", "Buy a new thermometer", ("P-1",), "Kim",
    )  # fmt: skip
    assert ingest.minutes(any_store) == [first, second]
    assert ingest.minutes(any_store, "2026-W12") == [first]
    before = any_store.revision()
    ingest.take_back_minute(any_store, first.id, "we have one", by="Sam")
    assert any_store.revision() == before + 1
    assert ingest.minutes(any_store) == [second]
    entries = ingest.journal_entries(any_store)
    assert [one.what for one in entries] == [
        "decision minuted", "decision minuted", "minuted decision taken back",
    ]  # fmt: skip
    assert entries[-1].why == "we have one"
    assert ingest.verify(any_store) == []


def test_minutes_without_words_period_or_cause_are_refused(any_store) -> None:
    with pytest.raises(ingest.IngestError, match="needs the period of its review"):
        ingest.add_minute(any_store, " ", "decided")
    with pytest.raises(ingest.IngestError, match="nothing to minute yet"):
        ingest.add_minute(any_store, "2026-W12", " … ")
    with pytest.raises(ingest.IngestError, match="no minuted decision 7"):
        ingest.take_back_minute(any_store, 7, "wrong")
    minute = ingest.add_minute(any_store, "2026-W12", "decided")
    with pytest.raises(ingest.IngestError, match="needs a cause"):
        ingest.take_back_minute(any_store, minute.id, "")
    assert ingest.minutes(any_store) == [minute]

"""What was done to instruments: entries of the journal with a day of their own."""

from datetime import UTC, date, datetime, timedelta

import pytest

import ingest


def test_a_service_stands_in_the_journal_on_its_own_day(any_store: ingest.Store) -> None:
    before = any_store.revision()
    later = ingest.record_service(any_store, " V1 ", date(2025, 3, 9), "new bath", by="Kim")
    first = ingest.record_service(any_store, "V1", date(2025, 3, 2), "cleaned", by="Lee")
    ingest.record_service(any_store, "V2", date(2025, 3, 5), "spindle changed")
    assert any_store.revision() == before + 3
    assert ingest.services(any_store, "V1") == [first, later]
    assert [one.words for one in ingest.services(any_store)] == [
        "cleaned",
        "spindle changed",
        "new bath",
    ]
    assert (later.instrument, later.who, later.on) == ("V1", "Kim", date(2025, 3, 9))
    assert ingest.verify(any_store) == []


def test_one_is_taken_back_by_a_further_entry(store: ingest.Store) -> None:
    one = ingest.record_service(store, "V1", date(2025, 3, 9), "new bath", by="Kim")
    ingest.take_back_service(store, one.id, "it was V2", by="Lee")
    assert ingest.services(store) == []
    entries, faults = ingest.journal_table(store)
    assert entries["what"].tolist() == ["instrument service", "instrument service taken back"]
    assert entries["why"].tolist() == ["new bath", "it was V2"]
    assert faults == []
    with pytest.raises(ingest.IngestError, match="no service that stands"):
        ingest.take_back_service(store, one.id, "again")


def test_what_cannot_be_recorded_is_refused_in_a_sentence(store: ingest.Store) -> None:
    day = date(2025, 3, 9)
    with pytest.raises(ingest.IngestError, match="name it as in the readings"):
        ingest.record_service(store, " ", day, "cleaned")
    with pytest.raises(ingest.IngestError, match="in words what was done to V1"):
        ingest.record_service(store, "V1", day, " - ")
    with pytest.raises(ingest.IngestError, match="still to come"):
        ingest.record_service(store, "V1", datetime.now(UTC).date() + timedelta(days=2), "cleaned")
    assert ingest.journal_table(store)[0].empty

"""The outbox of the watch, on both databases: rows only added, in order, of many writers."""

from concurrent.futures import ThreadPoolExecutor

import pytest

import ingest
from ingest import outbox


def add(store: ingest.Store, what: str, **more: object) -> outbox.Notice:
    with store.writing() as connection:
        return outbox.add_notice(connection, what, **more)  # type: ignore[arg-type]


def rows(store: ingest.Store, after: int = 0) -> list[outbox.Notice]:
    with store.reading() as connection:
        return outbox.notices(connection, after)


def test_rows_come_back_as_they_were_written(any_store: ingest.Store) -> None:
    content = {"sentence": "B1 · 2300 <b>", "n": 1.5, "list": ["a", None]}
    first = add(any_store, "noticed", matter="event|1|means|above|B\0 1", content=content)
    second = add(any_store, "composed", message="m1", target="team: a@plant.example", at="2026")
    assert rows(any_store) == [first, second]
    assert first.matter == "event|1|means|above|B␀ 1"
    assert rows(any_store, first.id) == [second]
    assert (second.at, second.content, second.who) == ("2026", {}, "")


def test_what_says_nothing_is_refused(any_store: ingest.Store) -> None:
    with pytest.raises(ingest.IngestError, match="nothing that an outbox says"):
        add(any_store, "mislaid")


def test_it_is_no_change_of_what_screens_show(any_store: ingest.Store) -> None:
    before = any_store.revision()
    add(any_store, "noticed", matter="m")
    with any_store.writing() as connection:
        outbox.keep_watch_state(connection, {"revision": 3, "file": "å"})
    with any_store.reading() as connection:
        assert outbox.watch_state(connection) == {"revision": 3, "file": "å"}
    assert any_store.revision() == before


def test_a_transaction_that_fails_leaves_no_row(any_store: ingest.Store) -> None:
    def fail() -> None:
        with any_store.writing() as connection:
            outbox.add_notice(connection, "noticed", matter="m")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert rows(any_store) == []


def test_many_writers_at_once_lose_and_mix_up_nothing(any_url: str) -> None:
    ingest.open_store(any_url).close()

    def write(worker: int) -> None:
        store = ingest.open_store(any_url)
        for i in range(20):
            add(store, "noticed", matter=f"{worker}.{i}")
        store.close()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(4)))
    store = ingest.open_store(any_url)
    found = rows(store)
    store.close()
    assert [row.id for row in found] == list(range(1, 81))
    for worker in range(4):
        mine = [row.matter for row in found if row.matter.startswith(f"{worker}.")]
        assert mine == [f"{worker}.{i}" for i in range(20)]


def test_acknowledging_stands_in_the_journal_with_its_person(any_store: ingest.Store) -> None:
    add(any_store, "noticed", matter="import|3", content={"sentence": "x.csv: 1 row."})
    revision = any_store.revision()
    ingest.see_matter(any_store, "import|3", "Kim")
    seen = rows(any_store)[-1]
    assert (seen.what, seen.matter, seen.who) == ("seen", "import|3", "Kim")
    entry = ingest.journal_entries(any_store)[-1]
    assert (entry.what, entry.subject, entry.who) == ("notice seen", "x.csv: 1 row.", "Kim")
    assert ingest.verify(any_store) == []
    assert any_store.revision() == revision + 1
    with pytest.raises(ingest.IngestError, match="noticed nothing of that name"):
        ingest.see_matter(any_store, "import|4", "Kim")
    assert len(ingest.journal_entries(any_store)) == 1


def test_a_backup_holds_the_outbox(any_store: ingest.Store, tmp_path) -> None:
    add(any_store, "noticed", matter="m", content={"a": "b"})
    ingest.backup(any_store, tmp_path / "copy.sqlite")
    copy = ingest.open_store(str(tmp_path / "copy.sqlite"))
    assert rows(copy) == rows(any_store)
    copy.close()

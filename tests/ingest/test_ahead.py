"""Items that a thread makes while the one before is worked on."""

import threading
from collections.abc import Iterator

import pytest

from ingest.ahead import ahead


@pytest.mark.parametrize("count", [0, 1, 2, 3, 50])
def test_the_items_come_in_their_order(count: int) -> None:
    assert list(ahead(range(count))) == list(range(count))
    assert list(ahead([None] * count)) == [None] * count


def test_an_error_comes_where_the_item_would_have_come() -> None:
    def some() -> Iterator[int]:
        yield from range(3)
        raise ValueError("the fourth")

    items = ahead(some())
    assert [next(items) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(ValueError, match="the fourth"):
        next(items)


def test_no_more_than_one_waits_and_none_is_made_after_the_end() -> None:
    made: list[int] = []

    def some() -> Iterator[int]:
        for number in range(100):
            made.append(number)
            yield number

    before = threading.active_count()
    items = ahead(some())
    for taken in range(5):
        assert next(items) == taken
        assert len(made) <= taken + 2
    items.close()  # type: ignore[attr-defined]
    assert len(made) <= 6
    assert threading.active_count() == before


def test_the_next_item_is_made_meanwhile() -> None:
    second = threading.Event()

    def some() -> Iterator[int]:
        yield 1
        second.set()
        yield 2

    items = ahead(some())
    assert next(items) == 1
    assert second.wait(timeout=10), "the second item waited for the first to be done with"
    assert list(items) == [2]


def test_it_goes_on_without_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_self: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", refused)
    assert list(ahead(range(5))) == [0, 1, 2, 3, 4]

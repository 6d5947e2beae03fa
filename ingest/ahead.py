"""Making the next item while the one before is worked on."""

import itertools
import threading
from collections.abc import Iterable, Iterator
from typing import Generic, TypeVar

_Item = TypeVar("_Item")


def ahead(items: Iterable[_Item]) -> Iterator[_Item]:
    """The items in their order, each made by a thread while the one before is worked on.

    Worth it where items take long, mostly in libraries that let other threads run meanwhile. No
    more than one waits. The first is made without a thread, so nothing costs nothing. What is
    raised while an item is made is raised where the item would have come.
    """
    source = iter(items)
    for first in source:
        maker = _Maker(source)
        try:
            maker.start()
        except RuntimeError:  # no more threads are to be had
            yield first
            yield from source
            return
        try:
            yield first
            del first
            yield from maker
        finally:
            maker.end()
        return


class _Maker(threading.Thread, Generic[_Item]):
    """Makes one item at a time, the next one when it is taken."""

    def __init__(self, source: Iterator[_Item]) -> None:
        super().__init__(daemon=True)
        self._source = source
        self._wanted, self._made = threading.Semaphore(1), threading.Semaphore(0)
        self._items: list[_Item] = []
        self._error: BaseException | None = None
        self._ended = False

    def run(self) -> None:
        while True:
            self._wanted.acquire()
            if self._ended:
                return
            try:
                self._items = list(itertools.islice(self._source, 1))
            except BaseException as error:  # noqa: BLE001 - raised where the item is taken
                self._items, self._error = [], error
            self._made.release()
            if not self._items:
                return

    def __iter__(self) -> Iterator[_Item]:
        while True:
            self._made.acquire()
            if self._error is not None:
                raise self._error
            if not self._items:
                return
            item, self._items = self._items[0], []
            self._wanted.release()
            yield item
            del item

    def end(self) -> None:
        """Wait for the item that is being made; no further one is."""
        self._ended = True
        self._wanted.release()
        self.join()

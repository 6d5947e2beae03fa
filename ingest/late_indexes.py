"""Indexes of a store that a large file fills: made behind its rows, which is faster than before.

An index that is kept while rows come in any order costs more than one that is made of all of them.
But the unique one says which keys are taken. So it is put off only while that is plain without it:
the keys of a block are all different, and its times lie outside those of everything before it, as
in exports that are in the order of time (neighbours at the ends of blocks are compared). At the
first block of which that is not so the index is made, and the rest goes the usual way. All of it is
in the transaction of the import.

Only on SQLite: on a server no reader would get by while its index is dropped.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import sqlalchemy as sa

from ingest import schema
from ingest.coded import cells_at
from ingest.judging import KEY, codes_of

_FEWEST = 50_000  # rows of a file; below that nothing is gained
_SHARE = 0.25  # of the file's rows that the store may hold already
_AT_AN_END = 1000  # rows with the first and the last times of a block that are remembered
_NAMES = ("results_key", "batches_revision")

Key = tuple[object, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """What is remembered of the block before: neighbours in time often lie in two blocks.

    Attributes:
        span: its first and its last time. keys: of its rows up to `low` and from `high` on.
    """

    span: tuple[int, int]
    low: int
    high: int
    keys: set[Key]

    @classmethod
    def of(cls, rows: pd.DataFrame, moment: npt.NDArray[np.int64]) -> "_Block":
        n = min(len(moment), _AT_AN_END)
        low, high = int(np.partition(moment, n - 1)[n - 1]), int(np.partition(moment, -n)[-n])
        if (moment <= low).sum() > 2 * n:  # many at one time
            low -= 1
        if (moment >= high).sum() > 2 * n:
            high += 1
        ends = np.flatnonzero((moment <= low) | (moment >= high))
        return cls((int(moment.min()), int(moment.max())), low, high, _keys(rows, ends))


class LateIndexes:
    """The indexes that are put off while a file is stored."""

    def __init__(self, connection: sa.Connection, stored: int, coming: int) -> None:
        """Put the indexes off where that is worth it.

        Args:
            connection: the open transaction. stored: rows of the store. coming: of the file.
        """
        self._connection = connection
        self._waiting: list[str] = []
        self._before: tuple[int, int] | None = None  # first and last time but for the last block
        self._last: _Block | None = None
        if connection.dialect.name != "sqlite" or coming < _FEWEST or stored > _SHARE * coming:
            return
        made = "SELECT sql FROM sqlite_master WHERE type = 'index' AND name = ?"
        for name in _NAMES:
            statement = connection.exec_driver_sql(made, (name,)).scalar_one()
            self._waiting.append(str(statement))
            connection.exec_driver_sql(f"DROP INDEX {name}")
        if stored:
            moment = schema.RESULTS.c.moment
            span = connection.execute(sa.select(sa.func.min(moment), sa.func.max(moment))).one()
            self._before = int(span[0]), int(span[1])

    def look(self, rows: pd.DataFrame) -> bool:
        """Make the indexes if the key of any of these rows may be taken, before they are written.

        Args:
            rows: the next block, with the columns of the key.

        Returns:
            whether it was seen that no two of these rows are of one replicate.
        """
        if not self._waiting or not len(rows):
            return False
        alone = bool(codes_of(rows, KEY[:4]).max() + 1 == len(rows))
        if not (alone or codes_of(rows, KEY).max() + 1 == len(rows)) or not self._are_new(rows):
            self.make()
        return alone

    def make(self) -> None:
        """Make what was put off."""
        for statement in self._waiting:
            self._connection.exec_driver_sql(statement)
        self._waiting = []

    def _are_new(self, rows: pd.DataFrame) -> bool:
        """Whether no key of these rows stands in the rows before, for their times."""
        moment = rows["moment"].to_numpy(dtype=np.int64)
        before, last = self._before, self._last
        spans = [span for span in (before, last and last.span) if span]
        inside = np.zeros(len(rows), dtype=bool)
        for low, high in spans:
            inside |= (moment >= low) & (moment <= high)
        if inside.any():
            if last is None:
                return False
            beside = (moment <= last.low) | (moment >= last.high)
            if before is not None:
                beside &= (moment < before[0]) | (moment > before[1])
            if not beside[inside].all():
                return False
            if not last.keys.isdisjoint(_keys(rows, np.flatnonzero(inside))):
                return False
        if spans:
            self._before = min(low for low, _ in spans), max(high for _, high in spans)
        self._last = _Block.of(rows, moment)
        return True


def _keys(rows: pd.DataFrame, where: npt.NDArray[np.int64]) -> set[Key]:
    return set(zip(*(cells_at(rows[name], where) for name in KEY), strict=True))

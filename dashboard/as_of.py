"""A store as its data stood at a cut-off: what was sampled later is not seen.

Decisions are seen as they are recorded now: a batch that was left out of the limits since does not
count, whenever the period was. Only frozen limits whose baseline reaches beyond the cut-off are
not there yet. Whatever reads a store (`assess_store`, `check_verdicts`, `investigate_store`) reads
this one too, so the numbers of a pack come from the same functions as those of the screens.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import pandas as pd


class StoreAsOf:
    """What a store says, without anything that was sampled at or after the cut-off.

    A batch counts when all its readings in use lie before the cut-off; readings and batches
    without any time are always seen.
    """

    def __init__(self, store: Any, before: datetime) -> None:
        """See `store` without what was sampled at or after `before`."""
        self._store = store
        self.before = before
        self._held: pd.DataFrame | None = None

    @property
    def url(self) -> str:
        """The address of the store."""
        return str(self._store.url)

    def revision(self) -> int:
        """The revision of the store."""
        return int(self._store.revision())

    @contextmanager
    def reading(self) -> Iterator[Any]:
        """A connection to the store, for decisions and registers."""
        with self._store.reading() as connection:
            yield connection

    def batches(self, characteristic_id: int | None = None) -> pd.DataFrame:
        """As `Store.batches`, of those that were complete before the cut-off."""
        if self._held is None:
            frame = self._store.batches()
            self._held = frame[self._seen(frame["last_at"])].reset_index(drop=True)
        if characteristic_id is None:
            return self._held
        mine = self._held["characteristic_id"] == characteristic_id
        return self._held[mine].reset_index(drop=True)

    def readings(
        self,
        characteristic_id: int | None = None,
        aside: bool = False,
        batch: str | None = None,
        only_aside: bool = False,
    ) -> pd.DataFrame:
        """As `Store.readings`, of those before the cut-off."""
        frame = self._store.readings(characteristic_id, aside, batch, only_aside)
        times = frame["sampled_at"].fillna(frame["at"])
        return frame[self._seen(times)].reset_index(drop=True)

    def set_aside_counts(self) -> pd.DataFrame:
        """As `Store.set_aside_counts`, of readings before the cut-off."""
        return self._store.set_aside_counts(self.before)

    def characteristics(self) -> pd.DataFrame:
        """As `Store.characteristics`, with the readings in use before the cut-off."""
        frame = self._store.characteristics()
        held = self.batches().groupby("characteristic_id")["n"].sum()
        counted = frame["id"].map(held).fillna(0).astype(int)
        return frame.assign(n_readings=counted)

    def specifications(self, product: str | None = None) -> list[Any]:
        """As `Store.specifications`: each holds for the batches from its own day on."""
        return list(self._store.specifications(product))

    def operators(self, characteristic_id: int) -> list[str]:
        """As the store has them: later people stand behind those of before the cut-off."""
        return list(self._store.operators(characteristic_id))

    def lots(self, characteristic_id: int) -> dict[str, str]:
        """As `Store.lots`."""
        return dict(self._store.lots(characteristic_id))

    def imports(self) -> pd.DataFrame:
        """As `Store.imports`."""
        return self._store.imports()

    def _seen(self, times: pd.Series) -> pd.Series:
        return times.isna() | (times < pd.Timestamp(self.before))

"""Readings sorted into batches where the readings themselves are needed, not what they come to."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from dashboard.batches import LONG_APART, named_batches, production_time
from ingest.judging import uses_of


@dataclass(frozen=True, slots=True, eq=False)
class Grouped:
    """Readings sorted into batches, characteristic after characteristic.

    Attributes:
        rows: the readings, those of a batch beside each other, by replicate.
        code: number of the batch of each row, rising.
        first: position in `rows` of the first reading of each batch.
        n: readings of each batch.
        names: of the batches.
        earliest: production time of each batch.
        far_apart: whether the readings of a row's batch number lie far apart.
    """

    rows: pd.DataFrame
    code: np.ndarray
    first: np.ndarray
    n: np.ndarray
    names: np.ndarray
    earliest: np.ndarray
    far_apart: np.ndarray


def in_batches(readings: pd.DataFrame) -> Grouped:
    """Sort readings, at least one, into batches: see `batch_tables` for what a batch is."""
    used = readings.iloc[np.argsort(readings["characteristic_id"].to_numpy(), kind="stable")]
    named = used.groupby(["characteristic_id", "batch"], sort=False, dropna=False).ngroup()
    number = named.to_numpy()
    use = uses_of(number, _seconds(production_time(used)))
    code = used.assign(use=use).groupby([number, "use"], sort=False).ngroup().to_numpy()
    order = np.lexsort((used["replicate"].to_numpy(), code))
    used, code, number, use = used.iloc[order], code[order], number[order], use[order]
    first = np.flatnonzero(np.diff(code, prepend=-1))
    times = production_time(used)
    earliest = np.fmin.reduceat(times, first)  # fmin passes over a missing time
    numbers = used["batch"].fillna("").astype(str).to_numpy(dtype=object)[first]
    return Grouped(
        rows=used,
        code=code,
        first=first,
        n=np.diff(first, append=len(code)),
        names=named_batches(numbers, number[first], use[first], earliest),
        earliest=earliest,
        far_apart=_far_apart(number, times),
    )


def _seconds(times: np.ndarray) -> np.ndarray:
    """Times as the store keeps them: s since 1970, 0 where there is none."""
    return np.where(np.isnat(times), 0, times.astype("datetime64[s]").astype(np.int64))


def _far_apart(number: np.ndarray, times: np.ndarray) -> np.ndarray:
    """For each reading, whether those of its batch number lie far apart."""
    by_number = pd.Series(times).groupby(number)
    apart = by_number.transform("max") - by_number.transform("min") > LONG_APART
    return apart.to_numpy()


def load_batch(store: Any, characteristic_id: int, name: str) -> pd.DataFrame:
    """Every reading of one batch, those set aside too, under the name that screens give it.

    Where its number was used again, only those of the use that the name means.
    """
    rows = store.readings(characteristic_id, aside=True, batch=name)
    if rows.empty and name.endswith(")"):
        rows = store.readings(characteristic_id, aside=True, batch=name[:-1].rpartition(" (")[0])
    if rows.empty:
        return rows
    number, times = np.zeros(len(rows), dtype=np.int64), production_time(rows)
    use = uses_of(number, _seconds(times))
    if not use.any():
        return rows
    begins = pd.Series(times).groupby(use).transform("min").to_numpy()
    first = np.unique(use, return_index=True)[1]
    named = named_batches(
        rows["batch"].to_numpy(dtype=object)[first], number[first], use[first], begins[first]
    )
    return rows[named[use] == name].reset_index(drop=True)

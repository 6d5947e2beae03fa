"""The batches of each product, from the store's batch table."""

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

import ingest

COLUMNS = ("batch", "at", "n", "mean", "low", "high", "range", "single", "instrument")
LONG_APART = np.timedelta64(30, "D")
"""Readings of one batch number further apart than this: the number was probably used twice."""


@dataclass(frozen=True, slots=True, eq=False)
class BatchTable:
    """The batches of one characteristic.

    Attributes:
        frame: one row a batch in production order, columns COLUMNS.
        readings: shape (batches, most readings of any batch), nan where a batch has fewer; by
            replicate number where recorded, else in time order.
        shift: shift of the first reading of each batch, "" where not recorded.
        far_apart: batch numbers whose readings lie more than 30 days apart.
    """

    frame: pd.DataFrame
    readings: np.ndarray
    shift: np.ndarray
    far_apart: tuple[str, ...]


def production_time(readings: pd.DataFrame) -> np.ndarray:
    """Time that orders a reading: when the sample was taken, else when it was tested (UTC)."""
    times = readings["sampled_at"].fillna(readings["at"])
    return times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[ns]")


def load_batches(store: Any, characteristic_ids: list[int] | None) -> pd.DataFrame:
    """Read the batch table: of every characteristic at once, or of a few."""
    if characteristic_ids is None:
        return store.batches()
    parts = [store.batches(number) for number in characteristic_ids]
    return pd.concat(parts, ignore_index=True) if parts else store.batches().iloc[:0]


def batch_tables(batches: pd.DataFrame) -> dict[int, BatchTable]:
    """Split batches by characteristic.

    Args:
        batches: as the store gives them: by characteristic, in the order of their first reading,
            so that undated files keep their file order. A batch number that was used again is
            another batch, named with its year.

    Returns:
        Characteristic id to its batches; characteristics without a used reading are absent.
    """
    if batches.empty:
        return {}
    n = batches["n"].to_numpy()
    first_at, last_at = batches["first_at"], batches["last_at"]
    numbers = names = batches["batch"].to_numpy(dtype=object)
    apart = (last_at - first_at).to_numpy() > LONG_APART
    use = batches["use"].to_numpy()
    if use.any():
        number = batches.groupby(["characteristic_id", "batch"], sort=False).ngroup().to_numpy()
        begins = first_at.groupby(number).transform("min")
        apart = (last_at.groupby(number).transform("max") - begins).to_numpy() > LONG_APART
        earliest = first_at.dt.tz_localize(None).to_numpy("datetime64[ns]")
        names = named_batches(names, number, use, earliest)
    shifts = batches["shift"].to_numpy(dtype=object)
    frame = pd.DataFrame(
        {
            "batch": names,
            "at": pd.DatetimeIndex(first_at),
            "n": n,
            **{name: batches[name].to_numpy() for name in ("mean", "low", "high", "range")},
            "single": n == 1,
            "instrument": batches["instrument"].to_numpy(dtype=object),
        }
    )
    owner = batches["characteristic_id"].to_numpy()
    edges = np.flatnonzero(np.diff(owner, prepend=owner[0] - 1))
    tables = {}
    for start, stop in zip(edges, np.append(edges[1:], len(owner)), strict=True):
        tables[int(owner[start])] = BatchTable(
            frame=frame.iloc[start:stop].reset_index(drop=True),
            readings=ingest.reading_grid(batches.iloc[start:stop]),
            shift=shifts[start:stop],
            far_apart=tuple(dict.fromkeys(numbers[start:stop][apart[start:stop]])),
        )
    return tables


def instruments_of(batches: pd.DataFrame) -> dict[int, list[str]]:
    """The instruments that each characteristic was measured on."""
    found: dict[int, set[str]] = {}
    distinct = batches[["characteristic_id", "instrument", "instruments"]].drop_duplicates()
    for number, one, several in distinct.itertuples(index=False):
        found.setdefault(int(number), set()).update(json.loads(several) if several else [one])
    return {number: sorted(names) for number, names in found.items()}


def named_batches(
    batches: np.ndarray, number: np.ndarray, use: np.ndarray, earliest: np.ndarray
) -> np.ndarray:
    """Names of batches: the number, and from its second use on the year behind it.

    The first use keeps the bare number, so that what was decided about it before the number was
    used again stays with it. The month is added where one year has two uses; a gap keeps any two
    from sharing it.
    """
    later = np.flatnonzero(use > 0)
    if not len(later):
        return batches
    names = batches.copy()
    first = np.datetime_as_string(earliest, unit="M")
    years = pd.Series([month[:4] for month in first])
    twice = years.groupby([number, years]).transform("count").to_numpy() > 1
    for i in later:
        names[i] = f"{batches[i]} ({first[i] if twice[i] else first[i][:4]})"
    return names


def no_batches() -> BatchTable:
    """Give the table of a characteristic whose every reading was set aside."""
    frame = pd.DataFrame(
        {
            "batch": pd.Series(dtype=object),
            "at": pd.Series(dtype="datetime64[ns, UTC]"),
            "n": pd.Series(dtype=int),
            **{name: pd.Series(dtype=float) for name in ("mean", "low", "high", "range")},
            "single": pd.Series(dtype=bool),
            "instrument": pd.Series(dtype=object),
        }
    )
    return BatchTable(frame, np.empty((0, 1)), np.empty(0, dtype=object), ())


def replicate_groups(table: BatchTable) -> np.ndarray:
    """Keep the rows of readings that can show repeatability: two and more in a batch."""
    return table.readings[(table.frame["n"] > 1).to_numpy()]


def batches_per_week(at: pd.Series) -> float | None:
    """Batches a week over the record; None below two dated batches or without any span."""
    dated = _dated(at)
    if len(dated) < 2:
        return None
    weeks = float((dated.max() - dated.min()) / np.timedelta64(7, "D"))
    return (len(dated) - 1) / weeks if weeks > 0 else None


def usual_interval(at: pd.Series) -> pd.Timedelta | None:
    """Median time between neighbouring batches; None below two dated batches."""
    dated = np.sort(_dated(at))
    return pd.Timedelta(np.median(np.diff(dated))) if len(dated) > 1 else None


def _dated(at: pd.Series) -> np.ndarray:
    """The times that are recorded, in UTC. Plain arrays: this runs for every product of a plant."""
    times = at.to_numpy(dtype="datetime64[ns]")
    return times[~np.isnat(times)]

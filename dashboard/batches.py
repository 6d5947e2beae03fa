"""From readings to batches: one grouping over all products at once, then split."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

COLUMNS = ("batch", "at", "n", "mean", "low", "high", "range", "single", "instrument")
LONG_APART = np.timedelta64(30, "D")
"""Readings of one batch number further apart than this: the number was probably used twice."""
REUSED_AFTER = np.timedelta64(60, "D")
"""A longer gap than this within a batch number begins another batch; as at import."""


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


def load_readings(store: Any, characteristic_ids: list[int] | None) -> pd.DataFrame:
    """Read used and set-aside readings: of every characteristic at once, or of a few."""
    if characteristic_ids is None:
        return store.readings(aside=True)
    parts = [store.readings(number, aside=True) for number in characteristic_ids]
    return pd.concat(parts, ignore_index=True) if parts else store.readings(aside=True).iloc[:0]


def production_time(readings: pd.DataFrame) -> np.ndarray:
    """Time that orders a reading: when the sample was taken, else when it was tested (UTC)."""
    times = readings["sampled_at"].fillna(readings["at"])
    return times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[ns]")


def batch_tables(used: pd.DataFrame) -> dict[int, BatchTable]:
    """Group used readings into batches, for every characteristic in one pass.

    Args:
        used: used readings in production order, as the store gives them. Batches stand in the
            order of their first reading, so undated files keep their file order. A batch number
            that is used again after REUSED_AFTER gives another batch, named with its year.

    Returns:
        Characteristic id to its batches; characteristics without a used reading are absent.
    """
    if used.empty:
        return {}
    used = used.iloc[np.argsort(used["characteristic_id"].to_numpy(), kind="stable")]
    named = used.groupby(["characteristic_id", "batch"], sort=False, dropna=False).ngroup()
    number = named.to_numpy()
    use = _uses(number, production_time(used))
    code = used.assign(use=use).groupby([number, "use"], sort=False).ngroup().to_numpy()
    order = np.lexsort((used["replicate"].to_numpy(), code))
    used, code, number, use = used.iloc[order], code[order], number[order], use[order]

    first = np.flatnonzero(np.diff(code, prepend=-1))
    n = np.diff(first, append=len(code))
    values = used["viscosity"].to_numpy(dtype=float)
    times = production_time(used)
    low, high = np.minimum.reduceat(values, first), np.maximum.reduceat(values, first)
    earliest = np.fmin.reduceat(times, first)  # fmin passes over a missing time
    apart = _far_apart(number, times)[first]
    instruments = used["instrument"].fillna("").astype(str).to_numpy(dtype=object)
    shifts = used["shift"].fillna("").astype(str).to_numpy(dtype=object)[first]
    numbers = used["batch"].fillna("").astype(str).to_numpy(dtype=object)[first]
    names = _names(numbers, number[first], use[first], earliest)
    frame = pd.DataFrame(
        {
            "batch": names,
            "at": pd.DatetimeIndex(earliest).tz_localize("UTC"),
            "n": n,
            "mean": np.add.reduceat(values, first) / n,
            "low": low,
            "high": high,
            "range": np.where(n > 1, high - low, np.nan),
            "single": n == 1,
            "instrument": instruments[first + n - 1],
        }
    )
    row_of_reading = np.repeat(np.arange(len(first)), n)
    position = np.arange(len(code)) - first[row_of_reading]

    owner = used["characteristic_id"].to_numpy()[first]
    edges = np.flatnonzero(np.diff(owner, prepend=owner[0] - 1))
    tables = {}
    for start, stop in zip(edges, np.append(edges[1:], len(owner)), strict=True):
        inside = slice(first[start], first[stop] if stop < len(first) else len(code))
        grid = np.full((stop - start, n[start:stop].max()), np.nan)
        grid[row_of_reading[inside] - start, position[inside]] = values[inside]
        tables[int(owner[start])] = BatchTable(
            frame=frame.iloc[start:stop].reset_index(drop=True),
            readings=grid,
            shift=shifts[start:stop],
            far_apart=tuple(dict.fromkeys(numbers[start:stop][apart[start:stop]])),
        )
    return tables


def _uses(number: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Which use of its batch number each reading belongs to: 0, and one more after each long gap.

    Readings without a time belong to the first use.
    """
    dated = np.flatnonzero(~np.isnat(times))
    order = dated[np.lexsort((times[dated], number[dated]))]
    begins = np.diff(number[order], prepend=-1) != 0
    gap = np.diff(times[order], prepend=times[order][:1]) > REUSED_AFTER
    count = np.cumsum(gap & ~begins)
    use = np.zeros(len(number), dtype=np.int64)
    use[order] = count - count[begins][np.cumsum(begins) - 1]
    return use


def _far_apart(number: np.ndarray, times: np.ndarray) -> np.ndarray:
    """For each reading, whether those of its batch number lie far apart."""
    by_number = pd.Series(times).groupby(number)
    apart = by_number.transform("max") - by_number.transform("min") > LONG_APART
    return apart.to_numpy()


def _names(
    batches: np.ndarray, number: np.ndarray, use: np.ndarray, earliest: np.ndarray
) -> np.ndarray:
    """Names of batches: the number, and where it is used more than once the year behind it.

    The month is added where one year has two uses; a gap keeps any two from sharing it.
    """
    reused = np.isin(number, number[use > 0])
    if not reused.any():
        return batches
    names = batches.copy()
    first = np.datetime_as_string(earliest, unit="M")
    years = pd.Series([month[:4] for month in first])
    twice = years.groupby([number, years]).transform("count").to_numpy() > 1
    for i in np.flatnonzero(reused):
        when = first[i] if twice[i] else first[i][:4]
        names[i] = f"{batches[i]} ({when})" if when != "NaT" else batches[i]
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
    dated = at.dropna()
    if len(dated) < 2:
        return None
    weeks = (dated.max() - dated.min()) / pd.Timedelta(weeks=1)
    return (len(dated) - 1) / weeks if weeks > 0 else None


def usual_interval(at: pd.Series) -> pd.Timedelta | None:
    """Median time between neighbouring batches; None below two dated batches."""
    dated = at.dropna().sort_values()
    return dated.diff().median() if len(dated) > 1 else None

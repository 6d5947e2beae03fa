"""Charts of the check standards: did the measurement move, or did the process?"""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

import spc
from dashboard.batches import production_time
from dashboard.results import CheckStandard

FEWEST_RUNS = 8
"""Runs before a check standard has limits; as for batches."""
SAME_RUN = np.timedelta64(8, "h")
"""A higher replicate number within one shift of the first belongs to the same run."""


def load_readings(store: Any, characteristic_ids: Iterable[int]) -> pd.DataFrame:
    """Read the used readings of check standards, in time order over all of them.

    Not batches: a check standard is often one "batch" for years, and each run counts.
    """
    parts = [store.readings(int(number)) for number in characteristic_ids]
    if not parts:
        return pd.DataFrame()
    return pd.concat(parts, ignore_index=True)


def check_standards(used: pd.DataFrame, characteristics: pd.DataFrame) -> list[CheckStandard]:
    """Chart every check standard, by material, instrument and measuring condition.

    Individuals chart on the runs in time order. Replicates of one run (rising replicate numbers
    within a shift) count once, by their mean: limits made from the differences inside a run would
    flag ordinary days.

    Args:
        used: used readings of check standards, in time order.
        characteristics: the store's characteristics, for names and conditions.
    """
    if used.empty:
        return []
    named = characteristics.set_index("id")
    labelled = used.assign(
        product=used["characteristic_id"].map(named["product"]),
        condition=used["characteristic_id"].map(named["condition"]),
        instrument=used["instrument"].fillna("").astype(str),
    )
    return [
        _one(str(product), str(instrument), str(condition), rows)
        for (product, condition, instrument), rows in labelled.groupby(
            ["product", "condition", "instrument"], sort=True, dropna=False
        )
    ]


def _one(name: str, instrument: str, condition: str, rows: pd.DataFrame) -> CheckStandard:
    times = production_time(rows)
    replicate = rows["replicate"].to_numpy()
    # A reading starts a new run unless it is the next replicate, soon after the one before.
    follows = (np.diff(replicate) > 0) & (replicate[:-1] > 0)
    follows &= ~(np.diff(times) > SAME_RUN)
    first = np.flatnonzero(np.concatenate(([True], ~follows)))
    values = np.add.reduceat(rows["viscosity"].to_numpy(dtype=float), first)
    values = values / np.diff(first, append=len(rows))
    times = times[first]

    center = lower = upper = None
    in_order = None
    outside: tuple[pd.Timestamp, ...] = ()
    if len(values) >= FEWEST_RUNS:
        try:
            chart = spc.individuals(values).location
        except spc.SpcError:  # no spread at all: no limits, and nothing to say about order
            chart = None
        if chart is not None:
            center, lower, upper = (
                float(line[-1]) for line in (chart.center, chart.lower, chart.upper)
            )
            beyond = chart.outside()
            in_order = not bool(beyond[-1])
            outside = tuple(_timestamp(at) for at in times[beyond])
    return CheckStandard(
        name=name,
        instrument=instrument,
        condition=condition,
        n=len(values),
        center=center,
        lower=lower,
        upper=upper,
        last=float(values[-1]),
        last_at=None if np.isnat(times[-1]) else _timestamp(times[-1]),
        outside=outside,
        in_order=in_order,
        values=values,
        times=times,
    )


def on_instruments(
    standards: Iterable[CheckStandard], instruments: Iterable[str]
) -> tuple[CheckStandard, ...]:
    """Pick the check standards that were run on any of these instruments."""
    wanted = set(instruments)
    return tuple(standard for standard in standards if standard.instrument in wanted)


def _timestamp(at: np.datetime64) -> pd.Timestamp:
    return pd.Timestamp(at).tz_localize("UTC")

"""Joins the store and `spc.drift`: which verdict the record of each product allows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from dashboard.assessment import assess_store
from dashboard.histories import MOST_OTHERS, histories_of
from dashboard.results import Assessment
from spc.drift import History, Investigation
from spc.drift import investigate as investigate_history


def investigate_store(
    store: Any,
    found: Sequence[Assessment] | None = None,
    product: str | None = None,
    readings: pd.DataFrame | None = None,
) -> dict[int, Investigation]:
    """Investigate every product of a store.

    Args:
        store: an open `ingest` store.
        found: assessments to investigate; None for all of `product`.
        product: name of one product; None for all.
        readings: every reading of the store, set-aside ones among them, if they are at hand.

    Returns:
        characteristic id to its investigation.
    """
    characteristics = store.characteristics()
    named = characteristics[characteristics["product"].str.strip() != ""]
    products = named[named["sample_type"] == "product"]
    checks = named[named["sample_type"] == "check"]
    wanted = products if product is None else products[products["product"] == product]
    if found is not None:
        wanted = wanted[wanted["id"].isin([one.characteristic_id for one in found])]
    needed = None
    if len(wanted) < len(products) and len(products) > 2 * MOST_OTHERS:
        rest = products[~products["id"].isin(wanted["id"])]
        beside = rest.nlargest(2 * MOST_OTHERS, "n_readings")
        needed = [int(i) for i in [*wanted["id"], *beside["id"], *checks["id"]]]
    if readings is None:
        readings = load_readings(store, needed)
    histories = histories_of(readings, characteristics)
    return {
        int(number): investigate_history(histories[int(number)])
        for number in wanted["id"]
        if int(number) in histories
    }


@dataclass(frozen=True, slots=True, eq=False)
class Investigated:
    """One product: what was read of its record, and what was found in it."""

    history: History
    found: Investigation


def investigate_product(
    store: Any,
    one: Assessment,
    shared: Mapping[str, Sequence[int]],
    names: bool = False,
    characteristics: pd.DataFrame | None = None,
) -> Investigated | None:
    """Investigate one product with what stands beside it on its instruments.

    Args:
        store: an open `ingest` store.
        one: the product at one measuring condition.
        shared: products by instrument: `sharing` of the assessments of all products.
        names: operators by name; else by a number, in the order of their first reading, since
            comparing people may need the consent of a site.
        characteristics: as the store gives them, if they are at hand.

    Returns:
        None where no reading has a value.
    """
    if characteristics is None:
        characteristics = store.characteristics()
    checks = characteristics[characteristics["sample_type"] == "check"]
    number = one.characteristic_id
    beside = _beside(one, shared)
    readings = load_readings(store, [number, *beside, *(int(i) for i in checks["id"])])
    if not names:
        people = {name: str(i) for i, name in enumerate(store.operators(number), 1)}
        readings["operator"] = [people.get(name, "") for name in readings["operator"]]
    history = histories_of(readings, characteristics).get(number)
    return None if history is None else Investigated(history, investigate_history(history))


def sharing(every: Sequence[Assessment]) -> dict[str, list[int]]:
    """Products by instrument, on each those with the most batches first."""
    frames = [one.batches["instrument"].to_numpy() for one in every]
    if not frames:
        return {}
    owner = np.repeat([one.characteristic_id for one in every], [len(frame) for frame in frames])
    return sharing_of(pd.DataFrame({"instrument": np.concatenate(frames), "owner": owner}))


def sharing_of(listed: pd.DataFrame) -> dict[str, list[int]]:
    """The same from a row a batch: its instrument, and the characteristic that owns it."""
    counts = (
        listed.groupby(["instrument", "owner"], sort=True)
        .size()
        .sort_values(ascending=False, kind="stable")
    )
    found: dict[str, list[int]] = {}
    for instrument, number in counts.index:
        found.setdefault(str(instrument), []).append(int(number))
    return found


def _beside(one: Assessment, shared: Mapping[str, Sequence[int]]) -> list[int]:
    """Other products on the instruments of one, a few on each."""
    chosen: set[int] = set()
    for instrument in one.batches["instrument"].unique():
        others = [i for i in shared.get(str(instrument), ()) if i != one.characteristic_id]
        chosen |= set(others[:MOST_OTHERS])
    return sorted(chosen)


def load_readings(store: Any, characteristic_ids: Sequence[int] | None) -> pd.DataFrame:
    """Read used and set-aside readings: of every characteristic at once, or of a few."""
    if characteristic_ids is None:
        return store.readings(aside=True)
    parts = [store.readings(number, aside=True) for number in characteristic_ids]
    return pd.concat(parts, ignore_index=True) if parts else store.readings(aside=True).iloc[:0]


def assess_and_investigate(
    store: Any,
    product: str | None,
    rules: str,
    subgroups: str | None = None,
    now: datetime | None = None,
) -> tuple[list[Assessment], dict[int, Investigation]]:
    """Judge and investigate products in one go; of a whole store, readings are read once.

    Args:
        store, product, rules, subgroups, now: as for `assess_store`.
    """
    if product is not None:
        found = assess_store(store, product, rules, subgroups, now)
        return found, investigate_store(store, found, product)
    readings = load_readings(store, None)
    checks = readings[(readings["sample_type"] == "check") & (readings["reason"] == "")]
    found = assess_store(store, None, rules, subgroups, now, checks_read=checks)
    return found, investigate_store(store, found, readings=readings)

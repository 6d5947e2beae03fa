"""Seconds to investigate all products of a large record: investigate_speed.py [PRODUCTS] [BATCHES]

The record is made in memory: two readings a batch, four instruments with two check fluids each; a
third of the products move. Reading it from a store is not part of the time.

investigate_speed.py STORE judges and investigates every product of a store as `assess --json`
does, and then single ones as the Investigation page does; the store may be brought up to date, so
give it a copy.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import dashboard  # noqa: F401, I001 - before NumPy: it asks for one thread of linear algebra

import numpy as np
import pandas as pd

import ingest
from dashboard.histories import histories_of
from dashboard.investigate import assess_and_investigate, investigate_product, sharing
from spc.drift import investigate

DAYS = 700.0


def product(rng: np.random.Generator, number: int, n: int) -> list[pd.DataFrame]:
    late = (np.arange(n) > 0.6 * n) * 0.05 * (number % 3 == 0)
    level = rng.uniform(1000, 4000) * np.exp(0.03 * rng.normal(size=n) + late)
    columns = {
        "characteristic_id": number + 1,
        "sample_type": "product",
        "batch": [f"B{i:05}" for i in range(n)],
        "instrument": rng.choice(["V1", "V2", "V3", "V4"], n),
        "operator": rng.choice(list("ABCDE"), n),
        "lot": [f"R{i // 60}" for i in range(n)],
        "shift": rng.choice(["early", "late"], n),
    }
    times = np.sort(rng.uniform(0, DAYS, n))
    rows = []
    for replicate in (1, 2):
        read = np.round(level * np.exp(0.006 * rng.normal(size=n)))
        more = {"replicate": replicate, "days": times + 0.005 * replicate, "viscosity": read}
        rows.append(pd.DataFrame(columns | more))
    return rows


def check(rng: np.random.Generator, number: int, value: float, instrument: str) -> pd.DataFrame:
    n = int(2 * DAYS)
    return pd.DataFrame(
        {
            "characteristic_id": number,
            "sample_type": "check",
            "batch": "CHK",
            "instrument": instrument,
            "operator": "",
            "lot": "",
            "shift": "",
            "replicate": 1,
            "days": np.sort(rng.uniform(0, DAYS, n)),
            "viscosity": np.round(value * np.exp(0.004 * rng.normal(size=n))),
        }
    )


def record(products: int, batches: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Make readings and characteristics as a store gives them."""
    rng = np.random.default_rng(1)
    frames = [rows for number in range(products) for rows in product(rng, number, batches)]
    frames += [
        check(rng, products + 1 + fluid, value, f"V{k}")
        for k in range(1, 5)
        for fluid, value in enumerate((1000.0, 4000.0))
    ]
    rows = pd.concat(frames, ignore_index=True)
    seconds = (rows["days"].to_numpy() * 86400).astype("timedelta64[s]")
    rows["at"] = pd.DatetimeIndex(np.datetime64("2024-01-01") + seconds).tz_localize("UTC")
    rows["sampled_at"] = pd.Series(pd.NaT, index=rows.index, dtype="datetime64[ns, UTC]")
    rows["torque"], rows["temperature"] = np.round(rows["viscosity"] / 50, 1), 25.0
    rows["line_name"] = rows["comment"] = rows["reason"] = ""
    rows["received"] = "1 mPa.s"
    names = [f"P-{i}" for i in range(products)] + ["CHK-1000", "CHK-4000"]
    characteristics = pd.DataFrame(
        {
            "id": np.arange(len(names)) + 1,
            "product": names,
            "condition": "S3 · 20 rpm",
            "sample_type": ["product"] * products + ["check"] * 2,
            "n_readings": 2 * batches,
        }
    )
    return rows.sort_values("days", kind="stable").reset_index(drop=True), characteristics


def from_store(url: str) -> None:
    """Time the whole way from a store to all verdicts, then to single ones."""
    store = ingest.open_store(url, create=False)
    began, used = time.perf_counter(), time.process_time()
    found, investigated = assess_and_investigate(store, None, "three-sigma-ewma")
    took, busy = time.perf_counter() - began, time.process_time() - used
    print(f"{len(investigated)} of {len(found)} products: {took:.1f} s ({busy:.1f} s of processor)")
    shared, characteristics = sharing(found), store.characteristics()
    each = []
    for one in found[:: max(1, len(found) // 20)]:
        used = time.process_time()
        investigate_product(store, one, shared, characteristics=characteristics)
        each.append(1000 * (time.process_time() - used))
    print(f"single products {min(each):.0f} to {max(each):.0f} ms of processor")


if __name__ == "__main__":
    if len(sys.argv) == 2 and not sys.argv[1].isdecimal():
        from_store(sys.argv[1])
        raise SystemExit
    products = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    batches = int(sys.argv[2]) if len(sys.argv) > 2 else 1250
    tables = record(products, batches)
    began, used = time.perf_counter(), time.process_time()
    histories = histories_of(*tables)
    arrays = time.perf_counter() - began
    longest = 0.0
    for history in histories.values():
        one = time.perf_counter()
        investigate(history)
        longest = max(longest, time.perf_counter() - one)
    took, busy = time.perf_counter() - began, time.process_time() - used
    print(f"{len(tables[0]):,} readings, {products} products of {batches} batches")
    print(f"{took:.1f} s in all ({busy:.1f} s of processor), {arrays:.1f} s of it into arrays")
    print(f"longest product {1000 * longest:.0f} ms")

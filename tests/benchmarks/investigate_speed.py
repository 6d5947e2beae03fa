"""Seconds to investigate all products of a large record: investigate_speed.py [PRODUCTS] [BATCHES]

The record is made in memory: two readings a batch, four instruments with two check fluids each; a
third of the products move. Reading it from a store is not part of the time.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from dashboard.histories import histories_of
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


if __name__ == "__main__":
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

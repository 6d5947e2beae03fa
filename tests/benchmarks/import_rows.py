"""How long an import takes, as a ratio to what the standard library needs to walk the same file.

Run it by hand: `python tests/benchmarks/import_rows.py [ROWS ...]`, 1,000,000 rows if none are
named; `1000000 10000000` shows that memory does not grow. It prints one line a figure.
"""

import csv
import json
import random
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

import ingest

HEAD = (
    "timestamp,batch,product,instrument,spindle,speed_rpm,torque_pct,temp_C,viscosity,unit,"
    "operator,replicate,rm_lot,line,sample_type,status,comment"
)
FACTORS = (50, 40, 60)
_PANDAS_AT_MOST = 2_000_000  # rows, whose typed columns it has to hold


def write_file(path: Path, rows: int) -> None:
    """A plant of 400 products with duplicates; torque and viscosity agree to their rounding."""
    chance = random.Random(20250301)
    moment = datetime(2020, 1, 1, 6)
    step = timedelta(seconds=min(60, 120_000_000 // rows))  # many rows must not reach the future
    with path.open("w", newline="") as out:
        out.write(HEAD + "\n")
        for batch in range(rows // 2):
            product = batch % 400
            moment += step
            level = (1000 + 5 * product) * (1 + chance.gauss(0, 0.03))
            for replicate in (1, 2):
                value = level * (1 + chance.gauss(0, 0.006))
                torque = value / FACTORS[product % 3]
                when = (moment + timedelta(seconds=12 * replicate)).isoformat()
                out.write(
                    f"{when},B{batch:07d},P-{product:03d},V{product % 4},S{product % 3},20,"
                    f"{torque:.1f},25.0,{value:.0f},mPa.s,AK,{replicate},R{batch // 5000},L1,"
                    "product,valid,\n"
                )


def peak_memory_mb() -> float:
    """The largest memory that this process and its children have held together, at most, in MB."""
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    scale = 1 if sys.platform == "darwin" else 1024
    whose = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(resource.getrusage(who).ru_maxrss for who in whose) * scale / 1e6


def walk(file: Path) -> float:
    """Seconds that the standard library's reader needs for the file, the median of three."""
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        with file.open(newline="") as lines:
            for _row in csv.reader(lines):
                pass
        taken.append(time.perf_counter() - start)
    return sorted(taken)[1]


def typed_and_checked(file: Path) -> int:
    """The plain way: pandas reads typed columns, then the same checks; the rows in use.

    It believes the file: one cell like "<10" would leave a whole column as text.
    """
    rows = pd.read_csv(file, parse_dates=["timestamp"])
    used = rows["batch"].notna() & (rows["product"].notna())
    used &= ~rows["batch"].str.lower().str.startswith(("test", "rinse", "blank"))
    used &= rows["status"].eq("valid") & rows["sample_type"].eq("product")
    used &= rows["unit"].isin(["mPa.s", "cP"])
    used &= rows["torque_pct"].between(10, 100) & rows["viscosity"].gt(0)
    used &= rows["timestamp"].between("1990-01-01", pd.Timestamp.now() + pd.Timedelta(days=2))
    ratio = rows["viscosity"] / rows["torque_pct"]
    factor = ratio.groupby([rows["instrument"], rows["spindle"], rows["speed_rpm"]])
    off = (ratio / factor.transform("median") - 1).abs()
    used &= off <= 0.05 / rows["torque_pct"] + 0.5 / rows["viscosity"] + 0.005
    key = ["product", "instrument", "spindle", "speed_rpm", "batch", "replicate", "timestamp"]
    used &= ~rows.duplicated(key)
    return int(used.sum())


def timed_import(file: Path, url: str) -> dict[str, Any]:
    """Import a file, in a process of its own so that nothing else is in its memory."""
    told = subprocess.run(
        [sys.executable, __file__, "--import", str(file), url], stdout=subprocess.PIPE, check=True
    )
    outcome: dict[str, Any] = json.loads(told.stdout)
    return outcome


def import_one(file: Path, url: str) -> None:
    """What the process of its own does."""
    store = ingest.open_store(url)
    start = time.perf_counter()
    reading = ingest.read_file(file)
    read = time.perf_counter() - start
    account = store.add(reading).account
    whole = time.perf_counter() - start
    store.close()
    found = {"read": read, "whole": whole, "peak": peak_memory_mb(), "account": account.as_dict()}
    print(json.dumps(found))


def measure(rows: int, folder: Path) -> None:
    """Print the times for a file of so many rows, their ratios and the account."""
    file = folder / "rows.csv"
    write_file(file, rows)
    alone = walk(file)
    url = f"sqlite:///{folder / f'store_{rows}.sqlite'}"
    first = timed_import(file, url)
    again = timed_import(file, url)
    start = time.perf_counter()
    plain = typed_and_checked(file) if rows <= _PANDAS_AT_MOST else None
    typed = time.perf_counter() - start

    def show(what: str, seconds: float, told: str = "") -> None:
        print(f"{what:30}{seconds:>12.2f} s   {seconds / alone:>6.1f} x   {told}")

    print(f"rows                          {rows:>12}")
    show("csv.reader alone", alone)
    if plain is not None:
        show("pandas typed, same checks", typed, "no store")
    show("read and checked", first["read"])
    show("into the store", first["whole"], "(at most 10)")
    show("the same file once more", again["whole"])
    print(f"peak memory                   {first['peak']:>12.0f} MB             (under 600)")
    print(f"peak memory once more         {again['peak']:>12.0f} MB")
    print(f"account                       {first['account']}", flush=True)
    assert first["account"]["closes"]
    assert first["account"]["used"] == rows
    assert plain in (None, rows)
    assert again["account"]["duplicates"] == rows


def main() -> None:
    """Measure files of the sizes that are named."""
    if sys.argv[1:2] == ["--import"]:
        import_one(Path(sys.argv[2]), sys.argv[3])
        return
    for size in sys.argv[1:] or ["1000000"]:
        with tempfile.TemporaryDirectory() as folder:
            measure(int(size), Path(folder))


if __name__ == "__main__":
    main()

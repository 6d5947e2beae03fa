"""How long an import takes, as a ratio to what the standard library needs to walk the same file.

Run it by hand: `python tests/benchmarks/import_rows.py [ROWS]`. It prints one line a figure.
"""

import csv
import random
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import pandas as pd

import ingest

HEAD = (
    "timestamp,batch,product,instrument,spindle,speed_rpm,torque_pct,temp_C,viscosity,unit,"
    "operator,replicate,rm_lot,line,sample_type,status,comment"
)
FACTORS = (50, 40, 60)


def write_file(path: Path, rows: int) -> None:
    """A plant of 400 products with duplicates; torque and viscosity agree to their rounding."""
    chance = random.Random(20250301)
    moment = datetime(2020, 1, 1, 6)
    with path.open("w", newline="") as out:
        out.write(HEAD + "\n")
        for batch in range(rows // 2):
            product = batch % 400
            moment += timedelta(minutes=1)
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
    """The largest memory that this process has held, in MB."""
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    scale = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * scale / 1e6


def main() -> None:
    """Print the times, their ratios and the account."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "rows.csv"
        write_file(file, rows)
        walks = []
        for _ in range(3):
            start = time.perf_counter()
            with file.open(newline="") as lines:
                for _row in csv.reader(lines):
                    pass
            walks.append(time.perf_counter() - start)
        walk = sorted(walks)[1]

        store = ingest.open_store(str(Path(folder) / "store.sqlite"))
        start = time.perf_counter()
        reading = ingest.read_file(file)
        read = time.perf_counter() - start
        account = store.add(reading).account
        whole = time.perf_counter() - start
        peak = peak_memory_mb()

        start = time.perf_counter()
        pd.read_csv(file, parse_dates=["timestamp"])
        typed = time.perf_counter() - start

        print(f"rows                      {rows:>12}")
        print(f"csv.reader alone          {walk:>12.2f} s")
        print(f"pandas typed, no checks   {typed:>12.2f} s   {typed / walk:>6.1f} x")
        print(f"read and checked          {read:>12.2f} s   {read / walk:>6.1f} x")
        print(f"into the store            {whole:>12.2f} s   {whole / walk:>6.1f} x   (at most 10)")
        print(f"peak memory               {peak:>12.0f} MB             (under 600)")
        print(f"account                   {account.as_dict()}")
        assert account.closes
        assert account.used == rows
        store.close()


if __name__ == "__main__":
    main()

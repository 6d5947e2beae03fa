"""How long a pull from a database takes, beside an import of the same rows from a file.

Run it by hand: `python tests/benchmarks/pull_rows.py [ROWS]`. It prints one line a figure. The
source is a SQLite file, so that what is measured is our own work and not a network's.
"""

import csv
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from import_rows import HEAD, peak_memory_mb, write_file

import ingest

NAMES = HEAD.split(",")
COLUMNS = {
    "tested_at": "timestamp",
    "batch": "batch",
    "product": "product",
    "instrument": "instrument",
    "spindle": "spindle",
    "speed": "speed_rpm",
    "torque": "torque_pct",
    "temperature": "temp_C",
    "viscosity": "viscosity",
    "unit": "unit",
    "operator": "operator",
    "replicate": "replicate",
    "lot": "rm_lot",
    "line_name": "line",
    "sample_type": "sample_type",
    "status": "status",
    "comment": "comment",
}


def write_database(path: Path, file: Path) -> None:
    """The rows of the file as a table with a running number."""
    with closing(sqlite3.connect(path)) as connection, connection, file.open(newline="") as lines:
        rows = csv.reader(lines)
        next(rows)
        connection.execute(f"CREATE TABLE readings (id INTEGER PRIMARY KEY, {', '.join(NAMES)})")
        marks = ", ".join("?" * len(NAMES))
        connection.executemany(
            f"INSERT INTO readings ({', '.join(NAMES)}) VALUES ({marks})",
            rows,
        )


def main() -> None:
    """Print the times, their ratios and the account."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_file(folder / "rows.csv", rows)
        write_database(folder / "lab.sqlite", folder / "rows.csv")
        lines = [f'{ours} = "{theirs}"' for ours, theirs in COLUMNS.items()]
        (folder / "sources.toml").write_text(
            '[sources.lab]\nurl = "sqlite:///lab.sqlite"\ntable = "readings"\ntime_zone = "UTC"\n'
            'key = ["id"]\nwatermark = "id"\n[sources.lab.columns]\n' + "\n".join(lines)
        )
        source = ingest.find_source(folder / "sources.toml", "lab")

        store = ingest.open_store(str(folder / "pulled.sqlite"))
        start = time.perf_counter()
        report = ingest.pull(store, source)
        pulled = time.perf_counter() - start
        peak = peak_memory_mb()
        start = time.perf_counter()
        again = ingest.pull(store, source, everything=True)
        compared = time.perf_counter() - start
        start = time.perf_counter()
        ingest.pull(store, source)
        nothing = time.perf_counter() - start
        assert report.account.used == again.unchanged == rows
        store.close()

        other = ingest.open_store(str(folder / "imported.sqlite"))
        start = time.perf_counter()
        other.add(ingest.read_file(folder / "rows.csv"))
        imported = time.perf_counter() - start
        other.close()

        print(f"rows                      {rows:>12}")
        print(f"imported from a file      {imported:>12.2f} s")
        print(f"pulled                    {pulled:>12.2f} s   {pulled / imported:>6.1f} x")
        print(f"compared, nothing new     {compared:>12.2f} s   {compared / imported:>6.1f} x")
        print(f"behind the watermark      {nothing:>12.2f} s   {nothing / imported:>6.1f} x")
        print(f"peak memory of the pull   {peak:>12.0f} MB")


if __name__ == "__main__":
    main()

"""How long a store of millions of readings takes to answer what screens ask.

Run it by hand: `python tests/benchmarks/store.py [READINGS] [URL]`. URL names a PostgreSQL server
on which a database may be made and dropped; without it the store is SQLite in a temporary folder.
The readings (400 characteristics, duplicates) are put in directly: an import of so many takes
longer and is measured by `import_rows.py`. The batch table is made of them by the program's own
code.
"""

import statistics
import sys
import tempfile
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

import ingest
from ingest import batches, schema
from ingest.inserting import insert_many
from ingest.opening import set_meta

CHARACTERISTICS = 400
BLOCK = 400_000
USED = (
    "SELECT r.characteristic_id, r.batch, r.replicate, r.instrument, r.shift, r.viscosity, "
    "r.sampled_at, r.moment FROM results r "
    "WHERE NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id)"
)


def block_of(start: int, rows: int, chance: np.random.Generator) -> pd.DataFrame:
    """Some readings: two a batch, batch after batch over all characteristics."""
    number = np.arange(start, start + rows)
    batch = number // 2
    owner = batch % CHARACTERISTICS + 1
    level = 1000 + 5 * owner
    return pd.DataFrame(
        {
            "id": number + 1,
            "characteristic_id": owner,
            "batch": [f"B{one:08}" for one in batch.tolist()],
            "replicate": number % 2 + 1,
            "instrument": np.array([f"V{k}" for k in range(4)], dtype=object)[owner % 4],
            "moment": 1_577_858_400 + batch * 20 + number % 2 * 12,
            "variant": 0,
            "import_id": 1,
            "line": number + 2,
            "sampled_at": 0,
            "viscosity": np.round(level * (1 + chance.normal(0, 0.03, rows)), 1),
            "torque": 50.0,
            "temperature": 25.0,
            "received": "as in the file",
            "shift": "early",
        }
    )


def fill(store: ingest.Store, readings: int) -> None:
    """Put the readings and their batches in."""
    chance = np.random.default_rng(20250301)
    with store.writing() as connection:
        connection.execute(
            sa.insert(schema.IMPORTS).values(
                id=1,
                at="2025-01-01T00:00:00+00:00",
                file="made",
                digest="",
                source="",
                account="{}",
                understood="[]",
                answers="{}",
                revision=1,
            )
        )
        names = [column.name for column in schema.CHARACTERISTICS.columns if column.name != "id"]
        connection.execute(
            sa.insert(schema.CHARACTERISTICS),
            [
                {"id": number, **dict.fromkeys(names, ""), "product": f"P-{number}"}
                | {"sample_type": "product", "condition": "S3"}
                for number in range(1, CHARACTERISTICS + 1)
            ],
        )
        for start in range(0, readings, BLOCK):
            rows = block_of(start, min(BLOCK, readings - start), chance)
            write(connection, "results", rows)
            made = batches.aggregate(rows).assign(revision=1)
            write(connection, "batches", made)
        set_meta(connection, "revision", "1")
    with store.reading() as connection:
        connection.exec_driver_sql("ANALYZE")


def write(connection: sa.Connection, table: str, rows: pd.DataFrame) -> None:
    columns = [rows[name].astype(object).where(rows[name].notna(), None).tolist() for name in rows]
    insert_many(connection, table, dict(zip(rows, columns, strict=True)))


def seconds(task: Callable[[], Any], times: int = 3) -> tuple[float, Any]:
    """The median time of a task, and what it gave."""
    taken, result = [], None
    for _ in range(times):
        begun = time.perf_counter()
        result = task()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken), result


def pull(store: ingest.Store) -> pd.DataFrame:
    """All readings in use into pandas, as screens did before there was a batch table."""
    with store.reading() as connection:
        found = connection.execution_options(stream_results=True).execute(sa.text(USED))
        parts = [pd.DataFrame(part, columns=list(found.keys())) for part in found.partitions(BLOCK)]
    return pd.concat(parts, ignore_index=True)


def grouped(store: ingest.Store) -> pd.DataFrame:
    """The batches that the pulled readings come to, by pandas."""
    rows = pull(store)
    values = rows.groupby(["characteristic_id", "batch"], sort=False)["viscosity"]
    return values.agg(["count", "mean", "min", "max"])


def plan(store: ingest.Store, task: Callable[[], Any]) -> list[str]:
    """How the database answers the queries of a task about the batch table; no scan of it."""
    asked: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, given: Any, *_: Any) -> None:
        if "FROM batches" in statement:
            asked.append((statement, given))

    sa.event.listen(store._engine, "before_cursor_execute", note)
    task()
    sa.event.remove(store._engine, "before_cursor_execute", note)
    lite = store._engine.dialect.name == "sqlite"
    told = []
    with store.reading() as connection:
        for statement, given in asked:
            explain = f"{'EXPLAIN QUERY PLAN' if lite else 'EXPLAIN'} {statement}"
            told += [str(row[-1]) for row in connection.exec_driver_sql(explain, given)]
    assert told
    assert any("batches_revision" in line for line in told), told
    assert not any("SCAN batches" in line or "Seq Scan" in line for line in told), told
    return told


def measure(store: ingest.Store, readings: int) -> None:
    """Print one line a question."""
    begun = time.perf_counter()
    fill(store, readings)
    print(f"{store._engine.dialect.name}: {readings} readings, put in directly")
    print(f"  putting in                          {time.perf_counter() - begun:>9.1f} s")
    one, frame = seconds(lambda: store.batches(7), 5)
    print(f"  one characteristic, {len(frame):>8} batches  {one * 1000:>9.1f} ms  (under 100)")
    plant, frame = seconds(store.batches)
    print(f"  whole plant, {len(frame):>15} batches  {plant:>9.2f} s")
    pulled, rows = seconds(lambda: pull(store), 1)
    print(
        f"  all readings into pandas, {len(rows):>9}  {pulled:>9.2f} s   "
        f"the plant takes 1/{pulled / plant:.1f}  (at most 1/10)"
    )
    del rows
    both, by_pandas = seconds(lambda: grouped(store), 1)
    print(
        f"  … and grouped there                 {both:>9.2f} s   "
        f"the plant takes 1/{both / plant:.1f}"
    )
    assert len(by_pandas) == len(frame)
    assert np.isclose(by_pandas["mean"].sum(), frame["mean"].sum(), rtol=1e-12)
    del by_pandas, frame
    head = "timestamp,batch,product,replicate,viscosity cP"
    text = f"{head}\n2025-01-01T06:00,NEW,P-new,1,2000\n2025-01-01T06:01,NEW,P-new,2,2010\n"
    store.add(ingest.read_bytes(text.encode(), "late.csv"))
    since, changed = seconds(lambda: store.batches(since_revision=1), 5)
    print(f"  changed since revision 1: {len(changed)} batch    {since * 1000:>9.1f} ms")
    for line in plan(store, lambda: store.batches(since_revision=1)):
        print(f"    {line}")


def main() -> None:
    """Fill a store of the kind that is asked for, measure it, and take it away again."""
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    if len(sys.argv) < 3:
        with tempfile.TemporaryDirectory() as folder:
            store = ingest.open_store(str(Path(folder) / "store.sqlite"))
            measure(store, readings)
            store.close()
        return
    name = f"spc_bench_{uuid.uuid4().hex[:12]}"
    admin = sa.create_engine(sys.argv[2], isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    try:
        url = sa.make_url(sys.argv[2]).set(database=name)
        store = ingest.open_store(url.render_as_string(hide_password=False))
        measure(store, readings)
        store.close()
    finally:
        with admin.connect() as connection:
            connection.exec_driver_sql(f'DROP DATABASE "{name}" WITH (FORCE)')


if __name__ == "__main__":
    main()

"""Imports killed at random moments: afterwards the store is as before or complete, never between.

Run it by hand: `python tests/benchmarks/kill_imports.py [KILLS] [ROWS] [URL] [SEED]`. URL names a
PostgreSQL server on which databases may be made and dropped; without it, or with "sqlite", the
store is SQLite. The moments are drawn by SEED.
After every kill the import is repeated and must end at the fingerprint of one that was not killed.
"""

import hashlib
import random
import shutil
import subprocess
import sys
import tempfile
import time
import uuid
from pathlib import Path

import sqlalchemy as sa
from import_rows import write_file

import ingest
from ingest import schema

IMPORT = "import sys, ingest; ingest.open_store(sys.argv[1]).add(ingest.read_file(sys.argv[2]))"
APART = {"at", "recorded_at"}  # the time of day may differ


def fingerprint(url: str) -> str:
    """SHA-256 over every row of every table but the times of the imports themselves."""
    digest = hashlib.sha256()
    engine = sa.create_engine(url)
    with engine.connect() as connection:
        for table in schema.METADATA.sorted_tables:
            columns = [column for column in table.columns if column.name not in APART]
            keys = [*table.primary_key.columns] or columns
            query = sa.select(*columns).order_by(*keys).compile(engine)
            cursor = connection.connection.cursor()  # the driver's own: there are 400,000 rows
            cursor.execute(str(query))
            while rows := cursor.fetchmany(5000):
                digest.update(repr(list(map(tuple, rows))).encode())
            cursor.close()
    engine.dispose()
    return digest.hexdigest()


class Place:
    """Stores that begin as copies of one that holds an import already."""

    def __init__(self, server: str | None, folder: Path) -> None:
        self.server, self.folder = server, folder
        self.admin = sa.create_engine(server, isolation_level="AUTOCOMMIT") if server else None
        self.names: list[str] = []
        self.seed = self._empty()

    def _empty(self, template: str = "template1") -> str:
        name = f"spc_kill_{uuid.uuid4().hex[:12]}"
        if self.admin is None:
            return f"sqlite:///{self.folder / name}"
        self._run(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
        self.names.append(name)
        return sa.make_url(self.server).set(database=name).render_as_string(hide_password=False)

    def copy(self) -> str:
        """A store as it was before the import that is killed."""
        if self.admin is not None:
            return self._empty(str(sa.make_url(self.seed).database))
        url = self._empty()
        shutil.copyfile(self.seed.removeprefix("sqlite:///"), url.removeprefix("sqlite:///"))
        return url

    def drop(self, url: str) -> None:
        """Give the room back."""
        if self.admin is not None:
            name = str(sa.make_url(url).database)
            self._run(f'DROP DATABASE "{name}" WITH (FORCE)')
            self.names.remove(name)
        else:
            for end in ("", "-wal", "-shm"):
                Path(url.removeprefix("sqlite:///") + end).unlink(missing_ok=True)

    def close(self) -> None:
        """Drop what is left."""
        for name in list(self.names):
            self._run(f'DROP DATABASE "{name}" WITH (FORCE)')

    def _run(self, statement: str) -> None:
        assert self.admin is not None
        with self.admin.connect() as connection:
            connection.exec_driver_sql(statement)


def settle(url: str) -> None:
    """Wait for the write lock: a server may be at the dead client's last statement still."""
    store = ingest.open_store(url)
    with store.writing():
        pass
    store.close()


def start(url: str, file: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", IMPORT, url, str(file)])


def main() -> None:
    """Kill, look, repeat; print how often which state was found."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rows = int(sys.argv[2]) if len(sys.argv) > 2 else 200_000
    server = sys.argv[3] if len(sys.argv) > 3 and sys.argv[3] != "sqlite" else None
    chance = random.Random(int(sys.argv[4]) if len(sys.argv) > 4 else 20250611)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file, earlier = folder / "rows.csv", folder / "earlier.csv"
        write_file(file, rows)
        lines = file.read_text().splitlines(keepends=True)
        # the last of the same rows: so that there are duplicates, and indexes are made on the way
        earlier.write_text("".join([lines[0], *lines[-2000:]]))
        del lines
        place = Place(server, folder)
        try:
            assert start(place.seed, earlier).wait() == 0
            before = fingerprint(place.seed)
            whole = place.copy()
            begun = time.perf_counter()
            assert start(whole, file).wait() == 0
            takes = time.perf_counter() - begun
            complete = fingerprint(whole)
            place.drop(whole)
            found = {"before": 0, "complete": 0}
            missed = 0
            while sum(found.values()) < kills:
                url = place.copy()
                process = start(url, file)
                time.sleep(chance.uniform(0, takes))
                running = process.poll() is None
                process.kill()
                process.wait()
                settle(url)
                state = fingerprint(url)
                assert state in (before, complete), "a kill left something between"
                if state == before:
                    assert start(url, file).wait() == 0
                    assert fingerprint(url) == complete, "the repeat differs"
                place.drop(url)
                if not running:  # it had ended before the kill, which shows nothing
                    missed += 1
                    takes *= 0.97
                    continue
                found["before" if state == before else "complete"] += 1
                if sum(found.values()) % 5 == 0:
                    print(f"{sum(found.values())} kills: {found}, too late {missed}", flush=True)
            store = ingest.open_store(place.seed)
            assert ingest.verify(store) == []
            store.close()
        finally:
            place.close()
        kind = "PostgreSQL" if server else "SQLite"
        print(
            f"{kind}: {kills} kills of a running import of {rows} rows, "
            f"in its first {takes:.1f} s: {found}, none between;"
        )
        print("every repeat ended at the fingerprint of an import that was not killed.")


if __name__ == "__main__":
    main()

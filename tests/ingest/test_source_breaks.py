"""The server stopped in the middle of a pull and started again: one sentence, then as if never."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest

import ingest
from tests.ingest.laboratory import Laboratory
from tests.ingest.private_postgres import PrivatePostgres

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a server of our own")
ROOT = Path(__file__).parents[2]
N_ROWS = 45_000  # three blocks


@pytest.fixture(scope="module")
def server() -> Iterator[PrivatePostgres]:
    private = PrivatePostgres()
    yield private
    private.close()


@pytest.fixture
def lab(server: PrivatePostgres, tmp_path: Path) -> Iterator[Laboratory]:
    laboratory = Laboratory(server.url, tmp_path)
    yield laboratory
    server.start()  # where a test failed before it did
    laboratory.engine.dispose()
    laboratory.run("DROP TABLE readings")
    laboratory.engine.dispose()


def fill(lab: Laboratory, n: int) -> None:
    lab.run(
        "INSERT INTO readings SELECT i, timestamp '2025-01-05' + i * interval '1 minute', "
        "timestamp '2025-01-05' + i * interval '1 minute', 'B' || (i / 2), 'P-1', i % 2 + 1, "
        f"2000 + i % 97, NULL, 'V1', NULL FROM generate_series(1, {n}) i"
    )


def everything(store: ingest.Store) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What the store comes to, without the numbers of imports."""
    kept = store.readings(aside=True).drop(columns=["id", "import_id", "file_line"])
    order = ["batch", "replicate", "at", "viscosity"]
    made = store.batches().drop(columns=["revision"])
    return kept.sort_values(order, ignore_index=True), made


def alike(one: ingest.Store, other: ingest.Store) -> bool:
    return all(a.equals(b) for a, b in zip(everything(one), everything(other), strict=True))


@pytest.fixture
def undisturbed(lab: Laboratory, tmp_path: Path) -> Iterator[ingest.Store]:
    fill(lab, 5_000)
    store = ingest.open_store(str(tmp_path / "undisturbed.sqlite"))
    ingest.pull(store, lab.describe(), block_rows=1_000)
    yield store
    store.close()


@pytest.mark.parametrize(("stopped_at", "stored"), [(500, 0), (1_000, 1_000), (3_500, 4_000)])
def test_a_server_that_stops_leaves_whole_blocks(
    server: PrivatePostgres,
    lab: Laboratory,
    any_store: ingest.Store,
    undisturbed: ingest.Store,
    stopped_at: int,
    stored: int,
) -> None:
    source = lab.describe()

    def stop(seen: int) -> None:
        if seen >= stopped_at and stop.running:
            stop.running = False
            server.stop()

    stop.running = True
    blocks = {"block_rows": 1_000} if stored else {"block_rows": 6_000}
    with pytest.raises(ingest.SourceError, match="does not answer any more") as told:
        ingest.pull(any_store, source, progress=stop, **blocks)
    assert not stop.running
    sentence = str(told.value)
    if stored:
        assert f"{stored} rows are stored (import" in sentence
        assert "the next pull goes on from there." in sentence
    else:
        assert "Nothing of this pull is stored" in sentence
    assert len(any_store.readings(aside=True)) == stored
    assert ingest.verify(any_store) == []
    with pytest.raises(ingest.SourceError, match="does not answer: check the address"):
        ingest.pull(any_store, source)
    server.start()
    report = ingest.pull(any_store, source, block_rows=1_000)
    assert report.new == 5_000 - stored
    assert alike(any_store, undisturbed)
    assert ingest.verify(any_store) == []


def command(lab: Laboratory, store: Path) -> list[str]:
    config = lab.write_description()
    pull = ["-m", "dashboard.cli", "pull", "lims", "--store", str(store), "--config", str(config)]
    return [sys.executable, *pull]


def start(lab: Laboratory, store: Path) -> subprocess.Popen[str]:
    """Begin a pull and wait until its first block is stored."""
    program = subprocess.Popen(
        command(lab, store),
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    end = time.monotonic() + 60
    while time.monotonic() < end and program.poll() is None and not n_imports(store):
        time.sleep(0.02)
    return program


def n_imports(store: Path) -> int:
    if not store.exists():
        return 0
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=10)) as connection:
        try:
            return int(connection.execute("SELECT COUNT(*) FROM imports").fetchone()[0])
        except sqlite3.OperationalError:  # the tables are being made
            return 0


def test_the_command_says_one_sentence_and_goes_on_later(
    server: PrivatePostgres, lab: Laboratory, tmp_path: Path
) -> None:
    fill(lab, N_ROWS)
    path = tmp_path / "disturbed.sqlite"
    program = start(lab, path)
    server.stop()
    out, err = program.communicate(timeout=60)
    assert program.returncode == 2, (out, err)
    assert err.count("\n") == 1
    assert err.startswith("Source lims (postgresql")
    assert "does not answer any more" in err
    assert "rows are stored (import" in err
    server.start()
    again = subprocess.run(
        command(lab, path), cwd=ROOT, text=True, capture_output=True, check=False, timeout=120
    )
    assert again.returncode == 0, again.stderr
    disturbed = ingest.open_store(str(path))
    calm = ingest.open_store(str(tmp_path / "calm.sqlite"))
    ingest.pull(calm, lab.describe())
    assert len(calm.readings()) == N_ROWS
    assert alike(disturbed, calm)
    assert ingest.verify(disturbed) == []
    disturbed.close()
    calm.close()


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGKILL])
def test_a_pull_that_is_ended_goes_on_later(
    lab: Laboratory, tmp_path: Path, kind: signal.Signals
) -> None:
    fill(lab, N_ROWS)
    path = tmp_path / "ended.sqlite"
    program = start(lab, path)
    program.send_signal(kind)
    _, err = program.communicate(timeout=60)
    assert "Traceback" not in err
    store = ingest.open_store(str(path))
    assert len(store.readings()) % 20_000 == 0
    assert ingest.verify(store) == []
    ingest.pull(store, lab.describe())
    assert len(store.readings()) == N_ROWS
    assert int(store.batches()["n"].sum()) == N_ROWS
    assert ingest.verify(store) == []
    store.close()

"""Several processes on one store at once, and processes that are killed in the middle."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import ingest

HEAD = "timestamp,batch,product,replicate,viscosity cP,instrument"
IMPORT = """
import sys, ingest
store = ingest.open_store(sys.argv[1])
for file in sys.argv[2:]:
    report = store.add(ingest.read_file(file))
    assert report.account.closes
"""
READ = """
import sys, ingest
store = ingest.open_store(sys.argv[1])
looks = 0
while store.imports().shape[0] < int(sys.argv[2]):
    batches = store.batches()
    assert (batches["n"] == 2).all(), batches[batches["n"] != 2]
    looks += 1
print(looks)
"""


def write(path: Path, start: int, batches: int) -> Path:
    """Duplicates of some batches: two rows each, never one alone."""
    lines = [
        f"2025-01-{1 + (b // 1440) % 28:02}T{b // 60 % 24:02}:{b % 60:02}:{10 * k},B{b},"
        f"P-{b % 7},{k},{2000 + (b * 7 + k) % 90},V1"
        for b in range(start, start + batches)
        for k in (1, 2)
    ]
    path.write_text("\n".join([HEAD, *lines]) + "\n")
    return path


def begin(program: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", program, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_two_imports_and_a_reader_at_once(any_url: str, tmp_path: Path) -> None:
    """Both importers also bring rows of the other: they are stored once, whoever comes first."""
    mine = [write(tmp_path / f"a{i}.csv", 1000 * i, 1200) for i in range(3)]
    yours = [write(tmp_path / f"b{i}.csv", 1000 * i + 500, 1200) for i in range(3)]
    processes = [
        begin(IMPORT, any_url, *mine),
        begin(IMPORT, any_url, *yours),
        begin(READ, any_url, 6),
    ]
    told = [process.communicate(timeout=240) for process in processes]
    for process, (_, errors) in zip(processes, told, strict=True):
        assert process.returncode == 0, errors
        assert "locked" not in errors
    assert int(told[2][0]) > 0, "the reader never looked while the others wrote"
    store = ingest.open_store(any_url)
    kept = store.readings(aside=True)
    # nothing lost, nothing twice: the files cover batches 0 to 3699, two readings each
    assert sorted(zip(kept["batch"], kept["replicate"], strict=True)) == sorted(
        (f"B{b}", k) for b in range(3700) for k in (1, 2)
    )
    assert set(kept["reason"]) == {""}
    imports = store.imports()
    assert imports["id"].tolist() == [6, 5, 4, 3, 2, 1]
    assert (imports["rows_read"] == imports["used"] + imports["duplicates"]).all()
    assert imports["used"].sum() == 7400
    assert len(store.batches()) == 3700
    assert ingest.verify(store) == []
    store.close()


def test_many_processes_open_a_new_store_at_once(any_url: str) -> None:
    program = "import sys, ingest; print(ingest.open_store(sys.argv[1]).revision())"
    processes = [begin(program, any_url) for _ in range(4)]
    told = [process.communicate(timeout=120) for process in processes]
    assert [out.strip() for out, _ in told] == ["0"] * 4, told


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a signal of POSIX systems")
def test_a_kill_at_any_moment_leaves_it_as_before_or_complete(any_url: str, tmp_path: Path) -> None:
    """A handful here; `tests/benchmarks/kill_imports.py` does a hundred on a large file."""
    chance = random.Random(20250612)
    store = ingest.open_store(any_url)
    store.add(ingest.read_file(write(tmp_path / "first.csv", 0, 300)))
    file = write(tmp_path / "large.csv", 200, 12_000)
    complete = 2 * 300 + 2 * 11_900
    states = []
    for _ in range(4):
        process = begin(IMPORT, any_url, file)
        time.sleep(chance.uniform(0.4, 1.6))
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=60)
        with store.writing():  # a server may be at the dead client's last statement still
            pass
        found = len(store.imports())
        held = len(store.readings(aside=True))
        assert held == (600 if found == 1 else complete)
        assert ingest.verify(store) == []
        states.append(found)
        if found > 1:
            break
    store.add(ingest.read_file(file))
    kept = store.readings(aside=True)
    assert len(kept) == complete
    assert not kept.duplicated(["batch", "replicate"]).any()
    assert ingest.verify(store) == []
    store.close()

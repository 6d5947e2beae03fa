"""The command: once, as a trial, as a test, how it goes, and as a service until a signal."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dashboard import cli
from tests.dashboard.watch.bench import NOW, Bench, add_batches

ROOT = Path(__file__).parents[3]
BOOK = '[watch]\nevery = "0.2 seconds"\n[watch.channels.book]\nkind = "file"\npath = "n.jsonl"\n'


@pytest.fixture
def described(bench: Bench) -> Bench:
    add_batches(bench.store, [("OUT-1", 2300.0)], NOW)
    return bench.describe(BOOK)


def run(bench: Bench, *options: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli.app, ["watch", "--store", bench.store.url, *options])
    return done.exit_code, done.output


def book(bench: Bench) -> list[dict[str, str]]:
    path = bench.file.parent / "n.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def test_once_tells_and_says_by_its_code_that_a_person_is_needed(described: Bench) -> None:
    code, said = run(described, "--once", "--json")
    assert code == 1
    told = json.loads(said.splitlines()[-1])
    assert (told["sent"], told["failed"]) == (1, [])
    assert told["waiting"] == told["noticed"] > 0
    assert run(described, "--once")[0] == 1  # it still waits
    assert len(book(described)) == 1


def test_a_trial_prints_what_would_be_sent(described: Bench) -> None:
    code, said = run(described, "--dry-run")
    assert code == 0
    assert "To book" in said
    assert "OUT-1 is outside its specification: 2300 mPa·s." in said
    ((one),) = json.loads(run(described, "--dry-run", "--json")[1])
    assert one["target"] == "book"
    assert book(described) == []


def test_a_test_message_reaches_everybody(described: Bench) -> None:
    assert run(described, "--test") == (0, "book: the test message arrived.\n")
    assert book(described)[0]["subject"] == "Test of the watch"
    assert run(described, "--status")[1].splitlines()[0] == (
        "The watch has never looked at this store."
    )
    described.describe(BOOK.replace("n.jsonl", "none/n.jsonl"))
    code, said = run(described, "--test")
    assert code == 2
    assert "cannot be written" in said


def test_how_it_goes(described: Bench) -> None:
    run(described, "--once")
    code, said = run(described, "--status", "--json")
    found = json.loads(said)
    assert code == 0
    assert found["runs"]
    assert found["targets"][0]["sent"] == 1
    assert any(one["kind"] == "outside specification" for one in found["waiting"])


@pytest.mark.skipif(os.name == "nt", reason="signals are sent as POSIX does it")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_service_cleanly(described: Bench, number: signal.Signals) -> None:
    command = [sys.executable, "-m", "dashboard.cli", "watch", "--store", described.store.url]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=ROOT) as service:
        assert service.stderr is not None
        lines = [service.stderr.readline(), service.stderr.readline()]
        time.sleep(0.3)
        service.send_signal(number)
        lines += service.stderr.read().splitlines()
        assert service.wait(20) == 0
    assert "Watching sqlite:///" in lines[0]
    assert "1 message sent." in lines[1]
    assert lines[-1].endswith("The watch has ended.")
    assert not any("Traceback" in line for line in lines)
    assert "was ended on" in run(described, "--status")[1]

"""Sources as people meet them: the commands pull and sources, --watch, and the Import page."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import ingest
from dashboard import cli
from dashboard.folders import FolderWatch, is_held
from dashboard.serving import build_demo_store

ROOT = Path(__file__).parents[2]
APP = ROOT / "dashboard" / "app.py"
FOLDER = ROOT / "sample_data"
FILES = ROOT / "tests" / "ingest" / "data"


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    """A folder with the sample database and its description."""
    for name in ("lab.sqlite", "sources.toml"):
        (tmp_path / name).write_bytes((FOLDER / name).read_bytes())
    return tmp_path


def command(folder: Path, *arguments: str) -> list[str]:
    store = ["--store", str(folder / "store.sqlite")]
    return [sys.executable, "-m", "dashboard.cli", *arguments, *store]


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run the command line in this process, as from the root of the project."""

    def _run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
        given = ["viscosity-spc", *command(folder, *arguments)[3:]]
        monkeypatch.chdir(ROOT)
        monkeypatch.setattr(sys, "argv", given)
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capsys.readouterr()
        return subprocess.CompletedProcess(given, int(ended.value.code or 0), said.out, said.err)

    return _run


def test_pull_prints_the_account_and_then_nothing_new(plant: Path, run) -> None:
    """README of the sample data: 280 rows, one slip of the fingers (8670 for 867)."""
    first = run(plant, "pull", "lab", "--json")
    assert first.returncode == 1, first.stderr  # the slip needs a person
    told = json.loads(first.stdout)
    assert (told["rows_seen"], told["new"], told["used"]) == (280, 280, 279)
    assert told["set_aside"] == {"torque_disagrees": 1}
    assert told["closes"] is True
    again = run(plant, "pull", "lab")
    assert again.returncode == 0
    assert "51 rows looked at, 51 known, 0 new, 0 changed" in again.stdout
    listed = run(plant, "sources", "--json")
    (row,) = json.loads(listed.stdout)
    assert (row["name"], row["n_rows"], row["watermark"]) == ("lab", 280, "280")


def test_changed_and_deleted_rows_are_said(plant: Path, run) -> None:
    run(plant, "pull", "lab")
    with closing(sqlite3.connect(plant / "lab.sqlite")) as connection, connection:
        connection.execute("UPDATE readings SET viscosity = 999.0 WHERE id = 280")
        connection.execute("DELETE FROM readings WHERE id = 1")
    told = run(plant, "pull", "lab", "--all")
    assert told.returncode == 1
    assert "Row id 280 (batch" in told.stdout
    assert "is 999.0. Both are kept, a person decides." in told.stdout
    assert "1 not in the source any more; their readings stay" in told.stdout


def test_what_cannot_be_pulled_is_one_sentence(plant: Path, run) -> None:
    for arguments, words in (
        (["pull", "lims"], "No source lims is described"),
        (["pull", "lab", "--config", "nowhere.toml"], "there is no such file"),
    ):
        told = run(plant, *arguments)
        assert told.returncode == 2
        assert told.stdout == ""
        assert words in told.stderr
        assert told.stderr.count("\n") == 1


@pytest.fixture
def watch(plant: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    begun: list[subprocess.Popen[str]] = []

    def _watch(*arguments: str) -> subprocess.Popen[str]:
        begun.append(
            subprocess.Popen(
                command(plant, *arguments),
                cwd=ROOT,
                text=True,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=os.environ | {"PYTHONUNBUFFERED": "1"},
            )
        )
        return begun[-1]

    yield _watch
    for program in begun:
        program.kill()
        program.communicate()


def until(happened: Callable[[], bool]) -> None:
    end = time.monotonic() + 60
    while not happened():
        assert time.monotonic() < end, "it did not happen within a minute"
        time.sleep(0.1)


def used(folder: Path) -> int:
    path = folder / "store.sqlite"
    if not path.exists():
        return 0
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=30)) as connection:
        try:
            return int(connection.execute("SELECT COUNT(*) FROM results").fetchone()[0])
        except sqlite3.OperationalError:  # the tables are being made
            return 0


def test_watching_a_source(plant: Path, watch) -> None:
    program = watch("pull", "lab", "--watch", "0.3", "--json")
    until(lambda: used(plant) == 280)
    with closing(sqlite3.connect(plant / "lab.sqlite")) as connection, connection:
        connection.execute(
            "INSERT INTO readings SELECT 281, sampled_at, tested_at, 'N9999', product, instrument,"
            " spindle, speed_rpm, torque_pct, temp_C, viscosity, unit, replicate, operator,"
            " sample_type, rm_lot, line, shift, status, comment FROM readings WHERE id = 280"
        )
    until(lambda: used(plant) == 281)
    program.send_signal(signal.SIGINT)
    out, err = program.communicate(timeout=30)
    assert program.returncode == 0, err
    assert err == "Stopped watching.\n"
    reports = [json.loads(line) for line in out.splitlines()]
    assert [one["new"] for one in reports] == [280, 1]  # nothing is said where nothing came


def test_watching_a_folder(plant: Path, watch) -> None:
    folder = plant / "incoming"
    folder.mkdir()
    program = watch("import", str(folder), "--watch", "0.3", "--json")
    text = (FILES / "F01_baseline_duplicates.csv").read_text()
    (folder / "a.csv").write_text(text)
    (folder / "b.csv").write_text("nothing to see\n")
    (folder / ".hidden.csv").write_text(text)
    until(lambda: used(plant) == 60)
    (folder / "a.csv").write_text(text.replace("B001", "B901"))
    until(lambda: used(plant) == 62)
    program.send_signal(signal.SIGINT)
    out, err = program.communicate(timeout=30)
    assert program.returncode == 0
    assert "Stopped watching." in err
    assert "b.csv has no header line" in err
    told = [json.loads(line) for line in out.splitlines()]
    assert [one["file"] for one in told if "used" in one] == ["a.csv", "a.csv"]
    store = ingest.open_store(str(plant / "store.sqlite"))
    assert is_held(store, folder / "a.csv")
    assert not is_held(store, folder / "b.csv")
    store.close()


def test_a_folder_gives_out_only_what_is_written_to_the_end(tmp_path: Path) -> None:
    watched = FolderWatch([tmp_path])
    (tmp_path / "a.csv").write_text("1")
    assert watched.ready() == []  # it may still be growing
    (tmp_path / "a.csv").write_text("12")
    assert watched.ready() == []
    assert watched.ready() == [tmp_path / "a.csv"]
    assert watched.ready() == []
    (tmp_path / "b.csv.part").write_text("1")
    (tmp_path / "folder").mkdir()
    watched.ready()
    assert watched.ready() == []
    gone = tmp_path / "folder"
    watched = FolderWatch([gone])
    gone.rmdir()
    with pytest.raises(ingest.IngestError, match="cannot be read at present"):
        watched.ready()
    with pytest.raises(ingest.IngestError, match="is no folder"):
        FolderWatch([tmp_path / "a.csv"])


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


def test_the_import_page_pulls_from_the_demo_plants_database(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url, as_of = build_demo_store(tmp_path / "demo.sqlite")
    monkeypatch.setenv("VISCOSITY_SPC_STORE", url)
    monkeypatch.setenv("VISCOSITY_SPC_AS_OF", as_of.isoformat())
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page("views/import_file.py").run()
    assert not app.exception
    assert any("not pulled yet" in one.value for one in app.markdown)
    app.button(key="source.lab.pull").click().run()
    assert not app.exception
    said = " ".join(one.value for one in app.markdown).replace("\\", "")
    assert "280 rows looked at, 280 new, 0 changed. 280 rows known." in said
    assert "Pulled last on" in said
    with closing(sqlite3.connect(tmp_path / "lab.sqlite")) as connection, connection:
        connection.execute("UPDATE readings SET viscosity = 1000.5 WHERE id = 280")
    app.button(key="source.lab.pull").click().run()
    assert not app.exception
    said = " ".join(one.value for one in app.markdown).replace("\\", "")
    assert "was changed in the source: viscosity was" in said
    app.run()
    assert any("Was" in one.value.columns for one in app.dataframe)


def test_the_import_page_says_when_a_pull_ends_early(
    plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ingest.open_store(str(plant / "store.sqlite")).close()
    monkeypatch.setenv("VISCOSITY_SPC_STORE", str(plant / "store.sqlite"))
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page("views/import_file.py").run()
    (plant / "lab.sqlite").unlink()
    app.button(key="source.lab.pull").click().run()
    assert not app.exception
    assert any("there is no file" in one.value for one in app.error)


def test_the_import_page_says_what_is_wrong_with_a_description(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    store.close()
    monkeypatch.setenv("VISCOSITY_SPC_STORE", store.url)
    (tmp_path / "sources.toml").write_text("[sources.lab]\nurl = 'sqlite:///a:b@c'\n")
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page("views/import_file.py").run()
    assert not app.exception
    assert any("either a table or a query" in one.value for one in app.error)

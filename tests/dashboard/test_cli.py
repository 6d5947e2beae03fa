"""The command line as a user meets it: exit codes, one plain sentence, JSON, and no traceback."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest

from dashboard import cli

DATA = Path(__file__).parent / "data"
INGEST_DATA = Path(__file__).parents[1] / "ingest" / "data"


class Outcome:
    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    return tmp_path / "s.sqlite"


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], store_path: Path):
    monkeypatch.setenv("VISCOSITY_SPC_STORE", str(store_path))

    def _run(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["viscosity-spc", *map(str, arguments)])
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            cli.main()
        captured = capsys.readouterr()
        code = ended.value.code
        assert "Traceback" not in captured.err
        return Outcome(int(code or 0), captured.out, captured.err)

    return _run


def test_import_prints_the_account(run) -> None:
    told = run("import", INGEST_DATA / "U1_latin1_semicolon_preamble.csv")
    assert told.code == 0
    assert "5 rows read" in told.out
    assert "The account closes." in told.out
    assert "1 blank lines skipped" in told.out


def test_import_as_json(run) -> None:
    (file,) = run("import", INGEST_DATA / "U1_latin1_semicolon_preamble.csv", "--json").json
    assert file["rows_read"] == 5
    assert file["used"] == 2
    assert file["set_aside"] == {"below_range": 1, "over_range": 1, "test_row": 1}
    assert file["not_parsed"] == {}
    assert file["duplicates"] == 0
    assert file["conflicts"] == 0
    assert file["questions"] == []
    assert file["closes"] is True


def test_a_question_is_asked_and_its_answer_taken(run) -> None:
    file = INGEST_DATA / "U3_ambiguous_dates.csv"
    told = run("import", file, "--set", "product=P", "--json")
    assert told.code == 2
    assert [q["field"] for q in told.json[0]["questions"]] == ["date_order"]
    assert told.json[0]["used"] == 0
    assert "--set date_order=" in told.err
    assert run("assess").out.startswith("The store holds no product readings yet")
    told = run("import", file, "--set", "product=P", "--set", "date_order=dmy")
    assert told.code == 0


def test_a_column_is_named_once_and_remembered(run, tmp_path: Path) -> None:
    file, later = tmp_path / "a.csv", tmp_path / "b.csv"
    file.write_text("Los;Ware;Wert=1 [mPas]\nB1;P-9;2000\n")
    later.write_text("Los;Ware;Wert=1 [mPas]\nB2;P-9;2010\n")
    told = run("import", file, "--source", "lab", "--json")
    assert told.code == 2
    fields = [question["field"] for question in told.json[0]["questions"]]
    assert fields == ["viscosity_column", "batch_column", "product"]
    assert told.json[0]["questions"][0]["choices"][0] == "Wert=1 [mPas]"
    assert "--set 'viscosity_column=Wert=1 [mPas]'" in told.err  # ready for a shell
    said = ["--set", "column:Wert=1 [mPas]=viscosity", "--set", "batch_column=Los"]
    said += ["--set", "column:Ware=product"]
    assert run("import", file, "--source", "lab", "--by", "AK", *said).code == 0
    told = run("import", later, "--source", "lab", "--json")
    assert told.code == 0
    assert any(
        text.startswith("'Los': batch (as answered on ") and text.endswith(" by AK)")
        for text in told.json[0]["understood"]
    )
    (known,) = run("remembered", "--json").json
    assert known["source"] == "lab"
    assert {one["field"]: (one["value"], one["who"]) for one in known["answers"]} == {
        "column:Los": ("batch", "AK"),
        "column:Ware": ("product", "AK"),
        "column:Wert=1 [mPas]": ("viscosity", "AK"),
    }
    assert "column:Los=batch (as answered on " in run("remembered", "--source", "lab").out
    told = run("forget", "--source", "lab", "--field", "column:Los", "--why", "another column")
    assert told.out == "Forgotten of lab: column:Los=batch.\n"
    assert run("forget", "--source", "nobody").code == 2


def test_a_changed_export_is_told_and_asked_about(run, tmp_path: Path) -> None:
    head = "date;batch;product;temp;viscosity cP"
    old, new = tmp_path / "a.csv", tmp_path / "b.csv"
    old.write_text(f"{head}\n2025-03-03;B1;P;25.0;2000\n")
    new.write_text(f"{head.replace('temp', 'T probe')};room\n2025-03-04;B2;P;25.1;2010;7\n")
    assert run("import", old, "--source", "lab").code == 0
    told = run("import", new, "--source", "lab", "--json")
    assert told.code == 2
    assert told.json[0]["change"]["new"] == ["T probe", "room"]
    assert told.json[0]["change"]["missing"][0]["column"] == "temp"
    assert "Column 'room' is new: it is kept as it is." in told.err
    assert "Column 'temp' (sample temperature) is gone, and 'T probe' is new" in told.err
    assert "--set 'renamed:temp=T probe'" in told.err
    assert len(told.err.strip().splitlines()) == 1
    told = run("import", new, "--source", "lab", "--set", "renamed:temp=T probe")
    assert told.code == 0
    assert "Note: Column 'T probe' is what was 'temp' until now, as answered." in told.out


def test_what_checks_found_is_printed_with_severity_and_proposal(run, tmp_path: Path) -> None:
    told = run("import", INGEST_DATA / "S07_transcription.csv")
    assert told.code == 1
    assert (
        "Set aside: line 16, batch B008: torque 39.7 % says about 1985, recorded 19850 mPa·s: "
        "1985 instead of 19850? (a digit too many) Nothing is changed." in told.out
    )
    file = tmp_path / "gap.csv"
    file.write_text("batch,product,replicate,viscosity cP\nB1,Q,1,2000\nB1,Q,3,2010\n")
    told = run("import", file)
    assert told.code == 0  # a remark holds nothing up
    assert "1 remarked: A replicate number of the batch is missing." in told.out
    assert "Remark: line 2, batch B1: there is no 2 among the first 3" in told.out
    (outcome,) = run("import", file, "--json").json
    assert outcome["remarks"] == {"replicate_gap": 1}
    assert outcome["severity"] == {"replicate_gap": "remark"}
    assert [(one["severity"], one["line"]) for one in outcome["findings"]] == [("remark", 2)]


def test_products_and_methods_from_the_command_line(run, tmp_path: Path) -> None:
    def file(product: str, batch: str, torque: float) -> Path:
        path = tmp_path / f"{batch}.csv"
        head = "batch,product,instrument,spindle,speed,torque,viscosity cP"
        path.write_text(f"{head}\n{batch},{product},V1,S3,20,{torque},2000\n")
        return path

    assert run("import", file("P-100", "B1", 40)).code == 0
    told = run("import", file("P100", "B2", 40))
    assert told.code == 2
    assert "--set product_alias:P100=P-100 or --set product_alias:P100=P100" in told.err
    assert run("alias", "P100", "P-100", "--by", "AK").out == (
        "'P100' is read as 'P-100' from now on.\n"
    )
    assert run("import", file("P100", "B2", 40)).code == 0
    told = run("alias", "P100", "--undo")
    assert "Rows received as 'P100' stay stored under 'P-100' (import 2)" in told.out
    assert run("alias", "P100").code == 2
    made = ["--spindle", "S3", "--speed", 20, "--torque-low", 20]
    assert run("method", "M-7", *made).code == 0
    told = run("method", "M-7", "--torque-high", 90, "--why", "worn spring")
    assert told.out == "Method M-7 version 2 holds from now on: torque 20 to 90 %.\n"
    (outcome,) = run("import", file("P-100", "B3", 15), "--json").json
    assert outcome["set_aside"] == {"below_range": 1}
    assert run("method", "M-7", "--torque-high", 190).code == 2


def test_rows_that_wait_for_a_person_give_exit_code_1(run) -> None:
    told = run("import", INGEST_DATA / "U7_units.csv", "--set", "product=P")
    assert told.code == 1


def test_the_good_files_are_imported_beside_a_bad_one(run, tmp_path: Path) -> None:
    told = run("import", DATA / "F01_baseline_duplicates.csv", tmp_path / "none.csv")
    assert told.code == 1
    assert "There is no file" in told.err
    assert run("assess", "--json").json[0]["n_batches"] == 30


@pytest.mark.skipif(sys.platform == "win32", reason="links and odd names are POSIX")
def test_a_folder_is_imported_file_by_file_with_a_summary(run, tmp_path: Path) -> None:
    head = "batch;product;viscosity mPa.s\n"
    inside = tmp_path / "in"
    (inside / "sub").mkdir(parents=True)
    (inside / "a.csv").write_text(head + "A1;P;1\nA2;P;2\n")
    (inside / "b.csv").write_text("colour;size\nred;small\n")
    (inside / "notes.docx").write_text("x")
    (tmp_path / "secret.csv").write_text(head + "S1;P;1\n")
    (inside / "link.csv").symlink_to(tmp_path / "secret.csv")
    (inside / "sub" / "esc\x1b[31m.csv").write_text(head + "C1;P;3\n")
    with zipfile.ZipFile(inside / "two.zip", "w") as archive:
        archive.writestr("../x.csv", head + "D1;P;4\n")
        archive.writestr("y.csv", head + "D2;P;5\n")
    told = run("import", inside)
    assert told.code == 1
    assert "\x1b" not in told.out + told.err
    files = [line.split(": ")[0] for line in told.out.splitlines() if line[:1].strip()]
    assert files[:6] == ["link.csv", "a.csv", "b.csv", "two.zip", "two.zip", "esc?[31m.csv"]
    assert told.out.splitlines()[-1] == (
        "6 files: 4 imported, 2 not. 5 rows read, 5 used. 1 files with other endings were left "
        "alone."
    )
    assert len(told.err.splitlines()) == 2
    assert "is a link to another place" in told.err
    again = run("import", inside, "--json")
    assert again.code == 1
    assert [one.get("duplicates") for one in again.json] == [None, 2, None, 1, 1, 1]
    assert run("assess", "--json").json[0]["n_batches"] == 5


def bad_files(folder: Path) -> dict[str, str]:
    (folder / "empty.csv").touch()
    (folder / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4)
    (folder / "no_viscosity.csv").write_text("batch,product,colour\nB1,P,red\n")
    (folder / "no_unit.csv").write_text("batch,product,viscosity\nB1,P,2000\n")
    (folder / "folder").mkdir()
    return {
        "empty.csv": "is empty",
        "picture.csv": "is a PNG picture, not a text file",
        "no_viscosity.csv": "no viscosity column",
        "no_unit.csv": "gives no unit for the viscosity",
        "folder": "is a folder",
    }


@pytest.mark.parametrize(
    "name", ["empty.csv", "picture.csv", "no_viscosity.csv", "no_unit.csv", "folder"]
)
def test_a_bad_file_gets_one_sentence_and_leaves_the_store_alone(
    run, tmp_path: Path, store_path: Path, name: str
) -> None:
    run("import", DATA / "F01_baseline_duplicates.csv")
    before = dump(store_path)
    sentence = bad_files(tmp_path)[name]
    told = run("import", tmp_path / name)
    assert told.code == 2
    assert sentence in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert dump(store_path) == before


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are POSIX")
def test_an_unreadable_file_gets_one_sentence(run, tmp_path: Path, monkeypatch) -> None:
    file = tmp_path / "secret.csv"
    file.write_text("batch\n")
    file.chmod(0)
    if os.access(file, os.R_OK):  # the superuser may read everything: let reading fail itself
        monkeypatch.setattr(
            Path, "open", lambda self, mode: (_ for _ in ()).throw(PermissionError())
        )
    told = run("import", file)
    assert told.code == 2
    assert "may not be read" in told.err


def dump(path: Path) -> list[str]:
    with sqlite3.connect(path) as connection:
        lines = list(connection.iterdump())
    connection.close()
    return lines


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is empty (0 bytes)"),
        (b"no database, " * 500, "is not a database"),
    ],
)
def test_a_store_that_is_none_gets_one_sentence(
    run, store_path: Path, content: bytes, sentence: str
) -> None:
    store_path.write_bytes(content)
    for command in (["import", DATA / "F01_baseline_duplicates.csv"], ["assess"], ["serve"]):
        told = run(*command)
        assert told.code == 2
        assert sentence in told.err
        assert len(told.err.strip().splitlines()) == 1
    assert store_path.read_bytes() == content


def test_a_store_that_is_not_there_gets_one_sentence(run) -> None:
    told = run("assess")
    assert told.code == 2
    assert "There is no store at" in told.err


def test_a_store_of_a_newer_version_gets_one_sentence(run, store_path: Path) -> None:
    run("import", DATA / "F01_baseline_duplicates.csv")
    with sqlite3.connect(store_path) as connection:
        connection.execute("UPDATE meta SET value = '99' WHERE name = 'schema_version'")
    connection.close()
    told = run("assess")
    assert told.code == 2
    assert "newer version" in told.err


def is_being_written(path: Path) -> bool:
    """Whether another process holds the write lock of a store that is already made."""
    if not path.exists():
        return False
    connection = sqlite3.connect(path, timeout=0, isolation_level=None)
    try:
        connection.execute("SELECT value FROM meta WHERE name = 'revision'").fetchone()[0]
    except (sqlite3.OperationalError, TypeError):
        connection.close()
        return False  # still being made
    try:
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as error:
        return "locked" in str(error)
    finally:
        connection.close()
    return False


@pytest.mark.skipif(sys.platform == "win32", reason="sends a POSIX signal")
def test_ctrl_c_in_an_import_stores_nothing(tmp_path: Path, store_path: Path) -> None:
    rows = "\n".join(f"2025-01-01T06:00,B{i},P,{1000 + i % 50}" for i in range(400_000))
    file = tmp_path / "large.csv"
    file.write_text(f"timestamp,batch,product,viscosity cP\n{rows}\n")
    command = [
        sys.executable,
        "-m",
        "dashboard.cli",
        "import",
        str(file),
        "--store",
        str(store_path),
    ]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 60
    looks = 0  # making the tables holds the lock too, but not for ten looks on end
    while looks < 10:
        looks = looks + 1 if is_being_written(store_path) else 0
        assert time.monotonic() < deadline, "the import never began to write"
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 2, (out, err)
    assert err.strip() == "Stopped: nothing of large.csv is stored."
    with sqlite3.connect(store_path) as connection:
        assert connection.execute("SELECT COUNT(*) FROM results").fetchone() == (0,)
        assert connection.execute("SELECT COUNT(*) FROM imports").fetchone() == (0,)
    connection.close()


def test_assess_gives_the_numbers_of_the_baseline(run) -> None:
    """Published three-digit constants give 1781.37 and 2222.10; the exact ones these."""
    run("import", DATA / "F01_baseline_duplicates.csv")
    told = run("assess", "--json", "--subgroups", "batch")
    assert told.code == 0
    (one,) = told.json
    assert one["product"] == "P-100"
    assert one["signals"] == []
    assert one["individuals"]["center"] == pytest.approx(2001.73, abs=0.005)
    assert one["individuals"]["mr_bar"] == pytest.approx(82.84, abs=0.006)
    assert one["individuals"]["lower"] == pytest.approx(1781.48, abs=0.006)
    assert one["individuals"]["upper"] == pytest.approx(2221.99, abs=0.006)
    assert one["duplicates_range"]["upper"] == pytest.approx(42.91, abs=0.02)
    assert one["subgroups"]["lower"] == pytest.approx(1977.04, abs=0.02)
    assert one["subgroups"]["upper"] == pytest.approx(2026.42, abs=0.02)
    assert "25 of 30" in one["subgroups"]["warning"]


def test_an_open_signal_gives_exit_code_1_and_text_carries_the_caution(run) -> None:
    run("import", DATA / "S12_unstable_capability.csv")
    run("specify", "P-100", "--lower", "1750", "--upper", "2250")
    told = run("assess", "--as-of", "2025-03-28")
    assert told.code == 1
    assert "No capability: 15 of 50 batches beyond the control limits" in told.out
    assert "1.01 (0.79–1.23)" in told.out
    assert "authorised person" in told.out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["assess", "--product", "nothing"], "nothing"),
        (["assess", "--rules", "magic"], "three-sigma-ewma"),
        (["assess", "--subgroups", "moon"], "batch"),
        (["specify", "P-100", "--lower", "5", "--upper", "4"], "not below"),
        (["import", "x.csv", "--set", "unit"], "is not FIELD=VALUE"),
        (
            ["import", DATA / "F01_baseline_duplicates.csv", "--set", "moon=1"],
            "nothing that can be set",
        ),
    ],
)
def test_a_wrong_argument_gets_one_sentence(run, arguments: list[object], sentence: str) -> None:
    run("import", DATA / "F01_baseline_duplicates.csv")
    told = run(*arguments)
    assert told.code == 2
    assert sentence in told.err
    assert len(told.err.strip().splitlines()) == 1


def test_specify_as_json_and_in_words(run) -> None:
    told = run("specify", "P-100", "--lower", "1.8", "--upper", "2.2", "--unit", "Pa.s", "--json")
    assert told.json["lower"] == 1800.0
    assert told.json["valid_from"] is None
    told = run("specify", "P-100", "--lower", "1850", "--from", "2025-05-01")
    assert told.code == 0
    assert "from 2025-05-01" in told.out
    assert "no reading of P-100 is in the store yet" in told.out


def test_a_last_batch_outside_its_specification_needs_a_person(run) -> None:
    """B030 of F01 is (2064 + 2078) / 2 = 2071 mPa·s by the two rows of the file."""
    run("import", DATA / "F01_baseline_duplicates.csv")
    assert run("assess").code == 0
    run("specify", "P-100", "--lower", "1800", "--upper", "2070")
    told = run("assess", "--json")
    assert told.code == 1
    assert told.json[0]["state"] == "quiet"
    assert told.json[0]["last_batch_outside_specification"] is True


def test_readings_in_conflict_need_a_person(run, tmp_path: Path) -> None:
    file = tmp_path / "correction.csv"
    lines = (DATA / "F01_baseline_duplicates.csv").read_text().splitlines()
    file.write_text("\n".join([lines[0], lines[1].replace(",1929,", ",1930,")]))
    run("import", DATA / "F01_baseline_duplicates.csv")
    assert run("import", file).code == 1
    told = run("assess")
    assert told.code == 1
    assert "2 readings recorded in more than one way" in told.out


def test_the_store_is_verified_undone_and_rebuilt(run, store_path: Path) -> None:
    run("import", DATA / "F01_baseline_duplicates.csv")
    told = run("verify")
    assert told.code == 0
    assert "The journal is whole, every batch equals its readings" in told.out
    told = run("undo", "1")
    assert told.code == 2
    assert told.err.strip() == "Undoing import 1 needs a cause in words: say why."
    told = run("undo", "1", "--why", "wrong file", "--by", "Kim", "--json")
    assert told.code == 0
    assert told.json["undone"] == 60
    assert told.json["accounts"]["1"]["set_aside"] == {"import_undone": 60}
    assert told.json["accounts"]["1"]["closes"] is True
    with sqlite3.connect(store_path) as connection:
        connection.execute("UPDATE journal SET why = 'right file'")
        connection.execute("UPDATE batches SET n = 2 WHERE batch = 'B001'")
    connection.close()
    told = run("verify", "--json")
    assert told.code == 1
    assert told.json["whole"] is False
    assert "Journal: entry 1 was changed after it was written." in told.json["found"]
    assert any("Batch B001" in line for line in told.json["found"])
    assert "1 batch was wrong and is put right" in run("rebuild").out
    assert "equals the readings" in run("rebuild").out


def test_a_store_is_backed_up_restored_and_exported(run, store_path: Path, tmp_path: Path) -> None:
    run("import", DATA / "F01_baseline_duplicates.csv")
    backup = tmp_path / "copy.sqlite"
    assert run("backup", backup).code == 0
    told = run("restore", backup)
    assert told.code == 2
    assert "holds data already, so nothing was restored" in told.err
    store_path.unlink()
    assert run("restore", backup).code == 0
    told = run("export", "readings", tmp_path / "readings.csv")
    assert told.code == 0
    assert "60 rows are written" in told.out
    assert len((tmp_path / "readings.csv").read_text().splitlines()) == 61
    told = run("export", "readings", tmp_path / "readings.doc")
    assert told.code == 2
    assert "name a file that ends in .csv, .xlsx, .parquet" in told.err


def test_a_specification_names_who_and_why(run, store_path: Path) -> None:
    run("import", DATA / "F01_baseline_duplicates.csv")
    run("specify", "P-100", "--lower", "1800", "--by", "Kim", "--why", "contract of March")
    with sqlite3.connect(store_path) as connection:
        entry = connection.execute("SELECT who, what, subject, why FROM journal").fetchall()
    connection.close()
    assert entry == [("Kim", "specification added", "P-100", "contract of March")]

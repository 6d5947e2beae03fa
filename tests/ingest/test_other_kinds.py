"""Parquet, compressed text, archives, and folders of files."""

import bz2
import datetime as dt
import gzip
import lzma
import os
import sys
from decimal import Decimal
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from ingest import IngestError, find_files, read_bytes, read_file

from .workbooks import archive, one_sheet, parquet

TEXT = b"batch;product;viscosity mPa.s\nB1;P;2010\nB2;P;1990\n"
UTC_TIME = dt.datetime(2025, 3, 13, 6, 42, 30, 500_000, tzinfo=dt.UTC)


def test_parquet_columns_of_many_types() -> None:
    content = parquet(
        {
            "sampled at": pa.array([UTC_TIME, None]),
            "batch": pa.array(["B1", 'B "2"\nx']).dictionary_encode(),
            "product": ["P", "P"],
            "viscosity mPa.s": [2.125, 2010.1],
            "torque %": pa.array([40.2, float("nan")], pa.float32()),
            "speed": pa.array([20, None], pa.int8()),
            "density": pa.array([Decimal("0.985"), None]),
            "ok": [True, False],
            "day": [dt.date(2025, 3, 13), None],
            "curve": [[1.0, 2.0], [3.0]],
        }
    )
    reading = read_bytes(content, "x.parquet")
    assert reading.account.closes
    rows = reading.rows
    assert rows["line"].tolist() == [2, 3]
    assert rows["batch"].tolist() == ["B1", 'B "2" ⏎ x']
    assert rows["viscosity"].tolist() == [2.125, 2010.1]
    assert rows["torque"].iat[0] == 40.2
    assert np.isnan(rows["torque"].iat[1])
    assert rows["density"].iat[0] == 0.985
    assert rows["sampled_at"].iat[0] == int(UTC_TIME.timestamp())
    assert rows["extra"].tolist() == [
        '{"ok": "True", "day": "2025-03-13"}',
        '{"ok": "False"}',
    ]
    told = {item.what: item.value for item in reading.understood}
    assert told["'curve'"] == "left out"


@pytest.mark.parametrize("cut", [5, 60, -20])
def test_a_damaged_parquet_file_is_refused(cut: int) -> None:
    content = parquet({"batch": ["B1"], "product": ["P"], "viscosity mPa.s": [1.0]})
    with pytest.raises(IngestError, match="Parquet file that is damaged"):
        read_bytes(content[:cut], "x.parquet")


@pytest.mark.parametrize("compress", [gzip.compress, bz2.compress, lzma.compress])
def test_compressed_text_is_read_as_the_text(compress) -> None:
    reading = read_bytes(compress(TEXT), "x.csv.gz")
    assert reading.rows["viscosity"].tolist() == [2010.0, 1990.0]
    assert reading.account.closes
    with pytest.raises(IngestError, match="damaged or cut short"):
        read_bytes(compress(TEXT)[:-6], "x.csv.gz")


def test_a_gzip_file_of_several_parts_is_read_whole() -> None:
    head, tail = TEXT[:40], TEXT[40:]
    reading = read_bytes(gzip.compress(head) + gzip.compress(tail), "x.gz")
    assert reading.rows["viscosity"].tolist() == [2010.0, 1990.0]


def test_the_one_file_of_an_archive_that_can_hold_readings() -> None:
    members = {"readme.md": b"x", "__MACOSX/._a.csv": b"x", "a/": b"", "a/b.csv": TEXT}
    reading = read_bytes(archive(members), "x.zip")
    assert reading.rows["viscosity"].tolist() == [2010.0, 1990.0]
    assert reading.understood[0].value == "'a/b.csv' in a ZIP archive"


def test_several_files_of_an_archive_are_asked_a_workbook_among_them() -> None:
    book = one_sheet([["batch", "product", "viscosity mPa.s"], ["C1", "P", 5]])
    content = archive({"a.csv": TEXT, "b.xlsx": book})
    (question,) = read_bytes(content, "x.zip").questions
    assert (question.field, question.choices) == ("member", ("a.csv", "b.xlsx"))
    reading = read_bytes(content, "x.zip", {"member": "b.xlsx"})
    assert reading.name == "x.zip: b.xlsx"
    assert reading.rows["viscosity"].tolist() == [5.0]
    assert reading.digest != read_bytes(content, "x.zip", {"member": "a.csv"}).digest
    with pytest.raises(IngestError, match=r"holds no file 'c'"):
        read_bytes(content, "x.zip", {"member": "c"})


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (gzip.compress(gzip.compress(TEXT, mtime=0), mtime=0), "an archive inside an archive"),
        (archive({"a.zip": archive({"b.csv": TEXT})}), "an archive inside an archive"),
        (archive({}), "without a file of readings"),
        (archive({"a.png": b"x"}), "without a file of readings"),
        (archive({"a.csv": TEXT})[:-10], "ZIP archive that is damaged"),
        (gzip.compress(bytes(257) + b"ustar" + bytes(300), mtime=0), "is a tar archive"),
        (b"7z\xbc\xaf\x27\x1c" + bytes(30), "7-Zip"),
        (b"\x28\xb5\x2f\xfd" + bytes(30), "Zstandard"),
        (b"<html><table><tr><td>viscosity</td></tr></table></html>", "web page or XML"),
        (b"\xef\xbb\xbf<?xml version='1.0'?><Workbook/>", "web page or XML"),
    ],
)
def test_what_is_not_unpacked_is_said(content: bytes, message: str) -> None:
    with pytest.raises(IngestError, match=message) as caught:
        read_bytes(content, "x")
    assert "\n" not in str(caught.value)


def test_two_files_of_one_name_in_an_archive_are_not_confused() -> None:
    content = archive({"a.csv": TEXT, "b.csv": TEXT}).replace(b"b.csv", b"a.csv")
    with pytest.raises(IngestError, match="two files of one name"):
        read_bytes(content, "x.zip")


@pytest.mark.skipif(sys.platform == "win32", reason="links and pipes are POSIX")
def test_a_folder_gives_its_files_in_order_and_tells_what_it_leaves(tmp_path: Path) -> None:
    for name in ("b.csv", "a.TXT", "sub/c.xlsx", "sub/.hidden.csv", "~$a.xlsx", "notes.docx"):
        file = tmp_path / "in" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(TEXT)
    (tmp_path / "in" / "empty").mkdir()
    secret = tmp_path / "secret.csv"
    secret.write_bytes(TEXT)
    (tmp_path / "in" / "link.csv").symlink_to(secret)
    (tmp_path / "in" / "sub" / "loop").symlink_to(tmp_path / "in")
    os.mkfifo(tmp_path / "in" / "pipe.csv")
    found = find_files([tmp_path / "in", tmp_path / "in" / "b.csv", secret])
    names = [file.relative_to(tmp_path).as_posix() for file in found.files]
    assert names == ["in/a.TXT", "in/b.csv", "in/sub/c.xlsx", "secret.csv"]
    assert found.others == 1
    assert [path.name for path, _ in found.refused] == ["link.csv", "pipe.csv", "loop"]
    for _, sentence in found.refused:
        assert sentence.endswith(".")
    with pytest.raises(IngestError, match="not a file but a device or a pipe"):
        read_file(tmp_path / "in" / "pipe.csv")
    (empty,) = find_files([tmp_path / "in" / "empty"]).refused
    assert "no file in it" in empty[1]

"""What is said of how a file was read, before anybody relies on it."""

import pytest

import ingest
from dashboard.how_read import how_it_was_read

ROW = "B1;P;2000;20;2026-03-01 10:00;S3"
HEAD = "batch;product;viscosity mPa.s;speed;timestamp;"


def said(head: str, row: str, answers: dict[str, str] | None = None) -> list[str]:
    reading = ingest.read_bytes(f"{head}\n{row}\n".encode(), "a.csv", answers or {})
    assert reading.questions == ()
    return how_it_was_read(reading.understood, "Name it.")


def test_a_column_of_spindles_that_is_not_known_is_named() -> None:
    assert said(HEAD + "Spdl", ROW) == [
        "Kept and not used: 'Spdl'. Name it.",
        "No spindle is recognised: readings of several of them would share one chart.",
        "Time zone: UTC (none is stated, so taken as written).",
    ]


@pytest.mark.parametrize(
    ("head", "answers"),
    [("spindle", {}), ("Spdl", {"column:Spdl": "spindle"}), ("Ort", {"spindle": "S3"})],
)
def test_nothing_is_missing_where_the_spindle_is_known(head, answers) -> None:
    assert not any("recognised" in line for line in said(HEAD + head, ROW, answers))


def test_a_time_zone_that_was_answered_is_told() -> None:
    lines = said(HEAD + "spindle", ROW, {"time_zone": "Europe/Berlin"})
    assert [line for line in lines if line.startswith("Time zone: Europe/Berlin")]


def test_neither_spindle_nor_speed() -> None:
    (line,) = said("batch;product;viscosity mPa.s", "B1;P;2000")
    assert line.startswith("No spindle and no speed is recognised")

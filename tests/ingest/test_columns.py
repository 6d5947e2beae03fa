"""Headings of exports, as they are met, against the canonical columns."""

import pytest

from ingest.columns import COLUMNS, match_heading


@pytest.mark.parametrize(
    ("heading", "column", "unit"),
    [
        ("viscosity", "viscosity", ""),
        ("Viskosität mPa·s", "viscosity", "mPa·s"),
        ("VISCOSITY (cP)", "viscosity", "cP"),
        ("viscosity_mPa.s", "viscosity", "mPa.s"),
        ("Viskositaet [Pa.s]", "viscosity", "Pa.s"),
        ("Viscosity (xyz)", "viscosity", "xyz"),
        ("Drehzahl 1/min", "speed", "1/min"),
        ("speed_rpm", "speed", "rpm"),
        ("SpeedRPM", "speed", "RPM"),
        ("RPM", "speed", "rpm"),
        ("U/min", "speed", ""),
        ("UpM", "speed", ""),
        ("min⁻¹", "speed", ""),
        ("Wdh.", "replicate", ""),
        ("torque_pct", "torque", "pct"),
        ("Drehmoment %", "torque", ""),
        ("Temp °C", "temperature", "°C"),
        ("temp_C", "temperature", "C"),
        ("Temperature (°F)", "temperature", "°F"),
        ("density_g_cm3", "density", "g_cm3"),
        ("Prüfer", "operator", ""),
        ("Pruefer", "operator", ""),
        ("Charge", "batch", ""),
        ("BATCH NO.", "batch", ""),
        ("Nr", "replicate", ""),
        ("\ufefftimestamp", "tested_at", ""),
        ("Probenahme", "sampled_at", ""),
        ("Rohstofflos", "lot", ""),
    ],
)
def test_a_heading_is_recognised_with_its_unit(heading: str, column: str, unit: str) -> None:
    match = match_heading(heading)
    assert match is not None
    assert (match.column.name, match.unit) == (column, unit)


@pytest.mark.parametrize(
    "heading", ["", "batch size", "temperature comment", "mixer", "viscosity raw", "speeding"]
)
def test_a_heading_that_only_begins_alike_is_not_taken(heading: str) -> None:
    assert match_heading(heading) is None


def test_no_heading_names_two_columns() -> None:
    seen: dict[str, str] = {}
    for column in COLUMNS:
        for heading in column.headings:
            assert seen.setdefault(heading, column.name) == column.name

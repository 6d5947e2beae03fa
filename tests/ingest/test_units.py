"""Unit texts and factors: mPa·s = cP, P = 0.1 Pa·s, St = 1e-4 m²/s (SI Brochure 9th ed., 2019)."""

import pytest

from ingest.units import linear_conversion, viscosity_unit


@pytest.mark.parametrize(
    ("text", "factor"),
    [
        ("mPa·s", 1.0),
        ("mPas", 1.0),
        ("mPa.s", 1.0),
        ("mPa*s", 1.0),
        ("mPa s", 1.0),
        ("cP", 1.0),
        ("cps", 1.0),
        ("cPs", 1.0),
        ("Pa.s", 1000.0),
        ("Pa·s", 1000.0),
        ("P", 100.0),
        ("poise", 100.0),
        ("dPa·s", 100.0),
        ("kcP", 1000.0),
        ("kcps", 1000.0),
    ],
)
def test_dynamic_units_convert_to_millipascal_seconds(text: str, factor: float) -> None:
    unit = viscosity_unit(text)
    assert unit.kind == "dynamic"
    assert unit.factor == factor


@pytest.mark.parametrize(("text", "factor"), [("cSt", 1.0), ("mm²/s", 1.0), ("St", 100.0)])
def test_kinematic_units_convert_with_the_density(text: str, factor: float) -> None:
    unit = viscosity_unit(text)
    assert unit.kind == "kinematic"
    assert unit.factor == factor


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("MPa·s", "unit_megapascal"),
        ("MPa.s", "unit_megapascal"),
        ("MPAS", "unit_megapascal"),
        ("KU", "unit_krebs"),
        ("s", "unit_flow_cup"),
        ("", "unit_missing"),
        ("  ", "unit_missing"),
        ("furlong", "unit_unknown"),
    ],
)
def test_what_has_no_conversion_is_named(text: str, kind: str) -> None:
    assert viscosity_unit(text).kind == kind


def test_fahrenheit_becomes_celsius() -> None:
    factor, offset = linear_conversion("temperature", "°F")
    assert 77 * factor + offset == pytest.approx(25.0, abs=1e-9)
    assert 32 * factor + offset == pytest.approx(0.0, abs=1e-9)

"""Units as labs write them, and their conversion by pint to mPa·s, °C, rpm, % and s.

Viscosity units that cannot be converted are named with the reason, never guessed.
"""

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

_DOTS = str.maketrans(dict.fromkeys("·⋅∙•*×‧", "."))


def _tidy(text: str) -> str:
    """A unit text with one kind of dot, superscripts made plain, and no blanks."""
    return re.sub(r"\s+", ".", unicodedata.normalize("NFKC", text.translate(_DOTS)).strip())


# Texts met on reports and exports -> the unit as pint writes it. Case matters for mPa and MPa.
_DYNAMIC = {
    "mPa.s": "millipascal * second",
    "mPas": "millipascal * second",
    "mPa-s": "millipascal * second",
    "mpa.s": "millipascal * second",
    "mpas": "millipascal * second",
    "cP": "centipoise",
    "cp": "centipoise",
    "CP": "centipoise",
    "cps": "centipoise",
    "cPs": "centipoise",
    "CPS": "centipoise",
    "cPoise": "centipoise",
    "centipoise": "centipoise",
    "Pa.s": "pascal * second",
    "Pas": "pascal * second",
    "pa.s": "pascal * second",
    "PA.S": "pascal * second",
    "P": "poise",
    "poise": "poise",
    "Poise": "poise",
    "dPa.s": "decipascal * second",
    "dPas": "decipascal * second",
    "kcP": "kilo_centipoise",
    "kcp": "kilo_centipoise",
    "kcps": "kilo_centipoise",
    "kcPs": "kilo_centipoise",
}
_KINEMATIC = {
    "cSt": "centistokes",
    "cst": "centistokes",
    "CST": "centistokes",
    "mm2/s": "millimeter ** 2 / second",
    "mm2.s-1": "millimeter ** 2 / second",
    "St": "stokes",
}
_KREBS = {"KU", "ku", "Krebs", "krebs"}
_SECONDS = {"s", "sec", "secs", "second", "seconds", "Sek", "sek", "Sekunden"}
_MEGAPASCAL = {"MPa.s", "MPas", "MPAS", "MPA.S", "MPa-s"}


@dataclass(frozen=True, slots=True)
class ViscosityUnit:
    """What a unit text means for a viscosity.

    Attributes:
        kind: "dynamic" (factor converts to mPa·s), "kinematic" (factor converts to mPa·s after
            multiplication by the density in g/cm³), or the reason why there is no conversion:
            "unit_missing", "unit_megapascal", "unit_krebs", "unit_flow_cup", "unit_unknown".
        factor: the multiplier, 0.0 where there is none.
    """

    kind: str
    factor: float = 0.0


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint  # takes a third of a second: only when a unit is really converted

    registry: Any = pint.UnitRegistry()
    registry.define("kilo_centipoise = 1000 * centipoise")
    return registry


@lru_cache(maxsize=256)
def viscosity_unit(text: str) -> ViscosityUnit:
    """What a unit text means for a viscosity (JOB: MPa·s is asked, KU and seconds are refused)."""
    tidy = _tidy(text)
    if not tidy:
        return ViscosityUnit("unit_missing")
    if tidy in _DYNAMIC:
        return ViscosityUnit("dynamic", _factor(_DYNAMIC[tidy], "millipascal * second"))
    if tidy in _KINEMATIC:
        one = _registry().Quantity(1.0, _KINEMATIC[tidy]) * _registry().Quantity(1.0, "g/cm**3")
        # rounded since the chain of conversions leaves 0.9999999999999999 for mm²/s
        factor = round(float(one.to("millipascal * second").magnitude), 12)
        return ViscosityUnit("kinematic", factor)
    if tidy in _KREBS:
        return ViscosityUnit("unit_krebs")
    if tidy in _SECONDS:
        return ViscosityUnit("unit_flow_cup")
    if tidy in _MEGAPASCAL:
        return ViscosityUnit("unit_megapascal")
    return ViscosityUnit("unit_unknown")


def is_viscosity_unit(text: str) -> bool:
    """Whether a text names a unit (usable or not) in which labs write viscosities."""
    return viscosity_unit(text).kind not in {"unit_unknown", "unit_missing"}


@lru_cache(maxsize=64)
def _factor(unit: str, target: str) -> float:
    if unit == target:
        return 1.0
    return round(float(_registry().Quantity(1.0, unit).to(target).magnitude), 12)


_SPEED = {"rpm", "1/min", "min-1", "/min", "u/min", "upm", "r/min", "min^-1", "1.min", "min.-1"}
_SPEED |= {"tr/min", "t/min", "tours/min", "r.p.m.", "r.p.m", "rev/min", "vueltas/min", "min−1"}
_TORQUE = {"%", "pct", "percent", "prozent", "%.fs", "%fs"}
_CELSIUS = {"c", "°c", "deg.c", "degc", "celsius", "°.c"}
_FAHRENHEIT = {"f", "°f", "deg.f", "degf", "fahrenheit", "°.f"}
_DENSITY = {"g/cm3": 1.0, "g_cm3": 1.0, "g/ml": 1.0, "kg/l": 1.0, "kg/m3": 1e-3, "g.cm-3": 1.0}
_TIME = {"s": 1.0, "sec": 1.0, "min": 60.0, "sek": 1.0}


def _lower(text: str) -> str:
    return _tidy(text).casefold()


QUANTITY_UNITS: dict[str, Callable[[str], bool]] = {
    "viscosity": is_viscosity_unit,
    "speed": lambda text: _lower(text) in _SPEED,
    "torque": lambda text: _lower(text) in _TORQUE,
    "temperature": lambda text: _lower(text) in _CELSIUS | _FAHRENHEIT,
    "density": lambda text: _lower(text) in _DENSITY,
    "time": lambda text: _lower(text) in _TIME,
}


def linear_conversion(quantity: str, unit: str) -> tuple[float, float]:
    """(factor, offset) that turn a number in `unit` into rpm, %, °C, g/cm³ or s."""
    text = _lower(unit)
    if quantity == "temperature" and text in _FAHRENHEIT:
        zero = float(_registry().Quantity(0.0, "degF").to("degC").magnitude)
        one = float(_registry().Quantity(1.0, "degF").to("degC").magnitude)
        return one - zero, zero
    if quantity == "temperature" and text == "0.1.°c":
        return 0.1, 0.0
    if quantity == "density":
        return _DENSITY.get(text, 1.0), 0.0
    if quantity == "time":
        return _TIME.get(text, 1.0), 0.0
    return 1.0, 0.0

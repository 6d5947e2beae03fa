"""The canonical columns of a viscosity reading, declared once, and the headings they go by.

A new heading or language is one more text in `headings` below; nothing else changes.
"""

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from ingest.units import QUANTITY_UNITS


@dataclass(frozen=True, slots=True)
class Column:
    """One canonical column: its name, kind, physical quantity and the headings it goes by."""

    name: str
    kind: str  # "text", "number", "integer" or "time"
    label: str
    headings: tuple[str, ...]
    quantity: str = ""  # key of QUANTITY_UNITS; "" where the column has no unit


COLUMNS: tuple[Column, ...] = (
    Column(
        "tested_at",
        "time",
        "time of the reading",
        (
            "timestamp",
            "tested at",
            "test date",
            "date tested",
            "test time",
            "measured at",
            "date time",
            "datetime",
            "date",
            "datum",
            "datum uhrzeit",
            "datum zeit",
            "zeitstempel",
            "messzeit",
            "messdatum",
            "pruefdatum",
            "pruefzeit",
            "zeitpunkt",
        ),
    ),
    Column(
        "time_of_day",
        "text",
        "time of day",
        ("time", "time of day", "uhrzeit", "zeit"),
    ),
    Column(
        "sampled_at",
        "time",
        "time of sampling",
        (
            "sampled at",
            "sample time",
            "sampling time",
            "sample date",
            "sampling date",
            "date sampled",
            "production time",
            "produced at",
            "probenahme",
            "probenahmezeit",
            "probenahmedatum",
            "entnahmezeit",
            "produktionszeit",
        ),
    ),
    Column(
        "batch",
        "text",
        "batch",
        (
            "batch",
            "batch no",
            "batch nr",
            "batch number",
            "batch id",
            "charge",
            "chargen nr",
            "charge nr",
            "charge no",
            "chargennummer",
            "chargennr",
            "ansatz",
        ),
    ),
    Column(
        "product",
        "text",
        "product",
        (
            "product",
            "product code",
            "product no",
            "product name",
            "material",
            "article",
            "produkt",
            "produktname",
            "artikel",
            "artikelnummer",
            "erzeugnis",
        ),
    ),
    Column(
        "instrument",
        "text",
        "instrument",
        (
            "instrument",
            "instrument id",
            "viscometer",
            "device",
            "equipment",
            "geraet",
            "messgeraet",
            "viskosimeter",
        ),
    ),
    Column(
        "spindle",
        "text",
        "spindle",
        ("spindle", "spindle no", "spindle code", "spindel", "spindelnr", "spindel nr"),
    ),
    Column("spindle_id", "text", "the individual spindle", ("spindle id", "spindel id")),
    Column(
        "speed",
        "number",
        "speed",
        (
            *("speed", "rotational speed", "rotation speed", "rpm", "r/min", "1/min", "min⁻¹"),
            *("drehzahl", "umdrehungen", "u/min", "upm"),
        ),
        "speed",
    ),
    Column(
        "torque",
        "number",
        "torque",
        ("torque", "drehmoment", "auslenkung", "moment"),
        "torque",
    ),
    Column(
        "temperature",
        "number",
        "sample temperature",
        (
            "temp",
            "temperature",
            "sample temp",
            "sample temperature",
            "temperatur",
            "probentemperatur",
            "messtemperatur",
        ),
        "temperature",
    ),
    Column(
        "set_temperature",
        "number",
        "set temperature",
        ("set temp", "set temperature", "solltemperatur", "temperature set point"),
        "temperature",
    ),
    Column(
        "viscosity",
        "number",
        "viscosity",
        (
            "viscosity",
            "visc",
            "dynamic viscosity",
            "apparent viscosity",
            "kinematic viscosity",
            "viscosity value",
            "viscosity result",
            "viscosity reading",
            "viskositaet",
            "dynamische viskositaet",
            "scheinbare viskositaet",
            "kinematische viskositaet",
            "visk",
            "eta",
            "η",
        ),
        "viscosity",
    ),
    Column("unit", "text", "unit of the viscosity", ("unit", "units", "einheit", "viscosity unit")),
    Column(
        "density",
        "number",
        "density",
        ("density", "dichte"),
        "density",
    ),
    Column(
        "replicate",
        "integer",
        "replicate",
        (
            "replicate",
            "replicate no",
            "replicate nr",
            "repeat",
            "rep",
            "duplicate",
            "nr",
            "no",
            "wiederholung",
            "wdh",
            "wdh nr",
            "messung",
            "messung nr",
            "parallele",
            "doppelbestimmung",
        ),
    ),
    Column(
        "operator",
        "text",
        "operator",
        ("operator", "analyst", "initials", "tested by", "pruefer", "bediener", "laborant"),
    ),
    Column(
        "lot",
        "text",
        "raw-material lot",
        (
            "lot",
            "rm lot",
            "raw material lot",
            "raw material",
            "rohstofflos",
            "rohstoff los",
            "rohstoffcharge",
            "rohstoff charge",
        ),
    ),
    Column("line_name", "text", "line", ("line", "production line", "linie", "anlage")),
    Column("shift", "text", "shift", ("shift", "schicht")),
    Column("stage", "text", "stage", ("stage", "sample stage", "stufe", "stadium")),
    Column(
        "sample_type",
        "text",
        "sample type",
        ("sample type", "type", "probenart", "probentyp", "art"),
    ),
    Column("status", "text", "status", ("status", "result status", "validity", "gueltigkeit")),
    Column(
        "comment",
        "text",
        "comment",
        ("comment", "comments", "remark", "remarks", "note", "notes", "bemerkung", "kommentar"),
    ),
    Column("method", "text", "method", ("method", "method version", "methode", "pruefmethode")),
    Column(
        "reading_time",
        "number",
        "reading time",
        ("reading time", "read time", "measuring time", "ablesezeit", "messdauer"),
        "time",
    ),
    Column("guard", "text", "guard", ("guard", "guard leg", "schutzbuegel")),
)

BY_NAME = {column.name: column for column in COLUMNS}

_SPELLED = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})


def plain(text: str) -> str:
    """A heading in lower case, umlauts spelled out, accents and punctuation gone."""
    lowered = unicodedata.normalize("NFKC", text).casefold().translate(_SPELLED)
    bare = "".join(
        c for c in unicodedata.normalize("NFKD", lowered) if not unicodedata.combining(c)
    )
    return " ".join(re.findall(r"[^\W_]+", bare))


_KNOWN = {
    spelling: column
    for column in COLUMNS
    for heading in column.headings
    for spelling in (plain(heading), plain(heading).replace(" ", ""))
}
_FIRST_WORDS = frozenset(plain(spelling)[:3] for spelling in _KNOWN)
_LONGEST_HEADING = 80
_BREAK = re.compile(r"(?<=[^\W_])(?=[\W_])|(?<=[a-zäöü])(?=[A-Z])")


@dataclass(frozen=True, slots=True)
class HeadingMatch:
    """What a heading was taken for, and the unit text that stood in it ("" where none)."""

    column: Column
    unit: str


@lru_cache(maxsize=4096)
def match_heading(heading: str) -> HeadingMatch | None:
    """The canonical column that a heading names, with the unit text in it, or None.

    A bracket behind the name of a viscosity is its unit, known or not; behind another quantity
    it must be a unit that we can convert.
    """
    text = heading.strip().strip("\ufeff")
    if len(text) > _LONGEST_HEADING:
        return None
    bare = plain(text)
    exact = _KNOWN.get(bare)
    if exact is not None:
        return HeadingMatch(exact, "rpm" if bare == "rpm" else "")
    if bare[:3] not in _FIRST_WORDS:
        return None
    for cut in sorted((m.start() for m in _BREAK.finditer(text)), reverse=True):
        column = _KNOWN.get(plain(text[:cut]))
        if column is None or not column.quantity:
            continue
        rest = text[cut:].strip(" _-,:;")
        bracketed = re.fullmatch(r"[(\[{](.*)[)\]}]", rest)
        unit = (bracketed.group(1) if bracketed else rest).strip()
        if QUANTITY_UNITS[column.quantity](unit) or (bracketed and column.name == "viscosity"):
            return HeadingMatch(column, unit)
    return None

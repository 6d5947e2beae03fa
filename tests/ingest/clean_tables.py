"""Clean tables of readings, and the many ways to write them to a text file, all by a seed."""

import datetime as dt
import random
from dataclasses import dataclass, field

HEADINGS = {
    "at": ("timestamp", "Datum", "tested at", "Prüfdatum"),
    "batch": ("batch", "Charge", "Batch No.", "Chargen-Nr."),
    "product": ("product", "Produkt", "Material", "Artikel"),
    "instrument": ("instrument", "Gerät", "Instrument ID"),
    "spindle": ("spindle", "Spindel", "Spindle No"),
    "speed": ("speed rpm", "Drehzahl [1/min]", "Speed (rpm)"),
    "torque": ("torque %", "Drehmoment [%]", "Torque (%)"),
    "temperature": ("temp °C", "Temperatur [°C]", "Temperature (°C)"),
    "viscosity": ("viscosity", "Viskosität", "Visc."),
    "replicate": ("replicate", "Wdh.", "Replicate No"),
    "operator": ("operator", "Prüfer", "Analyst"),
    "comment": ("comment", "Bemerkung", "Remarks"),
}
UNITS = {"mPa·s": 1.0, "mPas": 1.0, "cP": 1.0, "Pa·s": 1000.0, "P": 100.0}
COMMENTS = ("", "", "", "Rührer – neu", "ok", "Öl zugesetzt", "5 °C kälter")
LATIN_COMMENTS = ("", "", "Rührer neu", "ok", "Öl", "5 °C")


@dataclass(slots=True)
class Clean:
    """One reading as it is meant."""

    at: dt.datetime
    batch: str
    product: str
    instrument: str
    spindle: str
    speed: int
    torque: float
    temperature: float
    viscosity: float
    replicate: int
    operator: str
    comment: str


@dataclass(slots=True)
class Style:
    """How a table is written."""

    encoding: str = "utf-8"
    delimiter: str = ";"
    mark: str = "."
    dates: str = "%Y-%m-%d %H:%M"
    unit: str = "mPa·s"
    unit_in: str = "heading"  # or "column" or "cell"
    language: int = 0
    end: str = "\n"
    columns: list[str] = field(default_factory=list)


def clean_rows(rng: random.Random) -> list[Clean]:
    """Between 4 and 10 readings, two of each batch, with a torque that agrees."""
    level = rng.choice((40.0, 900.0, 2000.0, 2000.0, 15_000.0))
    factor = level / 40.0
    digits = rng.choice((0, 1, 2)) if level > 100 else rng.choice((1, 2))
    start = dt.datetime(2025, rng.randint(1, 6), rng.randint(1, 28), 6, 30)
    rows = []
    for index in range(rng.randint(2, 5)):
        for replicate in (1, 2):
            torque = round(rng.uniform(30, 55), 1)
            rows.append(
                Clean(
                    start + dt.timedelta(days=index * 5, minutes=12 * replicate),
                    f"B{index:03d}x",
                    "P-100" if index % 3 else "Lack Größe 2",
                    "V1",
                    "S3",
                    20,
                    torque,
                    round(rng.uniform(24.6, 25.4), 1),
                    round(torque * factor, digits),
                    replicate,
                    "AK",
                    rng.choice(COMMENTS),
                )
            )
    return rows


def number(value: float, style: Style) -> str:
    """A number as the style writes it."""
    text = f"{value:.12g}"
    return text.replace(".", style.mark)


def cells_of(row: Clean, style: Style) -> dict[str, str]:
    """A reading as the cells of a text file."""
    value = row.viscosity / UNITS[style.unit]
    shown = number(value, style)
    if style.unit_in == "cell":
        shown = f"{shown} {style.unit}"
    return {
        "at": row.at.strftime(style.dates),
        "batch": row.batch,
        "product": row.product,
        "instrument": row.instrument,
        "spindle": row.spindle,
        "speed": str(row.speed),
        "torque": number(row.torque, style),
        "temperature": number(row.temperature, style),
        "viscosity": shown,
        "unit": style.unit,
        "replicate": str(row.replicate),
        "operator": row.operator,
        "comment": row.comment,
    }


def heading(column: str, style: Style) -> str:
    """The heading of a column in the language of the style."""
    if column == "unit":
        return ("unit", "Einheit", "Unit")[style.language % 3]
    names = HEADINGS[column]
    text = names[style.language % len(names)]
    return (
        f"{text} [{style.unit}]" if column == "viscosity" and style.unit_in == "heading" else text
    )


def random_style(rng: random.Random) -> Style:
    """A way to write a table."""
    mark = rng.choice((".", ","))
    delimiter = rng.choice((";", "\t", "|") if mark == "," else (",", ";", "\t", "|"))
    columns = [*HEADINGS]
    style = Style(
        encoding=rng.choice(
            ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1")
        ),
        delimiter=delimiter,
        mark=mark,
        dates=rng.choice(
            (
                "%Y-%m-%d %H:%M",
                "%Y-%m-%dT%H:%M:%S",
                "%d.%m.%Y %H:%M",
                "%d/%m/%Y %H:%M",
                "%m/%d/%Y %I:%M %p",
                "%d %b %Y %H:%M",
                "%d.%m.%y %H:%M",
            )
        ),
        unit=rng.choice(tuple(UNITS)),
        unit_in=rng.choice(("heading", "heading", "column", "cell")),
        language=rng.randint(0, 3),
        end=rng.choice(("\n", "\r\n", "\r")),
        columns=columns,
    )
    if style.unit_in == "column":
        style.columns.insert(9, "unit")
    return style


def quoted(cell: str, style: Style) -> str:
    """A cell, quoted where it must be."""
    if any(mark in cell for mark in ('"', "\n", "\r", style.delimiter)):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def true_answers(style: Style) -> dict[str, str]:
    """What a person would answer, who knows how the file was written."""
    order = "mdy" if style.dates.startswith("%m") else "dmy"
    return {
        "decimal_mark": "point" if style.mark == "." else "comma",
        "date_order": order,
        "unit": style.unit,
        "temperature_unit": "C",
        "check_by_name": "product",
        "product": "P",
    }

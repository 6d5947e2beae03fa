"""The whole set-up as a file, TOML or Excel, and back: a file is a proposal, compared first."""

import io
import json
import tomllib
import zipfile
from datetime import date, datetime
from typing import Any
from xml.etree.ElementTree import ParseError

import pandas as pd

import ingest
from dashboard.setup_checks import clean
from dashboard.setup_rows import SetUp
from dashboard.setup_tables import BY_KEY, TABLES
from ingest.harmless import harmless

FORMAT = 1
LARGEST = 5_000_000  # bytes: a set-up is small, and a workbook is a packed file
_BROKEN = (ValueError, KeyError, TypeError, IndexError, OSError, EOFError, AttributeError)


def to_toml(setup: SetUp) -> str:
    """The set-up as TOML text: a table of lines each, values that are empty left out."""
    parts = ["# Set-up of viscosity-spc. Viscosities in mPa·s.", f"format = {FORMAT}", ""]
    for table in TABLES:
        for row in setup.get(table.key, ()):
            parts.append(f"[[{table.key}]]")
            for one in table.fields:
                value = row.get(one.key)
                if value is None or value == "" or (one.fixed and one.key not in table.identity):
                    continue
                parts.append(f"{one.key} = {_toml(value)}")
            parts.append("")
    return "\n".join(parts)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | float):
        return repr(value)
    # JSON text is TOML text but for the one control character that JSON lets through
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def to_excel(setup: SetUp) -> bytes:
    """The set-up as a workbook, a sheet a table; text like a formula is made harmless."""
    written = io.BytesIO()
    with pd.ExcelWriter(written, engine="openpyxl") as book:
        for table in TABLES:
            rows = [
                {one.heading: _cell(row.get(one.key)) for one in table.fields}
                for row in setup.get(table.key, ())
            ]
            frame = pd.DataFrame(rows, columns=[one.heading for one in table.fields])
            frame.to_excel(book, sheet_name=table.title, index=False)
    return written.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return harmless("".join(c for c in value if c >= " ")) if isinstance(value, str) else value


def read_setup_file(raw: bytes, name: str) -> tuple[SetUp, list[str]]:
    """A set-up file as tables; only the tables that it names are in it.

    Args:
        raw: its bytes. name: with its ending, .toml or .xlsx.

    Returns:
        the tables, and what is wrong with single values.

    Raises:
        IngestError: not such a file, too large, or nothing of a set-up in it.
    """
    if len(raw) > LARGEST:
        raise ingest.IngestError(f"{name} is larger than 5 MB: that is no set-up.")
    ending = name.rsplit(".", 1)[-1].casefold()
    if ending == "toml":
        given = _from_toml(raw, name)
    elif ending == "xlsx":
        given = _from_excel(raw, name)
    else:
        raise ingest.IngestError(f"{name} is neither a .toml nor an .xlsx file.")
    if not given:
        raise ingest.IngestError(
            f"{name} names no table of a set-up: {', '.join(t.key for t in TABLES)}."
        )
    found: SetUp = {}
    faults: list[str] = []
    for key, rows in given.items():
        found[key], wrong = clean(BY_KEY[key], rows)
        faults += wrong
    return found, faults


def _from_toml(raw: bytes, name: str) -> dict[str, list[dict[str, Any]]]:
    try:
        held = tomllib.loads(raw.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise ingest.IngestError(
            f"{name} is not a TOML file ({error}): export one and compare."
        ) from None
    if held.get("format", FORMAT) != FORMAT:
        raise ingest.IngestError(f"{name} is of a format that this version does not know.")
    found: dict[str, list[dict[str, Any]]] = {}
    for key, rows in held.items():
        if key == "format":
            continue
        if key not in BY_KEY:
            raise ingest.IngestError(
                f"{name}: [[{key}]] is no table of a set-up; there are "
                f"{', '.join(t.key for t in TABLES)}."
            )
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise ingest.IngestError(f"{name}: {key} must be a table of lines, [[{key}]].")
        known = {one.key for one in BY_KEY[key].fields}
        strange = sorted({column for row in rows for column in row} - known)
        if strange:
            raise ingest.IngestError(
                f"{name}: [[{key}]] has no column {strange[0]}; it has {', '.join(sorted(known))}."
            )
        found[key] = rows
    return found


def _from_excel(raw: bytes, name: str) -> dict[str, list[dict[str, Any]]]:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            if sum(one.file_size for one in packed.infolist()) > 20 * LARGEST:
                raise ingest.IngestError(f"{name} unpacks to far more than a set-up holds.")
        sheets = pd.read_excel(
            io.BytesIO(raw), sheet_name=None, dtype=object, engine="openpyxl", na_filter=False
        )
    except ingest.IngestError:
        raise
    except (zipfile.BadZipFile, ParseError, *_BROKEN):
        raise ingest.IngestError(f"{name} is not a workbook that can be read.") from None
    by_title = {table.title.casefold(): table for table in TABLES}
    found: dict[str, list[dict[str, Any]]] = {}
    for title, frame in sheets.items():
        table = by_title.get(str(title).strip().casefold())
        if table is None:
            continue
        by_heading = {one.heading: one.key for one in table.fields}
        missing = [
            table.field(key).heading
            for key in table.identity
            if table.field(key).heading not in frame.columns
        ]
        if missing:
            raise ingest.IngestError(f"{name}, sheet {table.title}: no column “{missing[0]}”.")
        found[table.key] = [
            {by_heading[h]: _read(value) for h, value in row.items() if h in by_heading}
            for row in frame.to_dict("records")
        ]
    return found


def _read(value: Any) -> Any:
    """A cell; the apostrophe that makes text harmless is taken away again."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, str) and value[:1] == "'" and harmless(value[1:]) == value:
        return value[1:]
    return None if value == "" else value

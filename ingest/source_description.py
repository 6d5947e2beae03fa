"""Databases as sources, described in a TOML file without passwords.

[sources.lims]
url = "postgresql://spc_reader@db.example/lims"
password = { environment = "LIMS_PASSWORD" }   # or { keyring = "lims" }
table = "qc.results"                           # or query = "SELECT …"
time_zone = "Europe/Berlin"                    # of times that do not carry their own
key = ["result_id"]                            # what tells its rows apart, for ever
watermark = "changed_at"                       # what only grows
overlap = "7 days"                             # how far behind it rows still come in

[sources.lims.columns]                         # ours = theirs
tested_at = "measured_at"
batch = "charge_no"
viscosity = "eta"

[sources.lims.units]
viscosity = "mPa.s"

[sources.lims.constants]                       # what the table does not say
product = "P-100"
"""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ingest.answers import check_answers
from ingest.columns import BY_NAME
from ingest.errors import IngestError
from ingest.opening import shown_url
from ingest.passwords import where_kept
from ingest.source_query import check_query
from ingest.toml_values import load_toml, place_of, refuse_unknown, section
from ingest.units import QUANTITY_UNITS, viscosity_unit

SOURCES_FILE = "sources.toml"
_VARIABLE = "VISCOSITY_SPC_SOURCES"
_KEYS = {
    *("url", "password", "table", "query", "columns", "units", "constants", "keep", "time_zone"),
    *("decimal_mark", "date_order", "key", "watermark", "overlap", "compare_counts"),
}
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,59}")
_SECRET = re.compile(r"pass(wor)?d?$|pwd|secret|token", re.IGNORECASE)  # a passfile is none
_SPAN = re.compile(r"(\d{1,6})\s*(second|minute|hour|day|week)s?")
_TIMES = ("tested_at", "sampled_at")


@dataclass(frozen=True, slots=True)
class SourceDescription:
    """One source as its file describes it.

    Attributes:
        name: what it is called. url: its address, without a password; shown: for people.
        password_variable, password_keyring: where the password is, "" if none is needed.
        schema, table: what is pulled whole; "" where `query` says it.
        query: a SELECT. columns: our name of a column -> theirs.
        units: our name of a column -> unit of its numbers. constants: what holds for every row.
        keep: further columns to be kept beside each reading.
        time_zone: of times without an offset. decimal_mark, date_order: of numbers and dates that
            are held as text; date_order "" where every such date begins with its year.
        key: columns that tell rows apart. watermark: a column that only grows, "" for none.
        overlap: how far behind the watermark rows are looked at again, a time or a number.
        compare_counts: whether each pull also counts the rows of the source.
        folder: where the file lies, for paths relative to it.
    """

    name: str
    url: sa.URL
    shown: str
    password_variable: str
    password_keyring: str
    schema: str
    table: str
    query: str
    columns: dict[str, str]
    units: dict[str, str]
    constants: dict[str, str]
    keep: tuple[str, ...]
    time_zone: str
    decimal_mark: str
    date_order: str
    key: tuple[str, ...]
    watermark: str
    overlap: timedelta | float
    compare_counts: bool
    folder: Path = field(repr=False)

    @property
    def named(self) -> tuple[str, ...]:
        """Every column of the source that the description names, each once."""
        watermark = (self.watermark,) if self.watermark else ()
        every = (*self.columns.values(), *self.key, *watermark, *self.keep)
        return tuple(dict.fromkeys(every))

    @property
    def answers(self) -> dict[str, str]:
        """What a person would answer about a file of these rows."""
        given = {"time_zone": self.time_zone, "decimal_mark": self.decimal_mark, **self.constants}
        return {**given, "date_order": self.date_order} if self.date_order else given


def sources_file(
    store_url: str | None = None, config: str | os.PathLike[str] | None = None
) -> Path:
    """Where the sources are described: a named file, else beside the store, else the user's own.

    Args:
        store_url: the store, if it is a SQLite file. config: a file that somebody named.
    """
    return place_of(SOURCES_FILE, _VARIABLE, store_url, config)


def load_sources(file: str | os.PathLike[str]) -> dict[str, SourceDescription]:
    """Every source that a file describes, by name; none where there is no such file.

    Raises:
        IngestError: the file cannot be read, or says something that has no sense.
    """
    path = Path(file)
    try:
        content = load_toml(path)
    except FileNotFoundError:
        return {}
    unknown = sorted(content.keys() - {"sources"})
    if unknown:
        raise IngestError(
            f"{path} has '{unknown[0]}' where only [sources.NAME] may stand: write "
            f"[sources.{unknown[0]}] if that is the name of a source."
        )
    tables = section(content.get("sources", {}), f"{path}: sources")
    return {
        name: _description(name, section(one, f"{path}, source {name}"), path)
        for name, one in tables.items()
    }


def find_source(file: str | os.PathLike[str], name: str) -> SourceDescription:
    """The source of a name.

    Raises:
        IngestError: the file describes no such source.
    """
    known = load_sources(file)
    if name not in known:
        told = f"it describes {', '.join(sorted(known))}" if known else "it describes none"
        if not Path(file).is_file():
            told = "there is no such file"
        raise IngestError(
            f"No source {name} is described in {file} ({told}): write a section [sources.{name}] "
            "there, or name another file with --config."
        )
    return known[name]


def _description(name: str, given: Mapping[str, Any], path: Path) -> SourceDescription:
    where = f"{path}, source {name}"
    if not _NAME.fullmatch(name):
        raise IngestError(f"{where}: name it with letters, digits, blanks, dots and dashes only.")
    refuse_unknown(given, _KEYS, where)
    url = _url(given, where)
    password = where_kept(given.get("password"), where)
    if ("table" in given) == ("query" in given):
        raise IngestError(f"{where}: give either a table or a query.")
    query = _text(given, "query", where).strip().removesuffix(";").rstrip()
    if query:
        check_query(query, url.get_backend_name(), where)
    schema, table = _table_name(_text(given, "table", where), where)
    columns = _columns(given, where)
    constants = _constants(given, columns, where)
    key = _names(given, "key", where)
    if not key:
        raise IngestError(f"{where}: key is missing: name the columns that tell its rows apart.")
    watermark = _text(given, "watermark", where)
    compare = given.get("compare_counts", True)
    if not isinstance(compare, bool):
        raise IngestError(f"{where}: compare_counts is true or false.")
    if "time_zone" not in given:
        raise IngestError(
            f"{where}: time_zone is missing: name the one of times without an offset, such as "
            "Europe/Berlin or UTC."
        )
    settings = {
        name: _text(given, name, where)
        for name in ("time_zone", "decimal_mark", "date_order")
        if name in given
    }
    try:
        settings = check_answers(settings)
    except IngestError as error:
        raise IngestError(f"{where}: {error}") from None
    return SourceDescription(
        name=name,
        url=url,
        shown=shown_url(url),
        password_variable=password.environment,
        password_keyring=password.keyring,
        schema=schema,
        table=table,
        query=query,
        columns=columns,
        units=_units(given, columns, constants, where),
        constants=constants,
        keep=_names(given, "keep", where),
        time_zone=settings["time_zone"],
        decimal_mark=settings.get("decimal_mark", "point"),
        date_order=settings.get("date_order", ""),
        key=key,
        watermark=watermark,
        overlap=_overlap(given, watermark, where),
        compare_counts=compare,
        folder=path.absolute().parent,
    )


def _text(given: Mapping[str, Any], name: str, where: str) -> str:
    value = given.get(name, "")
    if not isinstance(value, str) or (name in given and not value.strip()):
        raise IngestError(f"{where}: {name} is to be a text in quotation marks.")
    if "\0" in value:
        raise IngestError(f"{where}: {name} holds a NUL character: take it out.")
    return value.strip()


def _names(given: Mapping[str, Any], name: str, where: str) -> tuple[str, ...]:
    """One name, or a list of names, each once."""
    value = given.get(name, [])
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not all(_is_name(one) for one in names):
        raise IngestError(f'{where}: {name} is to be a list of column names, such as ["id"].')
    return tuple(dict.fromkeys(names))


def _is_name(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 128 and value.isprintable()


def _url(given: Mapping[str, Any], where: str) -> sa.URL:
    text = _text(given, "url", where)
    if not text:
        raise IngestError(f"{where}: url is missing: give the address of the database.")
    try:
        parsed = sa.make_url(text)
    except (sa.exc.ArgumentError, ValueError):
        raise IngestError(
            f"{where}: url is not the address of a database: write it as "
            "postgresql://USER@HOST/DATABASE, mariadb://USER@HOST/DATABASE or sqlite:///FILE."
        ) from None
    if parsed.password is not None or any(_SECRET.search(key) for key in parsed.query):
        raise IngestError(
            f"{where}: a password stands in the url. Take it out, and name where it is kept with "
            'password = { environment = "VARIABLE" } or password = { keyring = "NAME" }.'
        )
    plain = parsed.drivername
    drivers = {"postgresql": "postgresql+psycopg", "postgres": "postgresql+psycopg"}
    drivers |= {"mariadb": "mariadb+pymysql", "mysql": "mysql+pymysql"}
    return parsed.set(drivername=drivers.get(plain, plain))


def _table_name(text: str, where: str) -> tuple[str, str]:
    schema, _, table = text.rpartition(".")
    if text and (not _is_name(table) or (schema and not _is_name(schema))):
        raise IngestError(f"{where}: table is to be TABLE or SCHEMA.TABLE.")
    return schema, table


def _columns(given: Mapping[str, Any], where: str) -> dict[str, str]:
    columns = dict(section(given.get("columns", {}), f"{where}, columns"))
    for ours, theirs in columns.items():
        if ours not in BY_NAME:
            raise IngestError(
                f"{where}: columns has '{ours}', which is no column of ours: write our name first "
                f"and theirs behind it; ours are {', '.join(BY_NAME)}."
            )
        if not _is_name(theirs):
            raise IngestError(f"{where}: columns.{ours} is to be the name of one column.")
    for needed in ("batch", "viscosity"):
        if needed not in columns:
            raise IngestError(f"{where}: columns says nothing about the {needed}: name its column.")
    if not any(name in columns for name in _TIMES):
        raise IngestError(
            f"{where}: columns says nothing about the time: name the column of tested_at or of "
            "sampled_at."
        )
    twice = {theirs for theirs in columns.values() if list(columns.values()).count(theirs) > 1}
    if twice:
        raise IngestError(
            f"{where}: columns uses '{min(twice)}' twice: it can mean one thing only."
        )
    return columns


def _constants(given: Mapping[str, Any], columns: Mapping[str, str], where: str) -> dict[str, str]:
    table = section(given.get("constants", {}), f"{where}, constants")
    for name, value in table.items():
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise IngestError(f"{where}: constants.{name} is to be a text or a number.")
        if name in ("time_zone", "date_order", "decimal_mark", "viscosity_column", "unit"):
            told = "units.viscosity" if name == "unit" else "a line of its own, above constants"
            raise IngestError(f"{where}: constants.{name} does not belong there: use {told}.")
    try:
        constants = check_answers({name: str(value) for name, value in table.items()})
    except IngestError as error:
        raise IngestError(f"{where}, constants: {error}") from None
    if "product" not in columns and not constants.get("product"):
        raise IngestError(
            f"{where}: nothing says which product it is: name its column, or a product under "
            "constants."
        )
    return constants


def _units(
    given: Mapping[str, Any],
    columns: Mapping[str, str],
    constants: Mapping[str, str],
    where: str,
) -> dict[str, str]:
    units = dict(section(given.get("units", {}), f"{where}, units"))
    for name, unit in units.items():
        if name not in columns or not BY_NAME[name].quantity or not isinstance(unit, str):
            raise IngestError(
                f"{where}: units.{name} is to be the unit of a column of numbers, named by columns."
            )
        known = QUANTITY_UNITS[BY_NAME[name].quantity](unit)
        if name == "viscosity":
            known = viscosity_unit(unit).kind in ("dynamic", "kinematic")
        if not known:
            raise IngestError(f"{where}: units.{name} = '{unit}' is no unit that can be converted.")
    if "viscosity" not in units and "unit" not in columns:
        raise IngestError(
            f"{where}: nothing says the unit of the viscosity: name it under units, or the column "
            "that holds it as unit under columns."
        )
    kinematic = "viscosity" in units and viscosity_unit(units["viscosity"]).kind == "kinematic"
    if kinematic and "density" not in columns and "density" not in constants:
        raise IngestError(f"{where}: a kinematic viscosity needs a density: name its column.")
    return units


def _overlap(given: Mapping[str, Any], watermark: str, where: str) -> timedelta | float:
    value = given.get("overlap")
    if value is None:
        return timedelta(0)
    if not watermark:
        raise IngestError(f"{where}: overlap has no sense without a watermark: name one.")
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 1e15:
        return float(value)
    match = _SPAN.fullmatch(value.strip().lower()) if isinstance(value, str) else None
    if match is None:
        raise IngestError(
            f'{where}: overlap is to be a time such as "7 days" or "12 hours", or a number where '
            "the watermark counts."
        )
    return timedelta(**{f"{match[2]}s": int(match[1])})

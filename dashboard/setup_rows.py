"""Lines of the set-up: values in the kinds of their columns, and how each table is kept."""

import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

import ingest
from dashboard import text
from dashboard.verdicts import DECISION_RULE
from ingest import registers
from ingest import specifications as dated

Row = dict[str, Any]
SetUp = dict[str, tuple[Row, ...]]

LONGEST = 2000
_YES = {"yes", "true", "1", "x", "ja", "wahr"}
_NO = {"", "no", "false", "0", "nein", "falsch"}


def shown(value: Any) -> str:
    """A value in words; "" where there is none."""
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, date):
        return text.date(value)  # type: ignore[arg-type]  # it needs day, month and year only
    if isinstance(value, float):
        return text.plain(value)
    return str(value)


def listed(joined: str) -> list[str]:
    """Names with ; between them."""
    return [" ".join(name.split()) for name in (joined or "").split(";") if name.strip()]


def day(written: Any) -> date | None:
    """A day as ISO text; None for anything else."""
    try:
        return date.fromisoformat(str(written)[:10]) if written else None
    except ValueError:
        return None


def typed(value: Any, kind: str) -> tuple[Any, str]:
    """A value in the kind of its column, and what is wrong with it; "" if nothing is."""
    if value is None or value != value:  # nan and NaT: nothing
        value = None
    if kind == "text":
        words = "" if value is None else " ".join(_plain(value).replace("\0", " ").split())
        return words[:LONGEST], "" if len(words) <= LONGEST else "is too long"
    if kind == "yes":
        word = "" if value is None else str(value).strip().casefold()
        return word in _YES, "" if word in _YES | _NO else f"is neither yes nor no: {value}"
    if value is None or (isinstance(value, str) and not value.strip()):
        return None, ""
    if kind == "date":
        return _date(value)
    return _number(value, whole=kind == "whole")


def _plain(value: Any) -> str:
    """Text; a whole number that a spreadsheet gave as 12.0 is 12."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def _date(value: Any) -> tuple[date | None, str]:
    if isinstance(value, datetime):
        return value.date(), ""
    if isinstance(value, date):
        return value, ""
    try:
        return date.fromisoformat(str(value).strip()[:10]), ""
    except ValueError:
        return None, f"'{str(value)[:40]}' is not a date like 2026-05-01"


def _number(value: Any, whole: bool) -> tuple[float | int | None, str]:
    if isinstance(value, bool):
        return None, "is not a number"
    try:
        number = float(value.strip().replace(",", ".") if isinstance(value, str) else value)
    except (ValueError, TypeError):
        return None, f"'{str(value)[:40]}' is not a number"
    if not math.isfinite(number) or abs(number) > 1e12:
        return None, f"{value} is not a number that is meant"
    if not whole:
        return number, ""
    return (int(number), "") if number == int(number) else (None, f"{value} is not a whole number")


def product(row: Row) -> registers.Product:
    """A product as the register keeps it.

    Raises:
        IngestError: as the register refuses it.
    """
    return registers.checked_product(row["name"], row["description"], listed(row["aliases"]))


def method(row: Row) -> registers.Method:
    """A method as the register keeps it; IngestError as the register refuses it."""
    return registers.checked_method(registers.Method(**row))


def fluid(row: Row) -> registers.CheckFluid:
    """A check standard as the register keeps it; IngestError as the register refuses it."""
    return registers.checked_check_standard(registers.CheckFluid(**row))


def check_specification(row: Row) -> ingest.Specification:
    """A specification looked at for sense; IngestError where it has none."""
    return dated.checked_specification(
        row["product"], row["lower"], row["upper"], row["target"], row["valid_from"], "mPa.s",
        [], "",
    )  # fmt: skip


def specifications(
    held: Sequence[ingest.Specification], settings: Mapping[str, Any]
) -> tuple[Row, ...]:
    """The lines in force: of those that begin on one day the last recorded one.

    A line without any limit was taken back and is not shown.
    """
    rules = settings.get(DECISION_RULE) or {}
    standing = {(one.product, one.valid_from): one for one in held}
    rows: list[Row] = [
        {
            "product": name,
            "valid_from": start,
            "lower": one.lower,
            "target": one.target,
            "upper": one.upper,
            "decision_rule": str(
                (rules.get(name) or {}).get(start.isoformat() if start else "", "")
            ),
        }
        for (name, start), one in standing.items()
        if one.lower is not None or one.upper is not None
    ]
    return tuple(sorted(rows, key=lambda row: (row["product"], row["valid_from"] or date.min)))


def decision_rules(rows: Sequence[Row]) -> dict[str, dict[str, str]]:
    """Product to first day ("" from the beginning) to the words beside its specification."""
    found: dict[str, dict[str, str]] = {}
    for row in rows:
        if row["decision_rule"]:
            start = row["valid_from"].isoformat() if row["valid_from"] else ""
            found.setdefault(row["product"], {})[start] = row["decision_rule"]
    return found


def instruments(settings: Mapping[str, Any]) -> tuple[Row, ...]:
    """Tolerances and calibration dates, a line an instrument."""
    tolerances = settings.get("instrument_tolerance") or {}
    calibrations = settings.get("calibration") or {}
    rows: list[Row] = []
    for name in sorted({*tolerances, *calibrations}):
        held = tolerances.get(name) or {}
        rows.append(
            {
                "instrument": name,
                "percent_of_full_scale": held.get("percent_of_full_scale"),
                "viscosity": held.get("viscosity"),
                "calibration_due": day(calibrations.get(name)),
            }
        )
    return tuple(rows)


def instrument_settings(rows: Sequence[Row]) -> dict[str, Any]:
    """The two settings that lines of instruments stand for."""
    tolerances = {
        row["instrument"]: {
            key: row[key] for key in ("percent_of_full_scale", "viscosity") if row[key] is not None
        }
        for row in rows
        if row["percent_of_full_scale"] is not None or row["viscosity"] is not None
    }
    dates = {
        row["instrument"]: row["calibration_due"].isoformat()
        for row in rows
        if row["calibration_due"] is not None
    }
    return {"instrument_tolerance": tolerances or None, "calibration": dates or None}


def save_row(
    store: Any, table: str, old: Row | None, new: Row | None, by: str | None, why: str
) -> None:
    """Write one line of a register, with its journal entry.

    Raises:
        IngestError: as the register refuses it.
    """
    if table == "products":
        after = None if new is None else product(new)
        if old is not None:
            ingest.change_product(store, old["name"], after, by=by, why=why)
        elif after is not None:
            ingest.add_product(store, after.name, after.description, after.aliases, by=by, why=why)
    elif table == "methods":
        one = None if new is None else method(new)
        if old is not None:
            ingest.change_method(store, old["name"], old["version"], one, by=by, why=why)
        elif one is not None:
            ingest.add_method(store, one, by=by, why=why)
    elif table == "check_standards":
        lot = None if new is None else fluid(new)
        if old is not None:
            ingest.change_check_standard(store, old["name"], old["lot"], lot, by=by, why=why)
        elif lot is not None:
            ingest.add_check_standard(store, lot, by=by, why=why)
    elif table == "specifications":
        _save_specification(store, old, new, by, why)


def _save_specification(
    store: Any, old: Row | None, new: Row | None, by: str | None, why: str
) -> None:
    row = new if new is not None else (old or {})
    name, start = row["product"], row["valid_from"]
    held = store.specifications(name)
    # neither limit takes the line back: what held before it goes on holding
    limits = (None, None, None) if new is None else (new["lower"], new["upper"], new["target"])
    newest = [one for one in held if one.valid_from == start]
    if not newest:
        store.add_specification(name, *limits, valid_from=start, by=by, why=why)
    elif (newest[-1].lower, newest[-1].upper, newest[-1].target) != limits:
        store.replace_specification(name, start, *limits, by=by, why=why)

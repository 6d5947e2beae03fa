"""What stands against saving a table of the set-up: a plain sentence for each fault."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import ingest
from dashboard import setup_rows
from dashboard.setup_rows import Row, SetUp
from dashboard.setup_tables import EVERY, MOVING_AVERAGE, NUMBERS, RULES, STEPS, Table


def clean(table: Table, given: Iterable[Mapping[str, Any]]) -> tuple[tuple[Row, ...], list[str]]:
    """Lines as a person or a file gave them, in the kinds of their columns; and what is wrong.

    Lines with nothing in them are left out. A table that does not grow keeps its own lines: those
    that are not named keep nothing of their own.
    """
    rows: list[Row] = []
    faults: list[str] = []
    for number, raw in enumerate(given, 1):
        row: Row = {}
        for one in table.fields:
            value, wrong = setup_rows.typed(raw.get(one.key), one.kind)
            row[one.key] = value
            if wrong:
                faults.append(f"{table.title}, line {number}: {one.label} {wrong}.")
        if any(setup_rows.shown(value) for value in row.values()):
            rows.append(row)
    return tuple(rows), faults


def faults_of(table: Table, rows: Sequence[Row]) -> list[str]:
    """What stands against saving these lines, a plain sentence each; none if nothing does."""
    found: list[str] = []
    seen: set[tuple[Any, ...]] = set()
    for row in rows:
        name = table.named(row)
        missing = [one for one in table.fields if one.needed and not setup_rows.shown(row[one.key])]
        found += [f"{table.title}: {name} needs {_article(one.label)}." for one in missing]
        identity = tuple(row[key] for key in table.identity)
        if identity in seen:
            found.append(f"{table.title}: {name} stands there twice.")
        seen.add(identity)
        if not missing:
            found += [f"{table.title}: {said}" for said in _CHECKS[table.key](row)]
    if table.key == "products":
        found += _names_taken_twice(rows)
    return list(dict.fromkeys(found))


def _article(label: str) -> str:
    return f"an entry under “{label}”"


def _names_taken_twice(rows: Sequence[Row]) -> list[str]:
    owner: dict[str, str] = {}
    return [
        f"Products: {name} is a name of {owner[name]} and of {row['name']}."
        for row in rows
        for name in (row["name"], *setup_rows.listed(row["aliases"]))
        if owner.setdefault(name, row["name"]) != row["name"]
    ]


def _by_ingest(make: Callable[[Row], object]) -> Callable[[Row], list[str]]:
    """A check that the store itself would make, asked beforehand."""

    def check(row: Row) -> list[str]:
        try:
            make(row)
        except ingest.IngestError as error:
            return [str(error)]
        return []

    return check


def _check_uncertainty(row: Row) -> list[str]:
    if 0 < row["standard_percent"] < 100:
        return []
    return [f"{row['product']}: a standard uncertainty lies above 0 and below 100 %."]


def _check_instrument(row: Row) -> list[str]:
    name, percent, fixed = row["instrument"], row["percent_of_full_scale"], row["viscosity"]
    said = []
    if percent is not None and fixed is not None:
        said.append(f"{name}: give an accuracy or a fixed tolerance, not both.")
    if percent is not None and not 0 < percent <= 20:
        said.append(f"{name}: an accuracy lies above 0 and at most at 20 % of full scale.")
    if fixed is not None and not fixed > 0:
        said.append(f"{name}: a tolerance must be above 0 mPa·s.")
    if name == EVERY and row["calibration_due"] is not None:
        said.append("A calibration date belongs to one instrument, not to *.")
    if percent is None and fixed is None and row["calibration_due"] is None:
        said.append(f"{name}: nothing is entered for it.")
    return said


def _check_number(row: Row) -> list[str]:
    value = row["value"]
    return [] if value is None or value > 0 else [f"{row['what']}: must be above 0."]


_CHECKS: dict[str, Callable[[Row], list[str]]] = {
    "products": _by_ingest(setup_rows.product),
    "methods": _by_ingest(setup_rows.method),
    "specifications": _by_ingest(setup_rows.check_specification),
    "uncertainties": _check_uncertainty,
    "check_standards": _by_ingest(setup_rows.fluid),
    "instruments": _check_instrument,
    "rules": lambda row: [] if row["rule"] in (*RULES, MOVING_AVERAGE) else ["no such rule."],
    "reaction_plan": lambda row: [] if row["when"] in STEPS else ["no such case in the plan."],
    "numbers": lambda row: (
        _check_number(row) if row["what"] in NUMBERS else [f"{row['what']}: nothing of that name."]
    ),
}


_KNOWN_BY = {
    "specifications": ("product", "product"),
    "uncertainties": ("product", "product"),
    "check_standards": ("name", "check standard"),
    "instruments": ("instrument", "instrument"),
}


def remarks_on(table: Table, rows: Sequence[Row], known: Mapping[str, set[str]]) -> list[str]:
    """Names that no reading has yet: no fault, but often a slip of the keyboard.

    Args:
        table: which. rows: its lines. known: "product", "check standard" and "instrument" to the
            names in the readings.
    """
    if table.key not in _KNOWN_BY:
        return []
    column, what = _KNOWN_BY[table.key]
    strange = sorted({row[column] for row in rows} - known.get(what, set()) - {EVERY, ""})
    return [
        f"No reading names the {what} {name} yet: is it written as in the readings?"
        for name in strange
    ]


def faults_in(setup: SetUp, tables: Mapping[str, Table]) -> list[str]:
    """What stands against saving several tables."""
    return [said for key, rows in setup.items() for said in faults_of(tables[key], rows)]

"""What a site decides for itself, as tables: read from the store, compared, saved.

The tables are declared in `setup_tables`, checked by `setup_checks`. A change is saved by what the
store has for it, each with its journal entry; nothing is overwritten without the old value on
record.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import ingest
from dashboard import setup_rows, text
from dashboard.reaction import PLAN
from dashboard.rule_sets import own_key_of
from dashboard.setup_rows import Row, SetUp
from dashboard.setup_tables import (
    BY_KEY,
    MOVING,
    MOVING_AVERAGE,
    NUMBERS,
    RULES,
    STEPS,
    TABLES,
    Table,
)
from dashboard.verdicts import DECISION_RULE


@dataclass(frozen=True, slots=True)
class Change:
    """One line that differs: added where `old` is None, taken away where `new` is."""

    table: str
    old: Row | None
    new: Row | None

    @property
    def row(self) -> Row:
        """The line, as it is to be or as it was."""
        return self.new if self.new is not None else (self.old or {})

    @property
    def sentence(self) -> str:
        """What changes, in words."""
        table = BY_KEY[self.table]
        name = table.named(self.row)
        if self.old is None:
            said = _spelled(table, self.row)
            return f"{table.title}: {name} is added" + (f" ({said})." if said else ".")
        if self.new is None:
            return f"{table.title}: {name} is taken away ({_spelled(table, self.row)})."
        parts = [
            f"{one.heading} {_or_empty(self.old.get(one.key))} → {_or_empty(self.new.get(one.key))}"
            for one in table.fields
            if self.old.get(one.key) != self.new.get(one.key)
        ]
        return f"{table.title}: {name}: {'; '.join(parts)}."


def _or_empty(value: Any) -> str:
    return setup_rows.shown(value) or "empty"


def _spelled(table: Table, row: Row) -> str:
    return "; ".join(
        f"{one.heading} {setup_rows.shown(row[one.key])}"
        for one in table.fields
        if one.key not in table.identity and setup_rows.shown(row.get(one.key))
    )


def read_setup(store: Any) -> SetUp:
    """The whole set-up as it stands in the store, every table with its lines."""
    settings = ingest.settings(store)
    return {
        "products": tuple(
            {"name": one.name, "description": one.description, "aliases": "; ".join(one.aliases)}
            for one in ingest.products(store)
        ),
        "methods": tuple(
            {one.key: getattr(method, one.key) for one in BY_KEY["methods"].fields}
            for method in ingest.methods(store)
        ),
        "specifications": setup_rows.specifications(store.specifications(), settings),
        "uncertainties": tuple(
            {
                "product": product,
                "standard_percent": float(held["standard_percent"]),
                "source": str(held.get("source", "")),
                "date": setup_rows.day(held.get("date")),
            }
            for product, held in sorted((settings.get("uncertainty") or {}).items())
        ),
        "check_standards": tuple(
            {one.key: getattr(fluid, one.key) for one in BY_KEY["check_standards"].fields}
            for fluid in ingest.check_standards(store)
        ),
        "instruments": setup_rows.instruments(settings),
        "rules": _rules(settings),
        "reaction_plan": tuple(
            {
                "when": step.when,
                "step": str(_own_plan(settings, step.key).get("step", "")),
                "who": str(_own_plan(settings, step.key).get("who", "")),
                "usual": f"{step.step} ({step.who})",
            }
            for step in PLAN
        ),
        "numbers": tuple(
            {"what": what, "value": _number(settings.get(name))} for what, name in NUMBERS.items()
        ),
    }


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _own_plan(settings: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    return (settings.get("reaction_plan") or {}).get(key) or {}


def _rules(settings: Mapping[str, Any]) -> tuple[Row, ...]:
    held = settings.get("own_rules") or {}
    chosen = set(held.get("rules") or ())
    rows: list[Row] = [
        {"rule": phrase, "used": rule.key in chosen, "definition": rule.definition}
        for phrase, rule in RULES.items()
    ]
    rows.append({"rule": MOVING_AVERAGE, "used": bool(held.get("with_ewma")), "definition": MOVING})
    return tuple(rows)


def compare(before: SetUp, after: SetUp) -> list[Change]:
    """What is different: lines taken away first, then changed, then added; table by table.

    Tables that `after` does not hold are not compared.
    """
    found: list[Change] = []
    for table in TABLES:
        if table.key not in after:
            continue
        old = {tuple(row[k] for k in table.identity): row for row in before[table.key]}
        new = {tuple(row[k] for k in table.identity): row for row in after[table.key]}
        if table.grows:
            found += [Change(table.key, row, None) for key, row in old.items() if key not in new]
        compared = [one.key for one in table.fields if not one.fixed]
        found += [
            Change(table.key, old[key], row)
            for key, row in new.items()
            if key in old and any(old[key].get(k) != row.get(k) for k in compared)
        ]
        found += [Change(table.key, None, row) for key, row in new.items() if key not in old]
    return found


@dataclass(frozen=True, slots=True)
class Saved:
    """What became of a list of changes: how many are in the store, and what stopped the rest."""

    n: int
    stopped: str = ""
    left: tuple[Change, ...] = field(default=())


def save(
    store: Any, changes: Sequence[Change], after: SetUp, by: str | None = None, why: str = ""
) -> Saved:
    """Write changes one by one, each with its journal entry.

    Args:
        store: an open store. changes: from `compare`. after: every table as it is to be.
        by: who. why: in words, may be empty.
    """
    whole = {"uncertainties", "instruments", "rules", "reaction_plan", "numbers"}
    done = 0
    for at, change in enumerate(changes):
        try:
            if change.table not in whole:
                setup_rows.save_row(store, change.table, change.old, change.new, by, why)
        except ingest.IngestError as error:
            return Saved(done, str(error), tuple(changes[at:]))
        done += change.table not in whole
    in_settings = {c.table for c in changes} & {*whole, "specifications"}
    values = settings_of({key: after[key] for key in in_settings})
    held = ingest.settings(store)
    for name, value in values.items():
        if value != held.get(name):
            ingest.set_setting(store, name, value, by=by, why=why)
    return Saved(done + sum(change.table in whole for change in changes))


def settings_of(tables: SetUp) -> dict[str, Any]:
    """The settings that tables stand for; None takes a setting out of force."""
    values: dict[str, Any] = {}
    if "uncertainties" in tables:
        values["uncertainty"] = {
            row["product"]: {
                "standard_percent": row["standard_percent"],
                "source": row["source"],
                "date": row["date"].isoformat() if row["date"] else "",
            }
            for row in tables["uncertainties"]
        } or None
    if "instruments" in tables:
        values |= setup_rows.instrument_settings(tables["instruments"])
    if "specifications" in tables:
        values[DECISION_RULE] = setup_rows.decision_rules(tables["specifications"]) or None
    if "rules" in tables:
        chosen = [RULES[r["rule"]].key for r in tables["rules"] if r["used"] and r["rule"] in RULES]
        moving = any(row["used"] and row["rule"] == MOVING_AVERAGE for row in tables["rules"])
        own = {"rules": chosen, "with_ewma": moving}
        values["own_rules"] = own if chosen or moving else None
    if "reaction_plan" in tables:
        values["reaction_plan"] = {
            STEPS[row["when"]].key: {"step": row["step"], "who": row["who"]}
            for row in tables["reaction_plan"]
            if row["step"] or row["who"]
        } or None
    if "numbers" in tables:
        values |= {NUMBERS[row["what"]]: row["value"] for row in tables["numbers"]}
    return values


def whole(before: SetUp, after: SetUp) -> SetUp:
    """The set-up with the tables of `after` in the place of its own; fixed lines kept."""
    merged = dict(before)
    for key, rows in after.items():
        table = BY_KEY[key]
        if table.grows:
            merged[key] = rows
            continue
        given = {tuple(row[k] for k in table.identity): row for row in rows}
        fixed = [one.key for one in table.fields if one.fixed]
        merged[key] = tuple(
            {**given.get(tuple(row[k] for k in table.identity), row), **{k: row[k] for k in fixed}}
            for row in before[key]
        )
    return merged


def own_key(rows: Sequence[Row]) -> str | None:
    """The key of the set of rules that these lines make; None for none."""
    return own_key_of(settings_of({"rules": tuple(rows)}))


def count_words(changes: Sequence[Change]) -> str:
    """How many changes, in words."""
    return text.count(len(changes), "change")

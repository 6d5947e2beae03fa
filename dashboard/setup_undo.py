"""Setting a change of the set-up back: the value before, as a new entry of the journal."""

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd

import ingest
from dashboard import text
from dashboard.verdicts import DECISION_RULE

_REGISTERS = ("product", "method", "check standard")
_WORDS = ("added", "changed", "removed")
KINDS = (
    *(f"{what} {word}" for what in _REGISTERS for word in _WORDS),
    "product alias added",
    "specification added",
    "specification changed",
    "setting changed",
)
MOST = 50
SETTINGS = {
    "uncertainty": "uncertainties",
    "instrument_tolerance": "tolerances of instruments",
    "calibration": "calibration dates",
    DECISION_RULE: "decision rules",
    "own_rules": "own rules",
    "reaction_plan": "reaction plan",
    "check_interval_days": "days between two checks",
    "comparison_margin_percent": "margin for comparing instruments",
    "reporting_time_zone": "time zone of reports",
    "distribution_seen": "looks at distributions",
}


def changes_of(journal: pd.DataFrame) -> pd.DataFrame:
    """The newest entries that can be set back, newest first."""
    known = journal[journal["what"].isin(KINDS)]
    return known.iloc[::-1].head(MOST)


def sentence(entry: Mapping[str, Any]) -> str:
    """An entry in one line: when, who, what."""
    at = pd.Timestamp(entry["at"])
    subject = entry["subject"]
    if entry["what"] == "setting changed":
        subject = SETTINGS.get(subject, subject)
    return f"{entry['id']}: {entry['what']}, {subject}, by {entry['who']}, {text.moment(at)}"


def undo(store: Any, entry: Mapping[str, Any], by: str | None = None, why: str = "") -> None:
    """Put what stood before an entry in its place again.

    Args:
        store: an open store. entry: a row of the journal's table. by: who. why: in words.

    Raises:
        IngestError: something has changed it since, or it is nothing that can be set back.
    """
    old, new = json.loads(entry["old"]), json.loads(entry["new"])
    what, subject = str(entry["what"]), str(entry["subject"])
    why = why.strip() or f"entry {entry['id']} set back"
    if what == "setting changed":
        if ingest.settings(store).get(subject) != new:
            raise _since(entry)
        ingest.set_setting(store, subject, old, by=by, why=why)
    elif what.startswith("specification "):
        _specification(store, entry, new, by, why)
    elif what in KINDS:
        _register(store, entry, old, new, by, why)
    else:
        raise ingest.IngestError(f"Entry {entry['id']} ({what}) cannot be set back here.")


def _since(entry: Mapping[str, Any]) -> ingest.IngestError:
    return ingest.IngestError(
        f"Entry {entry['id']}: {entry['subject']} was changed again since. Set the newer change "
        "back first."
    )


def _specification(
    store: Any, entry: Mapping[str, Any], new: Mapping[str, Any], by: str | None, why: str
) -> None:
    """What stood for that day before the entry; nothing, where nothing did."""
    product = str(entry["subject"])
    start = date.fromisoformat(new["valid_from"]) if new["valid_from"] else None
    held = store.specifications(product)
    same = [one for one in held if one.valid_from == start]
    if not same or (same[-1].lower, same[-1].upper, same[-1].target) != (
        new["lower"],
        new["upper"],
        new["target"],
    ):
        raise _since(entry)
    before = same[-2] if len(same) > 1 else None
    limits = (before.lower, before.upper, before.target) if before else (None, None, None)
    store.replace_specification(product, start, *limits, by=by, why=why)


def _register(
    store: Any,
    entry: Mapping[str, Any],
    old: dict[str, Any] | None,
    new: dict[str, Any] | None,
    by: str | None,
    why: str,
) -> None:
    what = str(entry["what"])
    kind = next(name for name in _REGISTERS if what.startswith(name))
    if what == f"{kind} added":
        old = None  # what the journal holds as old there is an earlier lot or version
    now = _standing(store, kind, new if new is not None else old)
    wanted = _made(kind, new)
    if now != wanted:
        raise _since(entry)
    before = _made(kind, old)
    if kind == "product":
        if now is None:
            ingest.add_product(
                store, before.name, before.description, before.aliases, by=by, why=why
            )
        else:
            ingest.change_product(store, now.name, before, by=by, why=why)
    elif kind == "method":
        if now is None:
            ingest.add_method(store, before, by=by, why=why)
        else:
            ingest.change_method(store, now.name, now.version, before, by=by, why=why)
    elif now is None:
        ingest.add_check_standard(store, before, by=by, why=why)
    else:
        ingest.change_check_standard(store, now.name, now.lot, before, by=by, why=why)


def _made(kind: str, held: dict[str, Any] | None) -> Any:
    if held is None:
        return None
    if kind == "product":
        return ingest.Product(held["name"], held["description"], tuple(sorted(held["aliases"])))
    if kind == "method":
        return ingest.Method(**held)
    expires = date.fromisoformat(held["expires"]) if held["expires"] else None
    return ingest.CheckFluid(**{**held, "expires": expires})


def _standing(store: Any, kind: str, like: dict[str, Any] | None) -> Any:
    """What the register holds under the same name now; None if nothing."""
    if like is None:
        return None
    if kind == "product":
        held = [one for one in ingest.products(store) if one.name == like["name"]]
    elif kind == "method":
        key = (like["name"], like["version"])
        held = [one for one in ingest.methods(store) if (one.name, one.version) == key]
    else:
        key = (like["name"], like["lot"])
        held = [one for one in ingest.check_standards(store) if (one.name, one.lot) == key]
    return held[0] if held else None

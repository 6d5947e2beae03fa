"""What was decided about a batch, from the journal: old, new, who, when, why."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

import ingest
from dashboard import text
from dashboard.verdicts import UNCERTAINTY

TITLE = "Decisions and changes"
_HIDDEN = {"chart", "about", "product"}  # keys that only the program needs
_LONGEST = 6  # values of a nested decision that are spelled out


@dataclass(frozen=True, slots=True)
class Subject:
    """The batch that decisions are looked for.

    Attributes:
        product, condition, batch: which; `batch` is its number.
        places: names of the product's batches to their position. index: of this one, or None.
        imports: numbers of the imports that its rows came with.
        names: of methods and check standards that it depends on.
    """

    product: str
    condition: str
    batch: str
    places: Mapping[str, int]
    index: int | None
    imports: tuple[int, ...]
    names: tuple[str, ...]


def section(
    entries: Sequence[ingest.Entry], about: Subject, since: str
) -> tuple[str, tuple[str, ...], pd.DataFrame | None]:
    """The decisions that touch a batch, as a step of its trace.

    Args:
        entries: the whole journal. about: the batch. since: ISO time when its first row came in.
    """
    mine = [entry for entry in entries if concerns(entry, about)]
    if not mine:
        said = "The journal holds no decision that touches this batch: nothing was changed."
        return TITLE, (said,), None
    later = sum(entry.at >= since for entry in mine) if since else len(mine)
    said = (
        f"{text.count(len(mine), 'decision')} in the journal, {later} of them after the first row "
        "of this batch came in. Results themselves are never changed."
    )
    # three columns fit a phone and a sheet of paper
    table = pd.DataFrame(
        [
            (
                f"{entry.id}: {entry.what}",
                "{} → {}".format(*in_words(entry.old, entry.new)),
                f"{entry.who}, {text.moment(pd.Timestamp(entry.at))} UTC: "
                f"{entry.why or 'no reason was asked for'}",
            )
            for entry in mine
        ],
        columns=["Decision", "Old → new", "Who, when, why"],
    )
    return TITLE, (said,), table


def concerns(entry: ingest.Entry, about: Subject) -> bool:
    """Whether a decision touches the batch: itself, its limits, specification, files or method."""
    owner = f"{about.product}, {about.condition}"
    if entry.subject == about.product:
        return True
    if entry.what == "setting changed":
        return entry.subject == UNCERTAINTY
    if entry.what == "import undone":
        number = entry.subject.removeprefix("import ").split(",")[0]
        return number in {str(one) for one in about.imports}
    if entry.what in ("method added", "check standard added"):
        return any(
            entry.subject == name or entry.subject.startswith(f"{name} ") for name in about.names
        )
    if not entry.subject.startswith(owner):
        return False
    if entry.what == "limits frozen":
        return entry.subject == owner
    if entry.what.startswith("batch "):
        return entry.subject == f"{owner}, batch {about.batch}"
    return _covers(json.loads(entry.new), about)


def _covers(new: Any, about: Subject) -> bool:
    """Whether the stretch of a record holds the batch."""
    if not isinstance(new, dict) or about.index is None:
        return False
    ends = [about.places.get(str(new.get(name))) for name in ("first_batch", "last_batch")]
    known = [place for place in ends if place is not None]
    return bool(known) and min(known) <= about.index <= max(known)


def in_words(old: str, new: str) -> tuple[str, str]:
    """What stood before and what stands now: of two records only what differs."""
    before, after = json.loads(old), json.loads(new)
    if isinstance(before, dict) and isinstance(after, dict):
        keys = [key for key in after if after.get(key) != before.get(key)]
        return _told({key: before.get(key) for key in keys}), _told({k: after[k] for k in keys})
    return _told(before), _told(after)


def _told(value: Any) -> str:
    if value is None or value == "" or value == {} or value == []:
        return text.MISSING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return text.plain(value)
    if isinstance(value, dict):
        kept = [
            (key, one)
            for key, one in value.items()
            if key not in _HIDDEN and one not in (None, "", {}, [])
        ]
        parts = [f"{str(key).replace('_', ' ')} {_told(one)}" for key, one in kept[:_LONGEST]]
        more = len(kept) - _LONGEST
        return "; ".join(parts + [f"and {more} more"] * (more > 0)) or text.MISSING
    if isinstance(value, list):
        return ", ".join(_told(one) for one in value)
    return str(value)

"""The canonical columns of a viscosity reading, declared once, and what a heading stands for.

The headings themselves, by language, are in `headings.py`.
"""

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from ingest.headings import HEADINGS, LANGUAGES
from ingest.units import QUANTITY_UNITS

IGNORED = "ignore"
"""What a person answers for a column that is to mean nothing: its cells are kept as they are."""


@dataclass(frozen=True, slots=True)
class Column:
    """One canonical column: its name, kind, physical quantity and the headings it goes by."""

    name: str
    kind: str  # "text", "number", "integer" or "time"
    label: str
    headings: tuple[str, ...]
    quantity: str = ""  # key of QUANTITY_UNITS; "" where the column has no unit


def _column(name: str, kind: str, label: str, quantity: str = "") -> Column:
    headings = tuple(text for texts in HEADINGS[name].values() for text in texts)
    return Column(name, kind, label, headings, quantity)


COLUMNS: tuple[Column, ...] = (
    _column("tested_at", "time", "time of the reading"),
    _column("time_of_day", "text", "time of day"),
    _column("sampled_at", "time", "time of sampling"),
    _column("batch", "text", "batch"),
    _column("product", "text", "product"),
    _column("instrument", "text", "instrument"),
    _column("spindle", "text", "spindle"),
    _column("spindle_id", "text", "the individual spindle"),
    _column("speed", "number", "speed", "speed"),
    _column("torque", "number", "torque", "torque"),
    _column("temperature", "number", "sample temperature", "temperature"),
    _column("set_temperature", "number", "set temperature", "temperature"),
    _column("viscosity", "number", "viscosity", "viscosity"),
    _column("unit", "text", "unit of the viscosity"),
    _column("density", "number", "density", "density"),
    _column("replicate", "integer", "replicate"),
    _column("operator", "text", "operator"),
    _column("lot", "text", "raw-material lot"),
    _column("line_name", "text", "line"),
    _column("shift", "text", "shift"),
    _column("stage", "text", "stage"),
    _column("sample_type", "text", "sample type"),
    _column("status", "text", "status"),
    _column("comment", "text", "comment"),
    _column("method", "text", "method"),
    _column("reading_time", "number", "reading time", "time"),
    _column("guard", "text", "guard"),
)

BY_NAME = {column.name: column for column in COLUMNS}
COLUMN_LABELS: dict[str, str] = {column.name: column.label for column in COLUMNS} | {
    IGNORED: "nothing: keep its cells as they are"
}
"""What a person can say that a column is, with the words for it."""

_SPELLED = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})


def plain(text: str) -> str:
    """A heading in lower case, umlauts spelled out, accents and punctuation gone."""
    lowered = unicodedata.normalize("NFKC", text).casefold().translate(_SPELLED)
    bare = "".join(
        c for c in unicodedata.normalize("NFKD", lowered) if not unicodedata.combining(c)
    )
    return " ".join(re.findall(r"[^\W_]+", bare))


def _spellings() -> dict[str, dict[str, Column]]:
    found: dict[str, dict[str, Column]] = {}
    for column in COLUMNS:
        for language, texts in HEADINGS[column.name].items():
            for text in texts:
                for spelling in (plain(text), plain(text).replace(" ", "")):
                    found.setdefault(spelling, {}).setdefault(language, column)
    return found


_KNOWN = _spellings()  # spelling -> language -> column
_FIRST_WORDS = frozenset(spelling[:3] for spelling in _KNOWN)
_LONGEST_HEADING = 80
_BREAK = re.compile(r"(?<=[^\W_])(?=[\W_])|(?<=[^\W\d_A-Z])(?=[A-Z])")


@dataclass(frozen=True, slots=True)
class HeadingMatch:
    """What a heading was taken for, and the unit text that stood in it ("" where none)."""

    column: Column
    unit: str


@lru_cache(maxsize=4096)
def match_heading(heading: str, language: str = LANGUAGES[0]) -> HeadingMatch | None:
    """The canonical column that a heading names, with the unit text in it, or None.

    A bracket behind the name of a viscosity is its unit, known or not; behind another quantity
    it must be a unit that we can convert. A few headings are two things in two languages (a
    French "lot" is a batch): then the language decides.
    """
    text = heading.strip().strip("\ufeff")
    if len(text) > _LONGEST_HEADING:
        return None
    bare = plain(text)
    exact = _named(bare, language)
    if exact is not None:
        return HeadingMatch(exact, "rpm" if bare == "rpm" else "")
    if bare[:3] not in _FIRST_WORDS:
        return None
    for cut in sorted((m.start() for m in _BREAK.finditer(text)), reverse=True):
        column = _named(plain(text[:cut]), language)
        if column is None or not column.quantity:
            continue
        rest = text[cut:].strip(" _-,:;").lstrip(". ")
        bracketed = re.fullmatch(r"[(\[{](.*)[)\]}]", rest)
        unit = (bracketed.group(1) if bracketed else rest).strip()
        if QUANTITY_UNITS[column.quantity](unit) or (bracketed and column.name == "viscosity"):
            return HeadingMatch(column, unit)
    return None


def _named(bare: str, language: str) -> Column | None:
    known = _KNOWN.get(bare)
    if known is None:
        return None
    return known.get(language) or next(known[one] for one in LANGUAGES if one in known)


def match_headings(
    cells: Sequence[str], chosen: Mapping[str, str] | None = None
) -> tuple[HeadingMatch | None, ...]:
    """What each heading of a line stands for, in the language that most of them are written in.

    Args:
        cells: the headings.
        chosen: label of a column (see `labels`) -> the canonical column that a person said it is,
            or IGNORED. No other heading is then taken for that column.
    """
    language = _language(cells)
    found = [match_heading(cell, language) for cell in cells]
    if not chosen:
        return tuple(found)
    named = labels(cells)
    fields = {chosen[label] for label in named if label in chosen} - {IGNORED}
    for index, label in enumerate(named):
        field = chosen.get(label, "")
        match = found[index]
        if field == IGNORED or (not field and match is not None and match.column.name in fields):
            found[index] = None
        elif field:
            unit = match.unit if match is not None else unit_in(cells[index], field)
            found[index] = HeadingMatch(BY_NAME[field], unit)
    return tuple(found)


def labels(cells: Sequence[str]) -> tuple[str, ...]:
    """A name for each column of its own: its heading, with its place where that is not enough."""
    texts = [_printable(cell) for cell in cells]
    count = Counter(texts)
    named = []
    for place, text in enumerate(texts, 1):
        if text and count[text] == 1:
            named.append(text)
        else:
            named.append(f"{text} (column {place})" if text else f"column {place}")
    return tuple(named)


def _printable(cell: str) -> str:
    """A heading on one line, without marks that no screen shows."""
    return " ".join("".join(c if c.isprintable() else " " for c in cell.strip("\ufeff")).split())


def unit_in(heading: str, field: str) -> str:
    """The unit text behind an unknown name of a quantity, "" where there is none."""
    quantity = BY_NAME[field].quantity
    if not quantity:
        return ""
    text = heading.strip()
    for match in _BREAK.finditer(text):
        unit = text[match.start() :].strip(" _-,:;()[]{}")
        if unit and QUANTITY_UNITS[quantity](unit):
            return unit
    return ""


def _language(cells: Sequence[str]) -> str:
    """The language that most headings are written in that belong to one language only."""
    votes: Counter[str] = Counter()
    for cell in cells:
        match = match_heading(cell)
        if match is None:
            continue
        bare = plain(cell.strip().removesuffix(match.unit) if match.unit else cell)
        known = _KNOWN.get(bare, {})
        if len(known) == 1:
            votes.update(known.keys())
    return max(LANGUAGES, key=lambda language: votes[language])

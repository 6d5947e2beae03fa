"""The headings of a source's exports, and what changed since the last one.

A column that was used and is gone, under its name, is never replaced by another one unasked: the
likeliest new columns are proposed, by how alike their headings and their cells are.
"""

import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

import numpy as np
import pyarrow.compute as pc

from ingest.answers import GONE, RENAMED, Question
from ingest.columns import BY_NAME, labels, plain
from ingest.csv_file import FirstRows

SAME_EXPORT = 0.5  # share of common headings from which two files are one export, changed
SAME_EXPORT_UNNAMED = 0.75  # … where nobody said that they come from one source
_LOOKED_AT = 300  # first rows, where the content of a column is sketched
_SKETCHED = 100  # first columns that are sketched though they mean nothing
_KEPT_TEXTS = 12
_LONGEST_TEXT = 40
_LIKELY = 0.35  # of 1: from which a new column is named as the likely successor of one gone

Sketch = dict[str, list[str] | list[float]]
"""What the cells of a column are like: {"texts": [...], "forms": [...]} or {"numbers": [...]}."""


@dataclass(frozen=True, slots=True)
class Layout:
    """One kind of export of a source.

    Attributes:
        headings: a label for each column, in the order of the file.
        mapping: label -> canonical column, of the columns that are used.
        sketch: label -> what its cells are like.
    """

    headings: tuple[str, ...]
    mapping: Mapping[str, str]
    sketch: Mapping[str, Sketch]


@dataclass(frozen=True, slots=True)
class Renamed:
    """A used column that is gone: its heading, its meaning, likely successors with the reason."""

    heading: str
    field: str
    likely: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Change:
    """What is different from the nearest known export of the source.

    Attributes:
        before: its headings. now: those of this file.
        new: headings that it did not have. gone: headings that it had and that meant nothing.
        missing: used columns that are gone. reordered: the same headings in another order.
    """

    before: tuple[str, ...] = ()
    now: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    missing: tuple[Renamed, ...] = ()
    reordered: bool = False

    def side_by_side(self) -> tuple[tuple[str, str], ...]:
        """Old and new heading of each column; "" where it has none, a "?" behind a likely one."""
        likely = {one.heading: one.likely[0][0] for one in self.missing if one.likely}
        pairs = [
            (old, old if old in self.now else f"{likely[old]}?" if old in likely else "")
            for old in self.before
        ]
        return (*pairs, *(("", new) for new in self.new if new not in likely.values()))

    def as_dict(self) -> dict[str, object]:
        """As plain values for JSON."""
        return {
            "new": list(self.new),
            "gone": list(self.gone),
            "missing": [
                {
                    "column": one.heading,
                    "meaning": one.field,
                    "likely": [{"column": heading, "why": why} for heading, why in one.likely],
                }
                for one in self.missing
            ],
            "reordered": self.reordered,
        }

    def sentences(self, mapping: Mapping[str, str]) -> tuple[str, ...]:
        """The difference in plain sentences; a missing column is asked about, see `questions`.

        Args:
            mapping: label -> canonical column, as this file is read.
        """
        told = []
        if self.reordered:
            told.append(
                "The columns stand in another order than at the last import: they are taken by "
                "their names."
            )
        for heading in self.new:
            field = mapping.get(heading, "")
            use = f"it is taken as the {BY_NAME[field].label}" if field else "it is kept as it is"
            told.append(f"Column '{heading}' is new: {use}.")
        told += [f"Column '{heading}' is gone; it was not used." for heading in self.gone]
        return tuple(told)


def layout_of(head: FirstRows, columns: Mapping[str, int]) -> Layout:
    """The layout of a file whose columns are understood."""
    named = labels(head.header.cells)
    mapping = {named[index]: field for field, index in columns.items()}
    sketched = [i for i, label in enumerate(named) if label in mapping or i < _SKETCHED]
    return Layout(named, mapping, {named[i]: _sketch(head, i) for i in sketched})


def difference(
    known: Sequence[Layout], head: FirstRows, mapping: Mapping[str, str], source: str
) -> Change | None:
    """What changed since the nearest known layout; None where this is another export.

    Args:
        known: layouts of the source, the last seen first. head: its first rows.
        mapping: label -> canonical column, as the headings say. source: its name, "" if none.
    """
    named = labels(head.header.cells)
    for layout in known:
        if set(layout.headings) == set(named):
            return Change(layout.headings, named, reordered=layout.headings != named)
    best, shared = None, 0.0
    for layout in known:
        common = len(set(layout.headings) & set(named))
        share = common / max(len(layout.headings), len(named))
        if share > shared:
            best, shared = layout, share
    if best is None or shared < (SAME_EXPORT if source else SAME_EXPORT_UNNAMED):
        return None
    new = tuple(label for label in named if label not in best.headings)
    lost = [label for label in best.headings if label not in named]
    sketches = {label: _sketch(head, named.index(label)) for label in new}
    missing = tuple(
        Renamed(label, best.mapping[label], _likely(label, best, sketches, mapping))
        for label in lost
        if label in best.mapping
    )
    unused = tuple(label for label in lost if label not in best.mapping)
    return Change(best.headings, named, new, unused, missing)


def questions(change: Change) -> tuple[Question, ...]:
    """What a person has to say before a file with missing columns is stored."""
    asked = []
    for one in change.missing:
        first = [heading for heading, _ in one.likely]
        others = [heading for heading in change.new if heading not in first]
        text = f"Column '{one.heading}' ({BY_NAME[one.field].label}) is gone"
        if one.likely:
            heading, why = one.likely[0]
            text += f", and '{heading}' is new ({why}): is it the same column under a new name?"
        elif others:
            text += ": is one of the new columns the same under another name?"
        else:
            text += f": answer '{GONE}' if the export has it no more."
        asked.append(Question(f"{RENAMED}{one.heading}", text, (*first, *others, GONE)))
    return tuple(asked)


def _likely(
    label: str,
    known: Layout,
    sketches: Mapping[str, Sketch],
    mapping: Mapping[str, str],
) -> tuple[tuple[str, str], ...]:
    """New columns that may be a missing one, the likeliest first, each with the reason."""
    field = known.mapping[label]
    taken = {known.mapping[one] for one in known.mapping}
    scored = []
    for heading, sketch in sketches.items():
        text = SequenceMatcher(None, plain(label), plain(heading)).ratio()
        content = _alike(known.sketch.get(label, {}), sketch)
        same = mapping.get(heading) == field
        other = mapping.get(heading, field) != field and mapping[heading] not in taken
        score = max(text, 0.9 if same else 0.0) * 0.5 + content * 0.5 - (0.3 if other else 0.0)
        why = [
            "its name is alike" if text >= 0.6 or same else "",
            "its content is alike" if content >= 0.5 else "",
        ]
        if score >= _LIKELY:
            told = " and ".join(word for word in why if word) or "it is somewhat alike"
            scored.append((score, heading, told))
    scored.sort(key=lambda item: -item[0])
    return tuple((heading, told) for _, heading, told in scored[:3])


def _sketch(head: FirstRows, index: int) -> Sketch:
    """What the first cells of a column are like: numbers by quartiles, or texts and their forms."""
    cells = pc.utf8_trim_whitespace(head.cells.column(index).slice(0, _LOOKED_AT)).to_pylist()
    filled = [cell for cell in cells if cell]
    if not filled:
        return {}
    numbers = [_value(cell) for cell in filled]
    known = [value for value in numbers if value is not None]
    if len(known) * 2 > len(filled):
        return {"numbers": [float(value) for value in np.quantile(known, [0.1, 0.5, 0.9])]}
    counted = Counter(cell[:_LONGEST_TEXT] for cell in filled)
    forms = Counter(_form(cell[:_LONGEST_TEXT]) for cell in filled)
    return {
        "texts": [text for text, _ in counted.most_common(_KEPT_TEXTS)],
        "forms": [form for form, _ in forms.most_common(3)],
    }


def _value(cell: str) -> float | None:
    """A cell as a number for comparison only: its decimal mark is guessed."""
    match = re.fullmatch(r"[<>]?\s*(\d{1,12})(?:[.,](\d{1,9}))?(?:\s*\D{1,8})?", cell)
    return float(f"{match[1]}.{match[2] or 0}") if match else None


def _form(text: str) -> str:
    """The form of a text: B001 and C117 are both "a9"."""
    return re.sub(r"\d+", "9", re.sub(r"[^\W\d_]+", "a", text))


def _alike(
    one: Mapping[str, Sequence[str | float]], other: Mapping[str, Sequence[str | float]]
) -> float:
    """How alike two columns' cells are, 0 to 1."""
    if "numbers" in one and "numbers" in other:
        low, _, high = (float(value) for value in one["numbers"])
        below, _, above = (float(value) for value in other["numbers"])
        slack = 0.02 * max(abs(high), abs(above))  # a constant column has no width of its own
        common = min(high, above) + slack - (max(low, below) - slack)
        whole = max(high, above) + slack - (min(low, below) - slack)
        return max(0.0, common / whole) if whole else 1.0
    if "texts" in one and "texts" in other:
        texts, forms = (
            len(set(one[part]) & set(other[part])) / max(len({*one[part], *other[part]}), 1)
            for part in ("texts", "forms")
        )
        return max(texts, 0.8 * forms)
    return 0.5 if not one and not other else 0.0


def as_json(layout: Layout) -> tuple[str, str, str]:
    """Headings, mapping and sketch as JSON texts."""
    return tuple(  # type: ignore[return-value]  # three of them
        json.dumps(part, ensure_ascii=False)
        for part in (list(layout.headings), dict(layout.mapping), dict(layout.sketch))
    )


def from_json(headings: str, mapping: str, sketch: str) -> Layout:
    """A layout from what `as_json` gave."""
    return Layout(tuple(json.loads(headings)), json.loads(mapping), json.loads(sketch))

"""What a pack is made of: headings, sentences, tables and figures as plain values.

Every file of a pack is made from these alone, so all say the same, and the checksum of the contents
is the same for all of them.
"""

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import Any

from dashboard.results import CAUTION

Cell = str | int | float | None


@dataclass(frozen=True, slots=True)
class Words:
    """A sentence or a short paragraph.

    Attributes:
        text: what it says. strong: it is what a reader in a hurry should see.
        quiet: how something was made; smaller than the rest. brief: it stands in the summary too.
    """

    text: str
    strong: bool = False
    quiet: bool = False
    brief: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading inside a section."""

    text: str
    brief: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table.

    Attributes:
        key: stable name, also of its sheet in the workbook.
        title: what it shows. columns: headings. rows: cells; None where there is nothing.
        empty: what is said instead where it has no rows.
        brief: how many rows stand in the summary; 0 leaves it out.
    """

    key: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str = "Nothing."
    brief: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """A figure as a Vega-Lite specification with its data, and what it shows in words."""

    key: str
    title: str
    description: str
    spec: dict[str, Any]


Block = Words | Heading | Table | Figure


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One item of the agenda.

    Attributes:
        key: stable name. title: for people. minutes: the time it has in the meeting.
        blocks: what it says, in order.
    """

    key: str
    title: str
    minutes: int
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """Everything that a pack says.

    Attributes:
        title: of the pack. period: its words. borders: where it begins and ends.
        period_key: as the address and the command line write it.
        audience: "full" or "summary". products: whom it is about, in words.
        headline: the first line, as the overview would have had it.
        cut_off: the moment that data count before, in words. cut_off_utc: ISO 8601.
        revision: of the store. assumed: what was assumed, a sentence each.
        needs_a_person: whether anything waited for somebody at the cut-off.
        sections: in the order of the agenda.
    """

    title: str
    period: str
    period_key: str
    borders: str
    audience: str
    products: str
    headline: str
    cut_off: str
    cut_off_utc: str
    revision: int
    needs_a_person: bool
    assumed: tuple[str, ...]
    sections: tuple[Section, ...]
    caution: str = CAUTION

    @property
    def tables(self) -> list[tuple[Section, Table]]:
        """Every table with its section."""
        return [(s, block) for s in self.sections for block in s.blocks if isinstance(block, Table)]

    @property
    def figures(self) -> list[Figure]:
        """Every figure, in order."""
        return [b for s in self.sections for b in s.blocks if isinstance(b, Figure)]


def checksum(contents: Contents) -> str:
    """SHA-256 of the contents, written as JSON in one way only."""
    return hashlib.sha256(canonical(contents).encode()).hexdigest()


def canonical(contents: Contents) -> str:
    """The contents as JSON: sorted keys, no blanks, numbers in full."""
    held = asdict(contents)
    held["sections"] = [
        {
            "key": section.key,
            "title": section.title,
            "minutes": section.minutes,
            "blocks": [{"kind": type(b).__name__, **asdict(b)} for b in section.blocks],
        }
        for section in contents.sections
    ]
    return json.dumps(
        held, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )


def table_of(key: str, title: str, frame: Any, empty: str = "Nothing.", brief: int = 0) -> Table:
    """A data frame as a table of plain cells."""
    rows = tuple(
        tuple(_plain(cell) for cell in row) for row in frame.itertuples(index=False, name=None)
    )
    return Table(key, title, tuple(str(name) for name in frame.columns), rows, empty, brief)


def _plain(cell: Any) -> Cell:
    """A cell without anything that only pandas or numpy knows."""
    if cell is None or cell != cell:
        return None
    if isinstance(cell, str):
        return cell
    value = cell.item() if hasattr(cell, "item") else cell
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, int | float) else str(value)


def brief(contents: Contents) -> tuple[Section, ...]:
    """The sections of the one-page summary: what is marked for it, tables cut to their first rows.

    A cut is said: a table that goes on in the full pack says how many rows it has there.
    """
    found = []
    for section in contents.sections:
        blocks: list[Block] = []
        for block in section.blocks:
            if isinstance(block, Table):
                headed = bool(blocks) and isinstance(blocks[-1], Heading)
                if block.brief and (block.rows or headed):  # no heading above nothing
                    blocks.append(_cut(block))
            elif isinstance(block, Words | Heading) and block.brief:
                blocks.append(block)
        found.append(Section(section.key, section.title, section.minutes, tuple(blocks)))
    return tuple(found)


def _cut(table: Table) -> Table:
    if len(table.rows) <= table.brief:
        return table
    title = f"{table.title} (the first {table.brief} of {len(table.rows)})"
    return Table(table.key, title, table.columns, table.rows[: table.brief], table.empty, 0)

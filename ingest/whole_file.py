"""What typing a row needs to know of other rows of its file, learned and carried over blocks.

The first time through a file some of it is only supposed: that no number is doubtful beside others
of its column, that no hour happened twice, that no clock was wrong. `is_right` says whether that
holds; where it does not, the file is gone through once more with what is known then.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from ingest.aliases import Renaming
from ingest.dialect import Header
from ingest.file_checks import Moments
from ingest.meaning import Meaning
from ingest.numbers import NumberColumn, parse_numbers
from ingest.site import Site
from ingest.times import ClockChanges, TimeColumn, parse_times

_SUSPECTS = 200
_SHAPES_ROWS = (
    *("columns", "units", "constants", "decimal_mark"),
    *("date_order", "time_zone", "units_row"),
)


@dataclass(slots=True)
class WholeFile:
    """A file's rows so far, and what is known of all of them.

    Attributes:
        meaning: how the file is read.
        extra: what the columns that mean nothing to us are called, by position.
        site: what the store knows. renaming: of products. part: see `Recalled`.
        rows: rows of the blocks before.
        suspects: rows that may still be looked at for another header among the rows.
        second_table: whether one was found: what follows it belongs to another table.
        grouped, ungrouped: number columns with a cell like `2,010`, and with one like `2010`.
        mixed: those known to have both. clocks: the doubtful hours of each time column.
        passes: which pass of a doubtful hour the next times are, where that is known.
        moments: all believable times of each time column.
        cuts: those before which they are known to be of a clock that was wrong, s since 1970.
    """

    meaning: Meaning
    extra: dict[int, str]
    site: Site = field(default_factory=Site)
    renaming: Renaming = field(default_factory=Renaming)
    part: bool = False
    rows: int = 0
    suspects: int = _SUSPECTS
    second_table: bool = False
    grouped: set[str] = field(default_factory=set)
    ungrouped: set[str] = field(default_factory=set)
    mixed: frozenset[str] = frozenset()
    clocks: dict[str, ClockChanges] = field(default_factory=dict)
    passes: dict[str, Callable[[int], npt.NDArray[np.bool_]]] = field(default_factory=dict)
    moments: dict[str, Moments] = field(default_factory=dict)
    cuts: dict[str, float] = field(default_factory=dict)

    def numbers(self, name: str, column: pa.ChunkedArray) -> NumberColumn:
        """The cells of a column as numbers; doubtful ones as the whole column has them."""
        read = parse_numbers(column, self.meaning.decimal_mark, name in self.mixed)
        if read.grouped:
            self.grouped.add(name)
        if read.ungrouped:
            self.ungrouped.add(name)
        return read

    def times(self, name: str, column: pa.ChunkedArray) -> TimeColumn:
        """The cells of a column as times; doubtful hours as the whole column has them."""
        supposed = self.passes.get(name, _first_passes)
        read = parse_times(column, self.meaning.date_order, self.meaning.time_zone, supposed)
        self.clocks.setdefault(name, ClockChanges()).add(read.local, read.doubtful)
        return read

    def cut(self, name: str, believable: npt.NDArray[np.int64]) -> float:
        """The time before which those of a column are not believed; these are more of them."""
        if not self.part:
            self.moments.setdefault(name, Moments()).add(believable)
        return self.cuts.get(name, -np.inf)

    def is_right(self, meaning: Meaning, extra: dict[int, str]) -> bool:
        """Whether no row was typed on a supposition that the file as a whole proves wrong.

        Args:
            meaning, extra: as all rows of the file have it.
        """
        return (
            _same(meaning, self.meaning)
            and all(self.extra[i] == name for i, name in extra.items())
            and all(name in self.passes for name in self._doubtful())
            and (self.grouped & self.ungrouped) == self.mixed
            and self._found_cuts() == self.cuts
        )

    def again(self, meaning: Meaning, extra: dict[int, str]) -> "WholeFile":
        """The same file from its beginning, with what is known now."""
        if not _same(meaning, self.meaning):
            return WholeFile(meaning, extra, self.site, self.renaming, self.part)
        return WholeFile(
            meaning,
            extra,
            self.site,
            self.renaming,
            self.part,
            cuts=self._found_cuts(),
            mixed=frozenset(self.grouped & self.ungrouped),
            passes={name: self.clocks[name].passes() for name in self._doubtful()},
        )

    def _found_cuts(self) -> dict[str, float]:
        found = {name: moments.cut() for name, moments in self.moments.items()}
        return {name: cut for name, cut in found.items() if np.isfinite(cut)}

    def _doubtful(self) -> list[str]:
        return [name for name, changes in self.clocks.items() if changes.found]


def _first_passes(count: int) -> npt.NDArray[np.bool_]:
    return np.ones(count, dtype=bool)


def extra_names(header: Header, meaning: Meaning, filled: Sequence[bool]) -> dict[int, str]:
    """What columns without a meaning are called, by position, where they are filled."""
    names: dict[int, str] = {}
    for index, cell in enumerate(header.cells):
        if filled[index] and index not in meaning.columns.values():
            name = cell.strip() or f"column {index + 1}"
            if name in names.values():
                name = f"{name} (column {index + 1})"
            names[index] = name
    return names


def _same(one: Meaning, other: Meaning) -> bool:
    """Whether rows are typed alike under two meanings."""
    return all(getattr(one, name) == getattr(other, name) for name in _SHAPES_ROWS)

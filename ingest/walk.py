"""One walk through a file from its first block to its last: what it says, and its typed rows."""

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from ingest.account import RowAccount
from ingest.ahead import ahead
from ingest.aliases import Renaming
from ingest.checks import Torques
from ingest.csv_file import NotParsed, TextTable, check_lines_close
from ingest.errors import IngestError
from ingest.evidence import gather, no_evidence
from ingest.header_fit import RowWidths
from ingest.late_checks import Decided, decide_late
from ingest.meaning import understand
from ingest.recalled import Recalled
from ingest.replicates import ReplicateNumbers
from ingest.row_checks import Temperatures
from ingest.site import Site
from ingest.text_blocks import Progress
from ingest.typed_blocks import TypedBlocks
from ingest.typed_rows import type_rows
from ingest.whole_file import WholeFile, extra_names

Tables = Callable[[RowWidths, Progress | None], Iterable[TextTable]]
"""Gives the blocks of a file from its beginning; adds the widths of its rows to those given."""


class Walk:
    """What one walk through a file finds.

    While the rows of a block are typed the next block is split into cells and looked at.

    Attributes:
        evidence, widths: what all rows say of the meaning of the columns and of the header.
        whole: what the rows were typed with; None if the first block left something open.
        typed: the typed rows. not_parsed: records that could not be read, in no order.
        blank_lines: lines with nothing in them. rows_read: all records but those.
    """

    def __init__(
        self,
        tables: Tables,
        name: str,
        recalled: Recalled,
        site: Site,
        renaming: Renaming,
        whole: WholeFile | None = None,
    ) -> None:
        """Begin before the first block.

        Args:
            tables: the blocks of the file, from its beginning. name: for messages.
            recalled: the header, as wide as the rows, and the answers that hold.
            site: what the store knows. renaming: of products.
            whole: what is known of the file; None to suppose it.
        """
        self.evidence, self.widths = no_evidence(recalled.header), RowWidths()
        self.whole = whole
        self.typed = TypedBlocks()
        self.not_parsed: list[NotParsed] = []
        self.blank_lines = self.rows_read = 0
        self._tables, self._name, self._recalled = tables, name, recalled
        self._site, self._renaming = site, renaming
        self._torques, self._replicates = Torques(), ReplicateNumbers()
        self._temperatures = Temperatures()

    def go(self, progress: Progress | None) -> None:
        """Walk through the file."""
        done: list[tuple[int, int]] = []  # told by a thread, passed on by the caller's

        def noted(*place: int) -> None:
            done.append((place[0], place[1]))

        tables = self._looked_at(iter(self._tables(self.widths, noted if progress else None)))
        for first in tables:
            if self.whole is None:
                self.whole = self._supposed()
            for table in itertools.chain([first], ahead(tables)):
                if self.whole is not None:
                    self._type(table, self.whole)
                while progress is not None and done:
                    progress(*done.pop(0))

    def _looked_at(self, tables: Iterator[TextTable]) -> Iterator[TextTable]:
        """The blocks, their lines counted and what they say gathered."""
        for table in tables:
            check_lines_close(table, self._name)
            self.not_parsed += table.not_parsed
            self.blank_lines += table.blank_lines
            self.rows_read += table.cells.num_rows + len(table.not_parsed)
            gather(self.evidence, table)
            yield table

    def _supposed(self) -> WholeFile | None:
        """The file as its first block has it, if that leaves no question open."""
        recalled = self._recalled
        if recalled.questions:
            return None
        try:
            meaning = understand(self.evidence, recalled.answers, self._name, recalled.told)
        except IngestError:
            return None
        if meaning.questions:
            return None
        every = [True] * len(recalled.header.cells)
        extra = extra_names(recalled.header, meaning, every)
        return WholeFile(meaning, extra, self._site, self._renaming, recalled.part)

    def _type(self, table: TextTable, whole: WholeFile) -> None:
        rows, failed = type_rows(table, whole)
        self.not_parsed += failed
        self.typed.add(rows)
        used = (rows["reason"] == "").to_numpy(dtype=bool)
        self._torques.add(rows, used)
        self._temperatures.add(rows["temperature"].to_numpy(dtype=float))
        if "replicate" not in whole.meaning.columns:
            self._replicates.add(rows)

    def close(self) -> tuple[RowAccount, Decided]:
        """Decide what needs all rows; the account of the file, and what it makes remark on."""
        assert self.whole is not None  # noqa: S101 - for the type checker
        meaning = self.whole.meaning
        decided = decide_late(self.typed, self.whole, self._torques, self._temperatures)
        if "replicate" not in meaning.columns:
            self.typed.replicates = self._replicates.numbers()
        account = RowAccount(
            rows_read=self.rows_read,
            used=decided.reasons[""],
            set_aside={key: n for key, n in sorted(decided.reasons.items()) if key and n},
            not_parsed=dict(sorted(Counter(item.reason for item in self.not_parsed).items())),
            blank_lines=self.blank_lines,
            remarks=dict(sorted(decided.remarks.counts.items())),
        )
        return account, decided

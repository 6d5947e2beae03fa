"""Whether the header is as wide as the rows below it, seen from all rows of the file."""

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from ingest.dialect import Header
from ingest.errors import IngestError


@dataclass(slots=True)
class RowWidths:
    """How many lines without quotes have how many delimiters.

    Attributes:
        lines: number of lines by their number of delimiters.
        empty_end: the fewest delimiters that stand together at the end of such lines, looked at
            where there are more than the header has.
    """

    lines: Counter[int] = field(default_factory=Counter)
    empty_end: dict[int, int] = field(default_factory=dict)

    def add(
        self,
        header: Header,
        delimiters: npt.NDArray[np.int64],
        data: npt.NDArray[np.uint8],
        ends: npt.NDArray[np.int64],
    ) -> None:
        """Count some lines: their delimiters, and where they end in the text `data`."""
        counts = np.bincount(delimiters) if len(delimiters) else np.empty(0, dtype=np.int64)
        for count in np.flatnonzero(counts).tolist():
            self.lines[count] += int(counts[count])
            if count >= len(header.cells):
                mine = ends[delimiters == count]
                most = self.empty_end.get(count, count)
                self.empty_end[count] = _empty_end(data, mine, ord(header.delimiter), most)

    def fitted(self, header: Header, name: str) -> Header:
        """The header as wide as nearly all rows are, where the difference is empty cells only.

        Some exports end every row, or only the header, with a delimiter. Rows that are wider and
        filled are something else: a decimal comma cut in two would shift every cell behind it.

        Args:
            header: as it stands in the file. name: of the file, for messages.

        Raises:
            IngestError: nearly all rows have more cells than the header, and they are filled.
        """
        if not self.lines:
            return header
        usual = min(self.lines, key=lambda count: (-self.lines[count], count))
        missing = usual + 1 - len(header.cells)
        if missing == 0 or self.lines[usual] / self.lines.total() < 0.9:
            return header
        if missing < 0:
            surplus = header.cells[missing:]
            if any(cell.strip() for cell in surplus):
                return header
            return replace(header, cells=header.cells[:missing], matches=header.matches[:missing])
        if self.empty_end[usual] < missing:
            raise IngestError(
                f"{name}: nearly all rows have {usual + 1} cells where the header in line "
                f"{header.index + 1} has {len(header.cells)}: decimal commas were probably cut in "
                "two. Export with semicolons or tabs, or with quoted numbers."
            )
        return replace(
            header,
            cells=(*header.cells, *[""] * missing),
            matches=(*header.matches, *[None] * missing),
        )


def _empty_end(
    data: npt.NDArray[np.uint8], ends: npt.NDArray[np.int64], mark: int, most: int
) -> int:
    """The largest number up to `most` of delimiters that stand at the end of each line."""
    for count in range(most):
        if not (data[ends - 1 - count] == mark).all():
            return count
    return most

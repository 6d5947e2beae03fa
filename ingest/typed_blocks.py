"""The typed rows of a file in blocks: in memory while they are few, else in a temporary file."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from ingest.coded import TEXT, frame_of
from ingest.scratch import Scratch

_IN_MEMORY = 20_000_000  # bytes


@dataclass(slots=True, eq=False)
class TypedBlocks:
    """The rows of a file, used and set aside, that can be gone through again and again.

    Attributes:
        sizes: rows of each block.
        replicates: numbers for all rows, where the file has none.
    """

    sizes: list[int] = field(default_factory=list)
    replicates: npt.NDArray[np.int32] | None = None
    _places: list[tuple[int, int]] = field(default_factory=list)
    _scratch: Scratch = field(default_factory=lambda: Scratch(_IN_MEMORY))
    _set_aside: Callable[[pd.DataFrame], pd.DataFrame] | None = None
    _touched: list[bool] = field(default_factory=list)

    def __len__(self) -> int:
        """The number of rows."""
        return sum(self.sizes)

    def add(self, rows: pd.DataFrame) -> None:
        """Keep the rows of the next block."""
        table = pa.table({name: pa.array(rows[name]) for name in rows.columns})
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, table.schema) as writer:
            writer.write_table(table)
        written = sink.getvalue()
        self._places.append((self._scratch.write(memoryview(written)), len(written)))
        self.sizes.append(len(rows))

    def settle(
        self, set_aside: Callable[[pd.DataFrame], pd.DataFrame], touched: list[bool]
    ) -> None:
        """From now on give rows the reasons that all rows together have shown.

        Args:
            set_aside: gives them to a block as it was typed. touched: which blocks have any.
        """
        self._set_aside, self._touched = set_aside, touched

    def parts(self, names: list[str]) -> Iterator[pd.DataFrame]:
        """Some columns of the blocks, as they were typed."""
        for place, size in self._places:
            table = pa.ipc.open_stream(self._scratch.read(place, size)).read_all()
            yield frame_of(table.select(names))

    def __iter__(self) -> Iterator[pd.DataFrame]:
        """The blocks in the order of the file, their texts as categories."""
        begin = 0
        for number, (place, size) in enumerate(self._places):
            table = pa.ipc.open_stream(self._scratch.read(place, size)).read_all()
            rows = frame_of(table)
            if self._set_aside is not None and self._touched[number]:
                rows = self._set_aside(rows)
            if self.replicates is not None:
                numbers = self.replicates[begin : begin + len(rows)]
                rows["replicate"] = numbers.astype(np.int64)
            begin += len(rows)
            yield rows


def as_texts(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with categories turned into texts, for people and tests."""
    texts = [name for name in rows.columns if isinstance(rows[name].dtype, pd.CategoricalDtype)]
    return rows.assign(
        **{
            name: pd.Series(pa.array(rows[name]).cast(pa.string()), dtype=TEXT, index=rows.index)
            for name in texts
        }
    )

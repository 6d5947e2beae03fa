"""Records spread over drawers by a key, beyond some size on disk: looked at one by one."""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.scratch import Scratch

DRAWERS = 64
_IN_MEMORY = 25_000_000  # bytes; above that they lie on disk
_AT_ONCE = 100_000  # records that make a step of their own worth it
_SALTS = ("viscosity-spc--a", "viscosity-spc--b")  # two of 64 bits: no two keys meet by chance


class Drawers:
    """Records of all rows of a file; `add` block by block, then go through `some`."""

    def __init__(self, record: np.dtype[np.void]) -> None:
        """Begin with no records."""
        self._record = record
        self._scratch = Scratch(_IN_MEMORY)
        self._sizes: list[npt.NDArray[np.int64]] = []  # of each drawer in each block

    def add(self, records: npt.NDArray[np.void], key: npt.NDArray[np.uint64]) -> None:
        """Put away records of the next block; those with the same key lie in the same drawer."""
        drawer = (key % DRAWERS).astype(np.uint8)  # small numbers are sorted fastest
        self._sizes.append(np.bincount(drawer, minlength=DRAWERS))
        self._scratch.write(records[np.argsort(drawer, kind="stable")].tobytes())

    def some(self) -> Iterator[npt.NDArray[np.void]]:
        """All records, those of one drawer together; several drawers at once where they are few."""
        sizes = np.sum(self._sizes, axis=0) if self._sizes else np.zeros(DRAWERS, dtype=np.int64)
        waiting: list[npt.NDArray[np.void]] = []
        for drawer in np.flatnonzero(sizes).tolist():
            waiting.append(self._drawer(drawer))
            if sum(map(len, waiting)) >= _AT_ONCE:
                yield np.concatenate(waiting)
                waiting = []
        if waiting:
            yield np.concatenate(waiting)

    def _drawer(self, drawer: int) -> npt.NDArray[np.void]:
        """All records of one drawer, in the order of the file."""
        parts, begin = [], 0
        for sizes in self._sizes:
            place = begin + int(sizes[:drawer].sum()) * self._record.itemsize
            parts.append(self._scratch.read(place, int(sizes[drawer]) * self._record.itemsize))
            begin += int(sizes.sum()) * self._record.itemsize
        return np.frombuffer(b"".join(parts), dtype=self._record)


def two_digests(frame: pd.DataFrame) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64]]:
    """Two numbers of 64 bits for each row, the same where all cells are the same."""
    one, other = (digests(frame, salt) for salt in _SALTS)
    return one, other


def digests(frame: pd.DataFrame, salt: str = _SALTS[0]) -> npt.NDArray[np.uint64]:
    """A number of 64 bits for each row, the same where all cells are the same."""
    total = np.zeros(len(frame), dtype=np.uint64)
    for name in frame.columns:
        total = total * np.uint64(1_000_003) ^ _column_digests(frame[name], salt)
    return total


def _column_digests(values: pd.Series, salt: str) -> npt.NDArray[np.uint64]:
    if values.dtype.kind == "f":
        values = values + 0.0  # -0.0 is 0.0
    return np.asarray(
        pd.util.hash_pandas_object(values, index=False, hash_key=salt), dtype=np.uint64
    )


def together(one: npt.NDArray[np.uint64], other: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
    """A number for each pair of digests: 0, 1, … by first appearance."""
    a, b = pd.factorize(one)[0], pd.factorize(other)[0]
    pair = a.astype(np.int64) * (int(b.max(initial=0)) + 1) + b
    return np.asarray(pd.factorize(pair)[0], dtype=np.int64)

"""Numbers for the readings of a batch where the file has none: 0, -1, -2 … in file order.

Rows that differ in time keep 0: the time tells them apart. Where it does not, rows that differ in
anything are different readings; without any time in the file so are rows that are alike. The
numbers are not positive, since nobody has said which replicate a reading is.

Rows of one batch may lie anywhere in the file. So each row leaves a digest of its key and one of
its content, spread over drawers by the key, beyond some size on disk; drawers are looked at one by
one, or some at once.
"""

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.drawers import Drawers, together, two_digests

_KEY = ["product", "batch", "instrument", "spindle", "speed", "stage", "sample_type"]
_TIMES = ["tested_at", "sampled_at"]
_CONTENT = ["received", "torque", "temperature", "operator", "lot", "comment", "status"]
_RECORD = np.dtype(
    [("row", "<i8"), ("key", "<u8"), ("key_b", "<u8"), ("content", "<u8"), ("content_b", "<u8")]
)


class ReplicateNumbers:
    """The keys of all rows of a file; `add` block by block, then `numbers`."""

    def __init__(self) -> None:
        """Begin with no rows."""
        self._drawers = Drawers(_RECORD)
        self._dated = False
        self._rows = 0

    def add(self, rows: pd.DataFrame) -> None:
        """Look at the rows of the next block."""
        records = np.empty(len(rows), dtype=_RECORD)
        records["row"] = np.arange(self._rows, self._rows + len(rows))
        records["key"], records["key_b"] = two_digests(rows[_KEY + _TIMES])
        records["content"], records["content_b"] = two_digests(rows[_CONTENT])
        self._dated = self._dated or any(bool(rows[name].any()) for name in _TIMES)
        self._drawers.add(records, records["key"])
        self._rows += len(rows)

    def numbers(self) -> npt.NDArray[np.int32]:
        """The number of each row of the file."""
        found = np.zeros(self._rows, dtype=np.int32)
        for records in self._drawers.some():
            key = together(records["key"], records["key_b"])
            if not self._dated:
                found[records["row"]] = -pd.Series(key).groupby(key).cumcount().to_numpy()
                continue
            crowded = np.bincount(key)[key] > 1
            if not crowded.any():
                continue
            some, key = records[crowded], key[crowded]
            content = together(some["content"], some["content_b"])
            reading = pd.factorize(key.astype(np.int64) * len(content) + content)[0]
            first = np.unique(reading, return_index=True)[1]
            order = pd.Series(key[first]).groupby(key[first]).cumcount().to_numpy()
            found[some["row"]] = -order[reading]
        return found

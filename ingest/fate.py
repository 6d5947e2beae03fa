"""The reason of every row while it is being decided: the first reason stands."""

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from ingest.coded import categories


class Fate:
    """Reason, detail and proposal of n rows, "" while a row is still in use."""

    def __init__(self, n: int, closed: npt.NDArray[np.bool_] | None = None) -> None:
        """Begin with every row in use, but for those that were decided elsewhere."""
        self._code = np.zeros(n, dtype=np.int8)
        if closed is not None:
            self._code[closed] = -1
        self._reasons = [""]
        self._detail: npt.NDArray[np.object_] | None = None
        self._proposal: npt.NDArray[np.object_] | None = None

    def mark(
        self,
        where: npt.NDArray[np.bool_],
        reason: str,
        detail: str | npt.NDArray[np.object_] = "",
        proposal: npt.NDArray[np.object_] | None = None,
    ) -> None:
        """Give rows a reason, a detail and a proposal for people, where they have none yet."""
        if not where.any():
            return
        fresh = where & (self._code == 0)
        if not fresh.any():
            return
        if reason not in self._reasons:
            self._reasons.append(reason)
        self._code[fresh] = self._reasons.index(reason)
        if proposal is not None:
            if self._proposal is None:
                self._proposal = np.full(len(self._code), "", dtype=object)
            self._proposal[fresh] = proposal[fresh]
        if isinstance(detail, str) and not detail:
            return
        if self._detail is None:
            self._detail = np.full(len(self._code), "", dtype=object)
        self._detail[fresh] = detail if isinstance(detail, str) else detail[fresh]

    @property
    def open(self) -> npt.NDArray[np.bool_]:
        """Rows without a reason so far."""
        return np.asarray(self._code == 0, dtype=bool)

    @property
    def marked(self) -> npt.NDArray[np.int64]:
        """Places of the rows that were given a reason here."""
        return np.flatnonzero(self._code > 0)

    def told(self, rows: npt.NDArray[np.int64]) -> tuple[list[str], list[str], list[str]]:
        """Reason, detail and proposal of some marked rows."""
        nothing = np.full(len(rows), "", dtype=object)
        detail = nothing if self._detail is None else self._detail[rows]
        proposal = nothing if self._proposal is None else self._proposal[rows]
        return [self._reasons[c] for c in self._code[rows]], detail.tolist(), proposal.tolist()

    def reasons(self) -> pd.Series:
        """The reason of each row, as categories."""
        texts = pa.array(self._reasons, pa.string())
        return categories(self._code, texts)

    def details(self) -> pd.Series:
        """The detail of each row."""
        return self._texts(self._detail)

    def proposals(self) -> pd.Series:
        """What may have been meant, of each row."""
        return self._texts(self._proposal)

    def _texts(self, texts: npt.NDArray[np.object_] | None) -> pd.Series:
        if texts is None:
            return categories(np.zeros_like(self._code), pa.array([""]))
        return pd.Series(pa.array(texts, pa.string()), dtype=pd.ArrowDtype(pa.string()))

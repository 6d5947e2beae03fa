"""The reason of every row while it is being decided: the first reason stands."""

import numpy as np
import numpy.typing as npt


class Fate:
    """Reason and detail of n rows, "" while a row is still in use."""

    def __init__(self, n: int) -> None:
        """Begin with every row in use."""
        self.reason = np.full(n, "", dtype=object)
        self.detail = np.full(n, "", dtype=object)

    def mark(
        self,
        where: npt.NDArray[np.bool_],
        reason: str,
        detail: str | npt.NDArray[np.object_] = "",
    ) -> None:
        """Give rows a reason, and a detail for people, where they have none yet."""
        fresh = where & (self.reason == "")
        if fresh.any():
            self.reason[fresh] = reason
            self.detail[fresh] = detail if isinstance(detail, str) else detail[fresh]

    @property
    def open(self) -> npt.NDArray[np.bool_]:
        """Rows without a reason so far."""
        return np.asarray(self.reason == "", dtype=bool)

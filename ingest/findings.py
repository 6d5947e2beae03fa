"""What a check found: reason, severity, and a proposal that changes nothing."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest import reasons

SHOWN_OF_A_KIND = 100
_MOST = 9  # powers of ten that a slip can come to
_PASCAL_SECONDS = 3  # Pa·s and mPa·s lie 10³ apart


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check found.

    Attributes:
        reason: a key of `reasons.REASONS`.
        line: of the file, 0 where it is about the file as a whole.
        product, batch: where it is about one. detail: in words.
        proposal: what may have been meant, "" where there is none; nothing is changed by it.
    """

    reason: str
    line: int
    product: str = ""
    batch: str = ""
    detail: str = ""
    proposal: str = ""

    @property
    def severity(self) -> str:
        """ "set aside", "not parsed", or "remark" where the row is used all the same."""
        return reasons.severity(self.reason)

    def as_dict(self) -> dict[str, Any]:
        """As plain values for JSON."""
        return {
            "reason": self.reason,
            "severity": self.severity,
            "line": self.line or None,
            "product": self.product,
            "batch": self.batch,
            "detail": self.detail,
            "proposal": self.proposal,
        }


class Remarks:
    """What checks remark about rows in use: all are counted, the first of each kind are kept.

    A file can have a remark for each of millions of rows, which nobody reads.
    """

    def __init__(self) -> None:
        """Begin with none."""
        self.counts: dict[str, int] = {}
        self._found: dict[str, list[Finding]] = {}

    @property
    def found(self) -> list[Finding]:
        """The first of each kind, kind by kind."""
        return [one for reason in reasons.REMARKS for one in self._found.get(reason, ())]

    def add(
        self,
        rows: pd.DataFrame,
        where: npt.NDArray[np.int64],
        reason: str,
        told: Callable[[int], tuple[str, str]],
    ) -> None:
        """Remark on some rows.

        Args:
            rows: with columns line, product and batch. where: places in them.
            reason: a key of `reasons.REMARKS`. told: place -> detail and proposal.
        """
        n = self._count(reason, len(where))
        for place in where[: max(0, SHOWN_OF_A_KIND - n)].tolist():
            product, batch = (str(rows[name].iat[place]) for name in ("product", "batch"))
            line = int(rows["line"].to_numpy()[place])
            self._keep(Finding(reason, line, product, batch, *told(place)))

    def add_about_file(self, reason: str, detail: str, product: str = "") -> None:
        """Remark on the file as a whole, or on all readings of a product."""
        if self._count(reason, 1) < SHOWN_OF_A_KIND:
            self._keep(Finding(reason, 0, product, "", detail))

    def add_first(self, reason: str, count: int, first: Sequence[Finding]) -> None:
        """Remark on so many rows, of which these are the first."""
        n = self._count(reason, count)
        for one in first[: max(0, SHOWN_OF_A_KIND - n)]:
            self._keep(one)

    def _keep(self, one: Finding) -> None:
        self._found.setdefault(one.reason, []).append(one)

    def _count(self, reason: str, more: int) -> int:
        before = self.counts.get(reason, 0)
        if more:
            self.counts[reason] = before + more
        return before


def plain_number(value: float) -> str:
    """A number with all its digits, never with an exponent."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def proposed(recorded: float, expected: float, within: float) -> str:
    """What a number may have been meant to be: another decimal place, or two digits swapped.

    Args:
        recorded: the number as it is. expected: about what it should be.
        within: relative distance from `expected` that still counts as equal.

    Returns:
        such as "1985 instead of 19850? (a digit too many)", or "".

    Example:
        >>> proposed(19850.0, 1985.0, 0.01), proposed(9135.0, 1935.0, 0.01)
        ('1985 instead of 19850? (a digit too many)', '1935 instead of 9135? (two digits swapped)')
    """
    if not (recorded > 0 and expected > 0):
        return ""
    places = round(math.log10(recorded / expected))
    if places and abs(places) <= _MOST:
        meant = float(f"{recorded / 10.0**places:.12g}")
        if abs(meant / expected - 1) <= within:
            if abs(places) == _PASCAL_SECONDS:
                why = "Pa·s and mPa·s mixed up"
            elif abs(places) == 1:
                why = "a digit too many" if places > 0 else "a digit too few"
            else:
                why = f"{'÷' if places > 0 else '×'} {10 ** abs(places)}"
            return f"{plain_number(meant)} instead of {plain_number(recorded)}? ({why})"
    digits = plain_number(recorded)
    for place in range(len(digits) - 1):
        one, two = digits[place], digits[place + 1]
        if one.isdigit() and two.isdigit() and one != two:
            meant = float(digits[:place] + two + one + digits[place + 2 :])
            if abs(meant / expected - 1) <= within:
                return f"{plain_number(meant)} instead of {digits}? (two digits swapped)"
    return ""

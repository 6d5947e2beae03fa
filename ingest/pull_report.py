"""What a pull came to: its row account, and what changed in the source, old beside new."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ingest.account import RowAccount

_LONGEST_TOLD = 80  # characters of a cell that a sentence names


@dataclass(frozen=True, slots=True)
class Change:
    """A row of the source that is not as it was pulled before.

    Attributes:
        key: the cells of the key columns, by name. kind: "changed", "gone" or "back".
        batch: the batch it was of. cells: column -> (old, new), for a changed row.
    """

    key: dict[str, str]
    kind: str
    batch: str
    cells: dict[str, tuple[str, str]]

    @property
    def sentence(self) -> str:
        """What happened to the row, in words."""
        key = ", ".join(f"{name} {value}" for name, value in self.key.items())
        row = f"Row {key} (batch {self.batch})"
        if self.kind == "gone":
            return f"{row} is not in the source any more; its reading stays until a person decides."
        if self.kind == "back":
            return f"{row} is in the source again."
        told = "; ".join(
            f"{name} was {_short(old)}, is {_short(new)}" for name, (old, new) in self.cells.items()
        )
        return f"{row} was changed in the source: {told}. Both are kept, a person decides."


@dataclass(frozen=True, slots=True)
class PullReport:
    """What a pull came to.

    Attributes:
        source: its name. everything: whether all rows were compared, not only those behind the
            watermark.
        rows_seen: rows that the source gave. unchanged, new, changed: how many of them were known
            as they are, were not known, or were known otherwise; gone, back: rows that the source
            no longer has, or has again.
        account: where the new and changed rows went, over all imports of this pull.
        imports: their numbers. watermark_before, watermark_after: how far it was pulled.
        changes: the first of the changes. notes: remarks for a person.
    """

    source: str
    everything: bool
    rows_seen: int
    unchanged: int
    new: int
    changed: int
    gone: int
    back: int
    account: RowAccount
    imports: tuple[int, ...]
    watermark_before: str
    watermark_after: str
    changes: tuple[Change, ...]
    notes: tuple[str, ...]

    @property
    def closes(self) -> bool:
        """Whether every row that the source gave is accounted for."""
        stored = self.account.rows_read == self.new + self.changed
        return stored and self.rows_seen == self.unchanged + self.new + self.changed

    def as_dict(self) -> dict[str, Any]:
        """The report as plain values for JSON."""
        return {
            "source": self.source,
            "rows_seen": self.rows_seen,
            "unchanged": self.unchanged,
            "new": self.new,
            "changed": self.changed,
            "gone": self.gone,
            "back": self.back,
            "everything_compared": self.everything,
            **self.account.as_dict(),
            "closes": self.closes and self.account.closes,
            "imports": list(self.imports),
            "watermark_before": self.watermark_before,
            "watermark_after": self.watermark_after,
            "changes": [
                {
                    "key": change.key,
                    "kind": change.kind,
                    "batch": change.batch,
                    "cells": {
                        name: {"old": old, "new": new} for name, (old, new) in change.cells.items()
                    },
                }
                for change in self.changes
            ],
            "notes": list(self.notes),
        }


def _short(cell: str) -> str:
    """A cell as a sentence can take it."""
    words = " ".join(cell.split()) or "empty"
    return words if len(words) <= _LONGEST_TOLD else f"{words[:_LONGEST_TOLD]} …"


def account_of(accounts: Sequence[RowAccount]) -> RowAccount:
    """The accounts of several imports as one."""
    aside: Counter[str] = Counter()
    lost: Counter[str] = Counter()
    for account in accounts:
        aside.update(account.set_aside)
        lost.update(account.not_parsed)
    return RowAccount(
        rows_read=sum(account.rows_read for account in accounts),
        used=sum(account.used for account in accounts),
        set_aside=dict(sorted(aside.items())),
        not_parsed=dict(sorted(lost.items())),
        duplicates=sum(account.duplicates for account in accounts),
        conflicts=sum(account.conflicts for account in accounts),
    )

"""The row account: every row read is used, set aside, not parsed or a duplicate."""

from dataclasses import dataclass, field
from typing import Any

from ingest.errors import IngestError


@dataclass(frozen=True, slots=True)
class RowAccount:
    """Where every row of a file went.

    Attributes:
        rows_read: records below the header, blank lines not counted.
        used: rows that count in charts. set_aside: kept, shown, not used, by reason.
        not_parsed: kept as text, by reason. duplicates: rows that the store already held, or that
            stood twice in the file, identical in every cell.
        conflicts: readings recorded with more than one value (their rows are set aside).
        blank_lines: lines with nothing in them.
        remarks: what checks found about rows in use, by reason; they are counted in `used` too.
    """

    rows_read: int
    used: int
    set_aside: dict[str, int] = field(default_factory=dict)
    not_parsed: dict[str, int] = field(default_factory=dict)
    duplicates: int = 0
    conflicts: int = 0
    blank_lines: int = 0
    remarks: dict[str, int] = field(default_factory=dict)

    @property
    def closes(self) -> bool:
        """Whether rows read = used + set aside + not parsed + duplicates."""
        return self.rows_read == (
            self.used
            + sum(self.set_aside.values())
            + sum(self.not_parsed.values())
            + self.duplicates
        )

    def as_dict(self) -> dict[str, Any]:
        """The account as plain values for JSON."""
        return {
            "rows_read": self.rows_read,
            "used": self.used,
            "set_aside": dict(self.set_aside),
            "not_parsed": dict(self.not_parsed),
            "duplicates": self.duplicates,
            "conflicts": self.conflicts,
            "blank_lines": self.blank_lines,
            "remarks": dict(self.remarks),
            "closes": self.closes,
        }


def require_closed(account: RowAccount, name: str) -> None:
    """Refuse an account that does not close.

    Raises:
        IngestError: rows are missing or counted twice.
    """
    if not account.closes:
        raise IngestError(
            f"{name}: {account.rows_read} rows were read but the account does not add up to that, "
            "so nothing of this file is imported. Please report this file."
        )

"""Sources for people: what is described, what the last pull came to, and its report in words."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

import ingest
from dashboard import text


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One source: its name, address without a password, last pull, and what that came to.

    Attributes:
        name, address: as described. pulled_at: last pull in UTC, "" never.
        n_rows: rows known of it. n_gone: those that it no longer has. watermark: how far.
        outcome: of the last pull, as `PullReport.as_dict` gives it. described: whether the file
            still describes it.
    """

    name: str
    address: str
    pulled_at: str
    n_rows: int
    n_gone: int
    watermark: str
    outcome: dict[str, Any]
    described: bool

    def as_dict(self) -> dict[str, Any]:
        """The row as plain values for JSON."""
        return asdict(self)

    @property
    def sentence(self) -> str:
        """When it was pulled last and what that came to."""
        if not self.pulled_at:
            return "It was not pulled yet."
        at = text.moment(pd.Timestamp(self.pulled_at))
        last = self.outcome
        told = f"Pulled last on {at} UTC: {text.count(last['rows_seen'], 'row')} looked at, "
        told += f"{last['new']} new, {last['changed']} changed. "
        told += f"{text.count(self.n_rows, 'row')} known"
        return told + (
            f", {self.n_gone} of them not in the source any more." if self.n_gone else "."
        )


def source_rows(store: ingest.Store, file: Path) -> list[SourceRow]:
    """Every source that is described or was pulled from, by name.

    Raises:
        IngestError: the file that describes them has no sense.
    """
    described = ingest.load_sources(file)
    held = {str(row["name"]): row for row in ingest.sources(store).to_dict("records")}
    rows = []
    for name in sorted({*described, *held}):
        known = held.get(name, {})
        at = known.get("pulled_at")
        rows.append(
            SourceRow(
                name,
                described[name].shown if name in described else "not described any more",
                at.isoformat() if isinstance(at, pd.Timestamp) and not pd.isna(at) else "",
                int(known.get("n_rows", 0)),
                int(known.get("n_gone", 0)),
                str(known.get("watermark", "")),
                dict(known.get("outcome", {})),
                name in described,
            )
        )
    return rows


def report_text(report: ingest.PullReport) -> str:
    """What a pull came to, as lines of text."""
    account = report.account
    lines = [
        f"{report.source}: {report.rows_seen} rows looked at, {report.unchanged} known, "
        f"{report.new} new, {report.changed} changed"
    ]
    if account.rows_read:
        lines.append(f"  {account.used:>8} used")
    for kind, word in ((account.set_aside, "set aside"), (account.not_parsed, "not parsed")):
        lines += [f"  {n:>8} {word}: {ingest.REASONS[reason]}" for reason, n in kind.items()]
    if account.duplicates:
        lines.append(f"  {account.duplicates:>8} duplicates of rows already held")
    closes = report.closes and account.closes
    lines.append("           The account closes." if closes else "  It does not close!")
    if report.gone:
        lines.append(f"  {report.gone:>8} not in the source any more; their readings stay")
    lines += [f"  {change.sentence}" for change in report.changes]
    lines += [f"  Note: {note}" for note in report.notes]
    return "\n".join(lines)

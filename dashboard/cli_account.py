"""The row account of an import as lines for people."""

from typing import Any

FINDINGS_SHOWN = 12  # lines of text; JSON has more


def summary(outcomes: list[dict[str, Any]], others: int) -> str:
    """All files together, in one sentence."""
    read = [outcome for outcome in outcomes if "error" not in outcome and not outcome["questions"]]
    rows = sum(outcome["rows_read"] for outcome in read)
    used = sum(outcome["used"] for outcome in read)
    left = len(outcomes) - len(read)
    lines = [f"{len(outcomes)} files: {len(read)} imported, {left} not. "]
    lines.append(f"{rows} rows read, {used} used.")
    if others:
        lines.append(f" {others} files with other endings were left alone.")
    return "".join(lines)


def account_text(outcome: dict[str, Any]) -> str:
    """Where every row of a file went, and how the file was read, for people."""
    from ingest import REASONS

    if "error" in outcome:
        return f"{outcome['file']}: not imported."
    if outcome["questions"]:
        return f"{outcome['file']}: not imported, a question is open."
    lines = [f"{outcome['file']}: {outcome['rows_read']} rows read"]
    lines.append(f"  {outcome['used']:>8} used")
    for kind, word in (("set_aside", "set aside"), ("not_parsed", "not parsed")):
        for reason, count in outcome[kind].items():
            lines.append(f"  {count:>8} {word}: {REASONS[reason]}")
    for reason, count in outcome["remarks"].items():
        lines.append(f"  {count:>8} remarked: {REASONS[reason]}")
    if outcome["duplicates"]:
        lines.append(f"  {outcome['duplicates']:>8} duplicates of rows already held")
    lines.append("           The account closes." if outcome["closes"] else "  It does not close!")
    if outcome["blank_lines"]:
        lines.append(f"           ({outcome['blank_lines']} blank lines skipped)")
    lines += [f"  {line}" for line in outcome["reading"]]
    lines += [f"  Note: {note}" for note in outcome["notes"]]
    lines += [_finding_text(finding) for finding in outcome["findings"][:FINDINGS_SHOWN]]
    more = len(outcome["findings"]) - FINDINGS_SHOWN
    lines += [f"  And {more} more; --json prints them." if more > 0 else ""]
    return "\n".join(line for line in lines if line)


def _finding_text(finding: dict[str, Any]) -> str:
    """One finding on a line: where, what, and what may have been meant."""
    where = f"line {finding['line']}" if finding["line"] else finding["product"]
    batch = f", batch {finding['batch']}" if finding["batch"] else ""
    meant = f": {finding['proposal']} Nothing is changed." if finding["proposal"] else ""
    place = f"{where}{batch}: " if where else ""
    return f"  {finding['severity'].capitalize()}: {place}{finding['detail']}{meant}"

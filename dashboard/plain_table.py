"""Tables to be read rather than searched: every word is shown, and a phone gets a row as a card."""

from collections.abc import Sequence
from html import escape
from pathlib import Path

import pandas as pd

from dashboard import text

STYLE = Path(__file__).with_name("plain_table.css")
"""Fixed rules of ours, no data in them; the app lays them once under every page."""


def html(columns: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[bool] = ()) -> str:
    """A table as HTML in which every text is escaped: names come from files.

    Args:
        columns: headings; on a phone each stands beside its cell, so none is ever out of sight.
        rows: cells in words. The first of each names the row.
        right: which columns stand to the right, as numbers do; none if empty.
    """
    sides = [" pt-right" if one else "" for one in right] or [""] * len(columns)
    # roles: shown as cards, a table would no longer be one to a screen reader
    head = "".join(
        f'<th role="columnheader" scope="col" class="pt-cell{side}">{escape(name)}</th>'
        for name, side in zip(columns, sides, strict=True)
    )
    body = "".join(f'<tr role="row">{_cells(row, columns, sides)}</tr>' for row in rows)
    return (
        f'<table class="pt" role="table"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{body}</tbody></table>'
    )


def _cells(row: Sequence[str], columns: Sequence[str], sides: Sequence[str]) -> str:
    made = []
    for number, (words, name, side) in enumerate(zip(row, columns, sides, strict=True)):
        tag, role = ("th", 'rowheader" scope="row') if number == 0 else ("td", "cell")
        made.append(
            f'<{tag} role="{role}" class="pt-cell{side}" data-label="{escape(name)}">'
            f"<span>{escape(words)}</span></{tag}>"
        )
    return "".join(made)


def of_frame(frame: pd.DataFrame) -> str:
    """A frame as such a table."""
    rows = [[_shown(cell) for cell in row] for row in frame.itertuples(index=False)]
    return html([str(name) for name in frame.columns], rows)


def _shown(cell: object) -> str:
    if isinstance(cell, float):
        return text.MISSING if text.is_missing(cell) else text.plain(cell)
    return str(cell) or text.MISSING

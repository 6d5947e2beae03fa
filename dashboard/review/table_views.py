"""The tables of a pack as a page shows them."""

import pandas as pd

from dashboard import escaping
from dashboard.review.html import shown
from dashboard.review.model import Table


def escaped(table: Table) -> pd.DataFrame:
    """A table whose every cell and heading is text without any meaning for Markdown.

    The first column names the rows, so that it stays in view.
    """
    rows = [[escaping.markdown(shown(cell)) for cell in row] for row in table.rows]
    columns = [escaping.markdown(name) for name in table.columns]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.set_index(columns[0])


def plain(table: Table) -> pd.DataFrame:
    """A table for an element that takes text as it is."""
    rows = [[shown(cell) for cell in row] for row in table.rows]
    return pd.DataFrame(rows, columns=list(table.columns))

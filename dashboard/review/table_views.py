"""The tables of a pack as a page shows them."""

import pandas as pd

from dashboard import plain_table
from dashboard.review.html import right_columns, shown
from dashboard.review.model import Table


def as_html(table: Table) -> str:
    """A table to be read, with numbers to the right as on paper."""
    rows = [[shown(cell) for cell in row] for row in table.rows]
    return plain_table.html(table.columns, rows, right_columns(table))


def plain(table: Table) -> pd.DataFrame:
    """A table for an element that takes text as it is."""
    rows = [[shown(cell) for cell in row] for row in table.rows]
    return pd.DataFrame(rows, columns=list(table.columns))

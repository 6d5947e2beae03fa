"""Cells that no spreadsheet takes for formulas."""

import re

import pandas as pd

_FORMULA = re.compile(r"^[=+\-@\t\r]")


def harmless(cell: object) -> object:
    """Text that starts with = + - @, a tab or a carriage return gets an apostrophe in front."""
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


def harmless_table(frame: pd.DataFrame) -> pd.DataFrame:
    """A table with every text cell and every heading made harmless; numbers stay numbers."""
    safe = frame.copy()
    for name in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[name]) and not (
            pd.api.types.is_datetime64_any_dtype(safe[name])
        ):
            safe[name] = safe[name].map(harmless, na_action="ignore").astype(object)
    safe.columns = [harmless(name) for name in safe.columns]
    return safe

"""Text that came from a file, made harmless before a page or a spreadsheet interprets it."""

import re

import pandas as pd

_MARKUP = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:^&])")
_FORMULA = re.compile(r"^[=+\-@\t\r]")


def markdown(text: object) -> str:
    """Escape every character that Markdown gives a meaning, and join lines.

    Names of batches and products come from files: unescaped, one of them could load a picture
    from elsewhere or draw a link.
    """
    return _MARKUP.sub(r"\\\1", " ".join(str(text).split()))


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """A table as CSV that no spreadsheet takes for formulas.

    Text that starts with = + - @ or a tab gets an apostrophe in front. Numbers stay numbers. The
    byte-order mark makes spreadsheets read the text as UTF-8.
    """
    safe = frame.copy()
    for name in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[name]) and not (
            pd.api.types.is_datetime64_any_dtype(safe[name])
        ):
            safe[name] = safe[name].map(_harmless, na_action="ignore").astype(object)
    safe.columns = [_harmless(name) for name in safe.columns]
    return safe.to_csv(index=False).encode("utf-8-sig")


def _harmless(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell

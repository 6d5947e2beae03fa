"""Text that came from a file, made harmless before a page or a spreadsheet interprets it."""

import re

import pandas as pd

from ingest.harmless import harmless_table

_MARKUP = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:^&])")


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
    return harmless_table(frame).to_csv(index=False).encode("utf-8-sig")

"""Tables in words for the pages and for CSV: frames of the store in, frames for people out."""

from collections.abc import Sequence
from typing import Any

import pandas as pd

import ingest
from dashboard import escaping, text


def readings(rows: pd.DataFrame, show_operators: bool, batch: str) -> pd.DataFrame:
    """The readings of one batch in words, used and set aside.

    Args:
        rows: readings of one characteristic, used and set aside.
        show_operators: with their names; else as "operator 1", numbered by first appearance
            among all rows, so that a number means the same person in every batch.
        batch: the batch to show.
    """
    operator = _words(rows["operator"])
    if not show_operators:
        order = operator[rows["id"].sort_values().index]
        people = [name for name in order.unique() if name]
        numbers = {name: f"operator {i}" for i, name in enumerate(people, 1)}
        operator = operator.map(lambda name: numbers.get(name, ""))
    wanted = rows["batch"] == batch
    rows, operator = rows[wanted], operator[wanted]
    frame = pd.DataFrame(
        {
            "Replicate": [str(n) if n > 0 else text.MISSING for n in rows["replicate"]],
            "Viscosity, mPa·s": rows["viscosity"].astype(float),
            "Torque, %": rows["torque"].astype(float),
            "Temperature, °C": rows["temperature"].astype(float),
            "Used": [_used(reason) for reason in rows["reason"]],
            "File": _words(rows["file"]),
            "Line": rows["file_line"].astype(int),
            "As received": _words(rows["received"]),
            "Instrument": _words(rows["instrument"]),
            "Operator": operator,
            "Raw-material lot": _words(rows["lot"]),
            "Time (UTC)": [text.moment(at) for at in rows["sampled_at"].fillna(rows["at"])],
            "Comment": _words(rows["comment"]),
        }
    )
    blank = [name for name in frame if (frame[name].isna() | (frame[name] == "")).all()]
    return frame.drop(columns=blank)


def as_text(frame: pd.DataFrame) -> pd.DataFrame:
    """The same table with every cell as text that Markdown leaves alone, and no index."""

    def cell(value: object) -> str:
        if isinstance(value, float):
            return text.MISSING if text.is_missing(value) else text.plain(value)
        return escaping.markdown(value)

    return frame.map(cell).set_index(frame.columns[0])


def understood(items: Sequence[ingest.Understood]) -> pd.DataFrame:
    """What was decided about a file, and why."""
    return pd.DataFrame(
        {
            "What": [one.what for one in items],
            "Taken as": [one.value for one in items],
            "Why": [one.why for one in items],
        }
    )


def set_aside(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a file that are kept but not used."""
    return pd.DataFrame(
        {
            "Line": rows["line"].astype(int),
            "Why": [ingest.REASONS.get(reason, reason) for reason in rows["reason"]],
            "Detail": _words(rows["detail"]),
            "Batch": _words(rows["batch"]),
            "As received": _words(rows["received"]),
        }
    )


def not_parsed(rows: Sequence[Any]) -> pd.DataFrame:
    """Records of a file that could not be read."""
    return pd.DataFrame(
        {
            "Line": [row.line for row in rows],
            "Why": [ingest.REASONS.get(row.reason, row.reason) for row in rows],
            "Text": [row.text for row in rows],
        }
    )


def first_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Typed rows of a file, before the store: the columns a person checks first."""
    return pd.DataFrame(
        {
            "Line": rows["line"].astype(int),
            "Product": _words(rows["product"]),
            "Batch": _words(rows["batch"]),
            "Replicate": rows["replicate"].astype(int),
            "Viscosity, mPa·s": rows["viscosity"].astype(float),
            "Torque, %": rows["torque"].astype(float),
            "Temperature, °C": rows["temperature"].astype(float),
            "Time (UTC)": [_moment(row) for row in rows.itertuples()],
            "Used": [_used(reason) for reason in rows["reason"]],
        }
    )


def imports(rows: pd.DataFrame) -> pd.DataFrame:
    """Earlier imports with their accounts, newest first."""
    return pd.DataFrame(
        {
            "When (UTC)": [text.moment(at) for at in rows["at"]],
            "File": _words(rows["file"]),
            "Rows read": rows["rows_read"],
            "Used": rows["used"],
            "Set aside": rows["set_aside"],
            "Not parsed": rows["not_parsed"],
            "Already known": rows["duplicates"],
            "Source": _words(rows["source"]),
        }
    )


def specifications(held: Sequence[ingest.Specification]) -> pd.DataFrame:
    """Dated specifications, oldest first within a product."""
    return pd.DataFrame(
        {
            "Product": [one.product for one in held],
            "Lower, mPa·s": [_limit(one.lower) for one in held],
            "Target, mPa·s": [_limit(one.target) for one in held],
            "Upper, mPa·s": [_limit(one.upper) for one in held],
            "Valid from": [
                text.date(pd.Timestamp(one.valid_from)) if one.valid_from else "the beginning"
                for one in held
            ],
        }
    )


def _words(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), "").astype(str)


def _limit(value: float | None) -> str:
    return text.MISSING if value is None else text.plain(value)


def _used(reason: str) -> str:
    return "yes" if not reason else f"no: {ingest.REASONS.get(reason, reason)}"


def _moment(row: Any) -> str:
    seconds = int(row.sampled_at) or int(row.tested_at)
    return text.moment(pd.Timestamp(seconds, unit="s", tz="UTC")) if seconds else text.MISSING

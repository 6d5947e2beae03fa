"""Tables in words for the pages and for CSV: frames of the store in, frames for people out."""

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

import ingest
from dashboard import escaping, text
from dashboard.decisions_view import Told
from dashboard.results import Assessment


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
        numbers = pseudonyms(rows)
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
            "Line": _places(rows),
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


def readings_of_batch(
    rows: pd.DataFrame, people: Sequence[str], show_operators: bool
) -> pd.DataFrame:
    """The readings of one batch in words; operators as numbers, the same in every batch.

    Args:
        rows: readings of one batch. people: everybody who read this product, in a fixed order.
        show_operators: with their names.
    """
    if rows.empty:
        return pd.DataFrame({"Replicate": []})
    if not show_operators:
        numbers = {name: f"operator {i}" for i, name in enumerate(people, 1)}
        rows = rows.assign(operator=rows["operator"].map(lambda name: numbers.get(name, "")))
    return readings(rows, True, str(rows["batch"].iat[0]))


def parted(frame: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """What differs between the readings of a batch, and what is the same for all, in words."""
    others = list(frame.columns)[1:]
    same = [name for name in others if len(frame) and (frame[name] == frame[name].iat[0]).all()]
    said = "; ".join(_named(name, frame[name].iat[0]) for name in same)
    return frame.drop(columns=same), said


def _named(name: str, value: object) -> str:
    """A heading and its value as words run on: "torque, % 39.2", "operator 4"."""
    said = text.plain(value) if isinstance(value, float) else str(value)
    head = name[0].lower() + name[1:]
    return said if said.startswith(head) else f"{head} {said}"


def batches(one: Assessment, first: int, stop: int) -> pd.DataFrame:
    """The batches of a stretch, the newest first, with what is known of each."""
    rows = one.batches.iloc[first:stop]
    phrases: dict[int, list[str]] = {}
    for row in one.signals:
        phrases.setdefault(row.index, []).append(row.phrase)
    numbers = range(first, first + len(rows))
    frame = pd.DataFrame(
        {
            "Batch": rows["batch"].to_numpy(),
            "Sampled (UTC)": [text.moment(at) for at in rows["at"]],
            "Mean, mPa·s": rows["mean"].to_numpy(),
            "Readings": rows["n"].to_numpy(),
            "Range, mPa·s": rows["range"].to_numpy(),
            "Instrument": _words(rows["instrument"]).to_numpy(),
            "Signals": [text.joined(phrases.get(i, [])) for i in numbers],
            "Left out of limits": [one.limits.left_out.get(i, "") for i in numbers],
        }
    )
    return frame.iloc[::-1]


def off_target(rows: pd.DataFrame) -> pd.DataFrame:
    """Batches of several products by their distance from target, the newest first."""
    frame = pd.DataFrame(
        {
            "Batch": rows["batch"],
            "Product": rows["product"],
            "Sampled (UTC)": [text.moment(at) for at in rows["at"]],
            "Mean, mPa·s": rows["mean"],
            "Target, mPa·s": rows["target"],
            "Off target, %": rows["percent"].round(2),
        }
    )
    return frame.iloc[::-1]


def told(rows: Sequence[Told]) -> pd.DataFrame:
    """What was decided or recorded, the newest first."""
    return pd.DataFrame(
        {
            "When (UTC)": [text.moment(pd.Timestamp(row.at)) for row in rows],
            "Who": [row.who for row in rows],
            "What": [row.what for row in rows],
            "In words": [row.words or text.MISSING for row in rows],
        }
    )


def pseudonyms(rows: pd.DataFrame) -> dict[str, str]:
    """Operators as "operator 1", numbered by first appearance among these readings."""
    order = _words(rows["operator"])[rows["id"].sort_values().index]
    people = [name for name in order.unique() if name]
    return {name: f"operator {i}" for i, name in enumerate(people, 1)}


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
            "May have been meant": _words(rows["proposal"]),
            "Batch": _words(rows["batch"]),
            "As received": _words(rows["received"]),
        }
    )


def remarks(found: Sequence[ingest.Finding]) -> pd.DataFrame:
    """What checks found about rows that are used all the same."""
    return pd.DataFrame(
        {
            "Severity": [one.severity for one in found],
            "What": [ingest.REASONS[one.reason] for one in found],
            "Line": [str(one.line) if one.line else text.MISSING for one in found],
            "Product": [one.product for one in found],
            "Batch": [one.batch for one in found],
            "Detail": [one.detail for one in found],
            "May have been meant": [one.proposal for one in found],
        }
    )


def remembered(profile: ingest.Profile) -> pd.DataFrame:
    """Answers that a source was given before."""
    held = list(profile.answers.values())
    return pd.DataFrame(
        {
            "What": [one.field for one in held],
            "Answer": [one.value for one in held],
            "When (UTC)": [text.moment(pd.Timestamp(one.at)) for one in held],
            "Who": [one.who for one in held],
        }
    )


def side_by_side(pairs: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """The columns of a source's export, as they were and as they are."""
    return pd.DataFrame(
        {
            "Until now": [old or text.MISSING for old, _ in pairs],
            "In this file": [new or text.MISSING for _, new in pairs],
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
            "Taken out again": ["yes" if undone else "" for undone in rows["undone"]],
        }
    )


def source_changes(rows: pd.DataFrame) -> pd.DataFrame:
    """Cells that changed in a database after they were pulled, newest first."""
    newest = rows.iloc[::-1]
    return pd.DataFrame(
        {
            "Seen (UTC)": [text.moment(at) for at in newest["at"]],
            "Source": _words(newest["source"]),
            "Key": _words(newest["key"]),
            "Column": _words(newest["column"]),
            "Was": _words(newest["old"]),
            "Is": _words(newest["new"]),
        }
    )


def _places(rows: pd.DataFrame) -> list[Any]:
    """Where each reading stands: its line in the file, or its key in the database."""
    keys = rows["source_key"] if "source_key" in rows else [""] * len(rows)
    if not any(keys):
        return list(rows["file_line"].astype(int))
    return [
        f"key {', '.join(json.loads(key))}" if key else str(line)
        for key, line in zip(keys, rows["file_line"], strict=True)
    ]


def _words(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), "").astype(str)


def _used(reason: str) -> str:
    return "yes" if not reason else f"no: {ingest.REASONS.get(reason, reason)}"


def _moment(row: Any) -> str:
    seconds = int(row.sampled_at) or int(row.tested_at)
    return text.moment(pd.Timestamp(seconds, unit="s", tz="UTC")) if seconds else text.MISSING

"""The first steps of the trace of a batch: its rows as they came, as they were read, and how."""

from collections.abc import Sequence

import pandas as pd

import ingest
from dashboard import text

Parts = tuple[str, tuple[str, ...], pd.DataFrame | None]
"""Title of a step, what is said, and a table where there is one."""


def as_received(rows: pd.DataFrame, held: ingest.Received) -> Parts:
    """Where each row came from, and what stood there."""
    said = ["The file keeps the whole row; the store names its line and what stood there."]
    origins = {one.import_id: one for one in held.origins}
    found: dict[str, list[str]] = {
        "Viscosity as written": [str(value) for value in rows["received"]],
        "File": [str(value) for value in rows["file"]],
        "Line": [str(value) for value in rows["file_line"]],
        "Source": [origins[number].source for number in rows["import_id"]],
        "Imported (UTC)": [
            text.moment(pd.Timestamp(origins[number].at)) for number in rows["import_id"]
        ],
        "SHA-256 of the file": [origins[number].digest[:16] for number in rows["import_id"]],
        "Said again in": [
            text.joined(
                [f"{r.file} line {r.line}" for r in held.repeats.itertuples() if r.id == number]
            )
            for number in rows["id"]
        ],
    }
    return "Rows as received", tuple(said), _across(rows, found)


def as_parsed(rows: pd.DataFrame, held: ingest.Received) -> Parts:
    """What each row was taken for."""
    further = {
        name: [held.details.get(int(number), {}).get(name, "") for number in rows["id"]]
        for name in dict.fromkeys(key for kept in held.details.values() for key in kept)
    }
    found: dict[str, list[str]] = {
        "Viscosity, mPa·s": [_number(value) for value in rows["viscosity"]],
        "Used": [_why_not(int(number), held.reasons) for number in rows["id"]],
        "Torque, %": [_number(value) for value in rows["torque"]],
        "Temperature, °C": [_number(value) for value in rows["temperature"]],
        "Sampled (UTC)": [_moment(at) for at in rows["sampled_at"]],
        "Tested (UTC)": [_moment(at) for at in rows["at"]],
        "Instrument": [str(value or "") for value in rows["instrument"]],
        "Operator": [str(value or "") for value in rows["operator"]],
        "Raw-material lot": [str(value or "") for value in rows["lot"]],
        "Production line": [str(value or "") for value in rows["line_name"]],
        "Shift": [str(value or "") for value in rows["shift"]],
        "Stage": [str(value or "") for value in rows["stage"]],
        "Status": [str(value or "") for value in rows["status"]],
        "Comment": [str(value or "") for value in rows["comment"]],
        **further,
    }
    return "Rows as parsed", (), _across(rows, found)


def _across(rows: pd.DataFrame, facts: dict[str, list[str]]) -> pd.DataFrame:
    """One column a reading, so that it fits a phone and a sheet of paper."""
    heads = [f"Replicate {n}" if n else f"Reading {i}" for i, n in enumerate(rows["replicate"], 1)]
    seen: dict[str, int] = {}
    for place, head in enumerate(heads):
        seen[head] = seen.get(head, 0) + 1
        heads[place] = head if seen[head] == 1 else f"{head}, record {seen[head]}"
    kept = {name: values for name, values in facts.items() if any(values)}
    table = pd.DataFrame(
        [[value or text.MISSING for value in values] for values in kept.values()], columns=heads
    )
    table.insert(0, "What", list(kept))
    return table


def _why_not(number: int, reasons: pd.DataFrame) -> str:
    mine = reasons[reasons["id"] == number]
    if mine.empty:
        return "yes"
    told = [
        f"{ingest.REASONS.get(row.reason, row.reason)}{f' ({row.detail})' if row.detail else ''}"
        for row in mine.itertuples()
    ]
    return f"no: {'; '.join(told)}"


def conversions(origins: Sequence[ingest.Origin]) -> Parts:
    """What was decided about the files to read them."""
    told = [row for origin in origins for row in origin.understood]
    headings = [f"{what} as {value}" for what, value, _ in told if what.startswith("'")]
    rows = [row for row in told if not row[0].startswith("'")]
    named = [f"Headings: {'; '.join(dict.fromkeys(headings))}."] if headings else []
    answers = [
        f"Said by a person about {origin.file}: {field} = {value}."
        for origin in origins
        for field, value in sorted(origin.answers.items())
    ]
    undone = [f"The import of {one.file} was undone." for one in origins if one.undone]
    table = pd.DataFrame(list(dict.fromkeys(rows)), columns=["What", "Taken as", "Why"])
    said = ("How the files were read.",) if len(table) else ("Nothing had to be converted.",)
    return "Conversions", (*said, *answers, *undone, *named), table if len(table) else None


def condition(held: ingest.Condition, methods: Sequence[ingest.Method]) -> Parts:
    """The measuring condition, and the registered methods of that name."""
    parts = {
        "Spindle": held.spindle,
        "Speed, rpm": held.speed,
        "Set temperature, °C": held.set_temperature,
        "Reading time, s": held.reading_time,
        "Guard": held.guard,
        "Stage": held.stage,
        "Method": held.method,
    }
    rows = [(name, value or "not recorded") for name, value in parts.items()]
    said = ["This is the key of the chart: results of another condition are never pooled with it."]
    for one in methods:
        window = f"torque {text.plain(one.torque_low)} to {text.plain(one.torque_high)} %"
        version = f" version {one.version}" if one.version else ""
        said.append(
            f"Registered method {one.name}{version}: {window}, "
            f"{text.count(one.replicates, 'replicate')}."
        )
    if not methods:
        named = f"Method {held.method} is not" if held.method else "No method is named, and none is"
        said.append(f"{named} registered in the set-up with a version and a torque window.")
    return "Measuring condition and method", tuple(said), facts(rows)


def facts(rows: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """Facts as a table: what, and what is recorded."""
    return pd.DataFrame(list(rows), columns=["What", "Recorded"])


def _number(value: float) -> str:
    return "" if text.is_missing(value) else text.plain(value)


def _moment(at: pd.Timestamp) -> str:
    return text.moment(at) if pd.notna(at) else ""

"""Tables of the pages Capability, Measuring system and Set-up, in words."""

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

import ingest
from dashboard import text
from dashboard.agreement import Agreement, Comparison, TorqueShare
from dashboard.capability_study import Period, Study
from dashboard.levels import Level
from dashboard.measuring import CheckVerdicts
from dashboard.results import Assessment
from dashboard.setup_rows import Row
from dashboard.setup_tables import Table
from dashboard.setup_undo import SETTINGS

_KINDS = {"number": "float64", "whole": "Int64", "yes": "bool"}


def setup_rows(table: Table, rows: Sequence[Row]) -> pd.DataFrame:
    """Lines of the set-up for an editor: a column a field, under its key, of one kind each."""
    columns = {}
    for one in table.fields:
        values = [row.get(one.key) for row in rows]
        if one.kind == "date":
            columns[one.key] = pd.Series(pd.to_datetime(pd.Series(values, dtype="object")))
        else:
            columns[one.key] = pd.Series(values, dtype=_KINDS.get(one.kind, "object"))
    return pd.DataFrame(columns)


def characteristics(rows: pd.DataFrame) -> pd.DataFrame:
    """Products and check standards at their measuring conditions, as the readings name them."""
    return pd.DataFrame(
        {
            "Product": rows["product"],
            "Measuring condition": rows["condition"],
            "Sample type": rows["sample_type"],
            "Readings": rows["n_readings"],
        }
    )


def sources(imports: pd.DataFrame) -> pd.DataFrame:
    """Where readings came from: a line a source, the newest first."""
    standing = imports[~imports["undone"].astype(bool)]
    rows = [
        {
            "Source": str(name) or "not named",
            "Files": len(part),
            "Rows read": int(part["rows_read"].sum()),
            "Used": int(part["used"].sum()),
            "Newest (UTC)": text.moment(part["at"].max()),
            "Newest file": str(part.sort_values("at")["file"].iloc[-1]),
        }
        for name, part in standing.groupby("source", sort=False)
    ]
    return pd.DataFrame(rows)


def services(held: Sequence[ingest.Service]) -> pd.DataFrame:
    """What was done to the instruments, the newest first."""
    rows = list(reversed(held))
    return pd.DataFrame(
        {
            "Instrument": [one.instrument for one in rows],
            "Day": [text.date(pd.Timestamp(one.on)) for one in rows],
            "What was done": [one.words for one in rows],
            "Recorded by": [one.who for one in rows],
        }
    )


def journal(entries: pd.DataFrame) -> pd.DataFrame:
    """The journal, newest entry first."""
    rows = entries.iloc[::-1]
    return pd.DataFrame(
        {
            "Entry": rows["id"],
            "When (UTC)": [text.moment(pd.Timestamp(at)) for at in rows["at"]],
            "Who": rows["who"],
            "What": rows["what"],
            "About": [SETTINGS.get(subject, subject) for subject in rows["subject"]],
            "Why": rows["why"],
            "Before": [_from_json(old) for old in rows["old"]],
            "After": [_from_json(new) for new in rows["new"]],
            "Hash": rows["hash"],
        }
    )


def periods(held: Sequence[Period]) -> pd.DataFrame:
    """The index period by period, newest first."""
    rows = list(reversed(held))
    return pd.DataFrame(
        {
            "Period": [one.label for one in rows],
            "Ppk": [
                text.with_interval(one.result.ppk, one.result.ppk_interval)
                if one.result is not None
                else one.note
                for one in rows
            ],
            "Batches": [one.n for one in rows],
            "Beyond limits": [one.outside for one in rows],
            "Mean, mPa·s": [
                text.number(one.result.mean) if one.result is not None else "" for one in rows
            ],
            "Standard deviation, mPa·s": [
                text.number(one.result.sd, 3) if one.result is not None else "" for one in rows
            ],
        }
    )


def capability_forms(one: Assessment, study: Study) -> pd.DataFrame:
    """Ppk by the normal formula and by quantiles, side by side."""
    rows: list[tuple[str, str, str]] = []
    result = one.capability.result
    if result is not None:
        pp = text.fixed(result.pp, 2)
        ppk = text.with_interval(result.ppk, result.ppk_interval)
        rows.append(("normal formula: mean and 3 standard deviations", pp, ppk))
    for name, found in (
        ("quantiles of a lognormal curve", study.lognormal),
        ("quantiles of the values themselves", study.observed),
    ):
        if found is not None:
            ppk = text.with_interval(found.ppk, found.ppk_interval)
            rows.append((name, text.fixed(found.pp, 2), ppk))
    return pd.DataFrame(rows, columns=["Made from", "Pp", "Ppk (95 % interval)"])


def check_verdicts(found: Sequence[CheckVerdicts]) -> pd.DataFrame:
    """Both verdicts on the newest run of every check standard."""
    inside = {True: "inside", False: "outside", None: "not known"}
    return pd.DataFrame(
        {
            "Check": [
                f"{one.standard.name} on {one.standard.instrument or 'not recorded'}"
                for one in found
            ],
            "Tolerance": [inside[one.first] for one in found],
            "Own chart": [inside[one.second] for one in found],
            "Newest run, mPa·s": [text.number(one.standard.last) for one in found],
            "Run on": [text.date(one.standard.last_at) for one in found],
            "Tolerance, mPa·s": [
                text.interval(one.two.tolerance.lower, one.two.tolerance.upper, decimals=0)
                if one.two
                else text.MISSING
                for one in found
            ],
            "Own limits, mPa·s": [
                text.interval(one.standard.lower, one.standard.upper, decimals=0)
                if one.standard.lower is not None
                else text.MISSING
                for one in found
            ],
            "Runs": [one.standard.n for one in found],
            "Spread of the runs": [text.percent(one.site_precision, 2) for one in found],
        }
    )


def agreements(found: Sequence[Agreement], what: str) -> pd.DataFrame:
    """Repeatability of several instruments or operators."""
    frame = pd.DataFrame(
        {
            what: [one.label for one in found],
            "Relative": [text.percent(one.cv_percent, 2) for one in found],
            "95 % interval": [text.interval(one.low, one.high) for one in found],
            "Batches": [one.n for one in found],
        }
    )
    if any(one.s_r is not None for one in found):
        frame["s_r, mPa·s"] = [text.number(one.s_r, 3) for one in found]
    return frame


def levels(found: Sequence[Level]) -> pd.DataFrame:
    """Repeatability of every product."""
    return pd.DataFrame(
        {
            "Product": [one.product for one in found],
            "Relative": [text.percent(one.cv_percent, 3) for one in found],
            "s_r, mPa·s": [text.number(one.s_r, 3) for one in found],
            "Mean, mPa·s": [text.number(one.mean) for one in found],
            "Batches": [one.n_groups for one in found],
            "Measuring condition": [one.condition for one in found],
        }
    )


def comparisons(found: Sequence[Comparison]) -> pd.DataFrame:
    """Pairs of instruments: difference, interval and verdict."""
    return pd.DataFrame(
        {
            "Instruments": [f"{one.second} against {one.first}" for one in found],
            "Material": [one.material for one in found],
            "Difference": [text.percent(one.result.difference_percent, 2) for one in found],
            "95 % interval, %": [text.interval(*one.result.interval_percent) for one in found],
            "Verdict": [one.verdict for one in found],
            "Batches or runs": [one.result.n for one in found],
        }
    )


def torque_shares(found: Sequence[TorqueShare]) -> pd.DataFrame:
    """Readings outside the torque window, by product."""
    return pd.DataFrame(
        {
            "Product": [one.product for one in found],
            "Outside": [text.percent(one.percent, 2) for one in found],
            "Below": [one.below for one in found],
            "Above": [one.above for one in found],
            "Readings": [one.n for one in found],
            "Measuring condition": [one.condition for one in found],
        }
    )


def _from_json(written: str) -> str:
    """What the journal keeps as JSON, as a person reads it: names and values, nothing for null."""

    def said(value: Any) -> str:
        if isinstance(value, dict):
            parts = ((name.replace("_", " "), said(one)) for name, one in value.items())
            return "; ".join(f"{name}: {one}" for name, one in parts if one)
        if isinstance(value, list):
            return ", ".join(said(one) for one in value)
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, float):
            return text.plain(value)
        return "" if value is None else str(value)

    return said(json.loads(written))

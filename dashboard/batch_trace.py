"""One batch traced from its readings to the decision, in the order in which an auditor asks."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import batch_rows, changes, tables, text
from dashboard.batch_rows import Parts, facts
from dashboard.batches import BatchTable, batch_tables
from dashboard.capability_view import specifications_in_force
from dashboard.notes import FEWEST_PROVISIONAL
from dashboard.results import Assessment, CheckStandard, Event
from dashboard.verdicts import decision_rule_of, limits_in_words, uncertainty_of, verdict_of


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One step of the trace: what is said, and a table where there is one.

    `table` has one row a fact with its name in the first column.
    """

    title: str
    said: tuple[str, ...]
    table: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A batch from its rows to the decision.

    Attributes:
        product, condition, batch: which. summary: value, time and verdict in a sentence.
        charted: whether it is a point of the chart, that is, has a used reading.
        sections: the steps, in order.
    """

    product: str
    condition: str
    batch: str
    summary: str
    charted: bool
    sections: tuple[Section, ...]

    def as_table(self) -> pd.DataFrame:
        """All of it as one table for a file: step, what, and what stands there."""
        rows: list[tuple[str, str, str]] = []
        for section in self.sections:
            rows += [(section.title, "", said) for said in section.said]
            if section.table is not None:
                names = list(section.table.columns)
                for row in section.table.itertuples(index=False):
                    first, *others = (str(value) for value in row)
                    rows += [
                        (section.title, first if len(others) < 2 else f"{first}: {name}", value)
                        for name, value in zip(names[1:], others, strict=True)
                    ]
        head = [("Batch", "", f"{self.product}, {self.condition}, batch {self.batch}")]
        return pd.DataFrame(
            [*head, ("Batch", "", self.summary), *rows], columns=["Step", "What", "Recorded"]
        )


def batches_of(one: Assessment, rows: pd.DataFrame) -> list[str]:
    """The batches of a product, the newest first; those without a used reading come last."""
    names = one.batches["batch"].tolist()
    charted = set(names)
    numbers = set(rows.loc[rows["reason"] == "", "batch"])
    lost = [name for name in rows["batch"].unique() if name not in charted and name not in numbers]
    return [*reversed(names), *lost]


def trace(store: Any, one: Assessment, batch: str, show_operators: bool = False) -> Trace:
    """Trace a batch.

    Args:
        store: the store. one: its product, judged. batch: its name on the chart, or its number
            where it has no used reading. show_operators: by name; else numbered.

    A batch that is not in the store gives a trace without rows.
    """
    names = one.batches["batch"].tolist()
    index = names.index(batch) if batch in names else None
    owned = store.batches(one.characteristic_id)
    table = batch_tables(owned).get(one.characteristic_id)
    number = batch if index is None else str(owned["batch"].iat[index])
    every = store.readings(one.characteristic_id, aside=True)
    rows = _of_this_use(every[every["batch"] == number], owned, number, index)
    held = ingest.received(store, one.characteristic_id, number)
    tested = rows["at"].fillna(rows["sampled_at"]).min() if len(rows) else pd.NaT
    operators = tables.pseudonyms(every)
    rows = rows.assign(
        operator=[
            str(name or "") if show_operators else operators.get(str(name or ""), "")
            for name in rows["operator"]
        ]
    )
    entries = ingest.journal_entries(store)
    methods = [one for one in ingest.methods(store) if held.condition.method == one.name]
    fluids = ingest.check_standards(store)
    events = [] if index is None else [e for e in one.events if e.start <= index <= e.stop]
    verdict, judged = _verdict(store, one, index, entries)
    about = changes.Subject(
        product=one.product,
        condition=one.condition,
        batch=number,
        places={name: place for place, name in enumerate(names)},
        index=index,
        imports=tuple(origin.import_id for origin in held.origins),
        names=(*(one.name for one in methods), *(s.name for s in one.check_standards)),
    )
    since = held.origins[0].at if held.origins else ""
    sections = (
        batch_rows.as_received(rows, held),
        batch_rows.as_parsed(rows, held),
        batch_rows.conversions(held.origins),
        batch_rows.condition(held.condition, methods),
        _agreement(rows, table, index),
        _checks(one.check_standards, _instruments(rows), tested, fluids),
        _limits(one, index, tested),
        _signals(one, index, events),
        judged,
        changes.section(entries, about, since),
    )
    return Trace(
        product=one.product,
        condition=one.condition,
        batch=batch,
        summary=_summary(one, index, rows, verdict),
        charted=index is not None,
        sections=tuple(Section(*parts) for parts in sections),
    )


def _of_this_use(
    rows: pd.DataFrame, owned: pd.DataFrame, number: str, index: int | None
) -> pd.DataFrame:
    """Of a number that was used more than once: the rows nearest in time to this use of it."""
    uses = owned[owned["batch"] == number]
    if index is None or len(uses) < 2:
        return rows
    times = rows["sampled_at"].fillna(rows["at"])
    away = pd.DataFrame(
        {
            place: np.minimum((times - use.first_at).abs(), (times - use.last_at).abs())
            for place, use in uses.iterrows()
        }
    )
    return rows[(away.idxmin(axis=1) == owned.index[index]).to_numpy()]


def _summary(one: Assessment, index: int | None, rows: pd.DataFrame, verdict: str) -> str:
    if index is None:
        return (
            f"{text.count(len(rows), 'reading')}, none of them used: this batch is not a point of "
            "the chart."
        )
    row = one.batches.iloc[index]
    when = f", made {text.moment(row['at'])} UTC" if pd.notna(row["at"]) else ", time not recorded"
    of = "one reading" if row["n"] == 1 else f"mean of {int(row['n'])} readings"
    return f"{text.viscosity(float(row['mean']))}, {of}{when}; {verdict}."


def _agreement(rows: pd.DataFrame, table: BatchTable | None, index: int | None) -> Parts:
    title = "Agreement of the readings"
    used = rows.loc[rows["reason"] == "", "viscosity"].to_numpy(dtype=float)
    if len(used) < 2 or table is None or index is None:
        return title, ("Fewer than two used readings: agreement cannot be judged.",), None
    others = (table.frame["n"] > 1).to_numpy(copy=True)
    others[index] = False
    try:
        known = spc.repeatability(table.readings[others], scale="absolute")
        found = spc.acceptance(used, known.s_r)
    except spc.SpcError:
        said = "No other batch with two readings: there is nothing to judge the agreement by."
        return title, (said,), None
    agree = "agree" if found.agree else "do not agree"
    said = [
        f"{text.count(found.n, 'reading')}, range {text.plain(found.range)} {text.UNIT}; critical "
        f"range {text.viscosity(found.critical_range, 3)}, from the repeatability standard "
        f"deviation {text.viscosity(known.s_r, 3)} of {text.batches(int(known.n_groups))} without "
        f"this one (ISO 5725-6). The readings {agree}."
    ]
    if found.further:
        said.append(
            f"The standard asks for {found.further} more readings before a result is reported; "
            "none is in the store."
        )
    elif found.estimator == "median":
        said.append(
            f"The standard reports the median, {text.viscosity(found.reported)}; the chart shows "
            "the mean of all."
        )
    return title, tuple(said), None


def _checks(
    standards: Iterable[CheckStandard],
    instruments: Sequence[str],
    tested: pd.Timestamp,
    fluids: Sequence[ingest.CheckFluid],
) -> Parts:
    title = "Check standard before and after"
    mine = [one for one in standards if one.instrument in instruments]
    where = text.joined([name or "an instrument not recorded" for name in instruments])
    if not mine:
        said = f"No check standard is recorded on {where}: whether the measurement moved is open."
        return title, (said,), None
    if pd.isna(tested):
        return title, ("The time of the readings is not recorded, so before and after are.",), None
    at = tested.tz_convert("UTC").tz_localize(None).to_datetime64()
    certified = {one.name: one for one in fluids}
    rows = []
    for one in mine:
        before = np.flatnonzero(one.times <= at)
        after = np.flatnonzero(one.times > at)
        rows.append(
            (
                f"{one.name} on {one.instrument}" if one.instrument else one.name,
                _run(one, int(before[-1]) if len(before) else None),
                _run(one, int(after[0]) if len(after) else None),
                _own_limits(one),
                _certified(certified.get(one.name)),
            )
        )
    facts_of = ["Before", "After", "Own limits, mPa·s", "Certified, mPa·s"]
    columns = {name: values for name, *values in rows}
    said = f"Runs nearest to {text.moment(tested)} UTC, when this batch was tested."
    return title, (said,), pd.DataFrame({"What": facts_of, **columns})


def _run(one: CheckStandard, place: int | None) -> str:
    if place is None:
        return "none recorded"
    value, at = float(one.values[place]), pd.Timestamp(one.times[place])
    said = f"{text.viscosity(value)}, {text.moment(at)}"
    if one.lower is None or one.upper is None:
        return said
    return f"{said}, {'inside' if one.lower <= value <= one.upper else 'OUTSIDE own limits'}"


def _own_limits(one: CheckStandard) -> str:
    if one.lower is None:
        return "none yet"
    return f"{text.number(one.lower)} to {text.number(one.upper)}"


def _certified(fluid: ingest.CheckFluid | None) -> str:
    if fluid is None:
        return "not registered"
    return f"{text.plain(fluid.certified_value)} ± {text.plain(fluid.expanded_uncertainty)}"


def _limits(one: Assessment, index: int | None, tested: pd.Timestamp) -> Parts:
    title = "Limits in force, and why"
    if index is None or one.charts is None:
        said = one.limits.sentence or "There were no limits: too few batches."
        return title, (said,), None
    location = one.charts.location
    rows = [
        ("Lower limit, mPa·s", text.number(location.lower[index])),
        ("Centre, mPa·s", text.number(location.center[index])),
        ("Upper limit, mPa·s", text.number(location.upper[index])),
    ]
    said = []
    stretch = next((s for s in one.limits.stretches if s.start <= index < s.stop), None)
    if stretch is None:
        said.append(one.limits.sentence)
        said.append(_up_to(one, index))
    else:
        frozen = stretch.frozen
        rows += [
            ("Frozen", f"{text.moment(pd.Timestamp(frozen.at))} UTC by {frozen.who}"),
            ("From", f"{frozen.first_batch} to {frozen.last_batch}, {text.batches(frozen.n)}"),
            ("Why", frozen.why),
        ]
        rows += [(f"Left out: {name}", cause) for name, cause in frozen.exclusions.items()]
        said.append(f"Frozen limits, decided by {frozen.who}.")
        if pd.notna(tested) and pd.Timestamp(frozen.at) > tested:
            said.append(
                "They were frozen after this batch was tested, so on that day they did not stand "
                f"yet. {_up_to(one, index)}"
            )
    if index in one.limits.left_out:
        said.append(f"This batch does not count for limits: {one.limits.left_out[index]}")
    return title, tuple(said), facts(rows)


def _up_to(one: Assessment, index: int) -> str:
    """What the record up to this batch alone would have given."""
    assert one.charts is not None  # noqa: S101 - told to the type checker
    try:
        early = spc.individuals(one.charts.location.values[: index + 1]).location
    except spc.SpcError:
        early = None
    if early is None or index + 1 < FEWEST_PROVISIONAL:
        return f"Up to this batch there were {text.batches(index + 1)}: too few for limits."
    return (
        f"The {text.batches(index + 1)} up to this one, as the store has them today, give "
        f"{text.number(early.lower[-1])} to {text.viscosity(early.upper[-1])}."
    )


def _signals(one: Assessment, index: int | None, events: Sequence[Event]) -> Parts:
    title = "Signals, and what was done"
    if index is None:
        return title, ("Not on the chart, so it raised none.",), None
    mine = [row for row in one.signals if row.index == index]
    said = [f"Signal: {row.phrase}." for row in mine]
    said = said or ["This batch completed no pattern of the rules in use."]
    records: list[tuple[str, str, str]] = []
    for event in events:
        state = "open" if event.open else event.handling.word if event.handling.closed else "past"
        said.append(f"Part of the event {event.sentence} It is {state}.")
        if not event.handling.records:
            said.append("Nobody has recorded anything about this event.")
        for record in event.handling.records:
            due = f", until {text.date(pd.Timestamp(record.due))}" if record.due else ""
            owner = f" Owner: {record.owner}{due}." if record.owner else ""
            when = text.moment(pd.Timestamp(record.at))
            told = f"{record.words}{owner}".strip() or text.MISSING
            records.append((record.kind, told, f"{record.who}, {when} UTC"))
    columns = ["What", "Words", "Who and when"]
    return title, tuple(said), pd.DataFrame(records, columns=columns) if records else None


def _verdict(
    store: Any, one: Assessment, index: int | None, entries: Sequence[ingest.Entry]
) -> tuple[str, Parts]:
    """The batch against the specification in force for it: the sentence, and the step."""
    title = "Verdict, uncertainty and specification"
    if index is None:
        return "no verdict", (title, ("Without a used reading there is none.",), None)
    held = specifications_in_force(store.specifications(one.product), one.batches["at"])
    in_force = held.of(index)
    settings = ingest.settings(store)
    uncertainty = uncertainty_of(settings, one.product)
    found = verdict_of(float(one.batches["mean"].iat[index]), in_force, uncertainty)
    rows = [("Verdict", text.sentence(found.sentence))]
    if in_force is not None:
        begins = text.date(pd.Timestamp(in_force.valid_from)) if in_force.valid_from else ""
        recorded = [
            entry
            for entry in entries
            if entry.what == "specification added" and entry.at == in_force.recorded_at
        ]
        by = f" by {recorded[0].who}" if recorded else ""
        why = f": {recorded[0].why}" if recorded and recorded[0].why else ""
        at = text.moment(pd.Timestamp(in_force.recorded_at))
        since = f"valid from {begins or 'the beginning'}"
        rows += [
            ("Specification, mPa·s", f"{limits_in_words(in_force)}, {since}"),
            ("Specification recorded", f"{at} UTC{by}{why}"),
        ]
    rule = decision_rule_of(settings, in_force)
    if rule:
        rows.append(("Decision rule of the site", rule))
    if uncertainty is None:
        rows.append(("Uncertainty", "none is set, so no zone can be told"))
    else:
        named = "".join(f", {word}" for word in (uncertainty.source, uncertainty.date) if word)
        percent = text.plain(uncertainty.standard_percent)
        rows.append(("Uncertainty", f"standard uncertainty {percent} % of the result{named}"))
    return found.sentence, (title, (), facts(rows))


def _instruments(rows: pd.DataFrame) -> list[str]:
    return list(dict.fromkeys(str(name or "") for name in rows["instrument"]))

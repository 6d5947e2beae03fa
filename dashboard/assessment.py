"""The one place that joins the store and the statistics: every product judged, no screen needed.

Limits come from all used batches of the record, by batch means on an individuals chart; they are
not frozen. What the parts decide stands with them: `events` (signals, open events), `batches`
(what a batch is), `check_standards`, `capability_view` (the gate), `subgroups`, `notes`.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.as_json import to_json
from dashboard.batches import (
    BatchTable,
    batch_tables,
    batches_per_week,
    instruments_of,
    load_batches,
    no_batches,
    replicate_groups,
    usual_interval,
)
from dashboard.capability_view import capability_view, specifications_in_force
from dashboard.check_standards import check_standards, load_readings, on_instruments
from dashboard.events import OPEN_WINDOW, events_of, lone_ranges, moving_average, signals_of
from dashboard.levels import repeatability_by_level
from dashboard.notes import NEXT_STAGE, neighbours_note, notes_of, repeatability_note, stage_of
from dashboard.results import (
    CAUTION,
    DUPLICATES_RANGE,
    IN_DOUBT,
    NOT_ENOUGH,
    QUIET,
    SIGNAL,
    STATES,
    Assessment,
    AssessmentError,
    CapabilityView,
    CheckStandard,
    Event,
    SignalRow,
    SubgroupView,
)
from dashboard.rule_sets import (
    DEFAULT_RULES,
    RULE_SETS,
    RuleSet,
    expected_false_alarms,
    rule_set,
)
from dashboard.subgroups import subgroup_choice, subgroup_view

__all__ = [
    "CAUTION",
    "DEFAULT_RULES",
    "RULE_SETS",
    "STATES",
    "Assessment",
    "AssessmentError",
    "CapabilityView",
    "CheckStandard",
    "Event",
    "RuleSet",
    "SignalRow",
    "SubgroupView",
    "assess_store",
    "expected_false_alarms",
    "repeatability_by_level",
    "to_json",
]

SHORTEST_PATIENCE = pd.Timedelta(hours=8)
INTERVALS_OF_PATIENCE = 5


@dataclass(frozen=True, slots=True)
class _Asked:
    """What the caller chose, the same for every characteristic."""

    rules: RuleSet
    subgroups: str | None
    now: pd.Timestamp


def assess_store(
    store: Any,
    product: str | None = None,
    rules: str = DEFAULT_RULES,
    subgroups: str | int | None = None,
    now: datetime | None = None,
) -> list[Assessment]:
    """Judge every product of a store, what needs a person first.

    Args:
        store: an open `ingest` store.
        product: name of one product; None for all.
        rules: key of RULE_SETS. With fewer than 20 batches only the 3 sigma rule is used.
        subgroups: "batch", "day", "shift" or a whole number of batches, for X-bar charts beside.
        now: the time against which data are fresh or not (UTC if it names no zone); None for the
            current time.

    Returns:
        One assessment a product and measuring condition; check standards are inside them.

    Raises:
        AssessmentError: unknown product, rule set or subgroup; the message lists the choices.
    """
    asked = _Asked(
        rules=rule_set(rules),
        subgroups=None if subgroups is None else subgroup_choice(subgroups),
        now=_in_utc(now),
    )
    characteristics = store.characteristics()
    products = _chosen_products(characteristics, product)
    checks = characteristics[characteristics["sample_type"] == "check"]
    batches = load_batches(store, None if product is None else [int(i) for i in products["id"]])
    is_product = batches["characteristic_id"].isin(products["id"]).to_numpy()
    tables = batch_tables(batches[is_product])
    instruments = instruments_of(batches[is_product])
    standards = check_standards(load_readings(store, checks["id"]), characteristics)
    aside = _set_aside(store.set_aside_counts())
    specifications = {name: store.specifications(name) for name in products["product"].unique()}
    found = [
        _assess(
            row,
            tables.get(int(row.id)) or no_batches(),
            on_instruments(standards, instruments.get(int(row.id), [])),
            specifications[row.product],
            aside.get(int(row.id), {}),
            asked,
        )
        for row in products.itertuples()
    ]
    return sorted(
        found,
        key=lambda one: (
            not one.needs_a_person,
            STATES.index(one.state),
            one.product,
            one.condition,
        ),
    )


def _chosen_products(characteristics: pd.DataFrame, product: str | None) -> pd.DataFrame:
    named = characteristics["product"].str.strip() != ""  # rows without a product are set aside
    products = characteristics[named & (characteristics["sample_type"] == "product")]
    if product is None:
        return products
    chosen = products[products["product"] == product]
    if chosen.empty:
        known = sorted(products["product"].unique())
        held = f"it holds {', '.join(known)}" if known else "it holds none yet"
        raise AssessmentError(f"No product {product!r} in this store; {held}.")
    return chosen


def _set_aside(counts: pd.DataFrame) -> dict[int, dict[str, int]]:
    """Order the counts of set-aside readings of a characteristic, the commonest reason first."""
    ordered = counts.sort_values(["n", "reason"], ascending=[False, True], kind="stable")
    found: dict[int, dict[str, int]] = {}
    for number, reason, n in ordered[["characteristic_id", "reason", "n"]].itertuples(index=False):
        found.setdefault(int(number), {})[str(reason)] = int(n)
    return found


def _assess(
    row: Any,
    table: BatchTable,
    standards: tuple[CheckStandard, ...],
    specifications: Sequence[ingest.Specification],
    n_set_aside: dict[str, int],
    asked: _Asked,
) -> Assessment:
    """Judge one product at one measuring condition."""
    frame = table.frame
    n, names, means = len(frame), frame["batch"].tolist(), frame["mean"].to_numpy()
    stage = stage_of(n)
    rules = RULE_SETS["three-sigma"] if stage == "provisional" else asked.rules

    charts, limits_failed = _charts(table, stage)
    ewma = moving_average(charts.location) if charts is not None and rules.with_ewma else None
    signals: tuple[SignalRow, ...] = ()
    events: tuple[Event, ...] = ()
    if charts is not None:
        signals = signals_of(charts, ewma, rules.rules, names)
        events = events_of(signals, charts, ewma, rules, names)

    repeatability, order = _repeatability(replicate_groups(table))
    in_force = specifications_in_force(specifications, frame["at"])
    capability = capability_view(table, in_force, charts, events, repeatability, n_set_aside)
    recent = set(frame["instrument"].iloc[-OPEN_WINDOW:])
    doubts = _doubts(charts, names, on_instruments(standards, recent))
    neighbours = neighbours_note(means, len(events)) if charts is not None else ""
    state, reason = _state(stage, n, events, doubts, neighbours)
    last_at = frame["at"].iloc[-1] if n and pd.notna(frame["at"].iloc[-1]) else None
    stale_sentence = _stale_sentence(frame["at"], last_at, asked.now)
    rate = batches_per_week(frame["at"])
    sigma = float(charts.location.sigma) if charts is not None else None
    return Assessment(
        characteristic_id=int(row.id),
        product=str(row.product),
        condition=str(row.condition),
        state=state,
        state_reason=reason,
        stage=stage,
        n_batches=n,
        batches=frame.assign(in_specification=in_force.judge(means)),
        median=float(np.median(means)) if n else float("nan"),
        charts=charts,
        ewma=ewma,
        rule_set=asked.rules.key,
        events=events,
        signals=signals,
        capability=capability,
        repeatability=repeatability,
        repeatability_note=repeatability_note(repeatability, order, int(frame["single"].sum())),
        order_effect=order,
        check_standards=standards,
        n_set_aside=n_set_aside,
        last_batch=names[-1] if n else "",
        last_batch_at=last_at,
        stale=bool(stale_sentence),
        stale_sentence=stale_sentence,
        subgroups=None if asked.subgroups is None else subgroup_view(table, asked.subgroups),
        notes=notes_of(
            table,
            stage,
            sigma,
            standards,
            n_set_aside,
            [limits_failed, neighbours, *_lone_range_notes(charts, names)],
        ),
        batches_per_week=rate,
        false_alarms_per_week=(
            rules.false_alarms_per_week(rate) if rate is not None and charts is not None else None
        ),
    )


def _charts(table: BatchTable, stage: str) -> tuple[spc.ChartSet | None, str]:
    """Make the three-way charts, or give the sentence why there are none."""
    if stage == "no limits":
        return None, ""
    try:
        return spc.three_way(table.readings), ""
    except spc.SpcError as error:
        return None, f"No limits: {error}"


def _repeatability(
    groups: np.ndarray,
) -> tuple[spc.Repeatability | None, spc.OrderEffect | None]:
    if not len(groups):
        return None, None
    try:
        repeatability = spc.repeatability(groups, scale="absolute")
    except spc.SpcError:
        return None, None
    try:
        return repeatability, spc.order_effect(groups)
    except spc.SpcError:  # too few groups, or no scatter to test against
        return repeatability, None


def _lone_range_notes(charts: spc.ChartSet | None, names: Sequence[str]) -> list[str]:
    within = charts.within if charts is not None else None
    if charts is None or within is None:
        return []
    return [
        f"The readings of {names[i]} are {text.viscosity(within.values[i], 3)} apart, limit "
        f"{text.number(within.upper[i], 3)}: once in about 100 batches chance does that."
        for i in lone_ranges(charts)
    ]


def _doubts(
    charts: spc.ChartSet | None, names: Sequence[str], standards: Iterable[CheckStandard]
) -> list[str]:
    """Say what puts the measurement itself in doubt right now."""
    found = [
        f"the newest run of check standard {one.name}"
        f"{f' on {one.instrument}' if one.instrument else ''}"
        f" ({text.viscosity(one.last)}, {text.date(one.last_at)}) is outside its own limits "
        f"({text.number(one.lower)} to {text.number(one.upper)})"
        for one in standards
        if one.in_order is False
    ]
    within = charts.within if charts is not None else None
    if within is not None:
        with_range = np.flatnonzero(np.isfinite(within.values))
        if len(with_range) and within.outside()[with_range[-1]]:
            newest = with_range[-1]
            found.append(
                f"the newest range of readings, batch {names[newest]} "
                f"({text.viscosity(within.values[newest], 3)}), is beyond its limit "
                f"({text.number(within.upper[newest], 3)})"
            )
    return found


def _state(
    stage: str, n: int, events: Sequence[Event], doubts: Sequence[str], neighbours: str
) -> tuple[str, str]:
    """Choose the state word and say why.

    A measurement in doubt comes before a signal, as no result can be believed until it is
    cleared; the reason then names the signal too. It also comes before "not enough data".
    """
    open_events = [event for event in events if event.open]
    on_process = [event for event in open_events if event.chart != DUPLICATES_RANGE]
    told = open_events
    if doubts:
        reason = [text.sentence("; ".join(doubts)), "Clear the measurement before the process."]
        told = on_process
        state = IN_DOUBT
    elif stage == "no limits":
        more = NEXT_STAGE[stage] - n
        return NOT_ENOUGH, (
            f"{text.batches(n)}: no limits below {NEXT_STAGE[stage]}, {more} more needed."
        )
    else:
        state, reason = (SIGNAL, []) if open_events else (QUIET, [])
    if told:
        reason += [event.sentence for event in told]
        reason.append(f"Open: signals among the last {OPEN_WINDOW} batches.")
        reason += [neighbours] if neighbours else []
    past = len(events) - len(open_events)
    if state == QUIET:
        reason.append(f"No signal among the last {OPEN_WINDOW} batches.")
    if past:
        reason.append(f"{text.count(past, 'older event')} listed as past.")
    return state, " ".join(reason)


def _stale_sentence(at: pd.Series, last_at: pd.Timestamp | None, now: pd.Timestamp) -> str:
    """Say that the data are old; "" while they are fresh.

    Old means: the newest batch is older than 8 hours and than 5 times the usual (median) time
    between this product's batches. Common practice, no source. Data without times never count as
    fresh.
    """
    if last_at is None:
        unknown = "No time is recorded, so how fresh the data are cannot be told."
        return unknown if len(at) else "No data yet."
    usual = usual_interval(at)
    patience = SHORTEST_PATIENCE
    if usual is not None:
        patience = max(patience, INTERVALS_OF_PATIENCE * usual)
    return f"No data since {text.date(last_at)}." if now - last_at > patience else ""


def _in_utc(now: datetime | None) -> pd.Timestamp:
    at = pd.Timestamp(now if now is not None else datetime.now(UTC))
    return at.tz_localize("UTC") if at.tzinfo is None else at.tz_convert("UTC")

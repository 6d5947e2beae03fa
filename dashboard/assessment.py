"""The one place that joins the store and the statistics: every product judged, no screen needed.

What the parts decide stands with them: `limits` (frozen or estimated, what does not count),
`events` (signals, open events), `handling` (what people recorded about them), `batches` (what a
batch is), `check_standards`, `capability_view` (the gate), `subgroups`, `notes`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.as_json import to_json
from dashboard.as_of import StoreAsOf
from dashboard.batches import (
    BatchTable,
    batch_tables,
    batches_per_week,
    instruments_of,
    load_batches,
    no_batches,
    replicate_groups,
)
from dashboard.capability_view import capability_view, specifications_in_force
from dashboard.check_standards import check_standards, load_readings, on_instruments
from dashboard.events import OPEN_WINDOW, events_of, lone_ranges, moving_average, signals_of
from dashboard.handling import with_handling
from dashboard.levels import repeatability_by_level
from dashboard.limits import limits_of
from dashboard.notes import (
    neighbours_note,
    notes_of,
    outside_note,
    past_check_note,
    repeatability_note,
    stage_of,
)
from dashboard.results import (
    CAUTION,
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
from dashboard.states import doubts_of, stale_sentence, state_of
from dashboard.subgroups import subgroup_choice, subgroup_view
from dashboard.verdicts import uncertainty_of, verdict_of

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
    "renewed",
    "repeatability_by_level",
    "to_json",
]


@dataclass(frozen=True, slots=True)
class _Asked:
    """What the caller chose, the same for every characteristic."""

    rules: RuleSet
    subgroups: str | None
    now: pd.Timestamp
    settings: Mapping[str, Any]
    cut: bool


@dataclass(frozen=True, slots=True)
class _Decided:
    """What people have decided about one characteristic."""

    frozen: tuple[ingest.FrozenLimits, ...] = ()
    excluded: Mapping[str, str] = field(default_factory=dict)
    records: tuple[ingest.EventRecord, ...] = ()


def assess_store(
    store: Any,
    product: str | None = None,
    rules: str = DEFAULT_RULES,
    subgroups: str | int | None = None,
    now: datetime | None = None,
    checks_read: pd.DataFrame | None = None,
) -> list[Assessment]:
    """Judge every product of a store, what needs a person first.

    Args:
        store: an open `ingest` store, or one at a cut-off (`StoreAsOf`).
        product: name of one product; None for all.
        rules: key of RULE_SETS. With fewer than 20 batches only the 3 sigma rule is used.
        subgroups: "batch", "day", "shift" or a whole number of batches, for X-bar charts beside.
        now: the time against which data are fresh or not (UTC if it names no zone); None for the
            current time.
        checks_read: used readings of all check standards in production order, if they are at hand.

    Returns:
        One assessment a product and measuring condition; check standards are inside them.

    Raises:
        AssessmentError: unknown product, rule set or subgroup; the message lists the choices.
    """
    asked = _Asked(
        rules=rule_set(rules),
        subgroups=None if subgroups is None else subgroup_choice(subgroups),
        now=_in_utc(now),
        settings=ingest.settings(store),
        cut=isinstance(store, StoreAsOf),
    )
    characteristics = store.characteristics()
    products = _chosen_products(characteristics, product)
    checks = characteristics[characteristics["sample_type"] == "check"]
    batches = load_batches(store, None if product is None else [int(i) for i in products["id"]])
    is_product = batches["characteristic_id"].isin(products["id"]).to_numpy()
    tables = batch_tables(batches[is_product])
    instruments = instruments_of(batches[is_product])
    runs = load_readings(store, checks["id"]) if checks_read is None else checks_read
    standards = check_standards(runs, characteristics)
    aside, specifications = known_besides(store)
    decided = decisions(store)
    found = [
        _assess(
            row,
            tables.get(int(row.id)) or no_batches(),
            on_instruments(standards, instruments.get(int(row.id), [])),
            specifications.get(row.product, ()),
            aside.get(int(row.id), {}),
            decided.get(int(row.id), _Decided()),
            asked,
        )
        for row in products.itertuples()
    ]
    return in_order(found)


def in_order(found: Sequence[Assessment]) -> list[Assessment]:
    """What needs a person first."""
    return sorted(
        found,
        key=lambda one: (
            not one.needs_a_person,
            STATES.index(one.state),
            one.product,
            one.condition,
        ),
    )


def renewed(found: Sequence[Assessment], now: datetime) -> list[Assessment]:
    """The same assessments at a later time: only how fresh the data are depends on the clock."""
    at = _in_utc(now)
    said = [stale_sentence(one.batches["at"], one.last_batch_at, at) for one in found]
    return [
        one
        if words == one.stale_sentence
        else replace(one, stale=bool(words), stale_sentence=words)
        for one, words in zip(found, said, strict=True)
    ]


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


def known_besides(
    store: Any,
) -> tuple[dict[int, dict[str, int]], dict[str, list[ingest.Specification]]]:
    """Beside batches and decisions: counts of readings set aside, and specifications."""
    return _set_aside(store.set_aside_counts()), _specifications(store)


def _specifications(store: Any) -> dict[str, list[ingest.Specification]]:
    found: dict[str, list[ingest.Specification]] = {}
    for one in store.specifications():
        found.setdefault(one.product, []).append(one)
    return found


def decisions(store: Any) -> dict[int, _Decided]:
    """All decisions of the store at once, by characteristic."""
    frozen: dict[int, list[ingest.FrozenLimits]] = {}
    for one in ingest.frozen_limits(store, chart="individuals"):
        frozen.setdefault(one.characteristic_id, []).append(one)
    records: dict[int, list[ingest.EventRecord]] = {}
    for record in ingest.event_records(store):
        records.setdefault(record.characteristic_id, []).append(record)
    history = ingest.exclusion_history(store)
    excluded: dict[int, dict[str, str]] = {}
    for row in history.itertuples():
        standing = excluded.setdefault(int(row.characteristic_id), {})
        standing.pop(row.batch, None)
        if row.excluded:
            standing[row.batch] = row.cause
    return {
        number: _Decided(
            tuple(frozen.get(number, ())),
            excluded.get(number, {}),
            tuple(records.get(number, ())),
        )
        for number in {*frozen, *records, *excluded}
    }


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
    decided: _Decided,
    asked: _Asked,
) -> Assessment:
    """Judge one product at one measuring condition."""
    frame = table.frame
    n, names, means = len(frame), frame["batch"].tolist(), frame["mean"].to_numpy()
    stage = stage_of(n)
    rules = RULE_SETS["three-sigma"] if stage == "provisional" else asked.rules

    # limits whose baseline reaches beyond the cut-off were not there yet
    frozen = [one for one in decided.frozen if not asked.cut or one.last_batch in set(names)]
    limits = limits_of(table, frozen, decided.excluded, stage != "no limits")
    charts, breaks, ewma = limits.charts, limits.breaks, None
    signals: tuple[SignalRow, ...] = ()
    events: tuple[Event, ...] = ()
    if charts is not None:
        ewma = moving_average(charts.location, breaks) if rules.with_ewma else None
        signals = signals_of(charts, ewma, rules.rules, names, breaks)
        found = events_of(signals, charts, ewma, rules, names)
        events = with_handling(found, decided.records, names)

    repeatability, order = _repeatability(replicate_groups(table))
    in_force = specifications_in_force(specifications, frame["at"])
    capability = capability_view(
        table,
        in_force,
        charts,
        events,
        repeatability,
        n_set_aside,
        limits.left_out,
        str(getattr(row, "stage", "")),
    )
    recent = set(frame["instrument"].iloc[-OPEN_WINDOW:])
    doubts = doubts_of(charts, names, on_instruments(standards, recent))
    neighbours = neighbours_note(means, len(events)) if charts is not None else ""
    state, reason = state_of(stage, n, charts is not None, events, doubts, neighbours)
    last_at = frame["at"].iloc[-1] if n and pd.notna(frame["at"].iloc[-1]) else None
    old = stale_sentence(frame["at"], last_at, asked.now)
    rate = batches_per_week(frame["at"])
    sigma = float(charts.location.sigma) if charts is not None else None
    judged = in_force.judge(means)
    outside = tuple(names[i] for i in np.flatnonzero(judged == False))  # noqa: E712 - None differs
    uncertainty = uncertainty_of(asked.settings, str(row.product))
    return Assessment(
        characteristic_id=int(row.id),
        product=str(row.product),
        condition=str(row.condition),
        state=state,
        state_reason=reason,
        stage=stage,
        n_batches=n,
        batches=frame.assign(in_specification=judged),
        median=float(np.median(means)) if n else float("nan"),
        charts=charts,
        limits=limits,
        ewma=ewma,
        rule_set=asked.rules.key,
        events=events,
        signals=signals,
        capability=capability,
        repeatability=repeatability,
        repeatability_note=repeatability_note(repeatability, order, int(frame["single"].sum())),
        order_effect=order,
        last_verdict=(verdict_of(float(means[-1]), in_force.of(n - 1), uncertainty) if n else None),
        outside_specification=outside,
        check_standards=standards,
        n_set_aside=n_set_aside,
        last_batch=names[-1] if n else "",
        last_batch_at=last_at,
        stale=bool(old),
        stale_sentence=old,
        subgroups=None if asked.subgroups is None else subgroup_view(table, asked.subgroups),
        notes=notes_of(
            table,
            stage,
            sigma,
            standards,
            n_set_aside,
            [
                limits.sentence if charts is None or limits.stretches or limits.left_out else "",
                neighbours,
                outside_note(outside, names),
                *(past_check_note(one) for one in standards),
                *_lone_range_notes(charts, names),
            ],
        ),
        batches_per_week=rate,
        false_alarms_per_week=(
            rules.false_alarms_per_week(rate) if rate is not None and charts is not None else None
        ),
    )


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


def _in_utc(now: datetime | None) -> pd.Timestamp:
    at = pd.Timestamp(now if now is not None else datetime.now(UTC))
    return at.tz_localize("UTC") if at.tzinfo is None else at.tz_convert("UTC")

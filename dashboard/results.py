"""What an assessment holds: frozen values that pages, the command line and reports read.

Nothing here computes anything beyond a lookup; `dashboard.assessment` fills these in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    import ingest
    import spc
    from dashboard.limits import Limits
    from dashboard.verdicts import BatchVerdict

QUIET = "quiet"
SIGNAL = "signal"
IN_DOUBT = "measurement in doubt"
NOT_ENOUGH = "not enough data"
NOT_FRESH = "no fresh data"
STATES = (SIGNAL, IN_DOUBT, NOT_ENOUGH, QUIET)
"""The states of the data, what needs a person first. NOT_FRESH stands beside them, see `stale`."""

BATCH_MEANS = "batch means"
MOVING_RANGE = "moving range"
DUPLICATES_RANGE = "duplicates range"
EWMA = "ewma"

CAUTION = (
    "Decision aid. Release, rejection and adjustment follow the site's approved procedure "
    "and authorised person."
)
"""Shown on every screen and page that carries a state or a verdict."""


class AssessmentError(ValueError):
    """A question that cannot be answered as put, said in one plain sentence."""


@dataclass(frozen=True, slots=True)
class SignalRow:
    """One point and one rule that it breaks.

    Attributes:
        batch: name of the batch that completes the pattern.
        index: position of that batch in `Assessment.batches`, counted from 0.
        rule: key of the rule, "ewma" for the moving average.
        chart: one of BATCH_MEANS, DUPLICATES_RANGE, EWMA.
        phrase: the rule in words, "8 on one side".
    """

    batch: str
    index: int
    rule: str
    chart: str
    phrase: str


@dataclass(frozen=True, slots=True)
class Handling:
    """What people have recorded about an event, oldest first, and whether it is closed."""

    records: tuple[ingest.EventRecord, ...] = ()
    closed: bool = False

    def of(self, kind: str) -> tuple[ingest.EventRecord, ...]:
        """The records of one kind."""
        return tuple(one for one in self.records if one.kind == kind)

    @property
    def word(self) -> str:
        """How far the event has come, in a word or two."""
        if self.closed:
            return "closed"
        reached = {one.kind for one in self.records}
        steps = (
            ("action", "action agreed"),
            ("cause", "cause recorded"),
            ("tried", "being investigated"),
        )
        return next(
            (word for kind, word in steps if kind in reached),
            "acknowledged" if "acknowledged" in reached else "new",
        )


@dataclass(frozen=True, slots=True)
class Event:
    """Signals that belong together, told once.

    Attributes:
        start: position of the first batch of the stretch, counted from 0. It is the first point
            that helped to make the pattern, so a run of 8 starts 7 before its first signal.
        stop: position of the last signal of the stretch, inclusive.
        batches: names of the batches from `start` to `stop`.
        chart: BATCH_MEANS, EWMA (seen by the moving average alone) or DUPLICATES_RANGE.
        rules: keys of the rules that signalled, in the order of the rule set.
        sentence: what, since where, how big.
        open: a signal lies among the last 8 batches, and nobody has closed the event. The number
            8 is common practice here, the length of the longest run rule; no standard sets it.
        handling: what people have recorded about it.
    """

    start: int
    stop: int
    batches: tuple[str, ...]
    chart: str
    rules: tuple[str, ...]
    sentence: str
    open: bool
    handling: Handling = Handling()

    @property
    def word(self) -> str:
        """Whether it waits for a person: "open", "closed" by one, or "past" and never closed."""
        return "open" if self.open else "closed" if self.handling.closed else "past"


@dataclass(frozen=True, slots=True, eq=False)
class CapabilityView:
    """A capability index, or why there is none.

    Attributes:
        result: the indices; None where no number may be shown.
        withheld: reasons why the capability indices are not given, as phrases without a full
            stop, the most telling first; empty when they are earned.
        performance_only: True when `result` may be read for pp, ppk and their intervals only.
        specification: the one specification the numbers refer to; None without one.
    """

    result: spc.Capability | None
    withheld: tuple[str, ...]
    performance_only: bool
    specification: ingest.Specification | None


@dataclass(frozen=True, slots=True, eq=False)
class CheckStandard:
    """One check standard on one instrument at one measuring condition, with its own chart.

    Attributes:
        name: the reference fluid or in-house material, as the file names its product.
        instrument: the instrument it was run on; "" where not recorded.
        condition: its measuring condition in words.
        n: number of runs. Replicates of one run count once, by their mean.
        center: mean of the runs, mPa·s; None below 8 runs, as are lower and upper.
        lower: lower control limit, mPa·s.
        upper: upper control limit, mPa·s.
        last: newest run, mPa·s.
        last_at: time of the newest run; None where no time is recorded.
        outside: times of the runs strictly beyond the limits.
        in_order: newest run inside its own limits; None below 8 runs.
        values: the runs in time order, mPa·s.
        times: their times, datetime64[ns] in UTC, NaT where not recorded.
    """

    name: str
    instrument: str
    condition: str
    n: int
    center: float | None
    lower: float | None
    upper: float | None
    last: float
    last_at: pd.Timestamp | None
    outside: tuple[pd.Timestamp, ...]
    in_order: bool | None
    values: np.ndarray
    times: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class SubgroupView:
    """X-bar charts on subgroups that a person has named.

    Attributes:
        by: what was asked: "batch", "day", "shift" or a whole number as text.
        charts: X-bar and R; None where there are too few subgroups, see `sentence`.
        charts_s: X-bar and S over the same subgroups; None likewise.
        labels: what each subgroup is, "B001" or "3 Mar 2025".
        n_outside: subgroup means strictly beyond the X-bar/R limits.
        sigma_ratio: sigma of the subgroup means by their moving range, divided by the sigma inside
            the subgroups; None without charts.
        warning: why these subgroups mislead; None when the ratio is at most 1.5.
        sentence: what was charted, and what was left out.
    """

    by: str
    charts: spc.ChartSet | None
    charts_s: spc.ChartSet | None
    labels: tuple[str, ...]
    n_outside: int
    sigma_ratio: float | None
    warning: str | None
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """Everything the screens say about one product at one measuring condition.

    Attributes:
        characteristic_id: key of the characteristic in the store.
        product: name of the product.
        condition: measuring condition in words.
        state: QUIET, SIGNAL, IN_DOUBT or NOT_ENOUGH. It speaks of the data alone; whether the data
            are fresh is `stale`, and `shown_states` puts both together.
        state_reason: why this state, in one or two sentences.
        stage: "no limits" (fewer than 8 batches), "provisional" (8 to 19), "trial" (20 to 29) or
            "normal" (30 and more).
        n_batches: number of batches with at least one used reading.
        batches: one row a batch in production order: batch, at (production time, UTC), n (used
            readings), mean, low, high, range (nan for one reading), single (True for one reading),
            instrument (of its last reading), in_specification (True, False or None).
        median: median of the batch means, mPa·s; nan without batches.
        charts: three-way chart set; None below 8 batches or without any spread.
        limits: where the limits come from, and what does not count for them.
        ewma: moving average chart; None when the rule set or the stage has none.
        rule_set: key of the rule set that was asked for.
        events: signals grouped, open events first, then the newest first.
        signals: every signal, in order of batches.
        capability: indices or the reasons for none.
        repeatability: from batches with two and more readings; None without any.
        repeatability_note: what to know before quoting it.
        order_effect: first against second readings; None when it cannot be computed.
        last_verdict: the newest batch against the specification in force for it; None without one.
        outside_specification: names of all batches outside the specification in force for them.
        check_standards: those run on the instruments of this product.
        n_set_aside: readings not used, reason to count.
        last_batch: name of the newest batch; "" without batches.
        last_batch_at: its production time; None where not recorded.
        stale: the newest batch is older than this product's usual rhythm allows.
        stale_sentence: "No data since 18 Mar 2025."; "" when fresh.
        subgroups: X-bar charts, when a person asked for them.
        notes: what a careful reader should know, one sentence each.
        batches_per_week: over the whole record; None when it cannot be computed.
        false_alarms_per_week: expected with the rules in use while nothing is wrong; None likewise.
    """

    characteristic_id: int
    product: str
    condition: str
    state: str
    state_reason: str
    stage: str
    n_batches: int
    batches: pd.DataFrame
    median: float
    charts: spc.ChartSet | None
    limits: Limits
    ewma: spc.ControlChart | None
    rule_set: str
    events: tuple[Event, ...]
    signals: tuple[SignalRow, ...]
    capability: CapabilityView
    repeatability: spc.Repeatability | None
    repeatability_note: str
    order_effect: spc.OrderEffect | None
    last_verdict: BatchVerdict | None
    outside_specification: tuple[str, ...]
    check_standards: tuple[CheckStandard, ...]
    n_set_aside: dict[str, int]
    last_batch: str
    last_batch_at: pd.Timestamp | None
    stale: bool
    stale_sentence: str
    subgroups: SubgroupView | None
    notes: tuple[str, ...]
    batches_per_week: float | None
    false_alarms_per_week: float | None

    @property
    def shown_states(self) -> tuple[str, ...]:
        """State words in the order a screen shows them: never "quiet" over old data."""
        if not self.stale:
            return (self.state,)
        return (NOT_FRESH,) if self.state == QUIET else (NOT_FRESH, self.state)

    @property
    def last_outside(self) -> bool:
        """Whether the newest batch lies outside its own specification."""
        return bool(len(self.batches)) and self.batches["in_specification"].iat[-1] is False

    @property
    def undecided(self) -> int:
        """Readings that are recorded in two ways, none of which is used until a person decides."""
        return sum(self.n_set_aside.get(reason, 0) for reason in ("conflict", "status_changed"))

    @property
    def needs_a_person(self) -> bool:
        """Whether anything here waits for somebody."""
        return self.state in (SIGNAL, IN_DOUBT) or self.last_outside or self.undecided > 0

    @property
    def lone_ranges(self) -> bool:
        """Whether a range lies beyond its limit and is no signal by itself."""
        if self.charts is None:
            return False
        charts = (self.charts.dispersion, self.charts.within)
        beyond = sum(int(chart.outside().sum()) for chart in charts if chart is not None)
        return beyond > sum(row.chart == DUPLICATES_RANGE for row in self.signals)

    @property
    def open_events(self) -> tuple[Event, ...]:
        """Events that wait for a person."""
        return tuple(event for event in self.events if event.open)

"""The state word of a product, and why: what is in doubt, what is open, how old the data are."""

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

import spc
from dashboard import text
from dashboard.batches import usual_interval
from dashboard.events import OPEN_WINDOW
from dashboard.notes import NEXT_STAGE
from dashboard.results import (
    DUPLICATES_RANGE,
    IN_DOUBT,
    NOT_ENOUGH,
    QUIET,
    SIGNAL,
    CheckStandard,
    Event,
)

SHORTEST_PATIENCE = pd.Timedelta(hours=8)
INTERVALS_OF_PATIENCE = 5


def doubts_of(
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
    if charts is not None and charts.location.sigma == 0 and np.ptp(charts.location.values) == 0:
        found.append(
            f"all {text.batches(len(names))} are {text.viscosity(charts.location.values[0])} to "
            "the last digit, which no measured series is: ask how they were recorded"
        )
    within = charts.within if charts is not None else None
    if within is not None:
        with_range = np.flatnonzero(np.isfinite(within.values))
        if len(with_range) and within.outside()[with_range[-1]]:
            newest = with_range[-1]
            found.append(
                f"the newest range of readings, batch {names[newest]} "
                f"({text.viscosity(within.values[newest], 3)}), is beyond its control limit "
                f"({text.number(within.upper[newest], 3)})"
            )
    return found


def state_of(
    stage: str,
    n: int,
    charted: bool,
    events: Sequence[Event],
    doubts: Sequence[str],
    neighbours: str,
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
    elif stage == "no limits" and not charted:
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
    closed = sum(event.handling.closed for event in events)
    past = len(events) - len(open_events) - closed
    if state == QUIET:
        recent = f"No open event among the last {OPEN_WINDOW} batches."
        reason.append(recent if closed else f"No signal among the last {OPEN_WINDOW} batches.")
    if closed:
        reason.append(f"{text.count(closed, 'event')} closed.")
    if past:
        reason.append(f"{text.count(past, 'older event')} listed as past.")
    return state, " ".join(reason)


def stale_sentence(at: pd.Series, last_at: pd.Timestamp | None, now: pd.Timestamp) -> str:
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

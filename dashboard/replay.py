"""What would have been seen: the same batches under other rules, or with limits made anew."""

from dataclasses import dataclass, replace

import numpy as np

import spc
from dashboard.events import moving_average, signals_of
from dashboard.results import Assessment, SignalRow
from dashboard.rule_sets import RULE_SETS

MONTHLY = "month"
FEWEST_IN_A_BLOCK = 8


@dataclass(frozen=True, slots=True, eq=False)
class Replay:
    """One way to have watched the same batches.

    Attributes:
        label: the way, in words.
        signals: every signal it gives, in order of batches.
        n_batches_flagged: batches with at least one signal.
        first: name of the first batch with a signal; "" without any.
        first_by_rule: rule in words to the first batch that it flags.
        false_alarms_per_week: expected at this plant's volume; None where it cannot be told.
        location: chart of the batch means with the limits that this way would have drawn.
    """

    label: str
    signals: tuple[SignalRow, ...]
    n_batches_flagged: int
    first: str
    first_by_rule: dict[str, str]
    false_alarms_per_week: float | None
    location: spc.ControlChart


def replay_rules(one: Assessment, rules: str) -> Replay | None:
    """The batches under the limits in force and another rule set; None without limits."""
    if one.charts is None:
        return None
    chosen = RULE_SETS[rules]
    rate = one.batches_per_week
    weekly = chosen.false_alarms_per_week(rate) if rate is not None else None
    return _replay(one, one.charts, chosen.label, rules, one.limits.breaks, weekly)


def replay_recalculated(
    one: Assessment, every: int | str = MONTHLY, rules: str | None = None
) -> Replay | None:
    """The batches with limits made anew from each block alone, as many a plant does.

    Drift hides in such limits: each block is compared with itself.

    Args:
        one: an assessment with charts. every: batches in a block, or MONTHLY for calendar months
            (UTC). Blocks with fewer than 8 batches join the one before. rules: the rule set;
            the one in use by default.
    """
    if one.charts is None:
        return None
    values = one.charts.location.values
    starts = _block_starts(one, every)
    stops = [*starts[1:], len(values)]
    parts = [
        spc.individuals(values[start:stop]).location
        for start, stop in zip(starts, stops, strict=True)
    ]
    names = ("center", "lower", "upper", "standard_error")
    lines = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    charts = replace(one.charts, location=replace(one.charts.location, **lines))
    what = "every month" if every == MONTHLY else f"every {every} batches"
    label = f"limits made anew {what}"
    return _replay(one, charts, label, rules or one.rule_set, tuple(starts[1:]), None)


def _block_starts(one: Assessment, every: int | str) -> list[int]:
    n = len(one.batches)
    if every == MONTHLY:
        month = one.batches["at"].dt.strftime("%Y-%m").fillna("").to_numpy()
        starts = [0, *(np.flatnonzero(month[1:] != month[:-1]) + 1).tolist()]
    else:
        starts = list(range(0, n, int(every)))
    kept = [0]
    for start in starts[1:]:
        if start - kept[-1] >= FEWEST_IN_A_BLOCK:
            kept.append(start)
    while len(kept) > 1 and n - kept[-1] < FEWEST_IN_A_BLOCK:
        kept.pop()
    return kept


def _replay(
    one: Assessment,
    charts: spc.ChartSet,
    label: str,
    rules: str,
    breaks: tuple[int, ...],
    weekly: float | None,
) -> Replay:
    chosen = RULE_SETS[rules]
    names = one.batches["batch"].tolist()
    ewma = moving_average(charts.location, breaks) if chosen.with_ewma else None
    means = replace(charts, within=None)
    signals = signals_of(means, ewma, chosen.rules, names, breaks)
    first_by_rule: dict[str, str] = {}
    for row in signals:
        first_by_rule.setdefault(row.phrase, row.batch)
    return Replay(
        label=label,
        signals=signals,
        n_batches_flagged=len({row.index for row in signals}),
        first=signals[0].batch if signals else "",
        first_by_rule=first_by_rule,
        false_alarms_per_week=weekly,
        location=charts.location,
    )

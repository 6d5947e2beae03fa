"""Capability behind its gate: an index where it is earned, else the reasons for none."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.batches import BatchTable
from dashboard.results import DUPLICATES_RANGE, CapabilityView, Event

FEWEST_BATCHES = 30
MOST_CENSORED = 0.10
CENSORED = ("below_range", "over_range")
"""Reasons that mean "less than" or "more than": leaving such values out biases every index."""


@dataclass(frozen=True, slots=True, eq=False)
class InForce:
    """Which specification was in force for each batch.

    Attributes:
        choices: the specifications that differ over time; None stands for none in force.
        position: for each batch its place in `choices`.
    """

    choices: tuple[ingest.Specification | None, ...]
    position: np.ndarray

    def newest(self) -> ingest.Specification | None:
        """Give the specification of the newest batch that has any limit."""
        chosen = self.choices[self.position[-1]] if len(self.position) else None
        return None if chosen is None or _limits(chosen) == (-math.inf, math.inf) else chosen

    def of(self, batch: int) -> ingest.Specification | None:
        """The specification that was in force for a batch, by its position."""
        return self.choices[self.position[batch]]

    def judge(self, means: np.ndarray) -> np.ndarray:
        """Tell whether each batch mean lies inside its own specification; None without one."""
        limits = np.array([_limits(one) for one in self.choices])[self.position]
        inside = (means >= limits[:, 0]) & (means <= limits[:, 1])
        none = ~np.isfinite(limits).any(axis=1)
        return np.where(none, None, inside.astype(object))


def _limits(specification: ingest.Specification | None) -> tuple[float, float]:
    """Give both limits, an absent one as infinite."""
    if specification is None:
        return -math.inf, math.inf
    lower, upper = specification.lower, specification.upper
    return -math.inf if lower is None else lower, math.inf if upper is None else upper


def specifications_in_force(
    specifications: Sequence[ingest.Specification], at: pd.Series
) -> InForce:
    """Find for each batch the specification that was in force when it was made.

    The choice changes only on the days a specification starts, so it is looked up once a day that
    matters. Days are counted in UTC. A batch without a time is judged by the newest.
    """
    held = list(specifications)
    starts = sorted({one.valid_from for one in held if one.valid_from is not None})
    days = [date.min, *starts, None]
    choices = tuple(ingest.specification_for(held, day) for day in days)
    if not starts:
        return InForce(choices, at.isna().to_numpy().astype(np.int64))
    edges = pd.DatetimeIndex([pd.Timestamp(start) for start in starts], tz="UTC")
    position = edges.searchsorted(at, side="right")
    return InForce(choices, np.where(at.isna(), len(starts) + 1, position))


def capability_view(
    table: BatchTable,
    in_force: InForce,
    charts: spc.ChartSet | None,
    events: Sequence[Event],
    repeatability: spc.Repeatability | None,
    n_set_aside: dict[str, int],
    left_out: Mapping[int, str] | None = None,
    stage: str = "",
) -> CapabilityView:
    """Give the capability of the batch means, or performance with reasons, or reasons alone.

    Every event on the batch means that nobody has closed counts against stability, the past ones
    too: an index speaks for the whole window. A batch that is left out of the limits with a cause
    is left out here too, and said wherever the index is.

    Args:
        table: batches of one characteristic.
        in_force: the specification of each batch.
        charts: three-way chart set of the batch means, if there is one.
        events: events of those charts.
        repeatability: used for the share of the tolerance that measuring takes.
        n_set_aside: readings not used, reason to count.
        left_out: positions of batches that are left out of the limits.
        stage: of the samples, as recorded; "" where files name none.
    """
    counted = np.ones(len(table.frame), dtype=bool)
    counted[list(left_out or ())] = False
    means = table.frame["mean"].to_numpy()[counted]
    n = len(means)
    newest = in_force.newest()
    if newest is None:
        none_at_all = all(one is None for one in in_force.choices)
        where = "" if none_at_all else " for the newest batch"
        return CapabilityView(None, (f"no specification is recorded{where}",), False, None)
    one_version = len({_limits(in_force.choices[i]) for i in in_force.position[counted]}) <= 1
    n_censored = sum(n_set_aside.get(reason, 0) for reason in CENSORED)
    censored = n_censored / max(1, n_censored + int(table.frame["n"].sum()))
    location = charts.location if charts is not None else None
    n_outside = int((location.outside() & counted).sum()) if location is not None else 0
    n_events = sum(
        event.chart != DUPLICATES_RANGE and not event.handling.closed for event in events
    )
    about = spc.describe(means) if location is not None and n else None
    reasons = tuple(
        spc.capability_gate(
            n=n,
            points_outside=n_outside,
            n_points=n,
            lag1=about.lag1 if about is not None else None,
            lag1_band=about.lag1_band if about is not None else math.inf,
            measurement_percent_of_tolerance=measurement_share(newest, repeatability),
            censored_fraction=censored,
            open_events=n_events,
            one_specification=one_version,
            as_made=is_as_made(stage),
        )
    )
    if n < FEWEST_BATCHES or not one_version or censored > MOST_CENSORED or location is None:
        if location is None and n >= FEWEST_BATCHES:
            reasons += ("no limits could be made, so stability cannot be told",)
        return CapabilityView(None, reasons, False, newest)
    try:
        result = spc.capability(
            means,
            lower=newest.lower,
            upper=newest.upper,
            target=newest.target,
            sigma_within=float(location.sigma),
        )
    except spc.SpcError as error:
        return CapabilityView(None, (*reasons, str(error)), False, newest)
    alike = about is not None and about.lag1 is not None and abs(about.lag1) > about.lag1_band
    if n_events or n_outside or alike:
        reasons += _misleading(result)
    return CapabilityView(result, reasons, bool(reasons), newest)


ADJUSTED = ("adjust", "final", "correct", "rework", "korr", "eingestellt", "nachgestellt", "fertig")
"""What the words for samples after an adjustment hold. Samples of another stage, and of files that
name none, count as made."""


def is_as_made(stage: str) -> bool:
    """Whether nothing says that samples of this stage were taken after an adjustment."""
    return not any(word in stage.casefold() for word in ADJUSTED)


def measurement_share(
    specification: ingest.Specification, repeatability: spc.Repeatability | None
) -> float | None:
    """Six repeatability standard deviations in percent of the tolerance; None if one-sided."""
    if repeatability is None or specification.lower is None or specification.upper is None:
        return None
    return 600.0 * float(repeatability.s_r) / (specification.upper - specification.lower)


def _misleading(result: spc.Capability) -> tuple[str, ...]:
    """Name the short-term index only to say that it flatters an unsettled process."""
    if result.sigma_within >= result.sd:
        return ()
    index = text.fixed(result.cpk, 2)
    told = f"the index from the short-term sigma ({index}) would mislead, as that sigma does not "
    return (told + "see the level moving",)

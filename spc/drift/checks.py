"""When the check standards of one instrument moved, all of its materials together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spc.drift.evidence import Background, log_sum
from spc.drift.history import CheckRuns
from spc.drift.lone import lone_values
from spc.drift.shapes import SHORTEST
from spc.intake import FloatArray

FEWEST_RUNS = 6
"""Runs before a check standard can say that something moved, or that nothing did."""
_SIZE = 5.0  # prior width in check standard deviations: an instrument's fault is large on its scale
_MOST_TIMES = 140


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """A shape in time, the same for every series of an instrument.

    Attributes:
        kind: "step", "stretch" or "ramp".
        start: time of the first changed moment; a ramp is still 0 there.
        stop: time of the first moment after a stretch; inf otherwise.
        end: time at which a ramp has its full size.
    """

    kind: str
    start: float
    stop: float
    end: float

    def column(self, times: FloatArray) -> FloatArray:
        """Return the shape at these times: 0 before, 1 at full size."""
        if self.kind == "ramp":
            span = max(self.end - self.start, 1e-9)
            return np.clip((times - self.start) / span, 0.0, None)
        return ((times >= self.start) & (times < self.stop)).astype(float)


@dataclass(frozen=True, slots=True, eq=False)
class Movement:
    """A movement of an instrument's check standards, with the product's batches beside them.

    Attributes:
        instrument: its name.
        moment: the most likely shape in time.
        log_odds: log odds of the check standards with this kind of movement (time averaged)
            against none.
        times: candidate times of the start.
        weights: posterior of each, from check standards and product together.
    """

    instrument: str
    moment: Moment
    log_odds: float
    times: FloatArray
    weights: FloatArray


def usable(checks: Sequence[CheckRuns], instrument: str) -> list[CheckRuns]:
    """Pick the check standards of an instrument that have enough dated runs, lone ones left out."""
    found = []
    for one in checks:
        known = np.isfinite(one.times) & np.isfinite(one.values)
        if one.instrument != instrument or known.sum() < FEWEST_RUNS:
            continue
        kept = np.flatnonzero(known)
        kept = kept[np.argsort(one.times[kept], kind="stable")]
        kept = kept[~lone_values(np.log(one.values[kept]))]
        if len(kept) >= FEWEST_RUNS and np.ptp(one.values[kept]) > 0:
            found.append(
                CheckRuns(
                    one.name,
                    one.instrument,
                    one.times[kept],
                    one.values[kept],
                    one.torque[kept],
                    one.temperature[kept],
                    one.certified,
                )
            )
    return found


def background_of(values: FloatArray, size: float = _SIZE) -> Background:
    """Make the background of a check standard's runs: logs, a constant."""
    logs = np.log(values)
    return Background(logs - logs.mean(), np.ones((len(logs), 1)), size)


def find_movements(
    runs: Sequence[CheckRuns],
    instrument: str,
    batch_times: FloatArray,
    batch_values: FloatArray,
    batch_known: FloatArray,
) -> list[Movement]:
    """Weigh a step, a stretch and a ramp of all check standards of an instrument at once.

    Each material has a size of its own; the time is common. The odds that decide are those of the
    check standards alone; the time is then sharpened by the product's own batches.

    Args:
        runs: from `usable`, at least one.
        instrument: its name.
        batch_times: times of the product's batches on it, rising.
        batch_values: logs of their means.
        batch_known: known columns of those batches, the constant among them.
    """
    every = np.unique(np.concatenate([*(one.times for one in runs), batch_times]))
    union = every
    if len(every) > _MOST_TIMES:
        union = every[np.unique(np.linspace(0, len(every) - 1, _MOST_TIMES).round().astype(int))]
    end = float(every[-1])
    series = [(one.times, background_of(one.values)) for one in runs]
    product = None
    if len(batch_times) >= 4 * SHORTEST and np.ptp(batch_values) > 0:
        product = (batch_times, Background(batch_values, batch_known))
    found = []
    for kind in ("step", "ramp"):
        times = union[1:-1]
        if len(times) < 2:
            continue
        odds = np.sum([_weigh(back, clock, times, kind, end) for clock, back in series], axis=0)
        log_odds = float(log_sum(odds)) - float(np.log(len(odds)))
        if len(union) < len(every):
            likely = times[odds > odds.max() - 12.0]
            gap = float(np.diff(union).max())
            times = every[(every >= likely[0] - gap) & (every <= likely[-1] + gap)]
            times = times[:: len(times) // (6 * _MOST_TIMES) + 1]
            odds = np.sum([_weigh(back, clock, times, kind, end) for clock, back in series], axis=0)
        both = odds
        if product is not None:
            both = odds + _weigh(product[1], product[0], times, kind, end)
        weights = np.exp(both - log_sum(both))
        at = float(times[int(np.argmax(weights))])
        found.append(Movement(instrument, Moment(kind, at, np.inf, end), log_odds, times, weights))
    stretch = _stretch(series, product, union, instrument)
    return found if stretch is None else [*found, stretch]


def _weigh(
    background: Background, clock: FloatArray, starts: FloatArray, kind: str, end: float
) -> FloatArray:
    if kind == "step":
        columns = (clock[:, None] >= starts[None, :]).astype(float)
    else:
        span = np.maximum(end - starts, 1e-9)
        columns = np.clip((clock[:, None] - starts[None, :]) / span, 0.0, None)
    return background.weigh(columns)


def _stretch(
    series: list[tuple[FloatArray, Background]],
    product: tuple[FloatArray, Background] | None,
    union: FloatArray,
    instrument: str,
) -> Movement | None:
    m = len(union)
    rank = np.arange(m)
    allowed = (rank[None, :] - rank[:, None] >= SHORTEST) & (rank[:, None] >= 1)
    counts = np.zeros((m, m))
    for times, _ in series:
        at = np.searchsorted(times, union)
        counts = np.maximum(counts, at[None, :] - at[:, None])
    # At least two runs of one material inside, and the return seen by a later run.
    last = max(float(times[-1]) for times, _ in series)
    allowed &= (counts >= 2) & (union[None, :] <= last)
    if not allowed.any():
        return None
    odds = np.zeros((m, m))
    for times, back in series:
        columns = (times[:, None] >= union[None, :]).astype(float)
        odds = odds + back.weigh_differences(columns, allowed)
    log_odds = float(log_sum(odds[allowed])) - float(np.log(allowed.sum()))
    both = odds
    if product is not None:
        columns = (product[0][:, None] >= union[None, :]).astype(float)
        both = odds + product[1].weigh_differences(columns, allowed)
    weights = np.where(allowed, np.exp(both - log_sum(both[allowed])), 0.0)
    start, stop = np.unravel_index(int(np.argmax(weights)), weights.shape)
    return Movement(
        instrument,
        Moment("stretch", float(union[start]), float(union[stop]), np.inf),
        log_odds,
        union,
        weights.sum(axis=1),
    )

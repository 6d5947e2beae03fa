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
_MOST_TIMES = 100


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
        instruments: its name; several names where they moved at one time.
        moment: the most likely shape in time.
        log_odds: log odds of the check standards with this kind of movement (time averaged)
            against none.
        times: candidate times of the start.
        weights: posterior of each, from check standards and product together.
    """

    instruments: tuple[str, ...]
    moment: Moment
    log_odds: float
    times: FloatArray
    weights: FloatArray


def usable(checks: Sequence[CheckRuns], *instruments: str) -> list[CheckRuns]:
    """Pick the check standards of instruments that have enough dated runs, lone ones left out."""
    found = []
    for one in checks:
        known = np.isfinite(one.times) & np.isfinite(one.values)
        if one.instrument not in instruments or known.sum() < FEWEST_RUNS:
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


@dataclass(frozen=True, slots=True, eq=False)
class CheckScan:
    """What the check standards of one instrument say by themselves, the same for every product.

    Attributes:
        instruments: its name, or the names where several are scanned as one.
        runs: its usable check standards.
        times: moments at which their odds were taken, rising.
        odds: kind of change to log odds at these moments; for a stretch at each pair (start, stop).
        log_odds: kind to log odds, times averaged.
    """

    instruments: tuple[str, ...]
    runs: tuple[CheckRuns, ...]
    times: FloatArray
    odds: dict[str, FloatArray]
    log_odds: dict[str, float]


def scan_checks(checks: Sequence[CheckRuns], *instruments: str) -> CheckScan | None:
    """Weigh a step, a stretch and a ramp of all check standards of an instrument at once.

    Each material has a size of its own; the time is common. Several instruments are taken as one:
    a bath or a room serves them all. None without enough dated runs.
    """
    runs = usable(checks, *instruments)
    if not runs:
        return None
    every = np.unique(np.concatenate([one.times for one in runs]))
    times = _thinned(every, _MOST_TIMES)
    end = float(every[-1])
    series = [(one.times, background_of(one.values)) for one in runs]
    odds: dict[str, FloatArray] = {}
    for kind in ("step", "ramp"):
        if len(times) > 3:
            odds[kind] = _sum([_weigh(back, clock, times, kind, end) for clock, back in series])
            odds[kind][[0, -1]] = -np.inf
    pairs = _stretch_odds(series, times, times)
    if pairs is not None:
        odds["stretch"] = pairs
    log_odds = {}
    for kind, values in odds.items():
        finite = values[np.isfinite(values)]
        log_odds[kind] = float(log_sum(finite)) - float(np.log(len(finite)))
    return CheckScan(instruments, tuple(runs), times, odds, log_odds)


def locate(
    scan: CheckScan,
    kind: str,
    batch_times: FloatArray,
    batch_values: FloatArray,
    batch_known: FloatArray | None = None,
) -> Movement:
    """Place a movement in time, by the check standards and the product's own batches together.

    Args:
        scan: of the instrument; `kind` is one of those it holds.
        kind: of the movement.
        batch_times: times of the product's batches on the instrument, rising.
        batch_values: logs of their means.
        batch_known: their known columns; a constant if None.
    """
    every = np.unique(np.concatenate([*(one.times for one in scan.runs), batch_times]))
    end = float(every[-1])
    series = [(one.times, background_of(one.values)) for one in scan.runs]
    if len(batch_times) >= 4 * SHORTEST and np.ptp(batch_values) > 0:
        known = np.ones((len(batch_times), 1))
        if batch_known is not None:  # columns that these batches do not vary in say nothing
            varying = batch_known[:, np.ptp(batch_known, axis=0) > 0]
            if np.linalg.matrix_rank(np.column_stack([known, varying])) == 1 + varying.shape[1]:
                known = np.column_stack([known, varying])
        series.append((batch_times, Background(batch_values - batch_values.mean(), known)))
    if kind == "stretch":
        return _locate_stretch(scan, series, every)
    odds = scan.odds[kind]
    times = _thinned(_near(every, scan.times, odds), 4 * _MOST_TIMES)
    both = _sum([_weigh(back, clock, times, kind, end) for clock, back in series])
    weights = np.exp(both - log_sum(both))
    at = float(times[int(np.argmax(weights))])
    moment = Moment(kind, at, np.inf, end)
    return Movement(scan.instruments, moment, scan.log_odds[kind], times, weights)


def _locate_stretch(
    scan: CheckScan, series: list[tuple[FloatArray, Background]], every: FloatArray
) -> Movement:
    odds = scan.odds["stretch"]
    starts = _thinned(_near(every, scan.times, odds.max(axis=1)), _MOST_TIMES)
    stops = _thinned(_near(every, scan.times, odds.max(axis=0)), _MOST_TIMES)
    both = _stretch_odds(series, starts, stops)
    if both is None:
        both, starts, stops = odds, scan.times, scan.times
    weights = np.where(np.isfinite(both), np.exp(both - log_sum(both[np.isfinite(both)])), 0.0)
    start, stop = np.unravel_index(int(np.argmax(weights)), weights.shape)
    moment = Moment("stretch", float(starts[start]), float(stops[stop]), np.inf)
    return Movement(scan.instruments, moment, scan.log_odds["stretch"], starts, weights.sum(axis=1))


def _thinned(times: FloatArray, most: int) -> FloatArray:
    if len(times) <= most:
        return times
    chosen = np.unique(np.linspace(0, len(times) - 1, most).round().astype(int))
    return np.asarray(times[chosen])


def _near(every: FloatArray, times: FloatArray, odds: FloatArray) -> FloatArray:
    """All times from the first to the last likely one, and what lies beside them."""
    likely = np.flatnonzero(odds > odds.max() - 12.0)
    low = times[max(int(likely[0]) - 1, 0)]
    high = times[min(int(likely[-1]) + 1, len(times) - 1)]
    return np.asarray(every[(every >= low) & (every <= high)])


def _sum(parts: list[FloatArray]) -> FloatArray:
    return np.asarray(np.sum(parts, axis=0))


def _weigh(
    background: Background, clock: FloatArray, starts: FloatArray, kind: str, end: float
) -> FloatArray:
    if kind == "step":
        columns = (clock[:, None] >= starts[None, :]).astype(float)
    else:
        span = np.maximum(end - starts, 1e-9)
        columns = np.clip((clock[:, None] - starts[None, :]) / span, 0.0, None)
    return background.weigh(columns)


def _stretch_odds(
    series: list[tuple[FloatArray, Background]], starts: FloatArray, stops: FloatArray
) -> FloatArray | None:
    """Log odds of a stretch from each start to each stop, -inf where it holds too little."""
    counts = np.zeros((len(starts), len(stops)))
    earlier, later = counts.copy(), counts.copy()
    for times, _ in series:
        a, b = np.searchsorted(times, starts), np.searchsorted(times, stops)
        counts = np.maximum(counts, b[None, :] - a[:, None])
        earlier = np.maximum(earlier, np.broadcast_to(a[:, None], counts.shape))
        later = np.maximum(later, np.broadcast_to(len(times) - b[None, :], counts.shape))
    # At least two runs of one series inside, one before it, and the return seen by one after.
    allowed = (counts >= SHORTEST) & (earlier >= 1) & (later >= 1)
    if not allowed.any():
        return None
    union = np.unique(np.concatenate([starts, stops]))
    first, second = np.searchsorted(union, starts), np.searchsorted(union, stops)
    wide = np.zeros((len(union), len(union)), dtype=bool)
    wide[np.ix_(first, second)] = allowed
    total = np.zeros(allowed.shape)
    for times, back in series:
        columns = (times[:, None] >= union[None, :]).astype(float)
        total = total + back.weigh_differences(columns, wide)[np.ix_(first, second)]
    return total

"""Run lengths of a Markov chain that ends when a chart signals.

The chances of the states are followed point by point until the chance of a signal no longer
changes; from there on the run length is geometric. That gives the mean and every share of the
distribution at once, and needs no large system of equations.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from spc.errors import ArgumentError
from spc.intake import FloatArray, as_number

# Beyond it the chance of a signal drowns in the rounding of 1 - (chance to stay quiet).
LONGEST = 1e10
SHARES = (0.5, 0.95)
_MOST_POINTS = 200_000
_BETWEEN_LOOKS = 8
_SAME = 1e-11
_NOTHING_LEFT = 1e-17

Step: TypeAlias = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class RunLength:
    """How long a chart stays quiet, in plotted points, the signalling one included.

    Attributes:
        mean: average run length.
        median: half of all charts have signalled by this point.
        percent_95: 95 % of all charts have signalled by this point.
        method: how these numbers were found.
        standard_error: of the mean where it was simulated; None where it was computed.
    """

    mean: float
    median: int
    percent_95: int
    method: str
    standard_error: float | None = None

    def false_alarms(self, points: float) -> float:
        """Signals to expect in so many points, if this is a run length in control."""
        number = as_number(points, name="points")
        if number < 0:
            raise ArgumentError(f"points must not be negative, got {number:g}")
        return number / self.mean


@dataclass(frozen=True, slots=True, eq=False)
class QuietTime:
    """Chance that a chart is still quiet.

    Attributes:
        quiet: after 1, 2, … points, shape (n,).
        ratio: what each further point leaves of the last one.
        state: chances of the states at the end, given that the chart is quiet.
    """

    quiet: FloatArray
    ratio: float
    state: FloatArray

    def mean(self) -> float:
        """Average run length; infinite beyond LONGEST."""
        if self.quiet[-1] < _NOTHING_LEFT:
            return float(1 + self.quiet.sum())
        leaving = 1 - self.ratio
        if not leaving > 1 / LONGEST:
            return float("inf")
        return float(1 + self.quiet.sum() + self.quiet[-1] * self.ratio / leaving)

    def until(self, share: float) -> int:
        """First point by which this share of all charts has signalled."""
        left = 1 - share
        if self.quiet[-1] <= left:
            return int((self.quiet <= left).argmax()) + 1
        further = np.log(left / self.quiet[-1]) / np.log(self.ratio)
        return int(self.quiet.size + np.ceil(further))

    def after(self, points: int) -> FloatArray:
        """Chance to be quiet after 1, 2, … points, shape (points,)."""
        more = max(0, points - self.quiet.size)
        tail = self.quiet[-1] * self.ratio ** np.arange(1, more + 1)
        return np.concatenate([self.quiet[:points], tail])


def follow(
    step: Step,
    start: FloatArray,
    before: Sequence[float] = (),
    *,
    weights: FloatArray | None = None,
) -> QuietTime:
    """Follow a chain from the chances of its states to where the chance of a signal is settled.

    Args:
        step: chances of the quiet states in, those one point later out.
        start: chances of the states at the start.
        before: chances to be quiet after the points before that, the last one that of `start`.
        weights: what to multiply the states with for the chance to be quiet. Left out: 1, for
            chances of the states. Where the states hold their own chances to stay quiet, one point
            more with each step, the chances of the states at the start.

    Raises:
        ArgumentError: it does not settle.
    """
    quiet = list(before)

    def quiet_share(state: FloatArray) -> float:
        return float(state.sum() if weights is None else state.dot(weights))

    state, left = start, quiet_share(start)
    if left < _NOTHING_LEFT:  # so large a shift that the first point signals
        return QuietTime(np.array(quiet or [left]), 0.0, start)
    shape = start / left
    while len(quiet) < _MOST_POINTS:
        for _ in range(_BETWEEN_LOOKS):
            state = step(state)
            quiet.append(quiet_share(state))
        if quiet[-1] < _NOTHING_LEFT:
            return QuietTime(np.array(quiet), 0.0, shape)
        last, shape = shape, state / quiet[-1]
        if np.abs(shape - last).max() < _SAME:
            return QuietTime(np.array(quiet), quiet_share(step(shape)), shape)
    raise ArgumentError(
        f"the chance of a signal does not settle within {_MOST_POINTS} points: "
        "take a larger weight, a smaller decision interval or shorter rules"
    )


def checked_mean(mean: float) -> float:
    """Refuse a run length that double precision cannot hold."""
    if not mean <= LONGEST:
        raise ArgumentError(
            f"the rules and limits asked for signal less often than once in {LONGEST:g} points: "
            "too seldom to compute; take tighter limits or a larger shift"
        )
    return mean


def run_length_from(time: QuietTime, method: str) -> RunLength:
    """Make the result out of the chances to be quiet."""
    median, percent_95 = (time.until(share) for share in SHARES)
    return RunLength(checked_mean(time.mean()), median, percent_95, method)

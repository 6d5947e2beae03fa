"""Whether values are recorded finely enough for limits made from their differences."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.individuals import individuals
from spc.errors import NoSpreadError
from spc.intake import LARGEST, as_number, as_series

# With the step as large as sigma, ranges of 0, 1, 2 and 3 steps lie below 3.69 sigma.
FEWEST_RANGES = 4
LARGEST_STEP = 1.0


@dataclass(frozen=True, slots=True)
class Resolution:
    """How coarse the recording is against the movement it should show.

    Attributes:
        step: recording step, as given or the smallest difference between two unequal values; None
            where all values are equal.
        step_over_sigma: step in short-term standard deviations; up to 0.1 is ideal, above 1
            unusable; None where all values are equal.
        distinct_ranges: unequal moving ranges at or below their upper limit, 0 included.
        sufficient: False where limits from these values mislead.
        reason: why not, in a sentence; empty where sufficient.
    """

    step: float | None
    step_over_sigma: float | None
    distinct_ranges: int
    sufficient: bool
    reason: str


def check_resolution(values: ArrayLike, step: float | None = None) -> Resolution:
    """Ask whether rounding, and not the process, makes the moving ranges.

    Values rounded more coarsely than about one sigma give limits that are too tight or too wide by
    chance, and more false alarms.

    Args:
        values: shape (n,), production order, finite.
        step: the recording step where it is known, above 0. Means of two readings have half of the
            readings' step.

    Raises:
        TooFewPointsError: fewer than 2 values.

    Source: fewer than 4 different moving ranges below the limit, D. J. Wheeler & R. W. Lyday,
        Evaluating the Measurement Process (from memory); step above sigma says nearly the same.
        The fewer-than-4 rule is used from 8 values on: below that few ranges are no sign.

    Example:
        >>> check_resolution([2000, 2100, 2000, 2000, 2100, 2000, 2100, 2000, 2000]).sufficient
        False
    """
    series = as_series(values, at_least=2)
    known = None if step is None else as_number(step, name="step", above=0)
    levels = np.unique(series)
    if float(np.ptp(levels)) <= max(1e-9 * float(np.abs(levels).max()), 1 / LARGEST):
        return Resolution(
            known, None, 1, False, f"all {series.size} values are {levels[0]:g}: nothing moves"
        )
    seen = recording_step(levels)
    known = seen if known is None else known
    chart = individuals(series).dispersion
    ranges, sigma = chart.values[1:], chart.sigma
    below = ranges[ranges <= chart.upper[0]]
    distinct = int(np.unique(np.round(below / seen)).size)
    ratio = known / sigma
    few = distinct < FEWEST_RANGES and series.size >= 8
    if ratio > LARGEST_STEP:
        reason = (
            f"recorded in steps of {known:g}, {ratio:.1f} times sigma: the limits show the "
            "rounding more than the process; record finer"
        )
    elif few:
        different = "1 moving range" if distinct == 1 else f"{distinct} different moving ranges"
        reason = (
            f"only {different} below the limit: recorded too coarsely, in steps of {known:g}, to "
            "set limits from; record finer"
        )
    else:
        reason = ""
    return Resolution(known, ratio, distinct, not reason, reason)


def recording_step(values: ArrayLike) -> float:
    """Return the smallest difference between two unequal values.

    Ask it of the readings: means of two of them have half of their step.

    Args:
        values: shape (n,), any order, finite.

    Raises:
        NoSpreadError: all values equal.

    Source: own convention; differences below a billionth of the largest value are binary rounding.

    Example:
        >>> recording_step([1990, 2010, 2050, 2000])
        10.0
    """
    levels = np.unique(as_series(values))
    gaps = np.diff(levels)
    gaps = gaps[gaps > 1e-9 * float(np.abs(levels).max())]
    if gaps.size == 0:
        raise NoSpreadError(
            f"values must differ to show their recording step, got only {levels[0]:g}: "
            "give the step"
        )
    return float(gaps.min())

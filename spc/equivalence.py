"""Whether two instruments may be pooled: paired ratios against an agreed margin."""

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from spc.elementwise import ROUNDING
from spc.errors import ArgumentError, TooFewPointsError
from spc.intake import as_confidence, as_number, as_series, mean_of
from spc.intervals import Interval

Equivalent: TypeAlias = Literal["equivalent", "not equivalent", "not decided"]


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two instruments compared on the same batches.

    Attributes:
        n: number of pairs.
        difference_percent: 100 (ratio - 1), ratio the geometric mean of second / first.
        interval_percent: t interval of it, through the logarithm.
        margin_percent: agreed margin m; on the ratio it reaches from 1/(1 + m) to 1 + m, so that
            swapping the instruments changes no verdict.
        confidence: of the interval.
        verdict: "equivalent" if the whole interval lies within the margin, "not equivalent" if all
            of it lies outside, else "not decided".
        differs: whether the interval leaves out 0: a difference is shown, be it ever so small.
    """

    n: int
    difference_percent: float
    interval_percent: Interval
    margin_percent: float
    confidence: float
    verdict: Equivalent
    differs: bool


def equivalence(
    first: ArrayLike, second: ArrayLike, margin_percent: float, confidence: float = 0.95
) -> Equivalence:
    """Compare two instruments by the ratio of their results on the same batches.

    "Not significantly different" is not "equal": few or noisy pairs show no difference and prove
    nothing. Equivalence is claimed only if the interval lies inside the margin agreed beforehand.
    Where all ratios are equal the interval has no width; look at the recording step then.

    Args:
        first: results of one instrument, shape (n,), above 0.
        second: results of the other, same batches in the same order.
        margin_percent: largest difference that does not matter, above 0.
        confidence: of the interval; 0.90 makes the usual two one-sided tests at 5 %.

    Raises:
        TooFewPointsError: fewer than 2 pairs.
        ArgumentError: lengths differ, a result not above 0, a margin not above 0.

    Source: paired t interval on ln ratios; D. J. Schuirmann, J. Pharmacokinetics and
        Biopharmaceutics 15 (1987) 657 (two one-sided tests).

    Example:
        >>> equivalence([1000, 2000, 3000], [1001, 1999, 3002], margin_percent=2).verdict
        'equivalent'
    """
    level = as_confidence(confidence)
    margin = as_number(margin_percent, name="margin_percent", above=0.0)
    one = as_series(first, name="first")
    other = as_series(second, name="second")
    if one.size != other.size:
        raise ArgumentError(f"first and second must match, got {one.size} and {other.size}")
    for name, results in (("first", one), ("second", other)):
        if (results <= 0).any():
            raise ArgumentError(
                f"{name} must be above 0 to have a ratio, got {results.min():g}: leave it out"
            )
    if one.size < 2:
        raise TooFewPointsError(
            f"first and second need at least 2 pairs, got {one.size}: measure more batches on both"
        )
    n = int(one.size)
    ratio = np.log(other) - np.log(one)
    mean = mean_of(ratio)
    sd = math.sqrt(float(((ratio - mean) ** 2).sum()) / (n - 1))
    half = float(stdtrit(n - 1, (1 + level) / 2)) * sd / math.sqrt(n)
    low, high = mean - half, mean + half
    border = math.log1p(margin / 100) + ROUNDING
    verdict: Equivalent
    if -border <= low and high <= border:
        verdict = "equivalent"
    elif low > border or high < -border:
        verdict = "not equivalent"
    else:
        verdict = "not decided"
    return Equivalence(
        n=n,
        difference_percent=_percent(mean),
        interval_percent=(_percent(low), _percent(high)),
        margin_percent=margin,
        confidence=level,
        verdict=verdict,
        differs=not low <= 0 <= high,
    )


def _percent(log_ratio: float) -> float:
    """Percentage of a ln ratio; n = 2 with opposite pairs can reach past any float: infinite."""
    return 100 * math.expm1(log_ratio) if log_ratio < 700 else math.inf

"""Whether reading a sample changes it: the second reading against the first."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from spc.errors import ArgumentError, TooFewPointsError
from spc.intake import Groups, as_replicates


@dataclass(frozen=True, slots=True)
class OrderEffect:
    """Whether the second reading of a batch differs from the first as a rule.

    Attributes:
        mean_log_ratio_percent: mean of 100 ln(second / first).
        t: that mean over its standard error. Convention where all ratios are equal: 0 if they are
            1, infinite otherwise.
        p: two-sided probability of so large a t by chance.
        n: batches with two readings or more.
        cv_percent_without_order: relative repeatability left when the mean ratio is taken out.
    """

    mean_log_ratio_percent: float
    t: float
    p: float
    n: int
    cv_percent_without_order: float


def order_effect(groups: Groups) -> OrderEffect:
    """Test the first two readings of each batch for a change from the first to the second.

    Time-dependent products thin out while they are measured; a naive repeatability then holds that
    change too. A batch with three readings or more counts with its first two.

    Args:
        groups: the readings of each batch in the order taken, above 0.

    Raises:
        TooFewPointsError: fewer than 2 batches with two readings.
        ArgumentError: a reading not above 0.

    Source: paired t test on ln ratios.

    Example:
        >>> pairs = [[2000, 1960], [2100, 2055], [1950, 1915]]
        >>> round(order_effect(pairs).mean_log_ratio_percent, 2)
        -2.0
    """
    several = as_replicates(groups)
    first, second = several.flat[several.starts], several.flat[several.starts + 1]
    smallest = float(min(first.min(), second.min()))
    if smallest <= 0:
        raise ArgumentError(f"groups must be above 0 for an order effect, got {smallest:g}")
    if several.n_groups < 2:
        raise TooFewPointsError(
            f"groups needs at least 2 batches with two readings, got {several.n_groups}: "
            "measure more duplicates"
        )
    ratio = np.log(second / first)
    n = several.n_groups
    mean = float(ratio[0] + (ratio - ratio[0]).mean())
    sd = float(np.sqrt(((ratio - mean) ** 2).sum() / (n - 1)))
    if sd > 0:
        t = mean / (sd / math.sqrt(n))
        p = float(2 * stdtr(n - 1, -abs(t)))
    else:
        t = 0.0 if mean == 0 else math.copysign(math.inf, mean)
        p = 1.0 if mean == 0 else 0.0
    return OrderEffect(100 * mean, t, p, n, 100 * sd / math.sqrt(2))

"""Limits estimated once, on a baseline, and from then on only applied."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.dispersion_limits import DispersionLimits
from spc.charts.individuals import individuals
from spc.constants import control_chart_constants
from spc.errors import ArgumentError, TooFewPointsError
from spc.intake import as_series, mean_of
from spc.result import ChartSet, ControlChart

SigmaMethod: TypeAlias = Literal["moving_range", "total"]

# A sigma from moving ranges is as uncertain as a standard deviation with this share of the
# degrees of freedom.
MOVING_RANGE_EFFICIENCY = 0.62


@dataclass(frozen=True, slots=True)
class FrozenLimits:
    """A centre and a sigma that no later point changes, and where they come from.

    Attributes:
        center: centre line.
        sigma: standard deviation of one value.
        n: points of the baseline that they were estimated from.
        method: "moving_range" (mean moving range / d2) or "total" (standard deviation about the
            mean, wider where neighbours are alike).
        degrees_of_freedom: how well sigma is known; effective ones for moving ranges.
        left_out: 0-based indices of baseline points that were not used.
    """

    center: float
    sigma: float
    n: int
    method: SigmaMethod
    degrees_of_freedom: float
    left_out: tuple[int, ...] = ()

    @property
    def lower(self) -> float:
        """Lower limit of single values."""
        return self.center - 3 * self.sigma

    @property
    def upper(self) -> float:
        """Upper limit of single values."""
        return self.center + 3 * self.sigma

    def apply(self, values: ArrayLike) -> ControlChart:
        """Judge values, shape (n,), by these limits: a chart of single values."""
        return self.charts(values).location

    def charts(
        self, values: ArrayLike, dispersion_limits: DispersionLimits = "three_sigma"
    ) -> ChartSet:
        """Judge values by these limits, with their moving ranges.

        The first moving range needs a neighbour before it: hand over the last earlier point too
        where it shall be judged.
        """
        return individuals(
            values, center=self.center, sigma=self.sigma, dispersion_limits=dispersion_limits
        )


def freeze_limits(
    values: ArrayLike, *, left_out: Sequence[int] = (), method: SigmaMethod = "moving_range"
) -> FrozenLimits:
    """Estimate centre and sigma on a baseline.

    Points with a found cause may be left out; a moving range counts only where both of its points
    do, so a gap is not bridged.

    Args:
        values: shape (n,), the baseline in production order, finite.
        left_out: 0-based indices of points that shall not count.
        method: "moving_range" or "total"; the latter for a long stable stretch of values whose
            neighbours are alike.

    Raises:
        TooFewPointsError: fewer than 2 points left, or no two neighbours for a moving range.
        ArgumentError: unknown method, an index that is not there.

    Source: ISO 7870-2 (phases of a control chart); 0.62 (n - 1) effective degrees of freedom of a
        moving-range sigma is an approximation.

    Example:
        >>> limits = freeze_limits([10, 12, 11])
        >>> limits.center, round(limits.sigma, 3)
        (11.0, 1.329)
        >>> limits.apply([11, 16]).outside().tolist()
        [False, True]
    """
    if method not in ("moving_range", "total"):
        raise ArgumentError(f"method must be 'moving_range' or 'total', got {method!r}")
    series = as_series(values, at_least=2)
    used = np.ones(series.size, dtype=bool)
    for index in left_out:
        if not 0 <= index < series.size:
            raise ArgumentError(
                f"left_out must hold indices from 0 to {series.size - 1}, got {index}"
            )
        used[index] = False
    kept = series[used]
    if kept.size < 2:
        raise TooFewPointsError(
            f"values needs 2 points that are not left out, got {kept.size}: wait for more data"
        )
    center = mean_of(kept)
    if method == "total":
        sigma = float(np.sqrt(((kept - center) ** 2).sum() / (kept.size - 1)))
        freedom = kept.size - 1.0
    else:
        ranges = np.abs(np.diff(series))[used[1:] & used[:-1]]
        if ranges.size == 0:
            raise TooFewPointsError(
                "values needs two neighbours that are not left out for a moving range: "
                "wait for more data"
            )
        sigma = float(ranges.mean()) / control_chart_constants(2).d2
        freedom = MOVING_RANGE_EFFICIENCY * ranges.size
    return FrozenLimits(
        center=center,
        sigma=sigma,
        n=int(kept.size),
        method=method,
        degrees_of_freedom=freedom,
        left_out=tuple(np.flatnonzero(~used).tolist()),
    )

"""Means of subgroups with their ranges or standard deviations.

Only where the user has said what the subgroup is: between and within must be of one kind.
Duplicates of a batch are not such a subgroup (see `check_subgroups` and `three_way`).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from spc.charts.dispersion_limits import DispersionLimits, range_factors, sd_factors
from spc.charts.individuals import individuals
from spc.constants import control_chart_constants
from spc.errors import TooFewPointsError
from spc.intake import FloatArray, GroupedValues, Groups, as_center_and_sigma, as_groups
from spc.result import ChartSet, ControlChart

# A ratio above this says that batches differ by more than their own readings explain.
LARGEST_RATIO = 1.5


def xbar_r(
    subgroups: Groups,
    *,
    center: float | None = None,
    sigma: float | None = None,
    dispersion_limits: DispersionLimits = "three_sigma",
) -> ChartSet:
    """Chart subgroup means with limits from the ranges inside the subgroups.

    Args:
        subgroups: sequence of arrays, or 2-D array with nan for a missing value; sizes may differ.
        center: a centre fixed earlier; together with `sigma`, subgroups only get judged.
        sigma: the standard deviation of one value fixed earlier with that centre.
        dispersion_limits: "three_sigma" (factors D1 and D2) or "probability" (a range beyond
            either limit has the chance of a value beyond 3 sigma, 0.135 %).

    Returns:
        ChartSet: `.location` the means, grand mean ± 3 sigma / √n_i; `.dispersion` the ranges.
        sigma is the plain mean of R_i / d2(n_i) over the subgroups of two or more, each with
        weight 1; for equal sizes that is R-bar / d2. The grand mean weighs every value alike.
        A subgroup of one value is on the mean chart with its wider limits; its range is nan.

    Raises:
        TooFewPointsError: fewer than 2 subgroups, or none with two values (any number where center
            and sigma are given).
        ArgumentError: only one of `center` and `sigma`.

    Source: ISO 7870-2:2013; ASTM MNL 7, control charts with unequal subgroup sizes.

    Example:
        >>> charts = xbar_r([[10, 12], [11, 13], [12, 12]])
        >>> round(charts.location.sigma, 4)  # (2 + 2 + 0) / 3 / 1.128379
        1.1816
    """
    given = as_center_and_sigma(center, sigma)
    if given is None:
        groups = _checked(subgroups)
        middle, spread = groups.mean(), _sigma_from_ranges(groups.with_replicates())
    else:
        groups = _judged(subgroups)
        middle, spread = given
    return _chart_set(
        "xbar_r",
        _means(groups, middle, spread),
        range_chart(groups, spread, limits=dispersion_limits),
        estimated=given is None,
    )


def xbar_s(
    subgroups: Groups,
    *,
    center: float | None = None,
    sigma: float | None = None,
    dispersion_limits: DispersionLimits = "three_sigma",
) -> ChartSet:
    """Chart subgroup means with limits from the standard deviations inside the subgroups.

    Preferred to ranges for subgroups of about ten and more.

    Args:
        subgroups: as in `xbar_r`.
        center: as in `xbar_r`.
        sigma: as in `xbar_r`.
        dispersion_limits: as in `xbar_r`, with factors B5 and B6.

    Returns:
        ChartSet: as in `xbar_r`, with sigma the plain mean of s_i / c4(n_i) over the subgroups of
        two or more and `.dispersion` the standard deviations.

    Raises:
        TooFewPointsError: fewer than 2 subgroups, or none with two values (any number where center
            and sigma are given).
        ArgumentError: only one of `center` and `sigma`.

    Source: ISO 7870-2:2013; ASTM MNL 7, control charts with unequal subgroup sizes.

    Example:
        >>> charts = xbar_s([[10, 12], [11, 13], [12, 12]])
        >>> round(charts.location.sigma, 4)  # for pairs the same as from ranges
        1.1816
    """
    given = as_center_and_sigma(center, sigma)
    groups = _checked(subgroups) if given is None else _judged(subgroups)
    several = groups.with_replicates()
    deviations = np.sqrt(several.sums_of_squares() / (several.sizes - 1))
    if given is None:
        middle, spread = groups.mean(), float(np.mean(deviations / _factor(several, "c4")))
    else:
        middle, spread = given
    values = np.full(groups.n_groups, np.nan)
    values[groups.sizes > 1] = deviations
    return _chart_set(
        "xbar_s",
        _means(groups, middle, spread),
        _spread_chart(
            "standard deviation",
            values,
            groups,
            spread,
            ("c4", "c5"),
            lambda n: sd_factors(n, dispersion_limits),
        ),
        estimated=given is None,
    )


@dataclass(frozen=True, slots=True)
class SubgroupCheck:
    """Whether the spread inside subgroups can stand for the spread between them.

    Attributes:
        sigma_between: standard deviation of the means by their moving range.
        sigma_within: standard deviation inside subgroups by their ranges.
        ratio: sigma_between / sigma_within; infinite where the subgroups have no spread at all
            and their means have, 1.0 where neither has.
    """

    sigma_between: float
    sigma_within: float
    ratio: float

    @property
    def rational(self) -> bool:
        """False where X-bar limits would flag ordinary movement between subgroups."""
        return self.ratio <= LARGEST_RATIO


def check_subgroups(subgroups: Groups) -> SubgroupCheck:
    """Compare the movement of the means with the spread inside the subgroups.

    Two readings of a batch tell about the measurement; limits made from them ask whether
    batches differ by more than measurement noise, which they always do.

    Source: own convention, ratio 1.5 as the border.
    """
    groups = _checked(subgroups)
    within = _sigma_from_ranges(groups.with_replicates())
    between = individuals(groups.means()).location.sigma
    if within > 0:
        return SubgroupCheck(between, within, between / within)
    return SubgroupCheck(between, within, math.inf if between > 0 else 1.0)


def range_chart(
    groups: GroupedValues,
    sigma: float | None = None,
    name: str = "range",
    limits: DispersionLimits = "three_sigma",
) -> ControlChart:
    """Chart the range of each group with the limits for its size and sigma."""
    several = groups.with_replicates()
    values = np.full(groups.n_groups, np.nan)
    values[groups.sizes > 1] = several.ranges()
    spread = _sigma_from_ranges(several) if sigma is None else sigma
    chart = _spread_chart(
        name, values, groups, spread, ("d2", "d3"), lambda n: range_factors(n, limits)
    )
    return chart.made_from(groups.sizes > 1) if sigma is None else chart


def _chart_set(
    kind: str, location: ControlChart, dispersion: ControlChart, *, estimated: bool
) -> ChartSet:
    if estimated:
        every = np.ones(location.n, dtype=bool)
        location, dispersion = location.made_from(every), dispersion.made_from(every)
    return ChartSet(kind, location, dispersion)


def _judged(subgroups: Groups) -> GroupedValues:
    groups = as_groups(subgroups)
    if groups.n_groups < 1:
        raise TooFewPointsError("subgroups needs at least 1 subgroup, got 0: wait for more data")
    return groups


def _checked(subgroups: Groups) -> GroupedValues:
    groups = as_groups(subgroups)
    if groups.n_groups < 2:
        raise TooFewPointsError(
            f"subgroups needs at least 2 subgroups, got {groups.n_groups}: wait for more data"
        )
    if not (groups.sizes > 1).any():
        raise TooFewPointsError(
            "subgroups needs a subgroup of two values or more, got single values only: "
            "chart them with individuals"
        )
    return groups


def _by_size(groups: GroupedValues, factors: Callable[[int], tuple[float, ...]]) -> FloatArray:
    """Some factors a group, shape (factors, groups), computed once a size; nan for groups of one.

    A group of one has no spread to chart.
    """
    sizes, which = np.unique(groups.sizes, return_inverse=True)
    width = len(factors(2))
    per_size = np.full((sizes.size, width), np.nan)
    for row, n in zip(per_size, sizes.tolist(), strict=True):
        if n > 1:
            row[:] = factors(n)
    return per_size[which].T


def _factor(groups: GroupedValues, *fields: str) -> FloatArray:
    """Named constants of each group's size: shape (groups,) for one, else (fields, groups)."""
    table = _by_size(
        groups, lambda n: tuple(getattr(control_chart_constants(n), field) for field in fields)
    )
    return table[0] if len(fields) == 1 else table


def _sigma_from_ranges(several: GroupedValues) -> float:
    return float(np.mean(several.ranges() / _factor(several, "d2")))


def _means(groups: GroupedValues, middle: float, sigma: float) -> ControlChart:
    center = np.full(groups.n_groups, middle)
    error = sigma / np.sqrt(groups.sizes)
    return ControlChart(
        name="subgroup means",
        values=groups.means(),
        center=center,
        lower=center - 3 * error,
        upper=center + 3 * error,
        sigma=sigma,
        standard_error=error,
    )


def _spread_chart(
    name: str,
    values: FloatArray,
    groups: GroupedValues,
    sigma: float,
    fields: tuple[str, str],
    limits: Callable[[int], tuple[float, float]],
) -> ControlChart:
    """Make a chart of ranges or standard deviations; `fields` names their mean and sd.

    A group of one has no value, centre or upper limit there (nan); its lower limit is 0.
    """
    mean, error = sigma * _factor(groups, *fields)
    lower, upper = sigma * _by_size(groups, limits)
    return ControlChart(
        name=name,
        values=values,
        center=mean,
        lower=np.nan_to_num(lower, nan=0.0),
        upper=upper,
        sigma=sigma,
        standard_error=error,
    )

"""Individuals and moving range: one value a batch."""

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.dispersion_limits import DispersionLimits, range_factors
from spc.constants import control_chart_constants
from spc.intake import FloatArray, as_center_and_sigma, as_series, mean_of
from spc.result import ChartSet, ControlChart


def individuals(
    values: ArrayLike,
    *,
    center: float | None = None,
    sigma: float | None = None,
    dispersion_limits: DispersionLimits = "three_sigma",
) -> ChartSet:
    """Chart single values by the differences of neighbours.

    The right chart for batches: its limits come from batch-to-batch movement, not from the
    agreement of readings of one batch. It is too tight where neighbours are alike (see `describe`).

    Args:
        values: shape (n,), production order, one common unit, finite.
        center: a centre fixed earlier; together with `sigma`, values only get judged.
        sigma: the standard deviation fixed earlier with that centre.
        dispersion_limits: "three_sigma" (the usual factors D1 and D2) or "probability" (a moving
            range beyond either limit has the chance of a value beyond 3 sigma, 0.135 %; the
            lower limit is then above 0, and on coarsely recorded values a range of 0 signals).

    Returns:
        ChartSet: `.location` the values, center ± 3 sigma with sigma = mean moving range / d2(2);
        `.dispersion` the moving ranges, the first of them nan. A constant series is charted with
        limits on its centre.

    Raises:
        TooFewPointsError: fewer than 2 values (1 where center and sigma are given).
        ArgumentError: only one of `center` and `sigma`.

    Source: ISO 7870-2:2013, individuals and moving ranges; NIST/SEMATECH e-Handbook 6.3.2.2.
        d2(2) = 2/√π and D4(2) are the exact ones, not 1.128 and 3.267.

    Example:
        >>> charts = individuals([10, 12, 11])
        >>> round(float(charts.location.upper[0]), 2)  # 11 + 3 × 1.5 / 1.128379
        14.99
    """
    given = as_center_and_sigma(center, sigma)
    if given is None:
        series = as_series(values, at_least=2)
        middle = mean_of(series)
        spread = float(np.abs(np.diff(series)).mean()) / control_chart_constants(2).d2
    else:
        series = as_series(values)
        middle, spread = given
    location = _location(series, middle, spread)
    dispersion = moving_range_chart(series, spread, dispersion_limits)
    if given is None:
        every = np.ones(series.size, dtype=bool)
        location, dispersion = location.made_from(every), dispersion.made_from(every)
    return ChartSet(kind="individuals", location=location, dispersion=dispersion)


def _location(series: FloatArray, center: float, sigma: float) -> ControlChart:
    ones = np.ones_like(series)
    return ControlChart(
        name="individuals",
        values=series,
        center=center * ones,
        lower=(center - 3 * sigma) * ones,
        upper=(center + 3 * sigma) * ones,
        sigma=sigma,
        standard_error=sigma * ones,
    )


def moving_range_chart(
    series: FloatArray, sigma: float, limits: DispersionLimits = "three_sigma"
) -> ControlChart:
    """Chart the absolute differences of neighbours, the first of them nan."""
    pair = control_chart_constants(2)
    lower, upper = range_factors(2, limits)
    ones = np.ones_like(series)
    return ControlChart(
        name="moving range",
        values=np.concatenate(([np.nan], np.abs(np.diff(series)))),
        center=pair.d2 * sigma * ones,
        lower=lower * sigma * ones,
        upper=upper * sigma * ones,
        sigma=sigma,
        standard_error=pair.d3 * sigma * ones,
    )

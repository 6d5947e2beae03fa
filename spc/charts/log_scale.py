"""Charts on the logarithmic scale, for values whose spread is a share of their level."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.dispersion_limits import DispersionLimits
from spc.charts.individuals import individuals
from spc.elementwise import exponential
from spc.errors import ArgumentError
from spc.intake import LARGEST, FloatArray, as_center_and_sigma, as_series
from spc.result import ChartSet, ControlChart


@dataclass(frozen=True, slots=True, eq=False)
class LogCharts:
    """A chart made on ln(value), and the same chart in the unit of the values.

    Attributes:
        logs: individuals and moving range of ln(value); averages and sums go on from these.
        location: the values with centre (a geometric mean) and limits brought back to their unit;
            the upper limit is farther away than the lower. Each `standard_error` is the distance
            from the centre that counts as one sigma of ln(value) for that point, so that `z`, and
            with it every run rule, gives what it gives on the logarithmic scale; `sigma` is that
            of ln(value) times the centre.
        sigma_percent: 100 times the sigma of ln(value), nearly the coefficient of variation.
    """

    logs: ChartSet
    location: ControlChart
    sigma_percent: float


def individuals_log(
    values: ArrayLike,
    *,
    center: float | None = None,
    sigma: float | None = None,
    dispersion_limits: DispersionLimits = "three_sigma",
) -> LogCharts:
    """Chart ln(value) by the moving range and bring the limits back to the unit of the values.

    Worth it where levels span more than about 1.5 times or the spread is above about 10 %; for one
    product at 3 to 5 % it gives nearly the usual chart.

    Args:
        values: shape (n,), production order, above 0.
        center: a centre fixed earlier, in the unit of the values, above 0; together with `sigma`.
        sigma: the standard deviation of ln(value) fixed earlier with that centre.
        dispersion_limits: as in `individuals`.

    Raises:
        TooFewPointsError: fewer than 2 values (1 where center and sigma are given).
        ArgumentError: a value or the centre not above 0; only one of `center` and `sigma`.

    Source: own convention; limits exp(mean ln ± 3 sigma).

    Example:
        >>> chart = individuals_log([100, 120, 100, 120]).location
        >>> [round(float(line[0]), 1) for line in (chart.lower, chart.center, chart.upper)]
        [67.5, 109.5, 177.9]
    """
    given = as_center_and_sigma(center, sigma)
    if given is not None and given[0] <= 0:
        raise ArgumentError(f"center must be above 0 on the logarithmic scale, got {given[0]:g}")
    series = as_positive(values)
    logs = np.log(series)
    if given is None:
        charts = individuals(logs, dispersion_limits=dispersion_limits)
    else:
        charts = individuals(
            logs,
            center=float(np.log(given[0])),
            sigma=given[1],
            dispersion_limits=dispersion_limits,
        )
    chart = charts.location
    if given is not None:
        middle = given[0]
    elif (series == series[0]).all():  # its own centre exactly, as on the usual scale
        middle = float(series[0])
    else:
        middle = float(np.exp(chart.center[0]))
    # Refuses limits that no number holds.
    exponential(np.array(abs(math.log(middle)) + 3 * chart.sigma), name="values")
    line, factor = np.full_like(series, middle), math.exp(3 * chart.sigma)
    return LogCharts(
        logs=charts,
        location=ControlChart(
            name="individuals, logarithmic scale",
            values=series,
            center=line,
            lower=line / factor,
            upper=line * factor,
            sigma=chart.sigma * middle,
            standard_error=chart.sigma * _secant(series, line, logs - chart.center),
            phase=chart.phase,
            counted=chart.counted,
        ),
        sigma_percent=100 * chart.sigma,
    )


def as_positive(values: ArrayLike, *, name: str = "values") -> FloatArray:
    """Return a checked series with every value above 0."""
    series = as_series(values, name=name)
    low = series < 1 / LARGEST  # nearer to 0 than any ratio of results can stand
    if low.any():
        where = int(np.flatnonzero(low)[0])
        raise ArgumentError(
            f"{name} must be above 0 to have a logarithm, got {series[where]:g} at index {where}: "
            "leave such points out"
        )
    return series


def _secant(values: FloatArray, middle: FloatArray, log_ratio: FloatArray) -> FloatArray:
    """(value - middle) / ln(value / middle), which goes to `middle` where they meet."""
    near = np.abs(log_ratio) < 1e-9
    safe = np.where(near, 1.0, log_ratio)
    return np.where(near, middle, (values - middle) / safe)

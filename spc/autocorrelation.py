"""Neighbouring batches that are alike, and what that does to limits from moving ranges."""

import math
from dataclasses import dataclass

from numpy.typing import ArrayLike
from scipy.special import ndtr

from spc.charts.individuals import individuals
from spc.errors import ArgumentError
from spc.intake import as_number, as_series
from spc.summary import describe


@dataclass(frozen=True, slots=True)
class LimitsUnderAutocorrelation:
    """What 3 sigma limits from moving ranges are worth where neighbours are correlated.

    Attributes:
        correlation: correlation of neighbours.
        limit_in_sd: distance of the limits from the centre in total standard deviations, 3 for
            independent values.
        false_alarm_percent: share of points beyond them with no cause, 0.27 for independent values.
        sd_over_sigma: total standard deviation over the sigma that the moving ranges show.
    """

    correlation: float
    limit_in_sd: float
    false_alarm_percent: float
    sd_over_sigma: float


def limits_under_autocorrelation(correlation: float) -> LimitsUnderAutocorrelation:
    """Compute how far the limits shrink: the moving range does by √(1 - correlation).

    Args:
        correlation: of neighbours, above -1 and below 1.

    Raises:
        ArgumentError: a correlation not between -1 and 1.

    Source: E|x_{i+1} - x_i| = (2 / √π) sd √(1 - correlation) for normal values; a long series, so
        that the centre is known.

    Example:
        >>> at = limits_under_autocorrelation(0.5)
        >>> round(at.limit_in_sd, 2), round(at.false_alarm_percent, 1)
        (2.12, 3.4)
    """
    rho = as_number(correlation, name="correlation")
    if not -1 < rho < 1:
        raise ArgumentError(f"correlation must lie between -1 and 1, got {rho:g}")
    shrinks = math.sqrt(1 - rho)
    return LimitsUnderAutocorrelation(
        rho, 3 * shrinks, 200 * float(ndtr(-3 * shrinks)), 1 / shrinks
    )


@dataclass(frozen=True, slots=True)
class Autocorrelation:
    """Correlation of neighbours in a series, against chance.

    Attributes:
        n: number of values.
        lag1: correlation of neighbours; None where the values do not vary.
        band: half-width of the band that holds it 19 times in 20 for independent values.
        alike: True where lag1 is above the band; the usual limits are then too tight.
        alternate: True where it is below minus the band; the usual limits are then too wide.
        sd_over_sigma: total standard deviation over the sigma from moving ranges; None where
            the moving ranges are all 0.
        limits: what the limits are worth if lag1 is the true correlation; None with lag1.
    """

    n: int
    lag1: float | None
    band: float
    alike: bool
    alternate: bool
    sd_over_sigma: float | None
    limits: LimitsUnderAutocorrelation | None


def check_autocorrelation(values: ArrayLike) -> Autocorrelation:
    """Test whether neighbours are correlated and say what that does to the limits.

    First find the physical cause (tank heel, shared lots); then widen the limits by the total
    standard deviation of a long stable stretch (`freeze_limits` with method "total") or chart the
    residuals. A slow drift or a step makes neighbours alike too.

    Args:
        values: shape (n,), production order, finite.

    Raises:
        TooFewPointsError: fewer than 2 values.

    Source: band 1.96 / √n, large-sample standard error of a zero correlation; ISO 7870-9 for what
        to do. In short series of independent values lag1 lies on the average at -1 / n, so that
        slightly fewer than 2.5 % lie above the band.

    Example:
        >>> check_autocorrelation([1, 2, 3, 4, 5, 6, 7, 8, 9, 10]).alike
        True
    """
    series = as_series(values, at_least=2)
    about = describe(series)
    sigma = individuals(series).location.sigma
    ratio = about.sd / sigma if sigma > 0 else None
    if about.lag1 is None:
        return Autocorrelation(about.n, None, about.lag1_band, False, False, ratio, None)
    return Autocorrelation(
        n=about.n,
        lag1=about.lag1,
        band=about.lag1_band,
        alike=about.lag1 > about.lag1_band,
        alternate=about.lag1 < -about.lag1_band,
        sd_over_sigma=ratio,
        limits=limits_under_autocorrelation(about.lag1),
    )

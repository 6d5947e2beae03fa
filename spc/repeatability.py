"""How well readings of one batch agree, on which scale, and from when on they do not."""

import math
from dataclasses import dataclass
from typing import Literal

from spc.constants import range_quantile
from spc.errors import ArgumentError
from spc.intake import GroupedValues, Groups, as_choice, as_confidence, as_replicates
from spc.intervals import Interval, sd_interval
from spc.level_dependence import Scale, recommend_scale, slope_of

# ISO 5725-6 prints 2.8 for 1.96 √2 = 2.77. The limit that people quote is the printed one; every
# number derived from the relative spread uses the unrounded factor.
LIMIT_FACTOR = 2.8
EXACT_LIMIT_FACTOR = 1.96 * math.sqrt(2)
# Below this ratio of the largest batch mean to the smallest there is one level, and no slope.
SMALLEST_SPAN = 1.5


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Agreement of replicates, pooled over batches by degrees of freedom.

    Attributes:
        scale: the scale asked for, or the one chosen by the slope; `interval` belongs to it.
        s_r: repeatability standard deviation, unit of the values.
        cv_percent: relative repeatability standard deviation, 100 × that of ln(value); None where
            a value is not above 0.
        limit: repeatability limit r = 2.8 s_r, the factor as ISO 5725-6 prints it and as reports
            quote it: two results differ by more about 1 time in 20.
        limit_exact: the same with the unrounded factor, 1.96 √2 s_r = 2.77 s_r; divide by
            cv_percent and compare with limit_percent on equal terms.
        limit_percent: relative repeatability limit 2.77 cv_percent, the UNROUNDED factor, since
            limit_ratio_percent is made from it; 1 % smaller than 2.8 cv_percent.
        limit_ratio_percent: the same in log form, 100 (exp(2.77 cv / 100) - 1): by how much the
            larger of two results exceeds the smaller at most, 19 times in 20.
        interval: chi-square interval of s_r (scale "absolute") or of cv_percent ("relative");
            exact for normal readings, or normal ln(reading).
        s_r_interval: that of s_r.
        cv_interval: that of cv_percent; None where a value is not above 0.
        degrees_of_freedom: Σ(n_i - 1).
        n_groups: batches with two readings or more; the others tell nothing about agreement.
        slope: log-log slope that chose the scale, 0 constant in the unit and 1 constant in
            percent; None where a scale was asked for or the levels do not tell.
        scale_reason: why that scale, in a sentence; empty where it was asked for.
    """

    scale: Scale
    s_r: float
    cv_percent: float | None
    limit: float
    limit_exact: float
    limit_percent: float | None
    limit_ratio_percent: float | None
    interval: Interval
    s_r_interval: Interval
    cv_interval: Interval | None
    degrees_of_freedom: int
    n_groups: int
    slope: float | None
    scale_reason: str


def repeatability(
    groups: Groups, scale: Scale | Literal["auto"] = "absolute", confidence: float = 0.95
) -> Repeatability:
    """Pool the spread inside batches.

    Look first whether it grows with the level (`level_dependence`) and whether later readings
    are lower (`order_effect`): both make a pooled number misleading.

    Args:
        groups: the readings of each batch: sequence of arrays, or 2-D array with nan for a missing
            reading. Sizes may differ.
        scale: "absolute" (unit of the values), "relative" (percent), or "auto": by the log-log
            slope of the spread against the level (`spread_slope`) where batch means span a factor
            of 1.5 or more; below that, and where a value is not above 0, absolute.
        confidence: of the interval.

    Raises:
        TooFewPointsError: no batch with two readings.
        ArgumentError: unknown scale; a value not above 0 on the relative scale.

    Source: ISO 5725-2:1994, 7.4.5 (pooled within-cell variance); limit ISO 5725-6:1994, 4.1,
        which prints 2.8 for 1.96 √2 = 2.77.

    Example:
        >>> round(repeatability([[10, 12], [11, 13], [12, 12]]).s_r, 4)  # √((4 + 4 + 0) / 6)
        1.1547
    """
    scale = as_choice(scale, ("absolute", "relative", "auto"), name="scale")
    level = as_confidence(confidence)
    several = as_replicates(groups)
    positive = bool((several.flat > 0).all())
    if scale == "relative" and not positive:
        raise ArgumentError(
            "groups must be above 0 for scale='relative', "
            f"got {several.flat.min():g}: use scale='absolute'"
        )
    slope, reason = (None, "") if scale != "auto" else _slope_and_reason(several, positive)
    chosen: Scale = scale if scale != "auto" else recommend_scale(0.0 if slope is None else slope)
    freedom = int((several.sizes - 1).sum())
    s_r = several.pooled_sd()
    cv = 100 * several.logarithms().pooled_sd() if positive else None
    s_r_interval = sd_interval(s_r, freedom, level)
    cv_interval = None if cv is None else sd_interval(cv, freedom, level)
    return Repeatability(
        scale=chosen,
        s_r=s_r,
        cv_percent=cv,
        limit=LIMIT_FACTOR * s_r,
        limit_exact=EXACT_LIMIT_FACTOR * s_r,
        limit_percent=None if cv is None else EXACT_LIMIT_FACTOR * cv,
        limit_ratio_percent=None if cv is None else _log_form(EXACT_LIMIT_FACTOR * cv),
        interval=s_r_interval if chosen == "absolute" or cv_interval is None else cv_interval,
        s_r_interval=s_r_interval,
        cv_interval=cv_interval,
        degrees_of_freedom=freedom,
        n_groups=several.n_groups,
        slope=slope,
        scale_reason=reason,
    )


def _log_form(percent: float) -> float:
    """100 (e^x - 1); a spread so large that no number holds it says nothing but "unlimited"."""
    return 100 * math.expm1(percent / 100) if percent < 70_000 else math.inf


def _slope_and_reason(several: GroupedValues, positive: bool) -> tuple[float | None, str]:
    if not positive:
        return None, "absolute: a reading is not above 0, so there is no percent of it"
    means = several.means()
    span = float(means.max() / means.min())
    if span < SMALLEST_SPAN:
        return None, f"absolute: the batches span a factor of {span:.2f} only, one level"
    slope = slope_of(several)
    if slope is None:
        return None, "absolute: all readings agree, so no slope tells the scale"
    chosen = recommend_scale(slope)
    return slope, f"{chosen}: the log-log slope of the spread against the level is {slope:.2f}"


def critical_range(n: int, confidence: float = 0.95) -> float:
    """Return the factor f(n): the range of n results stays below f(n) σ_r with that confidence.

    Args:
        n: number of results, 2 or more.
        confidence: probability of staying below.

    Raises:
        ArgumentError: n below 2 or not whole, confidence not between 0 and 1.

    Source: ISO 5725-6:1994, Table 1 (prints one decimal: 2.8, 3.3, 3.6 for 2, 3, 4 results).

    Example:
        >>> [round(critical_range(n), 1) for n in (2, 3, 4)]
        [2.8, 3.3, 3.6]
    """
    return range_quantile(n, as_confidence(confidence))

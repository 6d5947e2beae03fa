"""Whether the instrument reads right: two verdicts on a check standard, and what moved."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.elementwise import ROUNDING, as_matching, as_numbers, quotient
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, as_instance, as_number, as_series, as_sigma
from spc.intervals import Interval
from spc.straight_line import straight_line


@dataclass(frozen=True, slots=True, eq=False)
class ToleranceVerdict:
    """Readings of a reference fluid against what instrument and certificate allow.

    Attributes:
        readings: shape (n,).
        certified: certified value of the fluid.
        lower: smallest reading allowed, itself included.
        upper: largest reading allowed, itself included.
        inside: one answer a reading.
    """

    readings: FloatArray
    certified: float
    lower: float
    upper: float
    inside: BoolArray


def tolerance_verdict(
    readings: ArrayLike,
    certified: float,
    instrument_tolerance: float,
    fluid_uncertainty: float = 0.0,
) -> ToleranceVerdict:
    """Ask whether readings of a certified fluid lie within the two stated errors added up.

    A wide question: an instrument that has moved by 3 % may still pass, and moves every product
    by 3 %. Read it beside the chart of the instrument's own history (`two_verdicts`).

    Args:
        readings: a number or shape (n,).
        certified: certified value at the temperature of the test, same unit.
        instrument_tolerance: same unit; for an accuracy in percent of full scale, that percentage
            of the full-scale range of spindle and speed, not of the reading.
        fluid_uncertainty: expanded uncertainty of the certified value, same unit.

    Raises:
        ArgumentError: a negative tolerance or uncertainty, or both 0.

    Source: common practice, no source: the two errors are added, not combined as root sum square.

    Example:
        >>> verdict = tolerance_verdict(1030, 1000, instrument_tolerance=50, fluid_uncertainty=10)
        >>> verdict.lower, verdict.upper, bool(verdict.inside[0])
        (940.0, 1060.0, True)
    """
    series = as_series(np.atleast_1d(as_numbers(readings, name="readings")), name="readings")
    middle = as_number(certified, name="certified")
    allowed = [
        as_sigma(instrument_tolerance, name="instrument_tolerance"),
        as_sigma(fluid_uncertainty, name="fluid_uncertainty"),
    ]
    if sum(allowed) == 0:
        raise ArgumentError(
            "instrument_tolerance and fluid_uncertainty are both 0: "
            "give the accuracy of the instrument in the unit of the reading"
        )
    lower, upper = middle - sum(allowed), middle + sum(allowed)
    slack = ROUNDING * (abs(middle) + sum(allowed))
    inside = (series >= lower - slack) & (series <= upper + slack)
    return ToleranceVerdict(series, middle, lower, upper, inside)


@dataclass(frozen=True, slots=True, eq=False)
class TwoVerdicts:
    """The tolerance and the own history of an instrument, side by side.

    Attributes:
        tolerance: the verdict of the certificate.
        own_lower: lower own control limit at each reading; None where there is no chart yet.
        own_upper: upper own control limit at each reading, or None.
        inside_own: one answer a reading (a reading on a limit is inside), or None.
        phrases: both answers in words, one a reading.
    """

    tolerance: ToleranceVerdict
    own_lower: FloatArray | None
    own_upper: FloatArray | None
    inside_own: BoolArray | None
    phrases: tuple[str, ...]


def two_verdicts(
    tolerance: ToleranceVerdict,
    own_lower: ArrayLike | None = None,
    own_upper: ArrayLike | None = None,
) -> TwoVerdicts:
    """Put the verdict of the instrument's own control chart beside that of the tolerance.

    Args:
        tolerance: from `tolerance_verdict`.
        own_lower: lower control limit of the same check standard on this instrument, a number or
            one a reading; as from `individuals(...).location.lower`.
        own_upper: upper control limit. Leave both out where there is no chart yet.

    Raises:
        ArgumentError: only one limit, lower above upper, lengths that do not match.

    Source: common practice, no source.

    Example:
        >>> inside = tolerance_verdict(1030, 1000, 50, 10)
        >>> two_verdicts(inside, own_lower=988, own_upper=1012).phrases
        ('inside tolerance, outside own control limits',)
    """
    tolerance = as_instance(tolerance, ToleranceVerdict, name="tolerance")
    words = ["inside tolerance" if inside else "outside tolerance" for inside in tolerance.inside]
    if own_lower is None and own_upper is None:
        phrases = tuple(f"{word}, no own control limits yet" for word in words)
        return TwoVerdicts(tolerance, None, None, None, phrases)
    if own_lower is None or own_upper is None:
        raise ArgumentError("own_lower and own_upper belong together: give both or neither")
    readings, lower, upper = as_matching(
        readings=tolerance.readings,
        own_lower=as_numbers(own_lower, name="own_lower"),
        own_upper=as_numbers(own_upper, name="own_upper"),
    )
    if readings.shape != tolerance.readings.shape:
        raise ArgumentError(
            f"own_lower and own_upper must be one number or one a reading, got {readings.size} "
            f"for {tolerance.readings.size} readings"
        )
    if (lower > upper).any():
        raise ArgumentError("own_lower must not lie above own_upper: swap them")
    inside_own = (readings >= lower) & (readings <= upper)
    phrases = tuple(
        f"{word}, {'inside' if inside else 'outside'} own control limits"
        for word, inside in zip(words, inside_own, strict=True)
    )
    return TwoVerdicts(tolerance, lower.copy(), upper.copy(), inside_own, phrases)


def en_number(
    values: ArrayLike,
    expanded_uncertainty: ArrayLike,
    reference: ArrayLike,
    reference_expanded_uncertainty: ArrayLike,
) -> FloatArray:
    """Compute En: the distance from a reference in units of the joint expanded uncertainty.

    Values up to 1 either way agree within the uncertainties stated; it says nothing about whether
    those are small enough.

    Args:
        values: results, a number or an array.
        expanded_uncertainty: of each result, k = 2, 0 or more, same unit.
        reference: reference value.
        reference_expanded_uncertainty: of the reference value, k = 2, 0 or more.

    Returns:
        An array of the common shape.

    Raises:
        ArgumentError: a negative uncertainty, or both 0.

    Source: ISO 13528:2015, 9.7 (En scores); ISO/IEC 17043:2010, B.3.1.3.

    Example:
        >>> float(en_number(1010, 8, 1000, 6))  # 10 / √(8² + 6²)
        1.0
    """
    value, own, aim, other = as_matching(
        values=as_numbers(values, name="values"),
        expanded_uncertainty=as_numbers(expanded_uncertainty, name="expanded_uncertainty"),
        reference=as_numbers(reference, name="reference"),
        reference_expanded_uncertainty=as_numbers(
            reference_expanded_uncertainty, name="reference_expanded_uncertainty"
        ),
    )
    for name, part in (
        ("expanded_uncertainty", own),
        ("reference_expanded_uncertainty", other),
    ):
        if (part < 0).any():
            raise ArgumentError(f"{name} must not be negative, got {part.min():g}")
    joint = np.hypot(own, other)
    if (joint == 0).any():
        raise ArgumentError(
            "expanded_uncertainty and reference_expanded_uncertainty are both 0: "
            "En needs the uncertainty of at least one of them"
        )
    return quotient(value - aim, joint, name="expanded_uncertainty")


@dataclass(frozen=True, slots=True)
class OffsetAndGain:
    """reading = offset + gain × certified value.

    Attributes:
        offset: what the instrument adds everywhere, unit of the readings.
        gain: what it multiplies with; 1 is right.
        offset_interval: None where nothing is left over to judge the scatter by.
        gain_interval: likewise.
        confidence: of each interval by itself.
        n: number of readings.
        n_fluids: number of different certified values.
        residual_sd: standard deviation of readings around the line, or None.
    """

    offset: float
    gain: float
    offset_interval: Interval | None
    gain_interval: Interval | None
    confidence: float
    n: int
    n_fluids: int
    residual_sd: float | None

    @property
    def moved(self) -> tuple[str, ...] | None:
        """Which of "offset" and "gain" the intervals show to be off; None without intervals."""
        if self.offset_interval is None or self.gain_interval is None:
            return None
        shown = (("offset", self.offset_interval, 0.0), ("gain", self.gain_interval, 1.0))
        return tuple(name for name, (low, high), right in shown if not low <= right <= high)

    def offset_percent_of(self, full_scale: float) -> float:
        """Offset in percent of a full-scale range given in the unit of the readings."""
        return 100 * self.offset / as_number(full_scale, name="full_scale", above=0.0)


def offset_and_gain(
    certified: ArrayLike, readings: ArrayLike, confidence: float = 0.95
) -> OffsetAndGain:
    """Split the error of an instrument into a zero offset and a wrong slope.

    An offset hurts most at low torque, a gain moves everything by the same percentage. Needs
    fluids far apart; two readings that belong to one full-scale range (spindle and speed). The
    intervals hold the scatter of the readings only, not the uncertainty of the certified values.

    Args:
        certified: certified value of the fluid of each reading, shape (n,).
        readings: shape (n,); replicates are further rows with the same certified value.
        confidence: of the intervals.

    Raises:
        TooFewPointsError: fewer than 2 readings.
        ArgumentError: fewer than two different fluids; lengths differ.

    Source: ISO 11095:1996 (linear calibration with reference materials, constant residual standard
        deviation).

    Example:
        >>> found = offset_and_gain([500, 1500], [510, 1510])
        >>> found.offset, found.gain
        (10.0, 1.0)
    """
    line = straight_line(certified, readings, confidence, x_name="certified", y_name="readings")
    return OffsetAndGain(
        offset=line.intercept,
        gain=line.slope,
        offset_interval=line.intercept_interval,
        gain_interval=line.slope_interval,
        confidence=line.confidence,
        n=line.n,
        n_fluids=int(np.unique(as_series(certified, name="certified")).size),
        residual_sd=line.residual_sd,
    )

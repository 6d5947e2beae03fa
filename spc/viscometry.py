"""What a rotational viscometer does to a number: torque factor, full scale, speed and time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.elementwise import as_matching, as_numbers, exponential, quotient
from spc.errors import ArgumentError, TooFewPointsError
from spc.intake import BoolArray, FloatArray, as_count, as_number, as_series, as_sigma

# Below this many rows one wrong row could be the median.
FEWEST_TO_LEARN = 5


@dataclass(frozen=True, slots=True, eq=False)
class TorqueFactorCheck:
    """Each row's viscosity against what its torque says.

    Attributes:
        factor: viscosity per 1 % torque, learned or given.
        learned: whether it is the median of these very rows.
        from_torque: the viscosity that each torque stands for.
        deviation: viscosity / from_torque - 1, a fraction.
        allowed: largest deviation that rounding and reading explain, a fraction.
        agrees: one answer a row.
    """

    factor: float
    learned: bool
    from_torque: FloatArray
    deviation: FloatArray
    allowed: FloatArray
    agrees: BoolArray

    @property
    def full_scale(self) -> float:
        """Viscosity at 100 % torque."""
        return 100 * self.factor


def torque_factor(
    viscosity: ArrayLike, torque_percent: ArrayLike, *, at_least: int = FEWEST_TO_LEARN
) -> float:
    """Learn the viscosity per 1 % torque of one instrument, spindle and speed: the median ratio.

    The median shrugs off typing errors in fewer than half of the rows. A person should confirm
    the factor once.

    Args:
        viscosity: shape (n,), above 0.
        torque_percent: shape (n,), above 0, percent of full scale.
        at_least: rows needed.

    Raises:
        TooFewPointsError: fewer rows.
        ArgumentError: lengths differ, a number not above 0.

    Source: common practice, no source; the factor itself as in ISO 2555.

    Example:
        >>> torque_factor([1985, 2010, 1950, 2030, 19850], [39.7, 40.2, 39.0, 40.6, 39.7])
        50.0
    """
    shown, torque = _rows(viscosity, torque_percent)
    enough = as_count(at_least, name="at_least", at_least=1)
    if shown.size < enough:
        raise TooFewPointsError(
            f"viscosity needs at least {enough} rows to learn a torque factor, got {shown.size}: "
            "give the factor or wait for more data"
        )
    return float(np.median(quotient(shown, torque, name="torque_percent")))


def check_torque_factor(
    viscosity: ArrayLike,
    torque_percent: ArrayLike,
    factor: float | None = None,
    *,
    step: float = 0.0,
    torque_step: float = 0.1,
    slack: float = 0.005,
) -> TorqueFactorCheck:
    """Compare every viscosity with torque × factor: typing errors, units, mis-keyed spindles.

    Blind to a wrong spindle mounted under the right code: torque and viscosity then move together.

    Args:
        viscosity: shape (n,), above 0, one instrument, spindle and speed.
        torque_percent: shape (n,), above 0.
        factor: viscosity per 1 % torque; by default learned from these rows.
        step: recording step of the viscosity, 0 or more, small against the values.
        torque_step: recording step of the torque.
        slack: fraction allowed beyond rounding.

    Raises:
        TooFewPointsError: fewer than 5 rows and no factor.
        ArgumentError: lengths differ, a number not above 0, a negative step.

    Source: common practice, no source: allowed = half a torque step / torque + half a viscosity
        step / viscosity + 0.5 %.

    Example:
        >>> check_torque_factor([1985, 19850], [39.7, 39.7], factor=50).agrees.tolist()
        [True, False]
    """
    shown, torque = _rows(viscosity, torque_percent)
    steps = {
        name: as_sigma(value, name=name)
        for name, value in (("step", step), ("torque_step", torque_step), ("slack", slack))
    }
    known = (
        torque_factor(shown, torque)
        if factor is None
        else as_number(factor, name="factor", above=0.0)
    )
    expected = known * torque
    deviation = quotient(shown, expected, name="torque_percent") - 1
    allowed = (
        quotient(steps["torque_step"] / 2, torque, name="torque_percent")
        + quotient(steps["step"] / 2, shown, name="viscosity")
        + steps["slack"]
    )
    return TorqueFactorCheck(
        factor=known,
        learned=factor is None,
        from_torque=expected,
        deviation=deviation,
        allowed=allowed,
        agrees=np.abs(deviation) <= allowed,
    )


def _rows(viscosity: ArrayLike, torque_percent: ArrayLike) -> tuple[FloatArray, FloatArray]:
    shown = as_series(viscosity, name="viscosity")
    torque = as_series(torque_percent, name="torque_percent")
    if shown.size != torque.size:
        raise ArgumentError(
            f"viscosity and torque_percent must match, got {shown.size} and {torque.size}"
        )
    return (
        as_numbers(shown, name="viscosity", above=0.0),
        as_numbers(torque, name="torque_percent", above=0.0),
    )


def factor_at_speed(factor: ArrayLike, speed: ArrayLike, new_speed: ArrayLike) -> FloatArray:
    """Convert a torque factor to another speed: factor × speed is constant for one spindle.

    Args:
        factor: viscosity per 1 % torque at `speed`, above 0.
        speed: above 0.
        new_speed: above 0, same unit.

    Raises:
        ArgumentError: a number not above 0, shapes that do not match.

    Source: ISO 2555 (factor inversely proportional to the speed).

    Example:
        >>> float(factor_at_speed(50, 20, 50))
        20.0
    """
    known, old, new = as_matching(
        factor=as_numbers(factor, name="factor", above=0.0),
        speed=as_numbers(speed, name="speed", above=0.0),
        new_speed=as_numbers(new_speed, name="new_speed", above=0.0),
    )
    return quotient(known * old, new, name="new_speed")


def error_at_torque(accuracy_percent: ArrayLike, torque_percent: ArrayLike) -> FloatArray:
    """Turn an accuracy in percent of full scale into percent of the reading.

    Args:
        accuracy_percent: of full scale, above 0.
        torque_percent: torque of the reading, above 0.

    Returns:
        Percent of the reading, array of the common shape.

    Raises:
        ArgumentError: a number not above 0, shapes that do not match.

    Source: definition; accuracy × 100 / torque.

    Example:
        >>> float(error_at_torque(1, 10))
        10.0
    """
    accuracy, torque = as_matching(
        accuracy_percent=as_numbers(accuracy_percent, name="accuracy_percent", above=0.0),
        torque_percent=as_numbers(torque_percent, name="torque_percent", above=0.0),
    )
    return quotient(100 * accuracy, torque, name="torque_percent")


def power_law_ratio(exponent: ArrayLike, speed_ratio: ArrayLike) -> FloatArray:
    """Compute how viscosity changes with speed for a power-law product: ratio^(exponent - 1).

    Args:
        exponent: flow index n, above 0; 1 for a Newtonian product, below 1 for a shear-thinning.
        speed_ratio: new speed / old speed, above 0.

    Returns:
        New viscosity / old viscosity, array of the common shape.

    Raises:
        ArgumentError: a number not above 0, shapes that do not match, a ratio that no number holds.

    Source: Ostwald & de Waele power law, apparent viscosity proportional to shear rate^(n - 1).

    Example:
        >>> round(float(power_law_ratio(0.5, 50 / 20)), 3)
        0.632
    """
    index, ratio = as_matching(
        exponent=as_numbers(exponent, name="exponent", above=0.0),
        speed_ratio=as_numbers(speed_ratio, name="speed_ratio", above=0.0),
    )
    return exponential((index - 1) * np.log(ratio), name="exponent")


def shear_thinning_index(at_low_speed: ArrayLike, at_high_speed: ArrayLike) -> FloatArray:
    """Divide the viscosity at a low speed by that at a high one, same sample and spindle.

    A characteristic of its own, to be charted; only comparable for one stated pair of speeds.

    Args:
        at_low_speed: viscosities, above 0.
        at_high_speed: viscosities, above 0.

    Raises:
        ArgumentError: a viscosity not above 0, shapes that do not match.

    Source: ASTM E3070 (shear thinning index); "thixotropic index" of adhesives, ASTM D2556.

    Example:
        >>> float(shear_thinning_index(4000, 2000))
        2.0
    """
    low, high = as_matching(
        at_low_speed=as_numbers(at_low_speed, name="at_low_speed", above=0.0),
        at_high_speed=as_numbers(at_high_speed, name="at_high_speed", above=0.0),
    )
    return quotient(low, high, name="at_high_speed")


def thixotropic_decay(
    seconds: ArrayLike, *, at_rest: float, final: float, time_constant: float
) -> FloatArray:
    """Compute a viscosity that falls exponentially while the spindle turns.

    Shows what another reading time would do to a thixotropic product.

    Args:
        seconds: since the start of the motion, 0 or more.
        at_rest: viscosity at the start, above 0.
        final: viscosity after a long time, above 0.
        time_constant: seconds, above 0.

    Raises:
        ArgumentError: a time below 0, a viscosity or time constant not above 0.

    Source: first-order kinetics of structure; a sketch, no law of any product.

    Example:
        >>> thixotropic_decay([30, 60], at_rest=3000, final=2000, time_constant=30).round().tolist()
        [2368.0, 2135.0]
    """
    time = as_numbers(seconds, name="seconds")
    if (time < 0).any():
        raise ArgumentError(f"seconds must not be negative, got {time.min():g}")
    start = as_number(at_rest, name="at_rest", above=0.0)
    end = as_number(final, name="final", above=0.0)
    constant = as_number(time_constant, name="time_constant", above=0.0)
    return np.asarray(end + (start - end) * np.exp(-time / constant), dtype=float)[()]

"""What being off temperature does to a reading, and the correction where a person asks for it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.elementwise import as_matching, as_numbers, exponential
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, as_number
from spc.temperature import ABSOLUTE_ZERO

# Beyond this the straight line in ln viscosity is no longer taken for granted (common practice).
GREATEST_CORRECTION = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class CorrectedViscosity:
    """Readings as they were and as they would be at the reference temperature.

    Attributes:
        as_read: what the instrument showed; keep and show both.
        corrected: as_read × factor.
        factor: exp(sensitivity × (temperature - reference)).
        reference_temperature: °C.
    """

    as_read: FloatArray
    corrected: FloatArray
    factor: FloatArray
    reference_temperature: float


def correct_to_reference(
    viscosity: ArrayLike,
    temperature: ArrayLike,
    reference_temperature: float,
    *,
    sensitivity_percent: float,
    greatest_difference: float = GREATEST_CORRECTION,
) -> CorrectedViscosity:
    """Convert readings to the reference temperature by a sensitivity measured for this product.

    Never done unasked. Not for bringing a result into specification where the method fixes the
    temperature, not across a melting or gel point, not for structured or curing products, not with
    a textbook sensitivity, and not where the displayed temperature is itself in doubt.

    Args:
        viscosity: a number or shape (n,), above 0.
        temperature: °C, of each reading.
        reference_temperature: °C.
        sensitivity_percent: percent by which viscosity falls per °C, from
            `temperature_sensitivity` of this product at this spindle and speed.
        greatest_difference: readings farther from the reference are refused.

    Raises:
        ArgumentError: a reading farther away; a viscosity not above 0; lengths that do not match.

    Source: ln viscosity straight in temperature over a small step; the bound of 1 °C is common
        practice, no source.

    Example:
        >>> found = correct_to_reference(1940, 25.5, 25, sensitivity_percent=6)
        >>> round(float(found.corrected))  # taken warm: corrected up
        1999
    """
    reference = as_number(reference_temperature, name="reference_temperature", above=ABSOLUTE_ZERO)
    percent = as_number(sensitivity_percent, name="sensitivity_percent")
    bound = as_number(greatest_difference, name="greatest_difference", above=0.0)
    read, warm = as_matching(
        viscosity=as_numbers(viscosity, name="viscosity", above=0.0),
        temperature=as_numbers(temperature, name="temperature", above=ABSOLUTE_ZERO),
    )
    away = np.asarray(warm - reference, dtype=float)
    # Temperatures have a digit or two: 25.1 - 24.1 counts as 1, not as a hair more.
    far = np.abs(away) > bound + 1e-9
    if far.any():
        raise ArgumentError(
            f"temperature must lie within {bound:g} °C of {reference:g}, got {warm[far][0]:g}: "
            "measure again at the set temperature"
        )
    factor = exponential(percent / 100 * away, name="sensitivity_percent")
    return CorrectedViscosity(
        as_read=read.copy(),
        corrected=np.asarray(read * factor, dtype=float),
        factor=np.asarray(factor, dtype=float),
        reference_temperature=reference,
    )


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureInfluence:
    """What being off temperature does to readings, against how well readings repeat.

    Attributes:
        percent: change of each reading by its distance from the reference temperature; below 0 for
            a reading taken too warm.
        outweighs: whether that is more than the repeatability: the temperature, not the
            viscosity, is then the signal.
        repeatability_percent: what it was compared with.
    """

    percent: FloatArray
    outweighs: BoolArray
    repeatability_percent: float


def temperature_influence(
    temperature: ArrayLike,
    reference_temperature: float,
    *,
    sensitivity_percent: float,
    repeatability_percent: float,
) -> TemperatureInfluence:
    """Tell how far each reading is off because of its temperature; corrects nothing.

    Args:
        temperature: °C, of each reading.
        reference_temperature: °C.
        sensitivity_percent: percent by which viscosity falls per °C.
        repeatability_percent: relative repeatability standard deviation, above 0.

    Raises:
        ArgumentError: a temperature at or below absolute zero, a repeatability not above 0.

    Source: common practice, no source: sensitivity × distance against one repeatability standard
        deviation.

    Example:
        >>> found = temperature_influence(
        ...     25.2, 25, sensitivity_percent=6, repeatability_percent=0.6)
        >>> bool(found.outweighs)  # 1.2 % against 0.6 %
        True
    """
    reference = as_number(reference_temperature, name="reference_temperature", above=ABSOLUTE_ZERO)
    percent = as_number(sensitivity_percent, name="sensitivity_percent")
    noise = as_number(repeatability_percent, name="repeatability_percent", above=0.0)
    warm = as_numbers(temperature, name="temperature", above=ABSOLUTE_ZERO)
    moved = 100 * (exponential(-percent / 100 * (warm - reference), name="sensitivity_percent") - 1)
    linear = np.abs(percent * (warm - reference))
    return TemperatureInfluence(np.asarray(moved), np.asarray(linear > noise), noise)

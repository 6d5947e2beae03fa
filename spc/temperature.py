"""How viscosity depends on temperature: sensitivity, activation energy.

Temperatures in °C, energies in J/mol. A sensitivity is the percentage by which viscosity FALLS per
degree, so that it is a positive number for almost every liquid.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.elementwise import as_matching, as_numbers, exponential
from spc.errors import ArgumentError
from spc.intake import FloatArray, as_series
from spc.straight_line import StraightLine, straight_line

# CODATA 2018, exact since the redefinition of the SI, J/(mol K).
GAS_CONSTANT = 8.31446261815324
ZERO_CELSIUS = 273.15
ABSOLUTE_ZERO = -ZERO_CELSIUS


@dataclass(frozen=True, slots=True)
class TemperatureSensitivity:
    """Slope of ln viscosity against temperature.

    Attributes:
        percent_per_degree: 100 × the fall of ln viscosity per °C.
        interval: t interval of it; None for two points, which any line fits exactly.
        confidence: of the interval.
        n: number of points.
        lowest: lowest temperature; say nothing outside lowest to highest.
        highest: highest temperature.
        residual_percent: scatter around the line, 100 × standard deviation of ln viscosity, or
            None.
    """

    percent_per_degree: float
    interval: tuple[float, float] | None
    confidence: float
    n: int
    lowest: float
    highest: float
    residual_percent: float | None


def temperature_sensitivity(
    temperature: ArrayLike, viscosity: ArrayLike, confidence: float = 0.95
) -> TemperatureSensitivity:
    """Measure how many percent one degree is worth, for one product at one spindle and speed.

    Good for a few degrees; over more use `activation_energy_fit`. Batches measured at whatever
    temperature happened to be are a weak basis: batch-to-batch movement hides the slope, and the
    interval shows it.

    Args:
        temperature: shape (n,), °C, at least two different.
        viscosity: shape (n,), above 0, in any one unit.
        confidence: of the interval.

    Raises:
        TooFewPointsError: fewer than 2 points.
        ArgumentError: lengths differ, all temperatures equal, a viscosity not above 0.

    Source: least squares on ln viscosity, the temperature taken as exact.

    Example:
        >>> found = temperature_sensitivity([-25, 25], [1500, 410])
        >>> round(found.percent_per_degree, 1)
        2.6
    """
    warm = as_series(temperature, name="temperature", at_least=2)
    line = _logarithmic_line(warm, viscosity, confidence, "temperature")
    interval = None
    if line.slope_interval is not None:
        low, high = line.slope_interval
        interval = (-100 * high, -100 * low)
    return TemperatureSensitivity(
        percent_per_degree=-100 * line.slope,
        interval=interval,
        confidence=line.confidence,
        n=line.n,
        lowest=float(warm.min()),
        highest=float(warm.max()),
        residual_percent=None if line.residual_sd is None else 100 * line.residual_sd,
    )


@dataclass(frozen=True, slots=True)
class ActivationEnergy:
    """Slope of ln viscosity against the reciprocal absolute temperature.

    Attributes:
        energy: J/mol.
        interval: t interval of it; None for two points.
        confidence: of the interval.
        n: number of points.
        residual_percent: scatter around the line in percent of the viscosity, or None.
    """

    energy: float
    interval: tuple[float, float] | None
    confidence: float
    n: int
    residual_percent: float | None


def activation_energy_fit(
    temperature: ArrayLike, viscosity: ArrayLike, confidence: float = 0.95
) -> ActivationEnergy:
    """Fit viscosity = A exp(E / RT) by least squares on its logarithm.

    Args:
        temperature: shape (n,), °C, at least two different.
        viscosity: shape (n,), above 0, in any one unit.
        confidence: of the interval.

    Raises:
        TooFewPointsError: fewer than 2 points.
        ArgumentError: lengths differ, all temperatures equal, a viscosity not above 0.

    Source: E. N. da C. Andrade, Nature 125 (1930) 309; R CODATA 2018.

    Example:
        >>> round(activation_energy_fit([20, 25], [1.0016, 0.8900]).energy)  # water
        17170
    """
    kelvin = _kelvin(as_series(temperature, name="temperature", at_least=2), "temperature")
    # Reciprocal temperatures around their middle: a well-scaled slope, the same energy.
    middle = 1 / float(kelvin.mean())
    line = _logarithmic_line((1 / kelvin - middle) / GAS_CONSTANT, viscosity, confidence, "1/T")
    return ActivationEnergy(
        energy=line.slope,
        interval=line.slope_interval,
        confidence=line.confidence,
        n=line.n,
        residual_percent=None if line.residual_sd is None else 100 * line.residual_sd,
    )


def _logarithmic_line(
    x: FloatArray, viscosity: ArrayLike, confidence: float, x_name: str
) -> StraightLine:
    thick = as_series(viscosity, name="viscosity", at_least=2)
    thick = as_numbers(thick, name="viscosity", above=0.0)
    return straight_line(x, np.log(thick), confidence, x_name=x_name, y_name="viscosity")


def sensitivity_from_energy(energy: ArrayLike, temperature: ArrayLike) -> FloatArray:
    """Convert an activation energy to percent per °C at a temperature: 100 E / RT².

    Args:
        energy: J/mol.
        temperature: °C.

    Returns:
        Percent by which viscosity falls per °C, array of the common shape.

    Raises:
        ArgumentError: a temperature at or below absolute zero, shapes that do not match.

    Source: derivative of ln viscosity = ln A + E / RT.

    Example:
        >>> round(float(sensitivity_from_energy(50_000, 25)), 1)
        6.8
    """
    joule, kelvin = _energy_and_kelvin(energy, "energy", temperature)
    return np.asarray(100 * joule / (GAS_CONSTANT * kelvin**2), dtype=float)[()]


def energy_from_sensitivity(sensitivity_percent: ArrayLike, temperature: ArrayLike) -> FloatArray:
    """Convert percent per °C at a temperature to an activation energy in J/mol.

    Args:
        sensitivity_percent: percent by which viscosity falls per °C.
        temperature: °C.

    Raises:
        ArgumentError: a temperature at or below absolute zero, shapes that do not match.

    Source: the inverse of `sensitivity_from_energy`.

    Example:
        >>> round(float(energy_from_sensitivity(6.765, 25)) / 1000, 1)
        50.0
    """
    percent, kelvin = _energy_and_kelvin(sensitivity_percent, "sensitivity_percent", temperature)
    return np.asarray(percent / 100 * GAS_CONSTANT * kelvin**2, dtype=float)[()]


def arrhenius_factor(
    energy: ArrayLike, temperature: ArrayLike, reference_temperature: ArrayLike
) -> FloatArray:
    """Compute viscosity at the reference temperature / viscosity at the temperature measured.

    Above 1 for a reading taken too warm: it must be corrected upwards.

    Args:
        energy: activation energy, J/mol.
        temperature: °C, of the reading.
        reference_temperature: °C, to which it is to be converted.

    Raises:
        ArgumentError: a temperature at or below absolute zero; an energy no number can hold.

    Source: viscosity = A exp(E / RT), E. N. da C. Andrade, Nature 125 (1930) 309.

    Example:
        >>> round(float(arrhenius_factor(50_000, 25.5, 25)), 4)
        1.0343
    """
    joule, kelvin, reference = as_matching(
        energy=as_numbers(energy, name="energy"),
        temperature=_kelvin(temperature, "temperature"),
        reference_temperature=_kelvin(reference_temperature, "reference_temperature"),
    )
    return exponential(joule / GAS_CONSTANT * (1 / reference - 1 / kelvin), name="energy")


def walther_viscosity(
    temperatures: tuple[float, float],
    kinematic: tuple[float, float],
    at: ArrayLike,
) -> FloatArray:
    """Interpolate the kinematic viscosity of a mineral oil from two temperatures.

    Outside the two it is an extrapolation, which a steep line carries beyond any number.

    Args:
        temperatures: two different ones, °C.
        kinematic: kinematic viscosity at each, mm²/s, above 2: the 0.7 holds only there.
        at: °C, temperatures asked for.

    Returns:
        mm²/s, the shape of `at`.

    Raises:
        ArgumentError: not two points, temperatures equal, a viscosity not above 2, a temperature
            at which the line leaves the range of numbers.

    Source: ASTM D341, log log (v + 0.7) = A - B log T; T = t + 273.15.

    Example:
        >>> round(float(walther_viscosity((40, 100), (32, 5.4), 80)), 1)
        8.5
    """
    known = as_numbers(temperatures, name="temperatures", above=ABSOLUTE_ZERO)
    thick = as_numbers(kinematic, name="kinematic", above=2.0)
    if known.shape != (2,) or thick.shape != (2,):
        raise ArgumentError(
            f"temperatures and kinematic must hold two numbers each, "
            f"got {known.size} and {thick.size}"
        )
    line = straight_line(
        np.log(known + ZERO_CELSIUS),
        np.log(np.log10(thick + 0.7)),
        x_name="temperatures",
        y_name="kinematic",
    )
    wanted = np.log(_kelvin(at, "at"))
    inner = exponential(np.asarray(line.intercept + line.slope * wanted), name="at")
    return np.asarray(exponential(np.asarray(math.log(10) * inner), name="at") - 0.7)[()]


def _kelvin(temperature: ArrayLike, name: str) -> FloatArray:
    return as_numbers(temperature, name=name, above=ABSOLUTE_ZERO) + ZERO_CELSIUS


def _energy_and_kelvin(
    amount: ArrayLike, name: str, temperature: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    number, kelvin = as_matching(
        **{name: as_numbers(amount, name=name), "temperature": _kelvin(temperature, "temperature")}
    )
    return number, kelvin

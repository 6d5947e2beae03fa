"""Viscosity and density of water, the one liquid whose viscosity everybody agrees on."""

import numpy as np
from numpy.typing import ArrayLike

from spc.elementwise import as_matching, as_numbers, quotient
from spc.errors import ArgumentError
from spc.intake import FloatArray

CRITICAL_TEMPERATURE = 647.096  # K
CRITICAL_DENSITY = 322.0  # kg/m³

# IAPWS R12-08, Table 1.
_DILUTE = (1.67752, 2.20462, 0.6366564, -0.241605)
# IAPWS R12-08, Table 2: rows are powers of 1/T - 1, columns powers of density - 1.
_DENSE = np.array(
    [
        [0.520094, 0.222531, -0.281378, 0.161913, -0.0325372, 0.0, 0.0],
        [0.0850895, 0.999115, -0.906851, 0.257399, 0.0, 0.0, 0.0],
        [-1.08374, 1.88797, -0.772479, 0.0, 0.0, 0.0, 0.0],
        [-0.289555, 1.26613, -0.489837, 0.0, 0.0698452, 0.0, -0.00435673],
        [0.0, 0.0, -0.257040, 0.0, 0.0, 0.00872102, 0.0],
        [0.0, 0.120573, 0.0, 0.0, 0.0, 0.0, -0.000593264],
    ]
)


def steam_and_water_viscosity(temperature: ArrayLike, density: ArrayLike) -> FloatArray:
    """Compute the viscosity of water or steam from temperature and density.

    Without the critical enhancement, which matters only next to the critical point.

    Args:
        temperature: °C, 0 to 900.
        density: kg/m³, above 0, at most 1250.

    Returns:
        mPa·s, array of the common shape.

    Raises:
        ArgumentError: outside these ranges, lengths that do not match.

    Source: IAPWS R12-08, Release on the IAPWS Formulation 2008 for the Viscosity of Ordinary Water
        Substance, equations 10 to 12.

    Example:
        >>> round(float(steam_and_water_viscosity(25, 998)), 6)  # Table 4: 889.735100 μPa·s
        0.889735
    """
    warm, dense = as_matching(
        temperature=_within(temperature, "temperature", 0.0, 900.0),
        density=_within(as_numbers(density, name="density", above=0.0), "density", 0.0, 1250.0),
    )
    reduced = (warm + 273.15) / CRITICAL_TEMPERATURE
    inverse = 1 / reduced
    dilute = 100 * np.sqrt(reduced) / np.polynomial.polynomial.polyval(inverse, _DILUTE)
    relative = dense / CRITICAL_DENSITY
    exponent = relative * np.polynomial.polynomial.polyval2d(inverse - 1, relative - 1, _DENSE)
    return np.asarray(dilute * np.exp(exponent) / 1000, dtype=float)[()]


def water_viscosity(temperature: ArrayLike) -> FloatArray:
    """Compute the viscosity of liquid water at normal pressure.

    Args:
        temperature: °C, 0 to 100.

    Returns:
        mPa·s, the shape of `temperature`.

    Raises:
        ArgumentError: outside 0 to 100 °C.

    Source: IAPWS R12-08, stated as certain to 1 %, with the density of `water_density`; ISO/TR 3666
        gives 1.0016 mPa·s at 20 °C, certain to 0.17 %.

    Example:
        >>> round(float(water_viscosity(20)), 4)
        1.0016
    """
    return steam_and_water_viscosity(temperature, water_density(temperature))


def water_density(temperature: ArrayLike) -> FloatArray:
    """Compute the density of air-free liquid water at normal pressure.

    Args:
        temperature: °C, 0 to 100.

    Returns:
        kg/m³, the shape of `temperature`.

    Raises:
        ArgumentError: outside 0 to 100 °C.

    Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97; within 10 ppm of IAPWS-95 from 5 to 80 °C,
        which moves the viscosity by less.

    Example:
        >>> round(float(water_density(20)), 1)
        998.2
    """
    t = _within(temperature, "temperature", 0.0, 100.0)
    numerator = (
        999.83952,
        16.945176,
        -7.9870401e-3,
        -46.170461e-6,
        105.56302e-9,
        -280.54253e-12,
    )
    top = np.polynomial.polynomial.polyval(t, numerator)
    return np.asarray(top / (1 + 16.879850e-3 * t), dtype=float)[()]


def kinematic_viscosity(viscosity: ArrayLike, density: ArrayLike) -> FloatArray:
    """Divide a viscosity by the density at the same temperature.

    Args:
        viscosity: mPa·s (cP), above 0.
        density: g/cm³, above 0; 1000 kg/m³ are 1 g/cm³.

    Returns:
        mm²/s (cSt), array of the common shape.

    Raises:
        ArgumentError: a number not above 0, shapes that do not match.

    Source: definition; SI Brochure, 9th edition, Table 8 (poise, stokes).

    Example:
        >>> float(kinematic_viscosity(950, 0.95))
        1000.0
    """
    thick, dense = as_matching(
        viscosity=as_numbers(viscosity, name="viscosity", above=0.0),
        density=as_numbers(density, name="density", above=0.0),
    )
    return quotient(thick, dense, name="density")


def _within(values: ArrayLike, name: str, lowest: float, highest: float) -> FloatArray:
    numbers = as_numbers(values, name=name)
    bad = (numbers < lowest) | (numbers > highest)
    if bad.any():
        raise ArgumentError(
            f"{name} must lie between {lowest:g} and {highest:g}, got {numbers[bad][0]:g}: "
            "check its unit"
        )
    return numbers

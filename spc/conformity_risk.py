"""What a decision rule costs a process, and how often it is wrong over all batches."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from spc.conformity import (
    AcceptanceInterval,
    acceptance_interval,
    share_between,
)
from spc.intake import FloatArray, as_number
from spc.specification import Sides, as_specification

# Beyond this many standard deviations no double-precision probability is left.
FARTHEST = 39.0
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True, slots=True)
class GuardBandCost:
    """What a guard band costs a process, as shares of its batches.

    Attributes:
        outside_acceptance: results that would not be judged to conform.
        outside_specification: results beyond the specification itself.
        acceptance: the interval used.
    """

    outside_acceptance: float
    outside_specification: float
    acceptance: AcceptanceInterval

    @property
    def extra(self) -> float:
        """Share that meets the specification and still falls into a guard band."""
        return self.outside_acceptance - self.outside_specification


def guard_band_cost(
    mean: float,
    sd: float,
    lower: float | None = None,
    upper: float | None = None,
    *,
    guard_band: float,
) -> GuardBandCost:
    """Compute how often a stable, normal process would land outside its acceptance interval.

    Args:
        mean: of the batch results.
        sd: standard deviation of the batch results as measured, above 0.
        lower: lower specification limit, None if there is none.
        upper: upper specification limit, None if there is none.
        guard_band: w, 0 or more.

    Raises:
        ArgumentError: no limit, lower not below upper, sd not above 0, a negative guard band.

    Source: normal distribution.

    Example:
        >>> cost = guard_band_cost(2000, 70, 1800, 2200, guard_band=73)
        >>> round(100 * cost.outside_acceptance, 1), round(100 * cost.outside_specification, 2)
        (7.0, 0.43)
    """
    accepted = acceptance_interval(lower, upper, guard_band=guard_band)
    low, high = as_specification(lower, upper)
    center, spread = as_number(mean, name="mean"), as_number(sd, name="sd", above=0.0)
    return GuardBandCost(
        outside_acceptance=1.0
        if accepted.is_empty
        else _outside(center, spread, accepted.lower, accepted.upper),
        outside_specification=_outside(center, spread, low, high),
        acceptance=accepted,
    )


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """How often a decision rule is wrong over all batches of a process.

    Attributes:
        consumer: share of all batches that do not conform and are accepted.
        producer: share of all batches that conform and are not accepted.
        conforming: share of batches whose true value lies within the specification.
        accepted: share of batches whose result lies within the acceptance interval.
        acceptance: the interval used.
    """

    consumer: float
    producer: float
    conforming: float
    accepted: float
    acceptance: AcceptanceInterval


def global_risk(
    mean: float,
    sd: float,
    standard_uncertainty: float,
    lower: float | None = None,
    upper: float | None = None,
    *,
    guard_band: float,
) -> GlobalRisk:
    """Compute consumer's and producer's risk for a normal process and a normal measurement.

    Args:
        mean: of the true values of the process.
        sd: standard deviation of the true values, above 0: the spread of results less that of the
            measurement, √(observed² - u²).
        standard_uncertainty: u of a result, above 0.
        lower: lower specification limit, None if there is none.
        upper: upper specification limit, None if there is none.
        guard_band: w, 0 or more.

    Raises:
        ArgumentError: no limit, lower not below upper, a spread not above 0.

    Source: JCGM 106:2012, 9.5 (global risks), integrated by Gauss-Legendre panels.

    Example:
        >>> risk = global_risk(2000, 60, 36.5, 1800, 2200, guard_band=0)
        >>> risk.consumer < risk.producer
        True
    """
    accepted = acceptance_interval(lower, upper, guard_band=guard_band)
    low, high = as_specification(lower, upper)
    center, spread = as_number(mean, name="mean"), as_number(sd, name="sd", above=0.0)
    u = as_number(standard_uncertainty, name="standard_uncertainty", above=0.0)
    conforming = 1 - _outside(center, spread, low, high)
    if accepted.is_empty:
        return GlobalRisk(0.0, conforming, conforming, 0.0, accepted)

    # From here on everything is measured from the mean of the process.
    low, high = (None if limit is None else limit - center for limit in (low, high))
    inner, outer = (
        None if limit is None else limit - center for limit in (accepted.lower, accepted.upper)
    )
    truth, share = _panels(spread, u, (low, high), (inner, outer))
    taken = share * share_between(truth, np.full(truth.shape, u), inner, outer)
    # Not 1 - taken, which rounds to 0 far inside.
    refused = share * _beyond(truth, u, inner, outer)
    conforms = np.ones(truth.shape, dtype=bool)
    if low is not None:
        conforms &= truth >= low
    if high is not None:
        conforms &= truth <= high
    return GlobalRisk(
        consumer=float(taken[~conforms].sum()),
        producer=float(refused[conforms].sum()),
        conforming=conforming,
        accepted=float(taken.sum()),
        acceptance=accepted,
    )


def _panels(
    spread: float, u: float, limits: Sides, acceptance: Sides
) -> tuple[FloatArray, FloatArray]:
    """Points over the true values, and the share of batches that each stands for.

    Panels end at every limit and are short, in units of u, around the acceptance limits, where
    acceptance falls from 1 to 0.
    """
    steps = np.arange(-FARTHEST, FARTHEST + 1)
    edges = [steps]
    with np.errstate(over="ignore"):
        edges += [np.array([limit]) / spread for limit in limits if limit is not None]
        edges += [(limit + u * steps) / spread for limit in acceptance if limit is not None]
    grid = np.unique(np.clip(np.concatenate(edges), -FARTHEST, FARTHEST))
    half = np.diff(grid)[:, None] / 2
    z = grid[:-1, None] + half * (1 + NODES)
    share = np.exp(-z * z / 2) / math.sqrt(2 * math.pi) * half * WEIGHTS
    return spread * z.ravel(), share.ravel()


def _beyond(value: FloatArray, sd: float, low: float | None, high: float | None) -> FloatArray:
    """Probability that a result around `value` lies outside; exact also where it is tiny."""
    share = np.zeros(value.shape)
    with np.errstate(over="ignore"):
        if low is not None:
            share += ndtr((low - value) / sd)
        if high is not None:
            share += ndtr((value - high) / sd)
    return share


def _outside(center: float, sd: float, low: float | None, high: float | None) -> float:
    below = 0.0 if low is None else float(ndtr((low - center) / sd))
    above = 0.0 if high is None else float(ndtr((center - high) / sd))
    return below + above

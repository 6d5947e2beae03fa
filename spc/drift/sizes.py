"""How big a change is in viscosity units and in percent, with intervals honest about neighbours."""

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from spc.intake import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Size:
    """A change in the unit of the values, its 95 % interval, and in percent of the level before."""

    size: float
    low: float
    high: float
    percent: float


def step_size(values: FloatArray, changed: BoolArray, used: BoolArray | None = None) -> Size:
    """Compare the mean of the changed values with that of the others.

    Args:
        values: shape (n,), in order.
        changed: which of them lie in the change.
        used: which of them count at all; all if None.

    Source: two-sample t interval with pooled variance. Where the residuals of neighbours are alike
        it is widened by √((1 + r) / (1 - r)), r their lag-1 correlation corrected for the means
        taken out (r + (2 + 4 r) / n, at most 0.9); Zieba, Metrol. Meas. Syst. 17 (2010) 3 and
        Bayley & Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184, from memory.
    """
    counted = np.ones(len(values), dtype=bool) if used is None else used
    inside, outside = values[changed & counted], values[~changed & counted]
    if not len(inside) or not len(outside):
        return Size(float("nan"), float("nan"), float("nan"), float("nan"))
    before, after = float(outside.mean()), float(inside.mean())
    residual = np.where(changed, values - after, values - before)[counted]
    free = len(inside) + len(outside) - 2
    difference = after - before
    percent = 100.0 * difference / before if before > 0 else float("nan")
    squares = float(residual @ residual)
    if free < 1:
        return Size(difference, float("nan"), float("nan"), percent)
    error = np.sqrt(squares / free * (1 / len(inside) + 1 / len(outside)))
    half = float(stdtrit(free, 0.975)) * float(error) * widening(residual)
    return Size(difference, difference - half, difference + half, percent)


def widening(residual: FloatArray) -> float:
    """Factor by which alike neighbours widen the error of a mean, 1 or more."""
    n = len(residual)
    squares = float(residual @ residual)
    if n < 6 or squares <= 0:
        return 1.0
    r = float(residual[1:] @ residual[:-1]) / squares
    r = min(max(r + (2.0 + 4.0 * r) / n, 0.0), 0.9)
    return float(np.sqrt((1 + r) / (1 - r)))


def from_log(base: float, change: float, error: float, free: float) -> Size:
    """Turn a change of the log and its error into a size around a level `base`; nan if unknown."""
    t = float(stdtrit(max(free, 1.0), 0.975))
    if not t * error < 3.0:  # wider than a factor of 20: the batches cannot say
        return Size(float("nan"), float("nan"), float("nan"), float("nan"))
    low, mid, high = np.expm1([change - t * error, change, change + t * error])
    return Size(base * float(mid), base * float(low), base * float(high), 100.0 * float(mid))

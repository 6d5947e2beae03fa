"""Did an action help? The batches after it against the level before the change."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from spc.drift.sizes import widening
from spc.errors import TooFewPointsError
from spc.intake import FloatArray

FEWEST = 8
"""Batches after an action from which its effect is judged: trade practice, 8 to 15."""
MOST = 15
"""Batches after an action that count: later ones tell of later causes."""


@dataclass(frozen=True, slots=True)
class Effect:
    """Batches after an action compared with those before the change.

    Attributes:
        state: "too few", "back" (the interval holds 0 and not the change), "not back" (it does not
            hold 0), or "undecided" (it holds both).
        n: batches after the action that count, at most 15.
        needed: from how many on it is judged.
        difference: mean after less mean before, in the unit of the values; nan without batches.
        low, high: its 95 % interval; nan below 2 batches.
        percent: the difference in percent of the level before.
        change: mean of the changed batches less mean before: what the action was to undo.
        widened: factor on the interval since neighbouring batches are alike, 1 or more.
    """

    state: str
    n: int
    needed: int
    difference: float
    low: float
    high: float
    percent: float
    change: float
    widened: float


def effect(
    before: ArrayLike, changed: ArrayLike, after: ArrayLike, fewest: int = FEWEST, most: int = MOST
) -> Effect:
    """Compare the first batches after an action with the level before the change.

    "Back" is no proof that the action did it: a change may end by itself. An interval that holds 0
    is no proof of an unchanged level either, which is why it must not hold the change as well.

    Args:
        before: batch means before the change, at least 2.
        changed: batch means of the change, at least 1.
        after: batch means since the action, in order.
        fewest: of `after`, from which on the effect is judged.
        most: of `after` that count.

    Raises:
        TooFewPointsError: nothing to compare with.

    Source: two-sample t interval without the assumption of equal variances, Welch, Biometrika 34
        (1947) 28, widened for alike neighbours as in `spc.drift.sizes`; 8 to 15 batches are trade
        practice.
    """
    base, moved = np.array(before, dtype=float), np.array(changed, dtype=float)
    newest = np.array(after, dtype=float)[:most]
    if len(base) < 2 or len(moved) < 1:
        raise TooFewPointsError(
            f"before needs at least 2 points and changed 1, got {len(base)} and {len(moved)}"
        )
    level = float(base.mean())
    change = float(moved.mean()) - level
    n = len(newest)
    nan = float("nan")
    difference = float(newest.mean()) - level if n else nan
    percent = 100.0 * difference / level if n and level > 0 else nan
    if n < 2:
        return Effect("too few", n, fewest, difference, nan, nan, percent, change, 1.0)
    half, widened = _half_width(base, newest)
    low, high = difference - half, difference + half
    if n < fewest:
        state = "too few"
    elif not low <= 0 <= high:
        state = "not back"
    else:
        state = "undecided" if low <= change <= high else "back"
    return Effect(state, n, fewest, difference, low, high, percent, change, widened)


def _half_width(base: FloatArray, newest: FloatArray) -> tuple[float, float]:
    """Half of Welch's 95 % interval, and the factor by which alike neighbours widen it."""
    parts = np.array([float(np.var(one, ddof=1)) / len(one) for one in (base, newest)])
    squares = float(parts.sum())
    if squares <= 0:
        return 0.0, 1.0
    free = squares**2 / float(parts[0] ** 2 / (len(base) - 1) + parts[1] ** 2 / (len(newest) - 1))
    residual = np.concatenate([base - base.mean(), newest - newest.mean()])
    widened = widening(residual)
    return float(stdtrit(free, 0.975)) * float(np.sqrt(squares)) * widened, widened

"""The torque against the viscosity: one constant of a spindle at a speed on one instrument."""

import numpy as np
import numpy.typing as npt
import pandas as pd

_ROWS_TO_LEARN = 5
_AGREEING = 0.8  # share of a group that must agree before its factor is believed
_OTHER_ERRORS = 0.005  # trade practice, to be replaced by the site's own


def disagrees_with_torque(
    rows: pd.DataFrame, usable: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float64]]:
    """Rows whose viscosity is not torque times the factor of their group, beyond rounding.

    A group is an instrument, spindle and speed, all recorded. Its factor is the median of
    viscosity ÷ torque over at least five rows, of which four in five must agree with it: where
    no such majority exists nothing can be learned and nothing is flagged. The allowance is half
    a recording step of the torque and of the viscosity, and 0.5 % (trade practice). Recording
    steps are learned per group: the power of ten that almost all values are multiples of, or the
    number of digits that they are given with, whichever is coarser.

    Args:
        rows: with columns instrument, spindle, speed, viscosity (mPa·s) and torque (%).
        usable: rows to look at, shape (n,).

    Returns:
        the flagged rows, shape (n,), and the factor in mPa·s per % of each, NaN where unknown.
    """
    torque = rows["torque"].to_numpy(dtype=float)
    viscosity = rows["viscosity"].to_numpy(dtype=float)
    group = _groups(rows)
    looked = usable & (group >= 0) & (torque > 0) & (viscosity > 0)
    flagged = np.zeros(len(rows), dtype=bool)
    factor = np.full(len(rows), np.nan)
    if not looked.any():
        return flagged, factor
    t, v = torque[looked], viscosity[looked]
    ratio = pd.Series(v / t).groupby(group[looked])
    k = ratio.transform("median").to_numpy()
    n = ratio.transform("count").to_numpy()
    allowance = (
        0.5 * _steps(t, group[looked]) / t + 0.5 * _steps(v, group[looked]) / v + _OTHER_ERRORS
    )
    agrees = np.abs(v / (k * t) - 1.0) <= allowance
    share = pd.Series(agrees).groupby(group[looked]).transform("mean").to_numpy()
    learned = (n >= _ROWS_TO_LEARN) & (share >= _AGREEING)
    flagged[looked] = learned & ~agrees
    factor[looked] = np.where(learned, k, np.nan)
    return flagged, factor


def _groups(rows: pd.DataFrame) -> npt.NDArray[np.int64]:
    """A number for each instrument, spindle and speed; -1 where one of them is not recorded."""
    codes = np.zeros(len(rows), dtype=np.int64)
    recorded = np.isfinite(rows["speed"].to_numpy(dtype=float))
    for name in ("instrument", "spindle"):
        recorded &= np.asarray(rows[name] != "", dtype=bool)
    for name in ("instrument", "spindle", "speed"):
        code, texts = pd.factorize(rows[name])
        codes = codes * (len(texts) + 1) + code
    return np.where(recorded, codes, -1)


def _steps(
    values: npt.NDArray[np.float64], group: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """The recording step of each value, by its group's habit; values are positive."""
    distinct, place = np.unique(values, return_inverse=True)  # far fewer than rows: work on them
    code = pd.factorize(group)[0]
    decade = np.floor(np.log10(distinct))
    digits = np.full(len(distinct), 6)
    for count in (5, 4, 3, 2, 1):  # fewest significant digits that still give the value
        scaled = distinct / 10.0 ** (decade - count + 1)
        digits = np.where(np.abs(scaled - np.round(scaled)) < 1e-6, count, digits)
    usual = np.full(code.max() + 1, 6)
    for count in (5, 4, 3, 2, 1):
        usual = np.where(_share(digits <= count, place, code) >= 0.95, count, usual)
    step = np.full(code.max() + 1, 0.001)
    for size in (0.01, 0.1, 1.0, 10.0, 100.0):
        multiple = np.abs(distinct / size - np.round(distinct / size)) < 1e-6
        step = np.where(_share(multiple, place, code) > 0.99, size, step)
    return np.asarray(np.maximum(step[code], 10.0 ** (decade[place] - usual[code] + 1)))


def _share(
    holds: npt.NDArray[np.bool_], place: npt.NDArray[np.int64], code: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """In which share of each group's rows something holds that is known per distinct value."""
    return np.asarray(np.bincount(code, weights=holds[place]) / np.bincount(code))

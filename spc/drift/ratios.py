"""Readings that are wrong as records: other units, a shifted decimal mark, swapped digits."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.drift.history import History, SetAsideRow
from spc.intake import FloatArray

FACTOR_RATIOS = (2.0, 2.5, 4.0, 5.0, 10.0, 20.0)
"""Ratios of torque factors that neighbouring spindles of a set usually have: trade practice."""
_NEAR_RATIO = 0.07
_DECADE = 0.09  # |log10| distance within which a ratio is a power of ten, about 23 %
_WILD = 6.0  # repeatability standard deviations


@dataclass(frozen=True, slots=True)
class RecordFault:
    """A reading whose record contradicts itself or its batch.

    Attributes:
        position: of its batch.
        suspect: "units", "transcription" or "spindle".
        shown: the value as it stands.
        plausible: the value that torque or its partner points to.
        reason: why, as a phrase.
    """

    position: int
    suspect: str
    shown: float
    plausible: float
    reason: str


def decade_of(ratio: float) -> int:
    """Return k where the ratio is close to 10^k, k not 0; else 0."""
    log = float(np.log10(ratio))
    k = round(log)
    return k if k != 0 and abs(log - k) <= _DECADE else 0


def factor_ratio(ratio: float, tolerance: float = _NEAR_RATIO) -> float | None:
    """Return the usual ratio of torque factors next to this one (or its inverse), None if none."""
    logs = np.log(np.concatenate([FACTOR_RATIOS, 1.0 / np.array(FACTOR_RATIOS)]))
    away = np.abs(logs - np.log(ratio))
    best = int(np.argmin(away))
    return float(np.exp(logs[best])) if away[best] <= tolerance else None


def set_aside_faults(history: History) -> list[RecordFault]:
    """Judge the readings that were set aside because viscosity and torque contradict each other."""
    middle = float(np.nanmedian(history.means)) if np.isfinite(history.means).any() else np.nan
    found = []
    for row in history.set_aside:
        known = np.isfinite(row.torque) and np.isfinite(row.factor)
        plausible = row.torque * row.factor if known else middle
        if not np.isfinite(plausible) or plausible <= 0 or row.shown <= 0:
            continue
        why = f"torque {row.torque:.3g} % says {plausible:.4g}" if known else "beside the others"
        found.append(_judged(row, plausible, why))
    same = [f for f in found if _by_spindle(f.shown / f.plausible)]
    if len(same) >= 3 and np.ptp([np.log(f.shown / f.plausible) for f in same]) < 0.06:
        # The same ratio of factors again and again: no slip of the pen, a spindle code.
        keyed = {id(f) for f in same}
        found = [replace(f, suspect="spindle") if id(f) in keyed else f for f in found]
    return found


def _by_spindle(ratio: float) -> bool:
    """Whether a ratio is one of torque factors, and no power of ten that a slip makes too."""
    usual = factor_ratio(ratio, 0.04)
    return usual is not None and 0.15 < usual < 6.0


def _judged(row: SetAsideRow, plausible: float, why: str) -> RecordFault:
    k = decade_of(row.shown / plausible)
    suspect = "units" if abs(k) >= 2 else "transcription"
    return RecordFault(row.position, suspect, row.shown, plausible, why)


def used_faults(history: History) -> list[RecordFault]:
    """Find used readings that are a power of ten away, or whose swapped digits fit their partner.

    Only for records without a torque to contradict them; where several batches in a row are a
    power of ten away they are found too.
    """
    grid = history.readings
    if not np.isfinite(grid).any():
        return []
    middle = float(np.exp(np.nanmedian(np.log(history.means))))
    found = []
    with np.errstate(invalid="ignore"):
        logs = np.log10(grid / middle)
    far = np.isfinite(logs) & (np.abs(logs) > 0.8)
    moved = _torque_moves(history)
    for position, column in np.argwhere(far):
        k = decade_of(10.0 ** float(logs[position, column]))
        if k and not moved[position]:
            suspect = "units" if abs(k) >= 2 else "transcription"
            value = float(grid[position, column])
            found.append(RecordFault(int(position), suspect, value, middle, "beside the others"))
    found += _swapped(grid, far)
    return found


def _torque_moves(history: History) -> np.ndarray:
    """Whether a batch's torque lies far from the usual one: then the reading itself is unusual."""
    with np.errstate(invalid="ignore"):
        usual = np.nanmedian(history.torque) if np.isfinite(history.torque).any() else np.nan
        return np.asarray(np.abs(np.log(history.torque / usual)) > 0.5)


def _swapped(grid: FloatArray, far: np.ndarray) -> list[RecordFault]:
    """Readings far from their partner that fit it once two neighbouring digits change places."""
    if grid.shape[1] < 2:
        return []
    logs = np.where(far, np.nan, np.log(grid))
    pairs = logs[:, 1] - logs[:, 0]
    known = np.isfinite(pairs)
    if known.sum() < 5:
        return []
    spread = max(1.4826 * float(np.median(np.abs(pairs[known]))), 0.002)
    series = float(np.nanmedian(logs))
    wide = 1.4826 * float(np.nanmedian(np.abs(logs - series)))
    found = []
    for position in np.flatnonzero(known & (np.abs(pairs) > _WILD * spread)):
        ends = [float(np.exp(logs[position, 0])), float(np.exp(logs[position, 1]))]
        for value, partner in (ends, ends[::-1]):
            # The partner must be ordinary and the value the odd one of the two.
            if abs(np.log(partner) - series) > max(4 * wide, 3 * spread):
                continue
            if abs(np.log(value) - series) < abs(np.log(partner) - series):
                continue
            fits = [s for s in _swaps(value) if abs(np.log(s / partner)) < 3 * spread]
            if fits:
                why = f"digits changed places beside {partner:.4g}"
                found.append(RecordFault(int(position), "transcription", value, fits[0], why))
                break
    # Where more pairs lie apart than swapped digits explain, readings disagree for another reason.
    unexplained = int(np.sum(np.abs(pairs[known]) > 4.0 * spread)) - len(found)
    return found if unexplained <= max(1, len(found)) else []


def _swaps(value: float) -> list[float]:
    text = f"{value:.6g}"
    if "e" in text:
        return []
    places = [i for i in range(len(text) - 1) if text[i].isdigit() and text[i + 1].isdigit()]
    swapped = {text[:i] + text[i + 1] + text[i] + text[i + 2 :] for i in places} - {text}
    return [float(x) for x in swapped if float(x) > 0]


def without(history: History, faults: Sequence[RecordFault]) -> History:
    """Leave the faulty used readings out and average what is left of their batches."""
    if not faults:
        return history
    grid = history.readings.copy()
    for fault in faults:
        row = grid[fault.position]
        row[np.isclose(row, fault.shown, rtol=1e-9)] = np.nan
    means = history.means.copy()
    for position in {fault.position for fault in faults}:
        row = grid[position]
        means[position] = np.mean(row[np.isfinite(row)]) if np.isfinite(row).any() else np.nan
    return replace(history, readings=grid, means=means)

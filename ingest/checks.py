"""The torque against the viscosity: one constant of a spindle at a speed on one instrument.

A group is an instrument, spindle and speed, all recorded. Its factor is the median of viscosity ÷
torque over at least five rows, of which four in five must agree with it: where no such majority
exists nothing can be learned and nothing is flagged. The allowance is half a recording step of the
torque and of the viscosity, and 0.5 % (trade practice). Recording steps are learned per group: the
power of ten that almost all values are multiples of, or the number of digits that they are given
with, whichever is coarser.

All of that is learned from the whole file, of which only torque, viscosity and group of each row
are kept, beyond some size on disk. Then any rows of it can be held against it, block by block.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.judging import codes_of, digits_of
from ingest.scratch import Scratch

_ROWS_TO_LEARN = 5
_AGREEING = 0.8  # share of a group that must agree before its factor is believed
_SAME_FACTOR = 0.05  # relative: factors of one spindle and speed that lie closer are one
_OTHER_ERRORS = 0.005  # trade practice, to be replaced by the site's own
_IN_MEMORY = 25_000_000  # bytes; above that they lie on disk
_ROWS_AT_ONCE = 2_000_000  # whose median is found in memory
_DIGITS = (5, 4, 3, 2, 1)
_SIZES = (0.01, 0.1, 1.0, 10.0, 100.0)
_RECORD = np.dtype([("group", "<i4"), ("torque", "<f8"), ("viscosity", "<f8")])
_BITS_AT_ONCE = 11
_CELLS = 1_000_000  # counted at once while medians are looked for

_Records = npt.NDArray[np.void]


Group = tuple[str, str, str]
"""Instrument, spindle and speed (rpm, as text)."""


@dataclass(frozen=True, slots=True)
class Factor:
    """Viscosity ÷ torque of a group, mPa·s per %, and from how many rows it is learned."""

    k: float
    n: int


def torque_factors(rows: pd.DataFrame, usable: npt.NDArray[np.bool_]) -> dict[Group, Factor]:
    """The torque factor of every instrument, spindle and speed; see `Torques`."""
    torques = Torques()
    torques.add(rows, usable)
    return torques.factors()


def believed_factors(
    of_file: Mapping[Group, Factor], of_store: Mapping[Group, Factor]
) -> tuple[dict[Group, Factor], tuple[str, ...]]:
    """The factors that a file is checked against, and where file and store do not agree.

    The file's own factor is believed, as instruments and spindles do change, unless it is off by
    a power of ten: then it is the unit that is wrong in the whole file.

    Returns:
        the factors, and a sentence for each group whose factor is another one in the store.
    """
    believed = {**of_store, **of_file}
    told = []
    for group, factor in of_file.items():
        known = of_store.get(group)
        if known is None or abs(factor.k / known.k - 1) <= _SAME_FACTOR:
            continue
        places = round(math.log10(factor.k / known.k))
        if places and abs(factor.k / known.k / 10.0**places - 1) <= _SAME_FACTOR:
            believed[group] = known
            continue
        instrument, spindle, speed = group
        told.append(
            f"{instrument}, {spindle}, {speed} rpm: viscosity ÷ torque is {factor.k:.4g} here and "
            f"{known.k:.4g} in the store so far: was the spring, the spindle or its code changed?"
        )
    return believed, tuple(told)


class Torques:
    """The torque and viscosity of all rows of a file; `add` block by block, then `factors`.

    Attributes:
        complete: whether every usable row so far has a torque, a viscosity and a group.
    """

    def __init__(self) -> None:
        """Begin with no rows."""
        self.complete = True
        self._groups: dict[Group, int] = {}
        self._scratch = Scratch(_IN_MEMORY)
        self._sizes: list[int] = []
        self._torque_habit, self._viscosity_habit = _Habit(), _Habit()

    def add(self, rows: pd.DataFrame, usable: npt.NDArray[np.bool_]) -> None:
        """Look at the rows of the next block.

        Args:
            rows: with columns instrument, spindle, speed, viscosity (mPa·s) and torque (%).
            usable: rows to look at, shape (n,).
        """
        torque = rows["torque"].to_numpy(dtype=float)
        viscosity = rows["viscosity"].to_numpy(dtype=float)
        where = np.flatnonzero(usable & (torque > 0) & (viscosity > 0))
        group = self._numbers(rows, where)
        self.complete &= len(where) == int(usable.sum()) and bool((group >= 0).all())
        where, group = where[group >= 0], group[group >= 0]
        records = np.empty(len(where), dtype=_RECORD)
        records["group"] = group
        records["torque"], records["viscosity"] = torque[where], viscosity[where]
        self._torque_habit.add(records["torque"], group, len(self._groups))
        self._viscosity_habit.add(records["viscosity"], group, len(self._groups))
        self._sizes.append(len(records))
        self._scratch.write(records.tobytes())

    def factors(self) -> dict[Group, Factor]:
        """The factor of each group that has enough rows, of which enough agree with it."""
        if not sum(self._sizes):
            return {}
        n = len(self._groups)
        factor = self._medians(n)
        count, agreeing = np.zeros((2, n), dtype=np.int64)
        for block in self._blocks():
            t, v, group = block["torque"], block["viscosity"], block["group"]
            agrees = np.abs(v / (factor[group] * t) - 1.0) <= self._allowance(t, v, group)
            count += np.bincount(group, minlength=n)
            agreeing += np.bincount(group[agrees], minlength=n)
        learned = (count >= _ROWS_TO_LEARN) & (agreeing >= _AGREEING * count)
        return {
            key: Factor(float(factor[one]), int(count[one]))
            for key, one in self._groups.items()
            if learned[one]
        }

    def disagreeing(
        self,
        rows: pd.DataFrame,
        usable: npt.NDArray[np.bool_],
        factors: Mapping[Group, Factor],
    ) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float64]]:
        """Rows whose viscosity is not torque times the factor of their group, beyond rounding.

        Args:
            rows, usable: as they were added. factors: of each group, those that are believed.

        Returns:
            the flagged rows, shape (n,), and the factor of each in mPa·s per %, NaN where unknown.
        """
        flagged, factor = np.zeros(len(rows), dtype=bool), np.full(len(rows), np.nan)
        torque = rows["torque"].to_numpy(dtype=float)
        viscosity = rows["viscosity"].to_numpy(dtype=float)
        where = np.flatnonzero(usable & (torque > 0) & (viscosity > 0))
        if not factors or not len(where):
            return flagged, factor
        group = self._numbers(rows, where)
        k = [factors[key].k if key in factors else np.nan for key in self._groups]
        factor[where] = np.array([*k, np.nan])[group]
        known = np.isfinite(factor[where])
        where, group = where[known], group[known]
        t, v = torque[where], viscosity[where]
        off = np.abs(v / (factor[where] * t) - 1.0)
        flagged[where] = off > self._allowance(t, v, group)
        return flagged, factor

    def _allowance(
        self,
        torque: npt.NDArray[np.float64],
        viscosity: npt.NDArray[np.float64],
        group: npt.NDArray[np.int64],
    ) -> npt.NDArray[np.float64]:
        """How far viscosity ÷ (factor x torque) may lie from 1 for rounding and small errors."""
        return np.asarray(
            0.5 * self._torque_habit.steps(torque, group) / torque
            + 0.5 * self._viscosity_habit.steps(viscosity, group) / viscosity
            + _OTHER_ERRORS
        )

    def judges_all(self, factors: Mapping[Group, Factor]) -> bool:
        """Whether `disagreeing` can judge every usable row that was added."""
        return self.complete and self._groups.keys() <= factors.keys()

    def _numbers(self, rows: pd.DataFrame, where: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The number of the group of each of some rows; -1 where a part of it is not recorded."""
        parts = rows[["instrument", "spindle", "speed"]]
        if len(where) < len(rows):
            parts = parts.iloc[where]
        codes = codes_of(parts, parts.columns)
        numbers = []
        firsts = np.unique(codes, return_index=True)[1]
        for instrument, spindle, speed in parts.iloc[firsts].itertuples(index=False):
            if not instrument or not spindle or not np.isfinite(speed):
                numbers.append(-1)
                continue
            key = (instrument, spindle, digits_of(speed, 6))
            numbers.append(self._groups.setdefault(key, len(self._groups)))
        return np.array(numbers, dtype=np.int64)[codes]

    def _blocks(self) -> Iterator[_Records]:
        place = 0
        for size in self._sizes:
            piece = self._scratch.read(place, size * _RECORD.itemsize)
            place += len(piece)
            yield np.frombuffer(piece, dtype=_RECORD)

    def _medians(self, n: int) -> npt.NDArray[np.float64]:
        """The median of viscosity ÷ torque of each group."""
        return medians(self._ratios, n, sum(self._sizes))

    def _ratios(self) -> Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]:
        for block in self._blocks():
            yield block["group"].astype(np.int64), block["viscosity"] / block["torque"]


def medians(
    blocks: Callable[[], Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]],
    n: int,
    rows: int,
) -> npt.NDArray[np.float64]:
    """The exact median of the positive values of each group, by the quicker way for so many rows.

    Args:
        blocks, n: see `medians_of`. rows: of all blocks.
    """
    if rows > _ROWS_AT_ONCE:
        return medians_of(blocks, n)
    if not rows:
        return np.full(n, np.nan)
    groups, values = (np.concatenate(parts) for parts in zip(*blocks(), strict=True))
    return pd.Series(values).groupby(groups).median().reindex(range(n)).to_numpy()


def medians_of(
    blocks: Callable[[], Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]],
    n: int,
) -> npt.NDArray[np.float64]:
    """The exact median of the values of each group, without ever holding all of them.

    Positive numbers stand in the order of their bits. So the two values in the middle of each
    group are found from their leading bits on, some bits in each walk through the blocks.

    Args:
        blocks: gives the blocks from the beginning: groups and positive values, shape (m,).
        n: number of groups; they are numbered 0 to n - 1.
    """
    counts = np.zeros(n, dtype=np.int64)
    for group, _ in blocks():
        counts += np.bincount(group, minlength=n)
    ranks = np.stack(((counts - 1) // 2, counts // 2))  # of the lower and the upper one, from 0
    ranks = np.maximum(ranks, 0)
    prefix = np.zeros((2, n), dtype=np.int64)
    known, most = 0, max(1, min(_BITS_AT_ONCE, (_CELLS // max(n, 1)).bit_length() - 1))
    while known < 64:
        bits = min(most, 64 - known)
        shift = 64 - known - bits
        seen = np.zeros((2, n, 1 << bits), dtype=np.int64)
        for group, values in blocks():
            pattern = values.view(np.int64)
            part = (pattern >> shift) & ((1 << bits) - 1)
            lead = pattern >> (shift + bits) if known else np.zeros(len(pattern), dtype=np.int64)
            for side in range(2):
                mine = lead == prefix[side, group]
                cell = (group[mine] << bits) + part[mine]
                seen[side] += np.bincount(cell, minlength=n << bits).reshape(n, -1)
        below = np.cumsum(seen, axis=2)
        digit = np.minimum((below <= ranks[:, :, None]).sum(axis=2), (1 << bits) - 1)
        before = np.take_along_axis(below - seen, digit[:, :, None], axis=2)[:, :, 0]
        ranks = ranks - before
        prefix = (prefix << bits) | digit
        known += bits
    low, high = prefix.view(np.float64)
    return np.where(counts > 0, (low + high) / 2, np.nan)


class _Habit:
    """How the values of each group are recorded: counts of what holds for how many of them."""

    def __init__(self) -> None:
        self._rows = np.zeros(0, dtype=np.int64)
        self._short = np.zeros((len(_DIGITS), 0), dtype=np.int64)
        self._multiple = np.zeros((len(_SIZES), 0), dtype=np.int64)

    def add(self, values: npt.NDArray[np.float64], group: npt.NDArray[np.int64], n: int) -> None:
        """Count more values, all positive, of groups 0 to n - 1."""
        grown = n - len(self._rows)
        self._rows = np.pad(self._rows, (0, grown)) + np.bincount(group, minlength=n)
        self._short = np.pad(self._short, ((0, 0), (0, grown)))
        self._multiple = np.pad(self._multiple, ((0, 0), (0, grown)))
        distinct, place = np.unique(values, return_inverse=True)  # far fewer: work on them
        decade = np.floor(np.log10(distinct))
        digits = np.full(len(distinct), 6)
        for count in _DIGITS:  # fewest significant digits that still give the value
            scaled = distinct / 10.0 ** (decade - count + 1)
            digits = np.where(np.abs(scaled - np.round(scaled)) < 1e-6, count, digits)
        for index, count in enumerate(_DIGITS):
            self._short[index] += _holding(digits <= count, place, group, n)
        for index, size in enumerate(_SIZES):
            multiple = np.abs(distinct / size - np.round(distinct / size)) < 1e-6
            self._multiple[index] += _holding(multiple, place, group, n)

    def steps(
        self, values: npt.NDArray[np.float64], group: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.float64]:
        """The recording step of each value, by its group's habit."""
        rows = np.maximum(self._rows, 1)
        usual = np.full(len(rows), 6)
        for index, count in enumerate(_DIGITS):
            usual = np.where(self._short[index] / rows >= 0.95, count, usual)
        step = np.full(len(rows), 0.001)
        for index, size in enumerate(_SIZES):
            step = np.where(self._multiple[index] / rows > 0.99, size, step)
        if not len(values):
            return np.empty(0)
        last = (np.floor(np.log10(values)) - usual[group] + 1).astype(np.int64)
        powers = 10.0 ** np.arange(last.min(), last.max() + 1, dtype=float)
        return np.asarray(np.maximum(step[group], powers[last - last.min()]))


def _holding(
    holds: npt.NDArray[np.bool_],
    place: npt.NDArray[np.int64],
    group: npt.NDArray[np.int64],
    n: int,
) -> npt.NDArray[np.int64]:
    """For how many rows of each group something holds that is known per distinct value."""
    if holds.all():
        return np.bincount(group, minlength=n)
    return np.bincount(group[holds[place]], minlength=n)

"""Checks of typed rows against the method, against what is usual, and against each other.

Every function takes columns of rows and what must be known beside them as arguments, and changes
nothing but the fate of a row: a proposal stays a proposal.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.checks import medians
from ingest.fate import Fate
from ingest.findings import Remarks, plain_number, proposed
from ingest.judging import codes_of, digits_of
from ingest.registers import Method
from ingest.scratch import Scratch

TORQUE_LOW_PERCENT = 10.0
TORQUE_HIGH_PERCENT = 100.0
_IMPOSSIBLE = 100.0
"""Times off the median that are not believed: within the torque window, 10 to 100 %, readings at
one spindle and speed lie within a factor of ten of each other."""
_FAR = 8.0  # times off the median that are worth a look
_WITHIN = 0.5  # relative distance from the median at which a proposal still makes sense
_ROWS_TO_LEARN = 5
_MAJORITY = 0.8
_SPEEDS = (0.0, 1000.0)  # rpm
_IN_MEMORY = 25_000_000  # bytes; above that they lie on disk
_RECORD = np.dtype([("kind", "<i8"), ("value", "<f8")])
_SMALL = 1e-9  # 25.2 - 25.0 is a little more than 0.2

Kind = tuple[str, str, str, str]
"""Product, sample type, spindle and speed (rpm, as text)."""


@dataclass(frozen=True, slots=True)
class Usual:
    """The median viscosity (mPa·s) of a product at a condition, and of how many readings."""

    median: float
    n: int


@dataclass(frozen=True, slots=True, eq=False)
class Methods:
    """The registered method of each row.

    Attributes:
        known: the register. index: place in `known`, -1 where the row has none, shape (n,).
        named: whether the row names it itself, rather than by its spindle and speed, shape (n,).
    """

    known: Sequence[Method]
    index: npt.NDArray[np.int64]
    named: npt.NDArray[np.bool_]

    def of(self, name: str, default: float = np.nan) -> npt.NDArray[np.float64]:
        """A number of each row's method, the default where there is none."""
        values = [getattr(method, name) for method in self.known] + [default]
        return np.array([default if v is None else v for v in values], dtype=float)[self.index]


def methods_of(rows: pd.DataFrame, known: Sequence[Method]) -> Methods:
    """Which registered method each row was measured by.

    A row that names a method, or a method and its version, belongs to it (without a version, to
    the newest one). A row that names none belongs to the newest version of the one registered
    method whose spindle and speed are the row's; a method that leaves them open fits every row.
    Where several fit equally well, none is taken.
    """
    index, named = np.full(len(rows), -1, dtype=np.int64), np.zeros(len(rows), dtype=bool)
    if not known or not len(rows):
        return Methods(known, index, named)
    codes = codes_of(rows, ("method", "spindle", "speed"))
    firsts = np.unique(codes, return_index=True)[1]
    found = np.full(len(firsts), -1, dtype=np.int64)
    by_name = np.zeros(len(firsts), dtype=bool)
    newest = {method.name: place for place, method in enumerate(known)}
    texts = {_text(method.name): newest[method.name] for method in known}
    texts |= {_text(f"{m.name} {m.version}"): place for place, m in enumerate(known) if m.version}
    for code, first in enumerate(firsts):
        row = rows.iloc[int(first)]
        if row["method"]:
            found[code] = texts.get(_text(str(row["method"])), -1)
            by_name[code] = found[code] >= 0
        else:
            found[code] = _by_condition(row, [known[place] for place in newest.values()], known)
    return Methods(known, found[codes], by_name[codes])


def _text(name: str) -> str:
    return "".join(name.casefold().split())


def _by_condition(row: pd.Series, newest: Sequence[Method], known: Sequence[Method]) -> int:
    fits = []
    for method in newest:
        spindle = not method.spindle or _text(method.spindle) == _text(str(row["spindle"]))
        speed = method.speed is None or method.speed == row["speed"]
        if spindle and speed:
            fits.append((bool(method.spindle) + (method.speed is not None), method))
    best = max((score for score, _ in fits), default=0)
    closest = [method for score, method in fits if score == best]
    return known.index(closest[0]) if len(closest) == 1 else -1


def mark_torque_window(rows: pd.DataFrame, fate: Fate, methods: Methods) -> None:
    """Torque outside the window of the row's method: 10 to 100 % where none says otherwise."""
    torque = rows["torque"].to_numpy(dtype=float)
    low = methods.of("torque_low", TORQUE_LOW_PERCENT)
    high = methods.of("torque_high", TORQUE_HIGH_PERCENT)
    where = np.flatnonzero(((torque < low) | (torque > high)) & fate.open).tolist()
    if not where:
        return
    detail = np.full(len(torque), "", dtype=object)
    detail[where] = [
        f"torque {torque[row]:g} %, outside {low[row]:g} to {high[row]:g} %{_by(methods, row)}"
        for row in where
    ]
    fate.mark(torque < low, "below_range", detail)
    fate.mark(torque > high, "over_range", detail)


def _by(methods: Methods, row: int) -> str:
    place = int(methods.index[row])
    return f" of method {methods.known[place].name}" if place >= 0 else ""


def mark_against_method(rows: pd.DataFrame, fate: Fate, methods: Methods) -> None:
    """Rows whose spindle or speed is not their method's, or whose temperature is outside it."""
    if not methods.known:
        return
    spindles = np.array([*(_text(method.spindle) for method in methods.known), ""], dtype=object)
    wanted = spindles[methods.index]
    some = np.flatnonzero((wanted != "") & methods.named & fate.open)
    other = np.zeros(len(rows), dtype=bool)
    recorded = [_text(str(text)) for text in rows["spindle"].iloc[some]]
    other[some] = [text not in ("", wanted[row]) for text, row in zip(recorded, some, strict=True)]
    speed, set_speed = rows["speed"].to_numpy(dtype=float), methods.of("speed")
    other |= (np.abs(speed - set_speed) > _SMALL) & methods.named
    detail = np.full(len(rows), "", dtype=object)
    for row in np.flatnonzero(other & fate.open).tolist():
        method = methods.known[int(methods.index[row])]
        said = [method.spindle, f"{plain_number(method.speed)} rpm" if method.speed else ""]
        detail[row] = (
            f"{str(rows['spindle'].iat[row]) or 'no spindle'}, {speed[row]:g} rpm; method "
            f"{method.name} has {', '.join(text for text in said if text)}"
        )
    fate.mark(other, "not_by_method", detail)
    temperature = rows["temperature"].to_numpy(dtype=float)
    middle = methods.of("set_temperature")
    tolerance = methods.of("temperature_tolerance")
    off = np.abs(temperature - middle) > tolerance + _SMALL
    told, meant = np.full((2, len(rows)), "", dtype=object)
    for row in np.flatnonzero(off & fate.open).tolist():
        told[row] = (
            f"{temperature[row]:g} °C, outside {middle[row]:g} ± {tolerance[row]:g} °C"
            f"{_by(methods, row)}"
        )
        meant[row] = proposed(temperature[row], middle[row], tolerance[row] / middle[row] + _SMALL)
    fate.mark(off, "off_temperature", told, meant)


def kinds_of(rows: pd.DataFrame) -> tuple[npt.NDArray[np.int64], list[Kind]]:
    """A number for each product, sample type, spindle and speed, and what they are."""
    names = ("product", "sample_type", "spindle", "speed")
    codes = codes_of(rows, names)
    some = rows[list(names)].iloc[np.unique(codes, return_index=True)[1]]
    keys = [
        (str(product), str(kind), str(spindle), "" if np.isnan(speed) else digits_of(speed, 6))
        for product, kind, spindle, speed in some.itertuples(index=False)
    ]
    return codes, keys


class Usuals:
    """The viscosities of a file by product and condition; `add` block by block, then `values`."""

    def __init__(self) -> None:
        """Begin with no rows."""
        self._kinds: dict[Kind, int] = {}
        self._scratch = Scratch(_IN_MEMORY)
        self._sizes: list[int] = []

    def add(self, rows: pd.DataFrame, usable: npt.NDArray[np.bool_]) -> None:
        """Look at the usable rows of the next block; their viscosities are positive."""
        where = np.flatnonzero(usable)
        if not len(where):
            return
        codes, keys = kinds_of(rows.iloc[where])
        numbers = [self._kinds.setdefault(key, len(self._kinds)) for key in keys]
        records = np.empty(len(where), dtype=_RECORD)
        records["kind"] = np.array(numbers, dtype=np.int64)[codes]
        records["value"] = rows["viscosity"].to_numpy(dtype=float)[where]
        self._sizes.append(len(records))
        self._scratch.write(records.tobytes())

    def values(self) -> dict[Kind, Usual]:
        """The median viscosity of each product and condition with at least five rows.

        Four in five of them must lie near it: where no such majority exists nothing is usual.
        """
        count = len(self._kinds)
        median = medians(self._blocks, count, sum(self._sizes))
        n, agreeing = np.zeros((2, count), dtype=np.int64)
        for kind, value in self._blocks():
            near = np.maximum(value / median[kind], median[kind] / value) < _FAR
            n += np.bincount(kind, minlength=count)
            agreeing += np.bincount(kind[near], minlength=count)
        learned = (n >= _ROWS_TO_LEARN) & (agreeing >= _MAJORITY * n)
        return {
            key: Usual(float(median[one]), int(n[one]))
            for key, one in self._kinds.items()
            if learned[one]
        }

    def _blocks(self) -> Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]:
        place = 0
        for size in self._sizes:
            piece = self._scratch.read(place, size * _RECORD.itemsize)
            place += len(piece)
            records = np.frombuffer(piece, dtype=_RECORD)
            yield np.ascontiguousarray(records["kind"]), np.ascontiguousarray(records["value"])


def usual_values(rows: pd.DataFrame, usable: npt.NDArray[np.bool_]) -> dict[Kind, Usual]:
    """What is usual for each product and condition; see `Usuals`."""
    usuals = Usuals()
    usuals.add(rows, usable & (rows["viscosity"].to_numpy(dtype=float) > 0))
    return usuals.values()


def mark_impossible(
    rows: pd.DataFrame,
    fate: Fate,
    usual: Mapping[Kind, Usual],
    checked: npt.NDArray[np.bool_],
    remarks: Remarks,
) -> None:
    """Values that their torque could not check and that lie far off what their product has.

    Args:
        rows, fate: the rows. usual: medians of the store, else of the file.
        checked: rows whose viscosity and torque were held against each other.
        remarks: takes those that are believed, though many times off.
    """
    looked = fate.open & ~checked & (rows["viscosity"].to_numpy(dtype=float) > 0)
    if not usual or not looked.any():
        return
    code, keys = kinds_of(rows)
    value = rows["viscosity"].to_numpy(dtype=float)
    median = np.array([usual[key].median if key in usual else np.nan for key in keys])[code]
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.maximum(value / median, median / value)

    def told(row: int) -> tuple[str, str]:
        detail = (
            f"recorded {plain_number(value[row])} mPa·s, usual for {rows['product'].iat[row]} is "
            f"about {float(f'{median[row]:.3g}'):g}"
        )
        return detail, proposed(value[row], median[row], _WITHIN)

    detail, meant = np.full((2, len(rows)), "", dtype=object)
    impossible = looked & (times >= _IMPOSSIBLE)
    for row in np.flatnonzero(impossible).tolist():
        detail[row], meant[row] = told(row)
    fate.mark(impossible, "impossible_value", detail, meant)
    far = looked & (times >= _FAR) & ~impossible
    remarks.add(rows, np.flatnonzero(far), "far_from_usual", told)


class Temperatures:
    """The middle of all temperatures, to 0.1 °C; `add` block by block."""

    def __init__(self) -> None:
        """Begin with none."""
        self._counts = np.zeros(10_000, dtype=np.int64)  # up to 1000 °C

    def add(self, temperature: npt.NDArray[np.float64]) -> None:
        """Look at more temperatures; those below zero and above 1000 °C say nothing."""
        some = temperature[(temperature > 0) & (temperature < 999.9)]
        tenths = np.round(some * 10).astype(np.int64)
        self._counts += np.bincount(tenths, minlength=len(self._counts))

    def middle(self) -> float:
        """The median in °C; NaN where there are none."""
        upto = np.cumsum(self._counts)
        if not upto[-1]:
            return float("nan")
        return float(np.searchsorted(upto, upto[-1] / 2)) / 10


def odd_conditions(
    rows: pd.DataFrame,
    open_rows: npt.NDArray[np.bool_],
    remarks: Remarks,
    temperatures: tuple[float, float],
    usual: float,
) -> None:
    """Rows in use whose temperature or speed is none that such a measurement has.

    Args:
        rows: the rows. open_rows: those in use. remarks: takes what is found.
        temperatures: the lowest and highest that can be right, °C. usual: the middle of the file's.
    """
    temperature = rows["temperature"].to_numpy(dtype=float)
    low, high = temperatures

    def of_temperature(row: int) -> tuple[str, str]:
        meant = proposed(temperature[row], usual, 0.2) if low <= usual <= high else ""
        return f"{temperature[row]:g} °C, outside {low:g} to {high:g} °C", meant

    odd = open_rows & ((temperature < low) | (temperature > high))
    remarks.add(rows, np.flatnonzero(odd), "odd_temperature", of_temperature)
    speed = rows["speed"].to_numpy(dtype=float)
    odd = open_rows & ((speed <= _SPEEDS[0]) | (speed > _SPEEDS[1]))
    remarks.add(rows, np.flatnonzero(odd), "odd_speed", lambda row: (f"{speed[row]:g} rpm", ""))

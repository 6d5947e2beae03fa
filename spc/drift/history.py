"""What an investigation reads: one product's batches and everything recorded beside them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import FloatArray, IntArray

if TYPE_CHECKING:
    from spc.drift.checks import CheckScan


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """A factor that may divide the batches: operator, lot, shift, instrument, line, weekday.

    Attributes:
        name: in the words of a reader, "operator". The names "instrument", "operator" and "lot"
            have meanings of their own in a verdict.
        codes: shape (n,), index into `levels` for each batch; -1 where not recorded.
        levels: names of the levels.
    """

    name: str
    codes: IntArray
    levels: tuple[str, ...]

    @staticmethod
    def of(name: str, labels: ArrayLike) -> Factor:
        """Make a factor of one label a batch; "" means not recorded."""
        texts = np.asarray(labels, dtype=str)
        levels, codes = np.unique(texts, return_inverse=True)
        if len(levels) and levels[0] == "":
            return Factor(name, codes.astype(np.int64) - 1, tuple(str(x) for x in levels[1:]))
        return Factor(name, codes.astype(np.int64), tuple(str(x) for x in levels))


@dataclass(frozen=True, slots=True, eq=False)
class CheckRuns:
    """Runs of one check standard on one instrument, in order of time.

    Attributes:
        name: the material.
        instrument: as in the levels of the factor "instrument".
        times: days, the same clock as the batches.
        values: viscosity, above 0.
        torque: % of full scale; nan where not recorded.
        temperature: recorded sample temperature; nan where not recorded.
        certified: certified or assigned value; nan where not known.
    """

    name: str
    instrument: str
    times: FloatArray
    values: FloatArray
    torque: FloatArray
    temperature: FloatArray
    certified: float = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class OtherProduct:
    """Batches of another product that were measured on one of the same instruments.

    Attributes:
        name: the product (and its measuring condition).
        instrument: as in the levels of the factor "instrument".
        times: days, the same clock as the batches.
        values: batch means, above 0.
        torque: % of full scale; nan where not recorded.
        lots: raw-material lot of each batch, "" where not recorded.
    """

    name: str
    instrument: str
    times: FloatArray
    values: FloatArray
    torque: FloatArray
    lots: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetAsideRow:
    """A reading that is not used because its parts contradict each other.

    Attributes:
        position: of its batch in `History.batches`.
        shown: the viscosity as it would be read, above 0.
        torque: % of full scale recorded with it; nan where not recorded.
        factor: viscosity per 1 % torque of its instrument, spindle and speed; nan if not known.
    """

    position: int
    shown: float
    torque: float = float("nan")
    factor: float = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """All that is known of one product at one measuring condition.

    Attributes:
        batches: names of the batches in production order, n of them.
        means: shape (n,), above 0; nan for a batch without a used reading.
        readings: shape (n, most readings of a batch), in the order taken, nan where fewer.
        times: shape (n,), days on any clock, not falling; all nan where no time is recorded.
        torque: shape (n,), % of full scale; nan where not recorded.
        temperature: shape (n,), recorded sample temperature; nan where not recorded.
        factors: what else is recorded of each batch.
        checks: check standards of the instruments.
        others: other products on the same instruments.
        set_aside: readings whose parts contradict each other.
        converted: batches with readings that came in another unit and were converted by label.
        remarks: a remark for each batch, "" without; or empty.
        spindle: name of the spindle, "" where not recorded.
        torque_factors: names and viscosity per 1 % torque of spindles known at this speed.
        scans: instrument to `scan_checks` of its check standards, where the caller has them ready
            for many products; the others are made when needed.
        unit: of the viscosities, for sentences.
    """

    batches: tuple[str, ...]
    means: FloatArray
    readings: FloatArray
    times: FloatArray
    torque: FloatArray
    temperature: FloatArray
    factors: tuple[Factor, ...] = ()
    checks: tuple[CheckRuns, ...] = ()
    others: tuple[OtherProduct, ...] = ()
    set_aside: tuple[SetAsideRow, ...] = ()
    converted: tuple[int, ...] = ()
    remarks: tuple[str, ...] = ()
    spindle: str = ""
    torque_factors: dict[str, float] = field(default_factory=dict)
    scans: Mapping[str, CheckScan | None] = field(default_factory=dict)
    unit: str = "mPa·s"

    def __post_init__(self) -> None:
        """Refuse columns of different lengths and values that have no logarithm."""
        n = len(self.batches)
        for name in ("means", "readings", "times", "torque", "temperature"):
            if len(getattr(self, name)) != n:
                raise ArgumentError(
                    f"{name} must have one entry a batch, got {len(getattr(self, name))} for {n}"
                )
        for factor in self.factors:
            if len(factor.codes) != n:
                raise ArgumentError(f"factor {factor.name} must have one code a batch")
        for values in (self.means, self.readings, *(one.values for one in self.checks)):
            if np.any(values <= 0):
                raise ArgumentError("viscosities must be above 0: leave such readings out")

    def factor(self, name: str) -> Factor | None:
        """Return the factor of that name, if it is recorded."""
        return next((one for one in self.factors if one.name == name), None)


def series_of(values: ArrayLike) -> FloatArray:
    """Copy to a float array of one dimension."""
    return np.array(values, dtype=float).reshape(-1)

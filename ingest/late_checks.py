"""What can only be decided when all rows of a file are known: its checks, and its remarks.

The rows come once more, block by block, as they were typed; factors, medians and habits of the
whole file, and what the store knows beside them, are known then. What is found is a reason for
some rows, found again whenever a block is read, and remarks.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from ingest import row_checks
from ingest.ahead import ahead
from ingest.answers import temperature_range
from ingest.checks import Factor, Group, Torques, believed_factors
from ingest.fate import Fate
from ingest.file_checks import Habits
from ingest.findings import Remarks, plain_number, proposed
from ingest.replicate_checks import ReplicateChecks
from ingest.row_checks import Kind, Temperatures, Usual, Usuals
from ingest.site import Site
from ingest.typed_blocks import TypedBlocks
from ingest.whole_file import WholeFile

_WITHIN_OF_TORQUE = 0.015  # relative: how near to what the torque says a proposal has to lie
_TEXT = pd.ArrowDtype(pa.string())
_FOR_TORQUE = ["instrument", "spindle", "speed", "torque", "viscosity", "reason"]
_FOR_USUAL = [*_FOR_TORQUE, "product", "sample_type"]
_FOR_ALL = [
    *(*_FOR_USUAL, "batch", "method", "stage", "temperature", "replicate"),
    *("tested_at", "sampled_at", "doubtful_hour", "line"),
]
_RANGES = ("over_range", "below_range")


@dataclass(slots=True, eq=False)
class LateChecks:
    """The checks of a file whose rows are all known.

    Attributes:
        site: what the store knows. torques: torque and viscosity of all rows.
        factors, usual: what rows are held against.
    """

    site: Site
    torques: Torques
    factors: Mapping[Group, Factor] = field(default_factory=dict)
    usual: Mapping[Kind, Usual] = field(default_factory=dict)

    def learn(self, typed: TypedBlocks, remarks: Remarks) -> None:
        """Find the factors and medians that hold for the file."""
        self.factors, told = believed_factors(self.torques.factors(), self.site.factors)
        for text in told:
            remarks.add_about_file("other_factor", text)
        usuals = Usuals()
        unchecked = () if self.torques.judges_all(self.factors) else typed.parts(_FOR_USUAL)
        for rows in unchecked:
            used = _used(rows)
            checked = np.isfinite(self.torques.disagreeing(rows, used, self.factors)[1])
            usuals.add(rows, used & ~checked)
        self.usual = {**usuals.values(), **self.site.usual}

    def decide(self, rows: pd.DataFrame, remarks: Remarks | None = None) -> Fate:
        """Give rows of a block the reasons that they have for the whole file's sake.

        Args:
            rows: as they were typed. remarks: takes those on rows in use.
        """
        fate = Fate(len(rows), ~_used(rows))
        checked = self._mark_torque(rows, fate)
        row_checks.mark_impossible(rows, fate, self.usual, checked, remarks or Remarks())
        methods = row_checks.methods_of(rows, self.site.methods)
        row_checks.mark_against_method(rows, fate, methods)
        return fate

    def set_aside(self, rows: pd.DataFrame) -> pd.DataFrame:
        """A block with these reasons."""
        fate = self.decide(rows)
        where = fate.marked
        if not len(where):
            return rows
        texts = zip(("reason", "detail", "proposal"), fate.told(where), strict=True)
        changed = {}
        for name, told in texts:
            column = rows[name].to_numpy(dtype=object, copy=True)
            column[where] = told
            changed[name] = (
                pd.Series(pd.Categorical(column))
                if name == "reason"
                else pd.Series(pa.array(column, pa.string()), dtype=_TEXT)
            )
        return rows.assign(**changed)

    def _mark_torque(self, rows: pd.DataFrame, fate: Fate) -> npt.NDArray[np.bool_]:
        """Set aside what its torque belies; the rows that could be checked so."""
        wrong, factor = self.torques.disagreeing(rows, fate.open, self.factors)
        checked = np.isfinite(factor)
        if wrong.any():
            torque = rows["torque"].to_numpy(dtype=float)
            viscosity = rows["viscosity"].to_numpy(dtype=float)
            detail, meant = np.full((2, len(rows)), "", dtype=object)
            for row in np.flatnonzero(wrong).tolist():
                expected = factor[row] * torque[row]
                detail[row] = (
                    f"torque {torque[row]:g} % says about {_four_digits(expected)}, recorded "
                    f"{plain_number(viscosity[row])} mPa·s"
                )
                within = _WITHIN_OF_TORQUE + 0.05 / torque[row]
                meant[row] = proposed(viscosity[row], expected, within)
            fate.mark(wrong, "torque_disagrees", detail, meant)
        return checked


@dataclass(frozen=True, slots=True, eq=False)
class Decided:
    """What all rows of a file come to: rows by reason ("" in use), remarks and notes."""

    reasons: Counter[str]
    remarks: Remarks
    notes: tuple[str, ...]


def decide_late(
    typed: TypedBlocks, whole: WholeFile, torques: Torques, temperatures: Temperatures
) -> Decided:
    """Decide what needs all rows of a file; the blocks have it from now on.

    Args:
        typed: all rows. whole: what they were typed with.
        torques, temperatures: learned from all rows.
    """
    site, meaning = whole.site, whole.meaning
    remarks, reasons = Remarks(), Counter[str]()
    checks = LateChecks(site, torques)
    checks.learn(typed, remarks)
    habits = Habits(site.targets)
    replicates = ReplicateChecks("replicate" in meaning.columns)
    bounds, middle = temperature_range(meaning.constants), temperatures.middle()
    touched: list[bool] = []
    doubtful = 0
    ranges: dict[tuple[str, str], set[str]] = {}  # of each batch

    def decided() -> Iterator[tuple[pd.DataFrame, Fate]]:
        for rows in typed.parts(_FOR_ALL):
            yield rows, checks.decide(rows, remarks)

    for rows, fate in ahead(decided()):
        reasons.update({str(k): int(n) for k, n in rows["reason"].value_counts().items()})
        where = fate.marked
        late = fate.told(where)[0]
        reasons.update(late)
        reasons[""] -= len(late)
        touched.append(len(where) > 0)
        used = fate.open
        row_checks.odd_conditions(rows, used, remarks, bounds, middle)
        habits.add(rows, used)
        if not whole.part:
            replicates.add(rows, used, row_checks.methods_of(rows, site.methods))
        doubtful += int((rows["doubtful_hour"].to_numpy(dtype=bool) & used).sum())
        both = rows.loc[rows["reason"].isin(_RANGES), ["product", "batch", "reason"]]
        for product, batch, reason in both.itertuples(index=False):
            ranges.setdefault((str(product), str(batch)), set()).add(str(reason))
    typed.settle(checks.set_aside, touched)
    notes = list(habits.remark(remarks))
    replicates.remark(remarks, typed.parts)
    if doubtful:
        notes.append(
            f"{doubtful} rows lie in an hour that the clocks went through twice: they are kept in "
            "the order of the file."
        )
    notes += [
        f"Batch {batch} of {product} is recorded both over range and below range: "
        "one batch cannot be both, so look at its spindle and speed."
        for (product, batch), found in ranges.items()
        if len(found) > 1
    ]
    return Decided(reasons, remarks, tuple(notes))


def _used(rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    return np.asarray(rows["reason"] == "", dtype=bool)


def _four_digits(value: float) -> str:
    """A number to about four digits, never with an exponent."""
    decimals = max(0, 3 - int(np.floor(np.log10(abs(value))))) if value else 0
    return f"{value:.{decimals}f}"

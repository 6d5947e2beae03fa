"""Remarks on the numbering of replicates: gaps, repeats, and other counts than the method asks for.

The rows of a batch may lie anywhere in a file. So each row leaves a short record, spread over
drawers by its batch; drawers are looked at one by one, or some at once.
"""

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.drawers import Drawers, digests, together, two_digests
from ingest.findings import SHOWN_OF_A_KIND, Finding, Remarks
from ingest.judging import REUSED_AFTER
from ingest.row_checks import Methods

_NAMED = 5  # at most so many missing numbers in a sentence
_BATCH = ["product", "batch", "stage", "spindle", "speed"]
_MORE = ["instrument", "replicate", "tested_at", "sampled_at", "viscosity"]
_RECORD = np.dtype(
    [
        *(("row", "<i8"), ("batch", "<u8"), ("batch_b", "<u8"), ("instrument", "<u8")),
        *(("number", "<i8"), ("moment", "<i8"), ("value", "<f8"), ("asked", "<f8")),
        ("used", "?"),
    ]
)

_Parts = Callable[[list[str]], Iterator[pd.DataFrame]]
_Records = npt.NDArray[np.void]
_Numbers = npt.NDArray[np.int64]
_Told = dict[str, tuple[int, list[tuple[int, str]]]]
"""Reason -> how many, and the first of them: row and detail."""


class ReplicateChecks:
    """What the rows of a file say of the replicates of its batches; `add`, then `remark`."""

    def __init__(self, recorded: bool) -> None:
        """Begin with no rows.

        Args:
            recorded: whether the file numbers replicates.
        """
        self._recorded = recorded
        self._asked = False
        self._drawers = Drawers(_RECORD)
        self._rows = 0

    def add(self, rows: pd.DataFrame, used: npt.NDArray[np.bool_], methods: Methods) -> None:
        """Look at the next block of rows: those set aside count as there.

        Args:
            rows: the rows. used: those in use. methods: of each row.
        """
        begin = self._rows
        self._rows += len(rows)
        asked = methods.of("replicates")
        self._asked |= bool(np.isfinite(asked).any())
        if not (self._recorded or methods.known):
            return
        product, named = rows["sample_type"] == "product", rows["batch"] != ""
        where = np.flatnonzero(product.to_numpy(dtype=bool) & named.to_numpy(dtype=bool))
        some = rows[[*_BATCH, *_MORE]]
        if len(where) < len(rows):
            some = some.iloc[where]
        records = np.empty(len(where), dtype=_RECORD)
        records["row"] = begin + where
        records["batch"], records["batch_b"] = two_digests(some[_BATCH])
        records["instrument"] = digests(some[["instrument"]])
        records["number"] = some["replicate"]
        records["moment"] = np.where(some["tested_at"] != 0, some["tested_at"], some["sampled_at"])
        records["value"] = some["viscosity"]
        records["asked"], records["used"] = asked[where], used[where]
        self._drawers.add(records, records["batch"])

    def remark(self, remarks: Remarks, parts: _Parts) -> None:
        """Remark on batches whose replicates are not 1, 2, 3 …, or not as many as asked for.

        A number that stands again more than 60 days later is another batch under the number.

        Args:
            remarks: takes what is found. parts: gives columns of all rows, block by block.
        """
        if not (self._recorded or self._asked):
            return
        counts: dict[str, int] = {}
        first: dict[str, list[tuple[int, str]]] = {}
        for records in self._drawers.some():
            batch = together(records["batch"], records["batch_b"])
            found = _counts(records, batch)
            if self._recorded:
                found |= _gaps(records, batch) | _again(records, batch)
            for reason, (count, some) in found.items():
                counts[reason] = counts.get(reason, 0) + count
                first[reason] = sorted(first.get(reason, []) + some)[:SHOWN_OF_A_KIND]
        named = _named({row for some in first.values() for row, _ in some}, parts)
        for reason, some in first.items():
            findings = [Finding(reason, *named[row], detail) for row, detail in some]
            remarks.add_first(reason, counts[reason], findings)


def _named(rows: set[int], parts: _Parts) -> dict[int, tuple[int, str, str]]:
    """Line, product and batch of some rows of the file."""
    found: dict[int, tuple[int, str, str]] = {}
    wanted, begin = np.array(sorted(rows), dtype=np.int64), 0
    if not len(wanted):
        return found
    for block in parts(["line", "product", "batch"]):
        for row in wanted[(wanted >= begin) & (wanted < begin + len(block))].tolist():
            line, product, batch = block.iloc[row - begin]
            found[row] = (int(line), str(product), str(batch))
        begin += len(block)
    return found


def _first(records: _Records, where: _Numbers, told: Callable[[int], str]) -> list[tuple[int, str]]:
    """The first rows that something is to be said of, and what."""
    return [(int(records["row"][p]), told(p)) for p in where[:SHOWN_OF_A_KIND].tolist()]


def _counts(records: _Records, batch: _Numbers) -> _Told:
    """Batches with another number of readings in use than their method asks for."""
    in_use = np.bincount(batch, weights=records["used"])
    first = np.unique(batch, return_index=True)[1]
    asked = records["asked"][first]
    odd = first[(in_use != asked) & (asked > 0) & (in_use > 0)]
    if not len(odd):
        return {}

    def told(p: int) -> str:
        wanted = records["asked"][p]
        return f"{in_use[batch[p]]:.0f} in use, the method asks for {wanted:.0f}"

    return {"replicate_count": (len(odd), _first(records, odd, told))}


def _gaps(records: _Records, batch: _Numbers) -> _Told:
    """Batches in which a number below the highest one is missing."""
    number = records["number"]
    numbered = number > 0
    if not numbered.any():
        return {}
    highest = np.zeros(batch.max() + 1, dtype=np.int64)
    np.maximum.at(highest, batch[numbered], number[numbered])
    pairs = np.sort(batch[numbered] * (number.max() + 1) + number[numbered])
    pairs = pairs[np.diff(pairs, prepend=-1) != 0]
    there = np.bincount(pairs // (number.max() + 1), minlength=len(highest))
    odd = np.unique(batch, return_index=True)[1][there != highest]
    if not len(odd):
        return {}

    def told(p: int) -> str:
        seen = set(number[batch == batch[p]].tolist())
        top = int(highest[batch[p]])
        missing = [n for n in range(1, top + 1) if n not in seen][:_NAMED]
        return f"there is no {', '.join(map(str, missing))} among the first {top}"

    return {"replicate_gap": (len(odd), _first(records, odd, told))}


def _again(records: _Records, batch: _Numbers) -> _Told:
    """Readings in use whose number their batch has already on the same instrument."""
    number = records["number"]
    instruments = pd.factorize(records["instrument"])[0]  # two of them may measure one batch
    frame = pd.DataFrame(
        {
            "batch": batch * (instruments.max() + 1) + instruments,
            "number": number,
            "moment": records["moment"],
            "value": records["value"],
            "place": np.arange(len(records)),
        }
    )[records["used"] & (number > 0)]
    twice = frame[frame.duplicated(["batch", "number"], keep=False)]
    if twice.empty:
        return {}
    twice = twice.drop_duplicates(["batch", "number", "moment", "value"])  # the same line once more
    twice = twice.sort_values(["batch", "number", "moment"], kind="stable")
    follows = twice.duplicated(["batch", "number"]).to_numpy()
    near = np.diff(twice["moment"].to_numpy(), prepend=0) <= REUSED_AFTER
    where = np.sort(twice["place"].to_numpy()[follows & near])
    if not len(where):
        return {}
    told = _first(records, where, lambda p: f"replicate {number[p]} once more")
    return {"replicate_again": (len(where), told)}

"""Judging what the store holds under one key together: conflicts, retests, other remarks.

Everything here follows from the rows alone and not from the order in which they were imported.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest import reasons

KEY = ("characteristic_id", "batch", "replicate", "instrument", "moment")
VALUES = ("viscosity", "torque", "temperature")
REMARKS = (
    *("sampled_at", "operator", "lot", "line_name", "shift"),
    *("status", "comment", "spindle_id", "extra", "received"),
)
JUDGED = ("conflict", "status_changed", "other_remarks", "retest", "undated")
"""Reasons that the store works out from the rows that it holds; all others come with a row."""
REUSED_AFTER = 60 * 24 * 3600
"""Attempts that lie further apart, in seconds, are another batch under the same number."""
_BOUNDS = ("over_range", "below_range")  # set aside, and still said to be the result
_DENIALS = ("marked_invalid", "test_row")
_NONE_CHOSEN = "all are kept, none is used"
_NAMED = 5  # at most so many values in a sentence
_SAME = 1e-9  # relative: one value written in two units

_Cells = dict[str, npt.NDArray[Any]]  # a table's columns, for picking single cells fast


@dataclass(slots=True)
class Found:
    """What an import came upon.

    Attributes:
        duplicates: lines that repeat a result, in stretches of (first line, last line, id of the
            first result). crowded: batches to be judged. All else: remarks by kind.
    """

    duplicates: list[npt.NDArray[np.int64]] = field(default_factory=list)
    crowded: set[tuple[int, str]] = field(default_factory=set)
    conflicts: list[str] = field(default_factory=list)
    retests: list[str] = field(default_factory=list)
    undated: list[str] = field(default_factory=list)
    reused: list[str] = field(default_factory=list)


def codes_of(rows: pd.DataFrame, names: Iterable[str]) -> npt.NDArray[np.int64]:
    """A number for each row, the same where the named columns are: 0, 1, … by first appearance."""
    codes = np.zeros(len(rows), dtype=np.int64)
    for name in names:
        values = rows[name]
        if isinstance(values.dtype, pd.CategoricalDtype) and len(values.cat.categories) == 1:
            continue
        code, texts = pd.factorize(values, use_na_sentinel=False)
        if len(texts) == 1:
            continue
        codes = pd.factorize(codes * len(texts) + code)[0].astype(np.int64)
    return codes


def digits_of(value: float, figures: int = 12) -> str:
    """A number to some significant figures, in digits only: 20000 and never 2e+04."""
    return np.format_float_positional(float(f"{value:.{figures}g}"), trim="-")


def judged(rows: pd.DataFrame, first_id: int, found: Found) -> dict[tuple[int, str], str]:
    """Judge all rows of some batches; nothing here depends on the order of their ids.

    Under one key: rows that state different values are in conflict. One value that is stated as
    good here and denied there has a changed status. Neither is decided: no row is used. One value
    with different remarks is one reading: the row that comes first in the order of its content is
    used. Of the attempts at a replicate the first stands, unless it is in dispute: then none is
    used. See `_attempts`.

    Args:
        rows: as `_stored_under` gives them. first_id: rows from this id on are new: only what
            they take part in is remarked in `found`.

    Returns:
        detail by (id of the result, reason), for every row that a judgement sets aside.
    """
    key = codes_of(rows, KEY)
    usable = (rows["own"] == "").to_numpy()
    why = np.full(len(rows), "", dtype=object)
    told = np.full(len(rows), "", dtype=object)
    conflict, denied = _disputes(rows, key, usable)
    why[usable & denied[key]] = "status_changed"
    why[usable & conflict[key]] = "conflict"
    new = _any(key, (rows["id"] >= first_id).to_numpy())
    cells = {name: rows[name].to_numpy() for name in rows.columns}
    for one, members in _members(key, conflict | denied):
        told[members] = (_values_told if conflict[one] else _denial_told)(cells, members)
        if new[one]:
            text = told[members[0]]
            found.conflicts.append(f"{_place(cells, members[0])}: {text}; {_NONE_CHOSEN}.")
    why[_with_other_remarks(rows, key, usable & (why == ""))] = "other_remarks"
    _attempts(rows, usable, why, told, first_id, found)
    aside = np.flatnonzero(why != "")
    ids = cells["id"][aside].tolist()
    return dict(zip(zip(ids, why[aside], strict=True), told[aside], strict=True))


def _any(codes: npt.NDArray[np.int64], where: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """For each code, whether it is so for any of its rows."""
    return np.asarray(np.bincount(codes, weights=where) > 0)


def _members(
    codes: npt.NDArray[np.int64], wanted: npt.NDArray[np.bool_]
) -> Iterator[tuple[int, npt.NDArray[np.int64]]]:
    """The rows of each wanted code."""
    order = np.argsort(codes, kind="stable")
    order = order[wanted[codes[order]]]
    for members in np.split(order, np.flatnonzero(np.diff(codes[order])) + 1):
        if len(members):
            yield int(codes[members[0]]), members


def _disputes(
    rows: pd.DataFrame, key: npt.NDArray[np.int64], usable: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """For each key: whether its rows state different values; and one value, said to be no good.

    A bound (`<500`, OVER) and a value that its torque belies are statements too, though neither is
    used. A row without a result, or with a unit that is not known, states nothing.
    """
    own, viscosity = rows["own"], rows["viscosity"].to_numpy()
    bound = own.isin(_BOUNDS).to_numpy()
    doubtful = (own == "torque_disagrees").to_numpy()
    differs = _any(key, bound)
    with np.errstate(invalid="ignore"):  # a key whose rows state no number
        for name in VALUES:
            values = rows[name].to_numpy()
            low, high = _extremes(values, key, usable | bound | doubtful)
            differs |= high - low > _SAME * np.maximum(np.abs(low), np.abs(high))
        stated = _extremes(viscosity, key, usable)[1][key]
        another = np.abs(viscosity - stated) > _SAME * np.abs(stated)
    marked = own.isin(_DENIALS) | rows["status"].str.lower().isin(reasons.INVALID_WORDS)
    denies = (marked.to_numpy() & ~usable & ~another) | doubtful
    alive = _any(key, usable)
    return alive & differs, alive & ~differs & _any(key, denies)


def _extremes(
    values: npt.NDArray[np.float64],
    codes: npt.NDArray[np.int64],
    where: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Least and greatest number of each code among some rows; inf and -inf where there is none."""
    low = np.full(codes.max() + 1, np.inf)
    high = np.full(codes.max() + 1, -np.inf)
    np.fmin.at(low, codes[where], values[where])
    np.fmax.at(high, codes[where], values[where])
    return low, high


def _place(cells: _Cells, row: int) -> str:
    batch, product = cells["batch"][row], cells["product"][row]
    return f"Batch {batch} of {product}, replicate {cells['replicate'][row]}"


def _values_told(cells: _Cells, members: npt.NDArray[np.int64]) -> str:
    """What the rows under one key state, such as "recorded as 2010 and 2060 mPa·s"."""
    own = cells["own"][members]
    bounds = members[np.isin(own, _BOUNDS)]
    stating = members[(own == "") | (own == "torque_disagrees")]
    texts = _distinct(cells["viscosity"][stating])
    texts[-1] += " mPa·s"
    texts += sorted({str(text) for text in cells["received"][bounds]})
    if len(texts) > 1:
        return f"recorded as {_listed(texts)}"
    for name, unit in (("torque", "%"), ("temperature", "°C")):
        others = _distinct(cells[name][stating])
        if len(others) > 1:
            return f"recorded as {texts[0]} with a {name} of {_listed(others)} {unit}"
    return f"recorded as {texts[0]}"


def _distinct(values: npt.NDArray[np.float64]) -> list[str]:
    return list(dict.fromkeys(digits_of(value) for value in np.unique(values[~np.isnan(values)])))


def _listed(texts: list[str]) -> str:
    if len(texts) > _NAMED:
        texts = [*texts[:_NAMED], f"{len(texts) - _NAMED} more"]
    return f"{', '.join(texts[:-1])} and {texts[-1]}"


def _denial_told(cells: _Cells, members: npt.NDArray[np.int64]) -> str:
    own = cells["own"][members]
    value = digits_of(cells["viscosity"][members[own == ""]][0])
    told = sorted({reasons.SET_ASIDE[reason].rstrip(".") for reason in own if reason})
    return f"{value} mPa·s is recorded as good, and also as: {'; '.join(told)}"


def _with_other_remarks(
    rows: pd.DataFrame, key: npt.NDArray[np.int64], standing: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int64]:
    """Of rows that state one value under one key, all but the first in the order of content.

    The order of content, not of arrival, so that the same rows always give the same reading in
    use. One with a sampling time comes first: it has its place in the order of production.
    """
    several = standing & (np.bincount(key, weights=standing) > 1)[key]
    where = np.flatnonzero(several)
    columns = ["key", "unsampled", *REMARKS, *VALUES]
    some = rows.iloc[where].assign(key=key[where], place=where)
    some = some.assign(unsampled=some["sampled_at"] == 0).sort_values(columns)
    return some.loc[some["key"].duplicated(), "place"].to_numpy(dtype=np.int64)


def _attempts(
    rows: pd.DataFrame,
    usable: npt.NDArray[np.bool_],
    why: npt.NDArray[np.object_],
    told: npt.NDArray[np.object_],
    first_id: int,
    found: Found,
) -> None:
    """Fill in `why` and `told` for all but the first attempt at each replicate of a product.

    Attempts are told by the time: the same product, condition, batch, replicate and instrument,
    read again later. More than REUSED_AFTER later it is no attempt, but another batch under a
    number that was used again. A reading without a time has no place among attempts: beside the
    same value with a time it is one reading, beside other values it is set aside as undated.
    """
    moment = rows["moment"].to_numpy()
    product = (rows["sample_type"] == "product") & (rows["replicate"] > 0)
    counted = usable & product.to_numpy()
    at = np.flatnonzero(counted & (moment != 0))
    if not len(at):
        return
    cells = {name: rows[name].to_numpy() for name in rows.columns}
    new = cells["id"] >= first_id
    group = codes_of(rows, KEY[:4])
    use = _uses(rows, at, new, found)
    cell = pd.factorize(group[at] * (use.max() + 1) + use)[0].astype(np.int64)
    number = _ranks(cell, moment[at])
    first = np.full(cell.max() + 1, np.nan)
    opens = (number == 1) & (why[at] == "")
    first[cell[opens]] = cells["viscosity"][at[opens]]
    later = (number > 1) & (why[at] == "")
    for row, attempt, value in zip(at[later], number[later], first[cell[later]], strict=True):
        why[row] = "retest"
        told[row] = f"attempt {attempt}; the first " + (
            "is in dispute" if np.isnan(value) else f"gave {digits_of(value)} mPa·s"
        )
    remarked = _any(cell, later) & _any(cell, new[at])
    for one, members in _members(cell, remarked):
        fate = "is in dispute, so none is used" if np.isnan(first[one]) else "one stands"
        found.retests.append(
            f"{_place(cells, at[members[0]])}: measured again; every attempt is kept and none "
            f"chosen for good: the first {fate} until a person decides."
        )
    _undated(cells, at, np.flatnonzero(counted & (moment == 0) & (why == "")), group, why, told)
    for row in np.flatnonzero((why == "undated") & _any(group, new & counted)[group]).tolist():
        found.undated.append(
            f"{_place(cells, row)}: {told[row]}; the one without a time is not used."
        )


def _uses(
    rows: pd.DataFrame,
    at: npt.NDArray[np.int64],
    new: npt.NDArray[np.bool_],
    found: Found,
) -> npt.NDArray[np.int64]:
    """For some dated rows, which use of its batch number each belongs to."""
    sampled, moment = rows["sampled_at"].to_numpy(), rows["moment"].to_numpy()
    made = np.where(sampled != 0, sampled, moment)[at]
    batch = codes_of(rows, KEY[:2])[at]
    use = uses_of(batch, made)
    reused = np.zeros(batch.max() + 1, dtype=bool)
    reused[batch[use > 0]] = True
    touched = np.zeros(len(reused), dtype=bool)
    touched[batch[new[at]]] = True
    for _, members in _members(batch, reused & touched):
        row = rows.iloc[at[members[0]]]
        found.reused.append(
            f"Batch {row['batch']} of {row['product']}: the number was used again more than "
            f"{REUSED_AFTER // 86400} days later; each use counts as a batch of its own."
        )
    return use


def uses_of(code: npt.NDArray[np.int64], times: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Which use of its batch number each reading belongs to: one more after each long gap.

    Args:
        code: the same for readings of one batch number, shape (n,).
        times: s since 1970 UTC; readings without a time (0) belong to the first use, shape (n,).
    """
    use = np.zeros(len(code), dtype=np.int64)
    dated = np.flatnonzero(times)
    if not len(dated):
        return use
    order = dated[np.lexsort((times[dated], code[dated]))]
    begins = np.diff(code[order], prepend=-1) != 0
    gap = ~begins & (np.diff(times[order], prepend=0) > REUSED_AFTER)
    if gap.any():
        count = np.cumsum(gap)
        use[order] = count - count[begins][np.cumsum(begins) - 1]
    return use


def _ranks(codes: npt.NDArray[np.int64], values: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The place of each value among the different values of its code, from 1."""
    order = np.lexsort((values, codes))
    begins = np.diff(codes[order], prepend=-1) != 0
    count = np.cumsum(begins | (np.diff(values[order], prepend=0) != 0))
    ranks = np.empty(len(codes), dtype=np.int64)
    ranks[order] = count - count[begins][np.cumsum(begins) - 1] + 1
    return ranks


def _undated(
    cells: _Cells,
    dated: npt.NDArray[np.int64],
    undated: npt.NDArray[np.int64],
    group: npt.NDArray[np.int64],
    why: npt.NDArray[np.object_],
    told: npt.NDArray[np.object_],
) -> None:
    """Fill in `why` and `told` for readings without a time beside others with one."""
    value = np.full(group.max() + 1, np.nan)  # a group has one reading without a time at most
    value[group[undated]] = cells["viscosity"][undated]
    beside, stated = cells["viscosity"][dated], value[group[dated]]
    has_dated, has_same = np.zeros((2, len(value)), dtype=bool)
    has_dated[group[dated]] = True
    has_same[group[dated[np.abs(beside - stated) <= _SAME * np.abs(stated)]]] = True
    for row in undated[has_dated[group[undated]]]:
        same = has_same[group[row]]
        why[row] = "other_remarks" if same else "undated"
        told[row] = (
            "recorded with its time too"
            if same
            else f"recorded without a time as {digits_of(cells['viscosity'][row])} mPa·s, and with "
            "a time and another value"
        )

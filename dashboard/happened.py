"""What happened around the start of a change: from the readings and from the journal, in order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboard import text
from dashboard.results import Assessment, CheckStandard
from spc.drift import History

AROUND = 10
"""Batches on either side of the interval that are looked at, too."""
MOST = 40
_BEGINS = {
    "lot": "raw-material lot {} begins",
    "operator": "first batch of operator {}",
    "instrument": "first batch on instrument {}",
    "line": "first batch of line {}",
    "shift": "first batch of shift {}",
}
_OF_THE_EVENT = ("event", "cause", "action", "effect", "remark", "record", "check tried")
"""Beginnings of journal entries that are answers to events, not what may have caused one."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One thing that happened.

    Attributes:
        at: when (UTC); None where only its batch is known.
        batch: first batch from then on, "" after the newest.
        what: in words.
        kind: "lot", "operator", "instrument", "line", "shift", "check standard", "decision".
        inside: it lies inside the interval of the start.
        where: "inside the interval", "3 batches before it", "at the newest batches" ….
    """

    at: pd.Timestamp | None
    batch: str
    what: str
    kind: str
    inside: bool
    where: str


@dataclass(frozen=True, slots=True)
class _Found:
    position: int
    at: pd.Timestamp | None
    what: str
    kind: str


def happened(
    one: Assessment,
    history: History,
    low: str,
    high: str,
    journal: pd.DataFrame,
    standards: Sequence[CheckStandard],
) -> tuple[Happened, ...]:
    """What began or was decided near the start of a change, in the order of time.

    Args:
        one: the product. history: its batches with their factors.
        low, high: the interval of the start, names of batches.
        journal: every decision. standards: check standards of its instruments.
    """
    names = list(history.batches)
    if low not in names or high not in names:
        return ()
    ends = names.index(low), names.index(high)
    # A cause lies between the batch before the first possible one and the last possible one.
    first, last = max(ends[0] - AROUND, 0), min(ends[1] + AROUND, len(names) - 1)
    times = _times(one, names)
    found = [*_factors(history, times), *_runs(standards, times), *_decisions(one, journal, times)]
    near = [one for one in found if first <= one.position <= last]
    near.sort(key=lambda item: (item.position, item.at is None, item.at))
    return tuple(
        Happened(
            item.at,
            names[item.position],
            item.what,
            item.kind,
            ends[0] <= item.position <= ends[1],
            _where(item.position, ends),
        )
        for item in near
    )[:MOST]


def _times(one: Assessment, names: Sequence[str]) -> pd.Series:
    """Time of each batch of the history; NaT where not recorded."""
    known: Mapping[str, pd.Timestamp] = dict(
        zip(one.batches["batch"].tolist(), one.batches["at"], strict=True)
    )
    return pd.Series(pd.to_datetime([known.get(name, pd.NaT) for name in names], utc=True))


def _factors(history: History, times: pd.Series) -> list[_Found]:
    """Where a lot begins, and where an operator, an instrument or a line is new."""
    found = []
    for factor in history.factors:
        said = _BEGINS.get(factor.name)
        if said is None or len(factor.levels) < 2:
            continue
        codes = factor.codes
        for code, level in enumerate(factor.levels):
            inside = np.flatnonzero(codes == code)
            if not len(inside) or inside[0] == 0:
                continue
            at = int(inside[0])
            stamp = times.iat[at]
            moment = None if pd.isna(stamp) else stamp
            found.append(_Found(at, moment, said.format(level), factor.name))
    return found


def _runs(standards: Sequence[CheckStandard], times: pd.Series) -> list[_Found]:
    """Runs of a check standard outside its own limits."""
    found = []
    for one in standards:
        on = f" on {one.instrument}" if one.instrument else ""
        for at in one.outside:
            place = _place(at, times)
            if place is not None:
                said = f"{one.name}{on} outside its own limits"
                found.append(_Found(place, at, said, "check standard"))
    return found


def _decisions(one: Assessment, journal: pd.DataFrame, times: pd.Series) -> list[_Found]:
    """Journal entries about the product or its instruments: service, methods, limits, dates."""
    about = {one.product, *(name for name in one.batches["instrument"].unique() if name)}
    found = []
    for row in journal.itertuples():
        words = {word.strip(",.:;") for word in str(row.subject).split()}
        named = one.product in str(row.subject) or bool(words & about)
        if not named or str(row.what).startswith(_OF_THE_EVENT):
            continue
        at = pd.Timestamp(row.at)
        place = _place(at, times)
        if place is not None:
            why = f": {row.why}" if row.why else ""
            found.append(_Found(place, at, f"{row.what}, {row.subject}{why}", "decision"))
    return found


def _place(at: pd.Timestamp, times: pd.Series) -> int | None:
    """The first batch from a moment on; None before the first and after the newest."""
    known = times.dropna()
    if known.empty or at < known.iloc[0] or at > known.iloc[-1]:
        return None
    clock = known.dt.tz_localize(None).to_numpy("datetime64[ns]")
    moment = at.tz_convert("UTC").tz_localize(None).to_datetime64()
    return int(known.index[int(np.searchsorted(clock, moment))])


def _where(position: int, ends: tuple[int, int]) -> str:
    if position < ends[0]:
        return f"{text.batches(ends[0] - position)} before it"
    if position > ends[1]:
        return f"{text.batches(position - ends[1])} after it"
    return "inside the interval"

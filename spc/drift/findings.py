"""What the product's own batches show: every shape, every factor level, the likeliest first."""

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from spc.drift.evidence import PHI, Background, log_sum
from spc.drift.history import Factor, History
from spc.drift.lone import lone_values
from spc.drift.shapes import Shape, find_levels, find_ramp, find_step, find_stretch
from spc.intake import BoolArray, FloatArray, IntArray

FEWEST = 8
"""Batches below which no change is looked for."""
_LEAST_LEVEL = 4
_TIMED = ("step", "stretch", "ramp")
_LOT_BORDER = -0.7
"""What speaks against a lot beforehand: a change on its border must be that much likelier."""
_PRIOR = {"step": 0.0, "ramp": -0.5, "stretch": -0.5, "levels": -0.5}
_FACTORS = {"operator": -0.5, "lot": -0.5, "shift": -1.5, "line": -1.5, "weekday": -2.0}


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The product's usable batches, ready for the search.

    Attributes:
        kept: positions in the history of the batches in use.
        lone: positions of batches that stand apart alone; they are left out.
        logs: logs of the means in use, their mean taken out.
        instrument: code of each batch in use; 0 where there is one or none recorded.
        known: known columns, the constant and the level of each further instrument.
        background: the series without any change.
    """

    kept: IntArray
    lone: IntArray
    logs: FloatArray
    instrument: IntArray
    known: FloatArray
    background: Background

    @property
    def usable(self) -> IntArray:
        """Positions of all batches with a mean, lone ones among them."""
        return np.sort(np.concatenate([self.kept, self.lone]))

    @property
    def neighbours(self) -> float:
        """Posterior mean correlation of neighbours if nothing changed."""
        return float(self.background.phi_weights @ PHI)


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One explanation of the batches alone.

    Attributes:
        shape: of the change; its places count the batches in use.
        log_odds: against no change, with what was thought of it beforehand.
        factor: "" for a change in time, else the factor that it is confined to.
        level: that level, "" for all levels of the factor.
        start_weights: posterior of each batch in use as the start, shape (n,): step, stretch and
            ramp of the same batches averaged by their odds, as nobody knows which of them it was.
    """

    shape: Shape
    log_odds: float
    factor: str = ""
    level: str = ""
    start_weights: FloatArray = field(default_factory=lambda: np.empty(0))


def series_of(history: History) -> Series | None:
    """Prepare the batches; None below 8 usable ones or without any spread."""
    usable = np.flatnonzero(np.isfinite(history.means))
    if len(usable) < FEWEST:
        return None
    logs = np.log(history.means[usable])
    apart = _apart(history, usable, logs)
    kept, lone = usable[~apart], usable[apart]
    logs = logs[~apart]
    if len(kept) < FEWEST or np.ptp(logs) == 0:
        return None
    instruments = history.factor("instrument")
    codes = np.zeros(len(kept), dtype=np.int64)
    if instruments is not None:
        codes = np.maximum(instruments.codes[kept], 0)
    counts = np.bincount(codes)
    further = [code for code in np.argsort(-counts)[1:] if counts[code] >= 3]
    known = [np.ones(len(kept)), *((codes == code).astype(float) for code in further)]
    columns = np.column_stack(known)
    logs = logs - logs.mean()
    return Series(kept, lone, logs, codes, columns, Background(logs, columns))


def _apart(history: History, usable: IntArray, logs: FloatArray) -> BoolArray:
    """Lone values, looked for on each instrument by itself: a fault of one is no lone value."""
    factor = history.factor("instrument")
    codes = np.zeros(len(usable), dtype=np.int64) if factor is None else factor.codes[usable]
    flags = np.zeros(len(usable), dtype=bool)
    for code in np.unique(codes):
        mine = np.flatnonzero(codes == code)
        flags[mine] = lone_values(logs[mine])
    return flags


def find(history: History, series: Series) -> list[Finding]:
    """Weigh every explanation of the batches alone, the likeliest first."""
    background = series.background
    found = [
        Finding(shape, shape.log_odds + _PRIOR[shape.kind])
        for shape in (
            find_step(background),
            find_ramp(background),
            find_stretch(background),
            find_levels(background, series.logs),
        )
        if shape is not None
    ]
    found += _on_instruments(history, series)
    for factor in history.factors:
        if factor.name in _FACTORS:
            found += _by_factor(factor, series, _FACTORS[factor.name])
    found = [replace(one, start_weights=_start_weights(one, found, background.n)) for one in found]
    return sorted(found, key=lambda one: -one.log_odds)


def _start_weights(one: Finding, found: list[Finding], n: int) -> FloatArray:
    """Average the posterior of the start over the shapes that concern the same batches."""
    weights = np.zeros(n)
    same = [other for other in found if _concerns(other) == _concerns(one)]
    if one.shape.kind not in _TIMED:
        same = [one]
    top = max(other.log_odds for other in same)
    for other in same:
        share = float(np.exp(other.log_odds - top))
        np.add.at(weights, other.shape.starts, share * other.shape.weights)
    return np.asarray(weights / weights.sum())


def _concerns(one: Finding) -> tuple[str, str, int, bool]:
    timed = one.shape.kind in _TIMED
    if timed and one.factor == "lot":  # the same batches as a change in time
        return "", "", one.shape.subset, timed
    return one.factor, one.level, one.shape.subset, timed


def _on_instruments(history: History, series: Series) -> list[Finding]:
    """A change on one instrument only, where several are in use."""
    instruments = history.factor("instrument")
    counts = np.bincount(series.instrument)
    if instruments is None or (counts >= _LEAST_LEVEL).sum() < 2:
        return []
    found = []
    rarer = -float(np.log(len(counts)))
    for code in np.flatnonzero(counts >= _LEAST_LEVEL):
        within = series.instrument == code
        for search in (find_step, find_ramp, find_stretch):
            shape = search(series.background, within, int(code))
            if shape is not None:
                odds = shape.log_odds + rarer + _PRIOR[shape.kind]
                found.append(Finding(shape, odds, "instrument", instruments.levels[code]))
    return found


def _by_factor(factor: Factor, series: Series, prior: float) -> list[Finding]:
    """Levels that differ throughout, levels that differ from some batch on, and all levels."""
    codes = factor.codes[series.kept]
    levels, counts = np.unique(codes[codes >= 0], return_counts=True)
    tested = levels[(counts >= _LEAST_LEVEL) & (counts <= len(codes) - _LEAST_LEVEL)]
    if not len(tested):
        return []
    rarer = prior - float(np.log(len(tested)))
    found = []
    columns, names = [], []
    for level in tested:
        inside = codes == level
        runs = int(np.sum(np.diff(inside.astype(int), prepend=0) == 1))
        # A level in one run of batches is a stretch of time: the search in time tells of it.
        if runs >= 3:
            columns.append(inside.astype(float))
            names.append(level)
    if columns:
        odds = series.background.weigh(np.column_stack(columns))
        for level, one, column in zip(names, odds, columns, strict=True):
            if len(tested) == 2 and level == tested[1]:
                continue  # the same comparison, seen from the other side
            prior_odds = rarer + (np.log(2.0) if len(tested) == 2 else 0.0)
            found.append(
                Finding(
                    _throughout(column), float(one + prior_odds), factor.name, factor.levels[level]
                )
            )
    if factor.name == "operator":
        for level in names:
            shape = find_step(series.background, codes == level, int(level))
            if shape is not None:
                odds_from = shape.log_odds + rarer - 1.0
                found.append(Finding(shape, odds_from, factor.name, factor.levels[level]))
    if factor.name == "lot":
        found += _at_borders(factor, codes, series)
    if factor.name == "lot" and len(tested) >= 3:
        several = np.column_stack([(codes == level).astype(float) for level in tested[1:]])
        odds_all = series.background.weigh_together(several)
        shape = _throughout(several[:, 0])
        found.append(Finding(shape, odds_all + prior - 0.5, factor.name, ""))
    return found


def _at_borders(factor: Factor, codes: IntArray, series: Series) -> list[Finding]:
    """Changes that last from a change of lot on, and lots in one run that lie apart."""
    n = len(codes)
    border = np.flatnonzero((codes[1:] != codes[:-1]) & (codes[1:] >= 0) & (codes[:-1] >= 0)) + 1
    border = border[(border >= 2) & (border <= n - 2)]
    if not len(border) or len(border) > n // 4:  # lots of a batch or two mark no time
        return []
    clock = np.arange(n)
    lasting = (clock[:, None] >= border[None, :]).astype(float)
    runs = [(int(a), int(b)) for a, b in pairwise(border) if b - a >= 2]
    passing = np.array([[a <= i < b for a, b in runs] for i in clock], dtype=float).reshape(n, -1)
    found = []
    for kind, columns in (("step", lasting), ("stretch", passing)):
        if not columns.shape[1]:
            continue
        odds = series.background.weigh(columns)
        weights = np.exp(odds - log_sum(odds))
        best = int(np.argmax(weights))
        starts = border if kind == "step" else np.array([a for a, _ in runs])
        stop = n if kind == "step" else runs[best][1]
        log_odds = float(log_sum(odds)) - float(np.log(len(odds)))
        shape = Shape(
            kind, -1, log_odds, starts, weights, int(starts[best]), stop, columns[:, best]
        )
        level = factor.levels[codes[starts[best]]]
        found.append(Finding(shape, log_odds + _LOT_BORDER + _PRIOR[kind], "lot", level))
    return found


def _throughout(column: FloatArray) -> Shape:
    inside = np.flatnonzero(column)
    first = int(inside[0])
    return Shape(
        kind="level",
        subset=-1,
        log_odds=0.0,
        starts=np.array([first]),
        weights=np.ones(1),
        start=first,
        stop=len(column),
        column=column,
    )

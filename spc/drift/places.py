"""Where an event begins, as batches, and how big it is: shared by every conclusion."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from spc.drift.checks import Movement
from spc.drift.findings import Finding, Series
from spc.drift.history import History
from spc.drift.shapes import interval
from spc.drift.sizes import Size, from_log, step_size
from spc.intake import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Place:
    """The start of an event: names of batches, and their positions in the history."""

    since: str
    low: str
    high: str
    position: int


def of_finding(history: History, series: Series, finding: Finding) -> Place:
    """Give the start of a shape in the batches, with its 95 % set."""
    shape = finding.shape
    low, high = interval(np.arange(len(series.kept)), finding.start_weights)
    low, high = min(low, shape.start), max(high, shape.start)
    names = [history.batches[series.kept[i]] for i in (shape.start, low, high)]
    return Place(names[0], names[1], names[2], int(series.kept[shape.start]))


def of_movement(
    history: History, series: Series, movement: Movement, within: BoolArray
) -> Place | None:
    """Give the first batches of the instrument after its movement began; None where there are none.

    Candidate times between two of its batches mean the same first batch: their weights add up.
    """
    inside = np.flatnonzero(within)
    times = history.times[series.kept][inside]
    side: Literal["left", "right"] = "right" if movement.moment.kind == "ramp" else "left"
    ranks = np.searchsorted(times, movement.times, side=side)
    start = int(np.searchsorted(times, movement.moment.start, side=side))
    if start >= len(inside):
        return None
    sums = np.zeros(len(inside))
    np.add.at(sums, np.minimum(ranks, len(inside) - 1), movement.weights)
    mode = int(np.argmax(sums))
    low, high = interval(np.arange(len(inside)), sums)
    kept = series.kept[inside]
    names = [history.batches[kept[i]] for i in (mode, low, high)]
    return Place(names[0], names[1], names[2], int(kept[mode]))


def size_of(
    history: History, series: Series, column: FloatArray, within: BoolArray, ramp: bool
) -> Size:
    """Give the size of an event in the batches: at its end for a ramp, inside less outside else."""
    values = history.means[series.kept]
    if not ramp and series.known.shape[1] == 1:
        return step_size(values, column > 0.5, within)
    change, error, free, _ = series.background.fit(column)
    before = values[within & (column < 0.05)]
    if len(before) < 2:
        before = values[within][: max(2, int(within.sum()) // 5)]
    if ramp:  # the level that the fitted line leaves, not the mean of a moving level
        line = np.log(values) - change * column
        base = float(np.exp(line[within].mean()))
    else:
        base = float(np.mean(before))
    return from_log(base, change, error, free)

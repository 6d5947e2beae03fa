"""Signals that belong together, so that each is shown once, however long it lasts."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import as_count


class Stretch(NamedTuple):
    """A stretch of points, `start` inclusive and `stop` exclusive, as in a slice."""

    start: int
    stop: int


def group_events(index: ArrayLike, gap: int = 0) -> list[Stretch]:
    """Group signals that belong together: an event is shown once, whatever its length.

    Args:
        index: 0-based indices of signalling points, any order, repeats allowed.
        gap: how many quiet points may lie inside an event; 0 joins only neighbours.

    Returns:
        Stretches from the first signal to just after the last, ascending.

    Example:
        >>> group_events([3, 4, 4, 7])
        [Stretch(start=3, stop=5), Stretch(start=7, stop=8)]
    """
    quiet = as_count(gap, name="gap", at_least=0)
    given = np.asarray(index)
    if given.size == 0:
        return []
    if given.ndim != 1 or not np.issubdtype(given.dtype, np.integer) or given.min() < 0:
        raise ArgumentError("index must be a list of whole numbers of at least 0")
    points = np.unique(given)
    breaks = np.flatnonzero(np.diff(points) > quiet + 1)
    starts = np.concatenate(([0], breaks + 1))
    stops = np.concatenate((breaks, [points.size - 1]))
    return [Stretch(int(points[a]), int(points[b]) + 1) for a, b in zip(starts, stops, strict=True)]


class SignalEvent(NamedTuple):
    """Signals that belong together.

    `start` is the first signal and `stop` just after the last, as in a slice; `rules` are the
    keys of all rules that signal in it, in the order in which they appear.
    """

    start: int
    stop: int
    rules: tuple[str, ...]


def signal_events(index: ArrayLike, rule: Sequence[str], gap: int = 0) -> list[SignalEvent]:
    """Group signals into events and say which rules made each.

    Args:
        index: 0-based indices of signalling points, as in `Signals.index`.
        rule: key of the rule of each, as in `Signals.rule`.
        gap: how many quiet points may lie inside an event.

    Example:
        >>> signal_events([3, 4, 4], ["a", "a", "b"])
        [SignalEvent(start=3, stop=5, rules=('a', 'b'))]
    """
    points = np.asarray(index)
    if points.size != len(rule):
        raise ArgumentError(f"rule must name one rule an index, got {len(rule)} for {points.size}")
    stretches = group_events(points, gap)
    if not stretches:
        return []
    owner = np.searchsorted([one.stop for one in stretches], points, side="right")
    keys: list[dict[str, None]] = [{} for _ in stretches]
    for place in np.argsort(points, kind="stable").tolist():
        keys[owner[place]][rule[place]] = None
    return [SignalEvent(*one, tuple(seen)) for one, seen in zip(stretches, keys, strict=True)]

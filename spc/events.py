"""Signals that belong together, so that each is shown once, however long it lasts."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from spc.design import as_indices
from spc.errors import ArgumentError
from spc.intake import IntArray, as_count, shown


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

    Raises:
        ArgumentError: index is no list of whole numbers of at least 0, or gap is negative.

    Example:
        >>> group_events([3, 4, 4, 7])
        [Stretch(start=3, stop=5), Stretch(start=7, stop=8)]
    """
    quiet = as_count(gap, name="gap", at_least=0)
    given = _indices(index)
    if given.size == 0:
        return []
    points = np.unique(given)
    breaks = np.flatnonzero(np.diff(points) > quiet + 1)
    starts = np.concatenate(([0], breaks + 1))
    stops = np.concatenate((breaks, [points.size - 1]))
    return [Stretch(int(points[a]), int(points[b]) + 1) for a, b in zip(starts, stops, strict=True)]


def _indices(index: ArrayLike) -> IntArray:
    given = as_indices(index)
    if given is None:
        raise ArgumentError(f"index must be a list of whole numbers of at least 0, got {index!r}")
    return given


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

    Raises:
        ArgumentError: index and rule do not belong together, or are no indices and keys.

    Example:
        >>> signal_events([3, 4, 4], ["a", "a", "b"])
        [SignalEvent(start=3, stop=5, rules=('a', 'b'))]
    """
    points = _indices(index)
    if isinstance(rule, str) or not isinstance(rule, Sequence):
        raise ArgumentError(f"rule must be a list of keys, one an index, got {shown(rule)}")
    if points.size != len(rule):
        raise ArgumentError(f"rule must name one rule an index, got {len(rule)} for {points.size}")
    for key in rule:
        if not isinstance(key, str):
            raise ArgumentError(f"rule must hold keys of rules, got {key!r}")
    stretches = group_events(points, gap)
    if not stretches:
        return []
    owner = np.searchsorted([one.stop for one in stretches], points, side="right")
    keys: list[dict[str, None]] = [{} for _ in stretches]
    for place in np.argsort(points, kind="stable").tolist():
        keys[owner[place]][rule[place]] = None
    return [SignalEvent(*one, tuple(seen)) for one, seen in zip(stretches, keys, strict=True)]

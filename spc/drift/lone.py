"""Single values that stand apart from their neighbours on both sides."""

import numpy as np

from spc.intake import BoolArray, FloatArray

FAR = 4.0
"""Robust standard deviations from both neighbourhoods: our convention."""
_SIDE = 4
_MAD = 1.4826
_MORE_THAN = 0.1  # at most this share of a series is left out


def lone_values(values: FloatArray) -> BoolArray:
    """Flag values far from the median of the four before, of the four after, and of their sides.

    A value that has a neighbour like itself is no lone one: two batches in a row can be the start
    of something. The first and the last value are judged by their one side. Nothing is flagged
    below 8 values or where the values hardly differ; a flagged value is left out of the search for
    changes and told apart.

    Source: running-median filter of Hampel, as in Davies & Gather, JASA 88 (1993) 782 (from
        memory); one-sided medians, so that the edge of a step is not flagged, are our convention.
    """
    n = len(values)
    flags = np.zeros(n, dtype=bool)
    if n < 8:
        return flags
    before, after = _medians_before(values), _medians_before(values[::-1])[::-1]
    sides = np.full((4, n), np.inf)
    sides[0, 2:] = np.abs(values[2:] - before[2:])
    sides[1, :-2] = np.abs(values[:-2] - after[:-2])
    sides[2, 1:] = np.abs(np.diff(values))
    sides[3, :-1] = np.abs(np.diff(values))
    nearest = sides.min(axis=0)
    steps = np.abs(np.diff(values))
    scale = _MAD * float(np.median(steps)) / np.sqrt(2.0)
    if scale <= 0:
        scale = float(np.sqrt(np.mean(steps**2) / 2.0)) / 3.0
    if scale <= 0:
        return flags
    flags = np.asarray(nearest > FAR * (1.0 + 8.0 / n) * scale)
    if flags.sum() > max(1, int(_MORE_THAN * n)):  # so many are no accidents
        worst = np.argsort(-nearest)[: max(1, int(_MORE_THAN * n))]
        kept = np.zeros(n, dtype=bool)
        kept[worst] = True
        flags &= kept
    return flags


def _medians_before(values: FloatArray) -> FloatArray:
    """Median of the four values before each one, of fewer near the beginning; nan for the first."""
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(values, _SIDE), axis=1)
    medians = np.full(len(values), np.nan)
    medians[_SIDE:] = 0.5 * (windows[:-1, 1] + windows[:-1, 2])
    for i in range(1, _SIDE):
        medians[i] = np.median(values[:i])
    return medians

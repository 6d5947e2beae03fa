"""Run lengths of EWMA and CUSUM charts, alone or with limits for single points beside them.

The average, or the sum, is a Markov chain over small cells between its limits. The error goes
with the square of the cell, so two cell sizes are extrapolated to none. Rules beside an EWMA:
`combined_run_length.py`.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from spc.absorbing import SHARES, QuietTime, RunLength, checked_mean, follow, run_length_from
from spc.cusum_settled import settled_quiet_time
from spc.design import as_allowance, as_decision_limit, as_weight, as_width
from spc.errors import ArgumentError
from spc.intake import FloatArray, as_flag, as_number

_CELLS = 151
_FINE = 2 * _CELLS + 1
# The two sums together are a chain of as many cells squared.
_JOINT = 31
_FINE_JOINT = 2 * _JOINT + 1
# Below it an average moves less than the cells are wide, and it remembers thousands of points.
LEAST_WEIGHT = 0.005
# Limits that widen by less than this share of their square are taken for equal in between ...
_STEP = 1e-3
# ... and final when no more than this is missing.
_SETTLED = 1e-9
_FARTHEST = 20_000
# A chance found as 1 - (sum of others) is no better than this.
_ROUNDED = 1e-12


def ewma_average_run_length(
    weight: float = 0.2,
    width: float = 2.86,
    shift: float = 0.0,
    *,
    limit: float | None = 3.0,
    fixed_limits: bool = False,
    settled: bool = False,
) -> float:
    """Return the mean number of points until an EWMA chart, or the chart beside it, signals.

    Arguments and source as for `ewma_run_length`.
    """
    return ewma_run_length(
        weight, width, shift, limit=limit, fixed_limits=fixed_limits, settled=settled
    ).mean


def ewma_run_length(
    weight: float = 0.2,
    width: float = 2.86,
    shift: float = 0.0,
    *,
    limit: float | None = 3.0,
    fixed_limits: bool = False,
    settled: bool = False,
) -> RunLength:
    """Return the run length of an EWMA chart together with the chart beside it.

    Args:
        weight: share of the newest value, in (0, 1], at least 0.005 here.
        width: limits of the average in its standard deviations.
        shift: lasting shift of the mean, in sigma.
        limit: single points beyond this many sigma signal too; None for the EWMA alone.
        fixed_limits: True for the final limits from the first point on, as published tables use.
        settled: False: the shift is there from the first point on. True: it comes when the chart
            has been quiet in control for so long that its limits are final.

    Returns:
        RunLength; the mean to about 1 in 10,000, median and 95 % point to about a point.

    Raises:
        ArgumentError: an argument outside its rule, or a run too long to compute.

    Source: Markov chain of D. Brook & D. A. Evans, Biometrika 59 (1972) 539, as J. M. Lucas &
        M. S. Saccucci, Technometrics 32 (1990) 1, use it; one step at a time while the limits
        widen.

    Example:
        >>> round(ewma_run_length(fixed_limits=True).mean)
        204
    """
    share = as_followed_weight(weight)
    moved = as_number(shift, name="shift")
    return _ewma(
        share,
        as_width(width),
        moved,
        _single(limit),
        as_flag(fixed_limits, name="fixed_limits"),
        as_flag(settled, name="settled"),
    )


def as_followed_weight(weight: float) -> float:
    """Return a weight whose average a chain of cells can follow."""
    share = as_weight(weight)
    if share < LEAST_WEIGHT:
        raise ArgumentError(
            f"weight must be at least {LEAST_WEIGHT:g} for a run length, got {share:g}: so small a "
            "weight remembers thousands of points, and no run length is computed for it"
        )
    return share


@lru_cache(maxsize=256)
def _ewma(
    weight: float, width: float, shift: float, limit: float, fixed_limits: bool, settled: bool
) -> RunLength:
    coarse, fine = (
        _ewma_quiet_time(weight, width, shift, limit, fixed_limits, settled, cells)
        for cells in (_CELLS, _FINE)
    )
    method = f"Markov chain over {_FINE} cells of the average, extrapolated"
    mean = checked_mean(extrapolated(coarse.mean(), fine.mean(), _CELLS, _FINE))
    return replace(run_length_from(fine, method), mean=mean)


def _single(limit: float | None) -> float:
    return float("inf") if limit is None else as_number(limit, name="limit", above=0)


def extrapolated(coarse: float, fine: float, cells: int, fine_cells: int) -> float:
    """Carry a mean on to cells of no width; its error goes with the square of the cell."""
    if np.inf in (coarse, fine):
        return np.inf
    return fine + (fine - coarse) / ((fine_cells / cells) ** 2 - 1)


def final_border(weight: float, width: float) -> float:
    """Return where the limits of an average end up, in sigma of a value."""
    return width * float(np.sqrt(weight / (2 - weight)))


def widening(weight: float, width: float, fixed_limits: bool) -> Iterator[tuple[float, int]]:
    """Limits point by point and for how many points each holds; the last one is final.

    Where limits hardly widen any more, the one in the middle stands for several points.
    """
    final = final_border(weight, width)
    if not fixed_limits and weight < 1:
        last = max(1, int(np.ceil(np.log(_SETTLED) / (2 * np.log1p(-weight)))))
        missing = (1 - weight) ** (2.0 * np.arange(1, last + 1))
        first = 0
        while first < last:
            stop = max(first + 1, int(np.searchsorted(-missing, _STEP - missing[first])))
            middle = float(missing[first:stop].mean())
            yield final * float(np.sqrt(1 - middle)), stop - first
            first = stop
    yield final, 1


def _ewma_quiet_time(
    weight: float,
    width: float,
    shift: float,
    limit: float,
    fixed_limits: bool,
    settled: bool,
    cells: int,
) -> QuietTime:
    final = final_border(weight, width)
    edges = np.linspace(-1.0, 1.0, cells + 1)
    middles = 0.5 * (edges[:-1] + edges[1:])

    def chances(before: FloatArray, border: float, moved: float) -> FloatArray:
        # The point that takes the average from `before` to an edge, cut at the single-point limit.
        needed = (border * edges - (1 - weight) * before[:, np.newaxis]) / weight
        return np.diff(ndtr(np.clip(needed, -limit, limit) - moved), axis=1)

    stay = chances(final * middles, final, shift)
    if settled:
        in_control = chances(final * middles, final, 0.0)
        fresh = chances(np.zeros(1), final, 0.0)[0]
        late = follow(lambda state: state @ in_control, fresh).state
        return follow(lambda state: state @ stay, late)
    quiet: list[float] = []
    before, state = np.zeros(1), np.ones(1)
    for border, points in widening(weight, width, fixed_limits):
        state = state @ chances(before, border, shift)
        quiet.append(float(state.sum()))
        before = border * middles
        if points > 1:
            same = chances(before, border, shift)
            for _ in range(points - 1):
                state = state @ same
                quiet.append(float(state.sum()))
    return follow(lambda state: state @ stay, state, quiet)


def cusum_average_run_length(
    k: float = 0.5,
    h: float = 5.0,
    shift: float = 0.0,
    *,
    limit: float | None = None,
    head_start: float = 0.0,
    settled: bool = False,
) -> float:
    """Return the mean number of points until a two-sided CUSUM, or the chart beside it, signals.

    Arguments and source as for `cusum_run_length`.
    """
    chosen = _cusum_arguments(k, h, shift, limit, head_start, settled)
    return _cusum_settled(*chosen[:4]).mean if settled else _cusum_mean(*chosen)


def cusum_run_length(
    k: float = 0.5,
    h: float = 5.0,
    shift: float = 0.0,
    *,
    limit: float | None = None,
    head_start: float = 0.0,
    settled: bool = False,
) -> RunLength:
    """Return the run length of a two-sided tabular CUSUM.

    Each side is a chain of its own. When one signals the other is at zero, so the two join
    exactly. With a limit for single points beside it the other side may be a little above zero
    then, which changes the mean by less than 1 in 1000. A settled chart is one chain of both sums.

    Args:
        k: reference value in sigma, 0 or more.
        h: decision interval in sigma; a sum beyond it signals.
        shift: lasting shift of the mean, in sigma.
        limit: single points beyond this many sigma signal too; None for the CUSUM alone.
        head_start: where both sums start, in sigma, from 0 to h / 2; 0 where settled.
        settled: False: the shift is there from the first point on. True: it comes when the chart
            has been quiet in control for long, so that a sum may be on its way already.

    Returns:
        RunLength; the mean to about 1 in 100,000 (settled: 1 in 10,000), median and 95 % point to
        about a point.

    Raises:
        ArgumentError: an argument outside its rule, or a run too long to compute.

    Source: Markov chain of D. Brook & D. A. Evans, Biometrika 59 (1972) 539; the two sides and
        the head start as J. M. Lucas & R. B. Crosier, Technometrics 24 (1982) 199.

    Example:
        >>> round(cusum_run_length().mean)
        465
    """
    chosen = _cusum_arguments(k, h, shift, limit, head_start, settled)
    if settled:
        return _cusum_settled(*chosen[:4])
    mean = _cusum_mean(*chosen)
    median, percent_95 = _cusum_points(*chosen)
    method = f"Markov chain over {_FINE} cells of each sum, extrapolated"
    return RunLength(mean, median, percent_95, method)


_Cusum = tuple[float, float, float, float, float]


def _cusum_arguments(
    k: float, h: float, shift: float, limit: float | None, head_start: float, settled: bool
) -> _Cusum:
    reference, decision = as_allowance(k), as_decision_limit(h)
    start = as_number(head_start, name="head_start")
    if not 0 <= start <= decision / 2:
        raise ArgumentError(f"head_start must lie between 0 and h / 2, got {start:g}")
    if as_flag(settled, name="settled") and start:
        raise ArgumentError(
            f"head_start must be 0 where settled, got {start:g}: a settled chart has forgotten it"
        )
    return reference, decision, as_number(shift, name="shift"), _single(limit), start


@lru_cache(maxsize=256)
def _cusum_settled(k: float, h: float, shift: float, limit: float) -> RunLength:
    coarse, fine = (
        settled_quiet_time(k, h, shift, limit, cells) for cells in (_JOINT, _FINE_JOINT)
    )
    method = f"Markov chain over {_FINE_JOINT} by {_FINE_JOINT} cells of both sums, extrapolated"
    mean = checked_mean(extrapolated(coarse.mean(), fine.mean(), _JOINT, _FINE_JOINT))
    return replace(run_length_from(fine, method), mean=mean)


@lru_cache(maxsize=32)
def _side(k: float, h: float, shift: float, limit: float, start: float, cells: int) -> QuietTime:
    """Quiet time of one sum alone: state 0 is zero itself, the others are cells up to h."""
    edges = np.linspace(0.0, h, cells + 1)
    middles = np.concatenate(([0.0], 0.5 * (edges[:-1] + edges[1:])))

    def chances(before: FloatArray) -> FloatArray:
        needed = np.minimum(k + edges - before[:, np.newaxis], limit)
        return np.diff(ndtr(needed - shift), axis=1, prepend=0.0)

    stay = chances(middles)
    state = chances(np.array([start]))[0]
    return follow(lambda state: state @ stay, state, [float(state.sum())])


@lru_cache(maxsize=256)
def _cusum_mean(k: float, h: float, shift: float, limit: float, start: float) -> float:
    def mean(moved: float, begin: float) -> float:
        coarse, fine = (_side(k, h, moved, limit, begin, cells).mean() for cells in (_CELLS, _FINE))
        return extrapolated(coarse, fine, _CELLS, _FINE)

    def means(moved: float) -> tuple[float, float]:
        return mean(moved, 0.0), mean(moved, start)

    upper, upper_ahead = means(shift)
    lower, lower_ahead = means(-shift)
    # Lucas & Crosier, divided by the rarer side so that it may be infinite.
    if upper > lower:
        upper, lower, upper_ahead, lower_ahead = lower, upper, lower_ahead, upper_ahead
    gain = 0.0 if lower == np.inf else lower_ahead / lower - 1
    return checked_mean((checked_mean(upper_ahead) + upper * gain) / (1 + upper / lower))


@lru_cache(maxsize=256)
def _cusum_points(k: float, h: float, shift: float, limit: float, start: float) -> tuple[int, int]:
    """Find the median and the 95 % point.

    A side alone signals first, or after the other side has and found it at zero. That is a
    convolution, solved point by point for the chances that each side is the first.
    """
    far = min(_FARTHEST, 10 + int(4 * _cusum_mean(k, h, shift, limit, start)))

    def chances(moved: float, begin: float) -> FloatArray:
        return -np.diff(_side(k, h, moved, limit, begin, _FINE).after(far), prepend=1.0)

    alone = [chances(moved, start) for moved in (shift, -shift)]
    again = [chances(moved, 0.0)[::-1] for moved in (shift, -shift)]  # newest last, to line up
    first = [np.zeros(far), np.zeros(far)]
    for t in range(far):
        for mine, other in ((0, 1), (1, 0)):
            first[mine][t] = alone[mine][t] - first[other][:t] @ again[mine][far - t :]
    quiet = 1 - np.cumsum(first[0] + first[1])
    ratio = float(quiet[-1] / quiet[-2]) if quiet[-1] > _ROUNDED else 0.0
    time = QuietTime(quiet, ratio, np.ones(1))
    return time.until(SHARES[0]), time.until(SHARES[1])

"""Apply run rules: to a chart, or to standardised points of one or many characteristics.

Long series are worked through in blocks that stay in the processor's cache, each with the few
points before it that the rules look back on; so the first points of a block are judged as if
the whole series had been there, and bringing a chart up to date is the same thing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, reduce
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from spc.borders import highest_inside, lowest_inside
from spc.design import as_indices, as_reals
from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, IntArray, as_count, shown
from spc.patterns import Rule
from spc.result import ControlChart
from spc.run_rules import FOUR_ZONE_RULES

_BLOCK = 65_536


@dataclass(frozen=True, slots=True, eq=False)
class Signals:
    """Which points signal, and by which rule; a point may be in it more than once.

    Attributes:
        index: 0-based index of the completing point, ascending.
        rule: key of the rule, one for each index; rules of one point in the order asked for.
    """

    index: IntArray
    rule: tuple[str, ...]


def points_before(rules: Sequence[Rule]) -> int:
    """Return how many earlier points the rules need to judge the next one as if they had all.

    Raises:
        ArgumentError: a rule of unknown window.

    Example:
        >>> points_before(FOUR_ZONE_RULES)
        7
    """
    memory = 0
    for rule in checked_rules(rules):
        if rule.memory is None:
            raise ArgumentError(
                f"rules must state their window, got {rule.key!r} without one: "
                "give the rule a window, or recompute the whole series"
            )
        memory = max(memory, rule.memory)
    return memory


def segment_starts(segments: ArrayLike) -> IntArray:
    """Return the indices at which a new set of limits begins, for `breaks`.

    Args:
        segments: shape (n,), any label of the set of limits that each point is judged by.

    Example:
        >>> segment_starts(["trial", "trial", "frozen"]).tolist()
        [2]
    """
    try:
        labels = np.asarray(segments)
    except ValueError as error:
        raise ArgumentError(f"segments must hold one label a point: {error}") from error
    if labels.ndim != 1:
        raise ArgumentError(f"segments must be one-dimensional, got shape {labels.shape}")
    changed = np.asarray(labels[1:] != labels[:-1], dtype=bool)
    return np.flatnonzero(changed).astype(np.int64) + 1


def zone_rule_flags(
    z: ArrayLike,
    rules: Sequence[Rule] = FOUR_ZONE_RULES,
    *,
    values: ArrayLike | None = None,
    breaks: ArrayLike = (),
) -> BoolArray:
    """Apply rules to standardised points of one characteristic, or of many at once.

    Args:
        z: shape (n,), or (characteristics, n) with time along the rows: (value - centre) /
            standard error; nan is a missing point, so shorter rows can be filled up with it.
        rules: rows of RULES, or rules of your own.
        values: same shape, the values themselves for rules that compare values with each other
            (trend, alternation); z if left out, which is the same under constant limits.
        breaks: indices of the first point under a new set of limits; one series only.

    Returns:
        Boolean array of shape (number of rules, *shape of z), True where the rule signals.

    Raises:
        ArgumentError: text, dates or complex numbers, wrong shapes, or breaks that are no indices.

    Example:
        >>> from spc.run_rules import rules_of
        >>> rule = rules_of("2_of_3_beyond_2_sigma")
        >>> zone_rule_flags([0.5, 2.1, -0.4, 2.3, 0.2], rule).nonzero()[1].tolist()
        [3]
    """
    chosen = checked_rules(rules)
    points = as_reals(z, name="z")
    if points.ndim not in (1, 2):
        raise ArgumentError(f"z must be one- or two-dimensional, got shape {points.shape}")
    own = points if values is None else as_reals(values, name="values")
    if own.shape != points.shape:
        raise ArgumentError(f"values must have the shape of z {points.shape}, got {own.shape}")
    if points.ndim == 2:
        if _breaks(breaks, points.shape[1], border=False).size:
            raise ArgumentError(
                "breaks go with one series, got two-dimensional z: "
                "give a row for each set of limits"
            )
        return _flag_rows(points, own, chosen)
    gaps = _gaps(points.size, _breaks(breaks, points.size), chosen)
    return gaps.pick(_flag_series(gaps.lay(points), gaps.lay(own), chosen, gaps.starts))


def _flag_series(
    z: FloatArray, values: FloatArray, rules: Sequence[Rule], starts: IntArray
) -> BoolArray:
    flags = np.empty((len(rules), z.size), dtype=bool)
    for block in _blocks(z.size, rules, starts):
        part, own = z[block.lead : block.stop], values[block.lead : block.stop]
        for row, rule in zip(flags, rules, strict=True):
            flagged = _flagged(rule, own if rule.on_values else part)
            row[block.start : block.stop] = flagged[block.start - block.lead :]
    return flags


def _flag_rows(z: FloatArray, values: FloatArray, rules: Sequence[Rule]) -> BoolArray:
    """Flag rows that know nothing of each other: end to end, with missing points between."""
    count, n = z.shape
    width = _memory(rules) or 0

    def lay(rows: FloatArray) -> FloatArray:
        laid = np.full((count, width + n), np.nan)
        laid[:, width:] = rows
        return laid.ravel()

    laid = lay(z)
    starts = np.arange(1, max(count, 1), dtype=np.int64) * (width + n)
    flags = _flag_series(laid, laid if values is z else lay(values), rules, starts)
    return flags.reshape(len(rules), count, width + n)[:, :, width:]


def run_rule_signals(
    chart: ControlChart,
    rules: Sequence[Rule] = FOUR_ZONE_RULES,
    *,
    breaks: ArrayLike = (),
    earlier: int = 0,
) -> Signals:
    """Find the signals of a chart.

    Zone rules assume a symmetric distribution: for ranges and standard deviations use
    THREE_SIGMA_RULES. A moving average has its own limits: use `chart.outside()`. Centre and
    standard error may differ from point to point.

    Args:
        chart: any chart; a missing point never signals and breaks a run.
        rules: rows of RULES, by default the four zone rules.
        breaks: indices of the first point under a new set of limits (`segment_starts` makes them
            from labels); no pattern, 2 of 3 neither, reaches back across one.
        earlier: to bring a chart up to date: how many points at its start were judged before and
            are here only to be looked back on. `points_before(rules)` of them (14 for the eight
            rules) give the same signals as the whole series.

    Returns:
        Signals, sorted by index; index 0 is the first point of `chart`.

    Raises:
        ArgumentError: no chart, no rules, breaks that are no indices, or more earlier points than
            points.
    """
    chosen = checked_rules(rules)
    if not isinstance(chart, ControlChart):
        raise ArgumentError(
            f"chart must be a chart such as spc.individuals(...).location, got {chart!r}"
        )
    seen = as_count(earlier, name="earlier", at_least=0)
    if seen > chart.n:
        raise ArgumentError(f"earlier must be at most the {chart.n} points given, got {seen}")
    gaps = _gaps(chart.n, _breaks(breaks, chart.n), chosen)
    laid = chart
    if gaps.size != chart.n:
        laid = replace(
            chart,
            values=gaps.lay(chart.values),
            center=gaps.lay(chart.center),
            standard_error=gaps.lay(chart.standard_error),
        )
    if not chosen or chart.n == 0:
        return Signals(np.empty(0, dtype=np.int64), ())
    points, by_rule = [], []
    for block in _blocks(gaps.size, chosen, gaps.starts):
        flags = [flagged[block.start - block.lead :] for flagged in _judge(laid, block, chosen)]
        # In two steps, as few points signal at all.
        signalling = np.flatnonzero(reduce(np.logical_or, flags))
        by_rule.append(np.stack([flagged[signalling] for flagged in flags]))
        points.append(signalling + block.start)
    index = gaps.back(np.concatenate(points))
    hit, which = np.divmod(np.flatnonzero(np.concatenate(by_rule, axis=1).T), len(chosen))
    first = int(np.searchsorted(index[hit], seen))
    keys = np.array([rule.key for rule in chosen], dtype=object)
    return Signals(index[hit[first:]], tuple(keys[which[first:]].tolist()))


def checked_rules(rules: Sequence[Rule], *, at_least: int = 0) -> tuple[Rule, ...]:
    """Return the rules as a tuple, or refuse what is no rule, or too few."""
    try:
        chosen = tuple(rules)
    except TypeError as error:
        raise ArgumentError(f"rules must be a sequence of rules, got {shown(rules)}") from error
    for rule in chosen:
        if not isinstance(rule, Rule):
            raise ArgumentError(
                f"rules must be rules such as the rows of spc.RULES, got {shown(rule)}"
            )
    if len(chosen) < at_least:
        raise ArgumentError("rules must hold at least one rule, got none")
    return chosen


class _Block(NamedTuple):
    """Points `start` to `stop`, to be judged with those from `lead` on in sight."""

    lead: int
    start: int
    stop: int


def _memory(rules: Sequence[Rule]) -> int | None:
    """How many earlier points the rules look back on; None if one does not say."""
    known = [rule.memory for rule in rules if rule.memory is not None]
    return max(known, default=0) if len(known) == len(rules) else None


def _blocks(n: int, rules: Sequence[Rule], starts: IntArray) -> Iterator[_Block]:
    """Cut a series; where a window is not known, only where a new set of limits starts."""
    memory = _memory(rules)
    if memory is None:
        bounds = [0, *starts.tolist(), n]
        for start, stop in pairwise(bounds):
            yield _Block(start, start, stop)
        return
    for start in range(0, n, _BLOCK):
        yield _Block(max(0, start - memory), start, min(n, start + _BLOCK))


@dataclass(frozen=True, slots=True, eq=False)
class _Gaps:
    """A series laid out with `width` missing points before each start: no pattern crosses them."""

    n: int
    starts: IntArray
    width: int

    @property
    def size(self) -> int:
        return self.n + self.width * self.starts.size

    def places(self) -> IntArray:
        moved = np.zeros(self.n, dtype=np.int64)
        moved[self.starts] = self.width
        return np.arange(self.n) + np.cumsum(moved)

    def lay(self, series: FloatArray) -> FloatArray:
        if self.size == self.n:
            return series
        laid = np.full(self.size, np.nan)
        laid[self.places()] = series
        return laid

    def pick(self, flags: BoolArray) -> BoolArray:
        return flags if self.size == self.n else flags[:, self.places()]

    def back(self, index: IntArray) -> IntArray:
        if self.size == self.n:
            return index
        first = self.starts + self.width * np.arange(1, self.starts.size + 1)
        return index - self.width * np.searchsorted(first, index, side="right")


def _gaps(n: int, starts: IntArray, rules: Sequence[Rule]) -> _Gaps:
    return _Gaps(n, starts, _memory(rules) or 0)


def _breaks(breaks: ArrayLike, n: int, *, border: bool = True) -> IntArray:
    """Return the starts of new limits, ascending; those at either end say nothing."""
    given = as_indices(breaks)
    if given is None:
        raise ArgumentError(
            f"breaks must be indices of points, whole numbers from 0 to {n}, got {breaks!r}: "
            "spc.segment_starts makes them from labels"
        )
    if given.size == 0 or not border:
        return given
    if given.max() > n:
        raise ArgumentError(f"breaks must lie between 0 and {n}, got {given[given > n][0]}")
    starts = np.unique(given)
    return starts[(starts > 0) & (starts < n)]


def _flagged(rule: Rule, points: FloatArray) -> BoolArray:
    """Apply one rule; a rule of the user's own may give anything back."""
    flags = np.asarray(rule.flags(points))
    if flags.shape != points.shape or flags.dtype != np.bool_:
        raise ArgumentError(
            f"rules must flag each point True or False, got {flags.dtype} of shape {flags.shape} "
            f"from {rule.key!r} for {points.size} points"
        )
    return flags


def _judge(chart: ControlChart, block: _Block, rules: Sequence[Rule]) -> list[BoolArray]:
    """Flag the points of a block by each rule, those that lead it included."""
    flags = []
    part = slice(block.lead, block.stop)
    values, center, error = chart.values[part], chart.center[part], chart.standard_error[part]
    middle, spread = float(center[0]), float(error[0])
    constant = _is_constant(center) and _is_constant(error)
    z = None
    for rule in rules:
        pattern = rule.pattern
        if rule.on_values:
            flags.append(_flagged(rule, values))
        elif pattern is not None and rule.flags == pattern.flags:
            # The same border as `ControlChart.outside` has, without dividing a million times.
            distance = pattern.distance
            if constant:
                flags.append(pattern.flags(values, *_borders(middle, spread, distance)))
            else:
                low = lowest_inside(center - distance * error, center)
                high = highest_inside(center + distance * error, center)
                flags.append(pattern.flags(values, low, high))
        else:
            if z is None:
                z = replace(chart, values=values, center=center, standard_error=error).z
            flags.append(_flagged(rule, z))
    return flags


def _is_constant(series: FloatArray) -> bool:
    """Tell whether all are equal; an array that repeats one number in memory need not be read."""
    return series.strides == (0,) or bool((series == series[0]).all())


@lru_cache(maxsize=1024)
def _borders(center: float, error: float, distance: float) -> tuple[float, float]:
    """Return the smallest and the largest value that is not beyond the distance."""
    low, high = center - distance * error, center + distance * error
    return float(lowest_inside(low, center)), float(highest_inside(high, center))

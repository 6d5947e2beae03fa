"""Limits estimated once, on a baseline, and from then on only applied."""

import operator
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias, get_args

import numpy as np

from spc.charts.dispersion_limits import DispersionLimits
from spc.charts.individuals import individuals
from spc.charts.subgroups import range_chart, xbar_r, xbar_s
from spc.charts.three_way import three_way
from spc.constants import control_chart_constants
from spc.errors import ArgumentError, TooFewPointsError
from spc.intake import BoolArray, FloatArray, GroupedValues, Groups, as_groups, as_series, mean_of
from spc.result import ChartSet, ControlChart

Kind: TypeAlias = Literal["individuals", "three_way", "xbar_r", "xbar_s"]
SigmaMethod: TypeAlias = Literal["moving_range", "total", "range", "standard_deviation"]
LeftOut: TypeAlias = Mapping[int, str] | Iterable[int]

# The first of each is what is done unless another is asked for.
METHODS: dict[Kind, tuple[SigmaMethod, ...]] = {
    "individuals": ("moving_range", "total"),
    "three_way": ("moving_range", "total"),
    "xbar_r": ("range",),
    "xbar_s": ("standard_deviation",),
}

# A sigma from moving ranges is as uncertain as a standard deviation with this share of the
# degrees of freedom.
MOVING_RANGE_EFFICIENCY = 0.62


@dataclass(frozen=True, slots=True)
class FrozenLimits:
    """A centre and a sigma that no later point changes, and where they come from.

    Who froze them, when and why belongs to the decision, not to the arithmetic.

    Attributes:
        center: centre line.
        sigma: standard deviation of one value; of one batch mean for "three_way".
        n: points of the baseline (subgroups, batches) that they were estimated from.
        method: "moving_range" (mean moving range / d2), "total" (standard deviation about the
            mean, wider where neighbours are alike), "range" (mean of R / d2 inside subgroups) or
            "standard_deviation" (mean of s / c4 inside subgroups).
        degrees_of_freedom: how well sigma is known; effective ones except for "total".
        left_out: 0-based indices of baseline points that were not used, ascending.
        reasons: why, one for each of `left_out`; empty text where none was given.
        kind: the chart that they are for.
        n_points: points of the baseline, those left out included.
        sigma_within: standard deviation of one reading inside a batch, for the third chart of
            "three_way"; None for other kinds, and where no batch had two readings.
    """

    center: float
    sigma: float
    n: int
    method: SigmaMethod
    degrees_of_freedom: float
    left_out: tuple[int, ...] = ()
    reasons: tuple[str, ...] = ()
    kind: Kind = "individuals"
    n_points: int = 0
    sigma_within: float | None = None

    @property
    def lower(self) -> float:
        """Lower limit of single values; that of a mean of m values is √m times nearer."""
        return self.center - 3 * self.sigma

    @property
    def upper(self) -> float:
        """Upper limit of single values; that of a mean of m values is √m times nearer."""
        return self.center + 3 * self.sigma

    def apply(self, values: Groups) -> ControlChart:
        """Judge points by these limits: the chart of where the process is (values or means)."""
        return self.charts(values).location

    def charts(
        self,
        values: Groups,
        dispersion_limits: DispersionLimits = "three_sigma",
        *,
        after_baseline: bool = False,
    ) -> ChartSet:
        """Judge points by these limits, on every chart of their kind.

        Limits of means, ranges and standard deviations follow from the frozen sigma and the size of
        each subgroup, whatever sizes the baseline had. The first moving range needs a neighbour
        before it: hand over the last earlier point too where it shall be judged.

        Args:
            values: values, shape (n,), for "individuals"; otherwise subgroups or batches, a
                sequence of arrays or a 2-D array with nan for a missing value.
            dispersion_limits: as in `individuals`.
            after_baseline: True where the baseline itself stands in front of the points: the
                charts then say "baseline" and which points counted; "given" otherwise.

        Returns:
            ChartSet; `.within` is None where the baseline had no replicates to set limits from.

        Raises:
            TooFewPointsError: no points, or fewer than the baseline had where it stands in front.
            ArgumentError: values that are no numbers or not finite.

        Example:
            >>> limits = freeze_limits([[10, 12], [11, 13]], kind="xbar_r")
            >>> limits.apply([[12, 14, 16, 18]]).upper.round(3).tolist()  # 11.5 + 3 × 1.772 / √4
            [14.159]
        """
        known = {"center": self.center, "sigma": self.sigma}
        charts: ChartSet
        if self.kind == "individuals":
            series: Any = values
            charts = individuals(series, **known, dispersion_limits=dispersion_limits)
        else:
            groups = _parts(as_groups(values, name="values"))
            if not groups:
                raise TooFewPointsError(
                    "values needs at least 1 subgroup, got 0: wait for more data"
                )
            if self.kind == "three_way":
                charts = three_way(
                    groups,
                    **known,
                    sigma_within=self.sigma_within,
                    dispersion_limits=dispersion_limits,
                )
                if self.sigma_within is None:
                    charts = replace(charts, within=None)
            else:
                make = xbar_r if self.kind == "xbar_r" else xbar_s
                charts = make(groups, **known, dispersion_limits=dispersion_limits)
        return self._with_baseline(charts) if after_baseline else charts

    def _with_baseline(self, charts: ChartSet) -> ChartSet:
        n = charts.location.n
        if self.n_points < self.n:
            raise ArgumentError(
                f"after_baseline needs limits that know their baseline, got n_points "
                f"{self.n_points}: make them with freeze_limits"
            )
        if n < self.n_points:
            raise TooFewPointsError(
                f"values must begin with the {self.n_points} points of the baseline, got {n}: "
                "hand them over too, or leave after_baseline out"
            )
        used = np.zeros(n, dtype=bool)
        used[: self.n_points] = True
        used[list(self.left_out)] = False
        moves = self.kind in ("individuals", "three_way")
        return replace(
            charts,
            location=charts.location.made_from(used, "baseline"),
            dispersion=charts.dispersion.made_from(_pairs(used) if moves else used, "baseline"),
            within=None if charts.within is None else charts.within.made_from(used, "baseline"),
        )


def freeze_limits(
    values: Groups,
    *,
    left_out: LeftOut = (),
    method: SigmaMethod | None = None,
    kind: Kind = "individuals",
) -> FrozenLimits:
    """Estimate centre and sigma on a baseline.

    Points with a found cause may be left out; a moving range counts only where both of its points
    do, so a gap is not bridged.

    Args:
        values: the baseline in production order, finite: shape (n,) for "individuals"; otherwise
            subgroups or batches, a sequence of arrays or a 2-D array with nan for a missing value.
        left_out: 0-based indices of points (subgroups, batches) that shall not count, or a mapping
            from each index to its cause in words.
        method: for "individuals" and "three_way" "moving_range" (what is done if left out) or
            "total"; the latter for a long stable stretch of values whose neighbours are alike.
            "range" for "xbar_r" and "standard_deviation" for "xbar_s".
        kind: the chart: "individuals", "three_way", "xbar_r" or "xbar_s".

    Raises:
        TooFewPointsError: fewer than 2 points left, no two neighbours for a moving range, or no
            subgroup of two values.
        ArgumentError: unknown kind or method, an index that is not there, a mask, an empty cause.

    Source: ISO 7870-2 (phases of a control chart); 0.62 (n - 1) effective degrees of freedom of a
        moving-range sigma is an approximation. For ranges and standard deviations inside subgroups
        they are 1 / (2 cv²), those of a standard deviation with the same coefficient of variation
        in large samples; for equal sizes the "constant difference" per subgroup of A. J. Duncan,
        Quality Control and Industrial Statistics, table of d2* (from memory).

    Example:
        >>> limits = freeze_limits([10, 12, 11])
        >>> limits.center, round(limits.sigma, 3)
        (11.0, 1.329)
        >>> limits.apply([11, 16]).outside().tolist()
        [False, True]
    """
    way = _method(kind, method)
    if kind == "individuals":
        series: Any = values
        return _from_series(as_series(series, at_least=2), left_out, way)
    return _from_subgroups(as_groups(values, name="values"), left_out, way, kind)


def _method(kind: Kind, method: SigmaMethod | None) -> SigmaMethod:
    if not isinstance(kind, str) or kind not in METHODS:
        raise ArgumentError(f"kind must be one of {', '.join(get_args(Kind))}, got {kind!r}")
    choices = METHODS[kind]
    if method is None:
        return choices[0]
    if not isinstance(method, str) or method not in choices:
        rule = " or ".join(repr(choice) for choice in choices)
        of = "" if kind == "individuals" else f" for {kind}"
        raise ArgumentError(f"method must be {rule}{of}, got {method!r}")
    return method


def _used(left_out: LeftOut, n: int) -> tuple[BoolArray, tuple[str, ...]]:
    """Which of n points count, and the reason of each that does not, in their order."""
    try:
        every = None if isinstance(left_out, (str, bytes)) else iter(left_out)
    except TypeError:  # an array of no dimension calls itself iterable
        every = None
    if every is None:
        raise ArgumentError(f"left_out must hold indices, or causes by index, got {left_out!r}")
    causes: dict[int, str] = {}
    for given in every:
        if isinstance(given, (bool, np.bool_)):
            raise ArgumentError(
                "left_out must hold indices, got a mask of True and False: "
                "numpy.flatnonzero makes indices of it"
            )
        try:
            index = operator.index(given)
        except TypeError as error:
            raise ArgumentError(
                f"left_out must hold indices, whole numbers, got {given!r}"
            ) from error
        if not 0 <= index < n:
            there = f"from 0 to {n - 1}" if n else "of points, and there are none"
            raise ArgumentError(f"left_out must hold indices {there}, got {index}")
        causes[index] = _cause(left_out, given)
    used = np.ones(n, dtype=bool)
    used[list(causes)] = False
    return used, tuple(causes[index] for index in sorted(causes))


def _cause(left_out: LeftOut, index: int) -> str:
    if not isinstance(left_out, Mapping):
        return ""
    cause = left_out[index]
    if not isinstance(cause, str) or not cause.strip():
        raise ArgumentError(
            f"left_out must give the cause of each index in words, got {cause!r} for {index}: "
            "no point is left out without a found cause"
        )
    return cause.strip()


def _from_series(series: FloatArray, left_out: LeftOut, method: SigmaMethod) -> FrozenLimits:
    used, reasons = _used(left_out, series.size)
    kept = series[used]
    if kept.size < 2:
        raise TooFewPointsError(
            f"values needs 2 points that are not left out, got {kept.size}: wait for more data"
        )
    center = mean_of(kept)
    if method == "total":
        sigma = float(np.sqrt(((kept - center) ** 2).sum() / (kept.size - 1)))
        freedom = kept.size - 1.0
    else:
        ranges = np.abs(np.diff(series))[_pairs(used)[1:]]
        if ranges.size == 0:
            raise TooFewPointsError(
                "values needs two neighbours that are not left out for a moving range: "
                "wait for more data"
            )
        sigma = float(ranges.mean()) / control_chart_constants(2).d2
        freedom = MOVING_RANGE_EFFICIENCY * ranges.size
    return FrozenLimits(
        center=center,
        sigma=sigma,
        n=int(kept.size),
        method=method,
        degrees_of_freedom=freedom,
        left_out=_indices(~used),
        reasons=reasons,
        n_points=int(series.size),
    )


def _from_subgroups(
    groups: GroupedValues, left_out: LeftOut, method: SigmaMethod, kind: Kind
) -> FrozenLimits:
    used, reasons = _used(left_out, groups.n_groups)
    kept = [part for part, use in zip(_parts(groups), used, strict=True) if use]
    sizes = [part.size for part in kept if part.size > 1]
    if len(kept) < 2:
        raise TooFewPointsError(
            f"values needs 2 subgroups that are not left out, got {len(kept)}: wait for more data"
        )
    if kind == "three_way":
        return replace(
            _from_series(groups.means(), left_out, method),
            kind=kind,
            sigma_within=range_chart(as_groups(kept)).sigma if sizes else None,
        )
    if not sizes:
        raise TooFewPointsError(
            "values needs a subgroup of two values or more that is not left out: "
            "freeze single values as individuals"
        )
    chart = (xbar_r if kind == "xbar_r" else xbar_s)(kept).location
    return FrozenLimits(
        center=float(chart.center[0]),
        sigma=chart.sigma,
        n=len(kept),
        method=method,
        degrees_of_freedom=_freedom_inside(sizes, method),
        left_out=_indices(~used),
        reasons=reasons,
        kind=kind,
        n_points=groups.n_groups,
    )


def _pairs(used: BoolArray) -> BoolArray:
    """True for each point whose moving range counts: it and the one before it do."""
    both = np.zeros_like(used)
    both[1:] = used[1:] & used[:-1]
    return both


def _parts(groups: GroupedValues) -> list[FloatArray]:
    return np.split(groups.flat, groups.starts[1:]) if groups.n_groups else []


def _indices(mask: BoolArray) -> tuple[int, ...]:
    return tuple(np.flatnonzero(mask).tolist())


def _freedom_inside(sizes: list[int], method: SigmaMethod) -> float:
    """1 / (2 cv²) of the plain mean of one unbiased estimate of sigma a subgroup."""

    def variance(n: int) -> float:
        factors = control_chart_constants(n)
        if method == "range":
            return (factors.d3 / factors.d2) ** 2
        return (factors.c5 / factors.c4) ** 2

    return len(sizes) ** 2 / (2 * sum(variance(n) for n in sizes))

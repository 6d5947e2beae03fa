"""Precision of a method between and within laboratories, level by level (ISO 5725-2)."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import TooFewPointsError
from spc.intake import BoolArray, FloatArray, IntArray, as_confidence, as_series, mean_of
from spc.intervals import Interval, holding, sd_interval, sum_interval
from spc.labels import Labels, as_labels
from spc.one_way import SumsOfSquares, sums_of_squares
from spc.outlier_tests import (
    OUTLIER_LEVEL,
    STRAGGLER_LEVEL,
    GrubbsTests,
    OutlierTest,
    cochran_test,
    grubbs_tests,
    has_spread,
    mandel_h_critical,
    mandel_k_critical,
)
from spc.precision_level import LevelRelations, level_relations
from spc.repeatability import LIMIT_FACTOR


@dataclass(frozen=True, slots=True, eq=False)
class LevelPrecision:
    """Precision at one level; arrays have one entry a laboratory that has results there.

    Attributes:
        level: its label.
        laboratories: labels of the laboratories with results at this level, sorted.
        counts: results in each cell.
        means: average of each cell.
        sds: standard deviation of each cell; nan for a single result.
        n: results in all.
        mean: general mean, each result with the same weight.
        s_r: repeatability standard deviation.
        s_L: between-laboratory standard deviation.
        s_R: reproducibility standard deviation, √(s_L² + s_r²).
        s_r_interval: chi-square interval of s_r, exact for normal results.
        s_R_interval: modified large-sample interval of s_R from the spread of the cell averages
            (each with the same weight) and s_r, wide enough to hold s_R. Measured coverage of a
            95 % interval, 3,000 studies in each of 20 settings with 3 to 15 laboratories of 1 to 5
            results and s_L / s_r from 0 to 5: 94.3 to 96.6 %. With sizes as unequal as 1, 1, 1, 6,
            2, 10: 94.8 to 95.4, but 92.9 where laboratories do not differ at all, for the single
            results then weigh too much.
        confidence: of both intervals.
        s_L_set_to_zero: True where the between-laboratory variance came out negative and 0
            stands for it.
        h: Mandel's h, how far each cell average lies off the others, in their standard deviations.
            Convention where all agree: 0.
        k: Mandel's k, spread of each cell over the root mean square of all; nan for a single
            result. Convention where no cell has any spread: 0.
        h_straggler_limit: critical value of |h| at 5 %; None below 3 laboratories.
        h_outlier_limit: critical value of |h| at 1 %; None below 3 laboratories.
        k_straggler_limit: critical value of k at 5 % for each cell's number of results; nan for a
            single result, and where fewer than 2 cells have replicates.
        k_outlier_limit: the same at 1 %.
        cochran: test of the largest cell variance; None below 2 cells with replicates and where
            no cell has any spread. Its suspect is an index into `laboratories`.
        cochran_n: number of results a cell that the critical value of Cochran's test supposes.
        grubbs: tests of the cell averages; None below 3 laboratories and where all agree.
    """

    level: Any
    laboratories: tuple[Any, ...]
    counts: IntArray
    means: FloatArray
    sds: FloatArray
    n: int
    mean: float
    s_r: float
    s_L: float  # noqa: N815 - the symbols of the standard
    s_R: float  # noqa: N815
    s_r_interval: Interval
    s_R_interval: Interval  # noqa: N815
    confidence: float
    s_L_set_to_zero: bool  # noqa: N815
    h: FloatArray
    k: FloatArray
    h_straggler_limit: float | None
    h_outlier_limit: float | None
    k_straggler_limit: FloatArray
    k_outlier_limit: FloatArray
    cochran: OutlierTest | None
    cochran_n: int | None
    grubbs: GrubbsTests | None

    @property
    def repeatability_limit(self) -> float:
        """Two results of one laboratory differ by more about 1 time in 20."""
        return LIMIT_FACTOR * self.s_r

    @property
    def reproducibility_limit(self) -> float:
        """Single results of two laboratories differ by more about 1 time in 20."""
        return LIMIT_FACTOR * self.s_R


@dataclass(frozen=True, slots=True, eq=False)
class Precision:
    """An interlaboratory study, or instruments or analysts of one site in place of laboratories.

    Attributes:
        laboratories: all labels, sorted: the columns of `h` and `k`.
        levels: one entry a level, in the order of the sorted labels.
    """

    laboratories: tuple[Any, ...]
    levels: tuple[LevelPrecision, ...]

    @property
    def level(self) -> tuple[Any, ...]:
        """Labels of the levels."""
        return tuple(one.level for one in self.levels)

    @property
    def mean(self) -> FloatArray:
        """General mean of each level."""
        return np.array([one.mean for one in self.levels])

    @property
    def s_r(self) -> FloatArray:
        """Repeatability standard deviation of each level."""
        return np.array([one.s_r for one in self.levels])

    @property
    def s_L(self) -> FloatArray:  # noqa: N802 - the symbols of the standard
        """Between-laboratory standard deviation of each level."""
        return np.array([one.s_L for one in self.levels])

    @property
    def s_R(self) -> FloatArray:  # noqa: N802
        """Reproducibility standard deviation of each level."""
        return np.array([one.s_R for one in self.levels])

    def relations_of_s_r(self) -> LevelRelations:
        """Repeatability standard deviation against the level; means must be above 0."""
        return level_relations(self.mean, self.s_r)

    def relations_of_s_R(self) -> LevelRelations:  # noqa: N802
        """Reproducibility standard deviation against the level; means must be above 0."""
        return level_relations(self.mean, self.s_R)

    @property
    def h(self) -> FloatArray:
        """Mandel's h, shape (levels, laboratories); nan where a laboratory has no result."""
        return self._table([one.h for one in self.levels])

    @property
    def k(self) -> FloatArray:
        """Mandel's k, shape (levels, laboratories); nan where a laboratory has no replicates."""
        return self._table([one.k for one in self.levels])

    @property
    def cochran(self) -> tuple[OutlierTest | None, ...]:
        """Cochran's test of each level."""
        return tuple(one.cochran for one in self.levels)

    @property
    def grubbs(self) -> tuple[GrubbsTests | None, ...]:
        """Grubbs' tests of each level."""
        return tuple(one.grubbs for one in self.levels)

    def _table(self, rows: list[FloatArray]) -> FloatArray:
        table = np.full((len(self.levels), len(self.laboratories)), np.nan)
        for row, one, numbers in zip(table, self.levels, rows, strict=True):
            row[[self.laboratories.index(name) for name in one.laboratories]] = numbers
        return table


def precision(
    values: ArrayLike,
    laboratory: Labels,
    level: Labels | None = None,
    *,
    confidence: float = 0.95,
) -> Precision:
    """Estimate repeatability and reproducibility at each level, and test every cell.

    Nothing is left out: the tests and Mandel's indicators name suspects, a person decides with a
    reason, and calls again without them. Numbers of results may differ, cells may be missing, a
    cell may hold a single result (it counts for the averages, not for the spread inside cells).

    Args:
        values: shape (n,), finite.
        laboratory: a label for each value (laboratory, instrument or analyst).
        level: a label for each value (material); None for one level.
        confidence: of the intervals.

    Raises:
        TooFewPointsError: a level with fewer than 2 laboratories, or without any replicates.
        ArgumentError: a value not finite, a label missing, lengths that differ.

    Source: ISO 5725-2:1994, 7.2 to 7.4. Two points where the numbers of results differ: Cochran's
        critical value is that for the number of results found in most cells (7.3.3; in a tie our
        convention is the smaller), and h compares with the plain average of the cell averages,
        the only one for which its critical value holds.

    Example:
        >>> study = precision([10.0, 10.2, 10.4, 10.4, 9.9, 10.1], ["A", "A", "B", "B", "C", "C"])
        >>> round(study.levels[0].s_r, 4), round(study.levels[0].s_R, 4)
        (0.1155, 0.2236)
    """
    confidence = as_confidence(confidence)
    series = as_series(values, at_least=3)
    names, laboratory_index = as_labels(laboratory, name="laboratory", size=series.size)
    one_level = np.zeros(series.size, dtype=np.int64)
    levels, level_index = (
        ((None,), one_level) if level is None else as_labels(level, name="level", size=series.size)
    )
    results = []
    for i, label in enumerate(levels):
        here = level_index == i
        present, index = np.unique(laboratory_index[here], return_inverse=True)
        labels = tuple(names[j] for j in present)
        results.append(_one_level(label, labels, series[here], index.astype(np.int64), confidence))
    return Precision(names, tuple(results))


def _one_level(
    label: Any,
    laboratories: tuple[Any, ...],
    values: FloatArray,
    index: IntArray,
    confidence: float,
) -> LevelPrecision:
    where = "" if label is None else f" at level {label!r}"
    p = len(laboratories)
    if p < 2:
        raise TooFewPointsError(
            f"laboratory needs at least 2 labels{where}, got 1: leave that level out"
        )
    split = sums_of_squares(values, index)
    several = split.sizes > 1
    if not several.any():
        raise TooFewPointsError(
            f"values needs a laboratory with two results{where}, got one each: measure duplicates"
        )
    sds, s_r = _cell_spread(split, several)
    counts = split.sizes.astype(float)
    size = (counts.sum() - (counts @ counts) / counts.sum()) / (p - 1)
    component = float((split.between / (p - 1) - s_r * s_r) / size)
    s_L = math.sqrt(max(0.0, component))
    spread = has_spread(split.means)
    n_common = _most_common(split.sizes[several])
    freedom = int((split.sizes[several] - 1).sum())
    s_R = math.hypot(s_L, s_r)
    testable = int(several.sum()) >= 2 and s_r > 0
    return LevelPrecision(
        level=label,
        laboratories=laboratories,
        counts=split.sizes,
        means=split.means,
        sds=sds,
        n=int(values.size),
        mean=split.grand_mean,
        s_r=s_r,
        s_L=s_L,
        s_R=s_R,
        s_r_interval=sd_interval(s_r, freedom, confidence),
        s_R_interval=_s_R_interval(split, s_R, s_r, freedom, confidence),
        confidence=confidence,
        s_L_set_to_zero=component < 0,
        h=_mandel_h(split.away, spread=spread),
        k=_mandel_k(sds, several),
        h_straggler_limit=mandel_h_critical(p, STRAGGLER_LEVEL) if p >= 3 else None,
        h_outlier_limit=mandel_h_critical(p, OUTLIER_LEVEL) if p >= 3 else None,
        k_straggler_limit=_k_limits(split.sizes, several, STRAGGLER_LEVEL),
        k_outlier_limit=_k_limits(split.sizes, several, OUTLIER_LEVEL),
        cochran=_cochran(sds, several, n_common) if testable else None,
        cochran_n=n_common if testable else None,
        grubbs=grubbs_tests(split.means) if p >= 3 and spread else None,
    )


def _cell_spread(split: SumsOfSquares, several: BoolArray) -> tuple[FloatArray, float]:
    """Standard deviation of each cell, and pooled.

    A spread of one step of float64 at the cell's own size is none: 0.1 + 0.2 and 0.3 agree.
    """
    sizes = split.sizes
    sds = np.full(sizes.size, np.nan)
    sds[several] = np.sqrt(split.within[several] / (sizes[several] - 1))
    sds[sds <= np.spacing(np.abs(split.means))] = 0.0
    freedom = sizes[several] - 1
    return sds, math.sqrt(float(freedom @ sds[several] ** 2) / int(freedom.sum()))


def _s_R_interval(  # noqa: N802
    split: SumsOfSquares, s_R: float, s_r: float, freedom: int, confidence: float
) -> Interval:
    """Interval of √(V + (1 - 1/h) s_r²), V the variance of the averages, h the harmonic mean size.

    V estimates σ_L² + σ_r² / h. With equal sizes this is s_R² itself.
    """
    counts = split.sizes.astype(float)
    p = counts.size
    around = split.away - mean_of(split.away)
    of_averages = float(around @ around) / (p - 1)
    if not has_spread(split.means):
        of_averages = 0.0
    h = p / float((1 / counts).sum())
    terms = ((1.0, of_averages, p - 1.0), (1 - 1 / h, s_r * s_r, float(freedom)))
    return holding(s_R, sum_interval(terms, confidence))


def _most_common(sizes: IntArray) -> int:
    return int(np.bincount(sizes).argmax())  # the first of a tie: the smaller


def _mandel_h(away: FloatArray, *, spread: bool) -> FloatArray:
    if not spread:
        return np.zeros_like(away)
    unit = away / np.abs(away).max()
    around = unit - mean_of(unit)
    return np.asarray(around / math.sqrt(float(around @ around) / (away.size - 1)))


def _mandel_k(sds: FloatArray, several: BoolArray) -> FloatArray:
    present = sds[several]
    if not present.any():
        return np.where(several, 0.0, np.nan)
    root_mean_square = math.sqrt(float(present @ present) / present.size)
    return np.asarray(sds / root_mean_square)


def _k_limits(sizes: IntArray, several: BoolArray, alpha: float) -> FloatArray:
    limits = np.full(sizes.size, np.nan)
    p = int(several.sum())
    if p >= 2:
        for n in np.unique(sizes[several]):
            limits[sizes == n] = mandel_k_critical(p, int(n), alpha)
    return limits


def _cochran(sds: FloatArray, several: BoolArray, n: int) -> OutlierTest:
    candidates = np.flatnonzero(several)
    shares = sds[candidates] / sds[candidates].max()  # no square overflows
    test = cochran_test(shares**2, n)
    suspect = int(candidates[test.suspects[0]])
    return OutlierTest(
        test.statistic, test.straggler_limit, test.outlier_limit, test.verdict, (suspect,)
    )

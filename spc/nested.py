"""Where spread comes from: batches, samples within a batch, readings of one sample."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import TooFewPointsError
from spc.intake import as_confidence, as_count, as_series
from spc.intervals import Interval, variance_interval
from spc.labels import Labels, as_labels
from spc.one_way import f_ratio, sums_of_squares


@dataclass(frozen=True, slots=True)
class Nested:
    """Two-stage nested analysis of variance: inner units (samples) within outer ones (batches).

    Attributes:
        n: number of values.
        n_outer: number of outer units.
        n_inner: number of inner units in all.
        ms_outer: mean square between outer units.
        ms_inner: mean square between inner units of one outer unit.
        ms_error: mean square between values of one inner unit.
        df_outer: n_outer - 1.
        df_inner: n_inner - n_outer.
        df_error: n - n_inner.
        coefficient_inner: k1 in E(ms_inner) = σ²_error + k1 σ²_inner.
        coefficient_inner_in_outer: k2 in E(ms_outer) = σ²_error + k2 σ²_inner + k3 σ²_outer.
        coefficient_outer: k3.
        variance_outer: component of the outer units.
        variance_inner: component of the inner units.
        variance_error: component of the values.
        set_to_zero: names of the components that came out negative, for which 0 stands.
        f_inner: ms_inner / ms_error, conventions as in `OneWay`.
        p_inner: probability of so large an f_inner by chance.
        f_outer: ms_outer / ms_inner; None where sizes differ so that k1 ≠ k2: no exact test then.
        p_outer: probability of so large an f_outer by chance.
        variance_error_interval: chi-square interval, exact.
        confidence: of that interval.
    """

    n: int
    n_outer: int
    n_inner: int
    ms_outer: float
    ms_inner: float
    ms_error: float
    df_outer: int
    df_inner: int
    df_error: int
    coefficient_inner: float
    coefficient_inner_in_outer: float
    coefficient_outer: float
    variance_outer: float
    variance_inner: float
    variance_error: float
    set_to_zero: tuple[str, ...]
    f_inner: float | None
    p_inner: float | None
    f_outer: float | None
    p_outer: float | None
    variance_error_interval: Interval
    confidence: float

    @property
    def variance_total(self) -> float:
        """Variance of a single value: the sum of the components."""
        return self.variance_outer + self.variance_inner + self.variance_error

    def variance_of_mean(self, inner: int, readings: int) -> float:
        """Variance of a batch's mean around its true mean, for a plan.

        Args:
            inner: samples of the batch, 1 or more.
            readings: readings of each sample, 1 or more.
        """
        inner = as_count(inner, name="inner", at_least=1)
        readings = as_count(readings, name="readings", at_least=1)
        return (self.variance_inner + self.variance_error / readings) / inner


def nested(values: ArrayLike, outer: Labels, inner: Labels, confidence: float = 0.95) -> Nested:
    """Split the spread of values over two nested stages and the readings.

    Args:
        values: shape (n,), finite.
        outer: a label for each value (batch).
        inner: a label for each value (sample). The same label in two outer units means two
            different inner units.
        confidence: of the interval.

    Raises:
        TooFewPointsError: fewer than 2 outer units, no outer unit with 2 inner ones, or no inner
            unit with 2 values; `one_way` serves for what is then left.
        ArgumentError: a value not finite, a label missing, lengths that differ.

    Source: S. R. Searle, G. Casella & C. E. McCulloch, Variance Components (1992), chapter 5 and
        appendix F.1 (unequal sizes); negative estimates are set to 0 after all were computed.

    Example:
        >>> split = nested([1, 3, 6, 8, 11, 13, 14, 16], list("aaaabbbb"), list("pprrpprr"))
        >>> split.variance_error, split.variance_inner, split.variance_outer
        (2.0, 7.5, 36.25)
    """
    level = as_confidence(confidence)
    series = as_series(values, at_least=4)
    outer_names, outer_index = as_labels(outer, name="outer", size=series.size)
    inner_names, inner_index = as_labels(inner, name="inner", size=series.size)
    cells, cell_index = np.unique(outer_index * len(inner_names) + inner_index, return_inverse=True)
    n, n_outer, n_inner = series.size, len(outer_names), cells.size
    if n_outer < 2:
        raise TooFewPointsError("outer needs at least 2 different labels, got 1: use one_way")
    if n_inner == n_outer:
        raise TooFewPointsError(
            "inner needs a unit of outer with two labels, got one each: use one_way"
        )
    if n == n_inner:
        raise TooFewPointsError(
            "values needs an inner unit with two readings, got one each: use one_way on outer"
        )
    # One-way by cell gives the error; the cells' place in their batch gives the inner stage.
    by_cell = sums_of_squares(series, cell_index.astype(np.int64))
    by_outer = sums_of_squares(series, outer_index)
    owner = cells // len(inner_names)
    count, total = by_cell.sizes.astype(float), by_outer.sizes.astype(float)
    in_batch = by_cell.away - by_outer.away[owner]
    df_outer, df_inner, df_error = n_outer - 1, n_inner - n_outer, n - n_inner
    ms_outer = by_outer.between / df_outer
    ms_inner = math.fsum(count * in_batch * in_batch) / df_inner
    ms_error = math.fsum(by_cell.within) / df_error

    of_batch = float((count * count / total[owner]).sum())
    k1 = (n - of_batch) / df_inner
    k2 = (of_batch - float(count @ count) / n) / df_outer
    k3 = (n - float(total @ total) / n) / df_outer
    raw_inner = (ms_inner - ms_error) / k1
    raw_outer = (ms_outer - ms_error - k2 * raw_inner) / k3
    f_inner, p_inner = f_ratio(ms_inner, ms_error, df_inner, df_error)
    exact = math.isclose(k1, k2, rel_tol=1e-9)
    f_outer, p_outer = f_ratio(ms_outer, ms_inner, df_outer, df_inner) if exact else (None, None)
    raw = {"outer": raw_outer, "inner": raw_inner}
    return Nested(
        n=n,
        n_outer=n_outer,
        n_inner=n_inner,
        ms_outer=ms_outer,
        ms_inner=ms_inner,
        ms_error=ms_error,
        df_outer=df_outer,
        df_inner=df_inner,
        df_error=df_error,
        coefficient_inner=k1,
        coefficient_inner_in_outer=k2,
        coefficient_outer=k3,
        variance_outer=max(0.0, raw_outer),
        variance_inner=max(0.0, raw_inner),
        variance_error=ms_error,
        set_to_zero=tuple(name for name, component in raw.items() if component < 0),
        f_inner=f_inner,
        p_inner=p_inner,
        f_outer=f_outer,
        p_outer=p_outer,
        variance_error_interval=variance_interval(ms_error, df_error, level),
        confidence=level,
    )

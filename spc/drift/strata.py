"""Does the level differ by operator, lot, shift, weekday …? Every factor, with chance kept fair."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from spc.drift.history import Factor
from spc.errors import TooFewPointsError
from spc.intake import FloatArray, as_confidence

_LEAST = 3  # values in a level before it is compared
_SAME = 0.8  # Cramér's V above which two factors cannot be told apart


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a factor against all other values.

    Attributes:
        name: of the level.
        n: values in it.
        mean: their mean.
        low: lower end of the t interval of the mean, pooled spread inside levels.
        high: upper end.
        difference_percent: mean of the level over mean of the rest, less 1, in %; nan for a level
            that holds everything or less than 3 values.
        difference_low: lower end of its interval, in %.
        difference_high: upper end.
        p: two-sided probability of such a difference by chance.
        p_adjusted: the same, allowing for all levels of all factors that were compared.
    """

    name: str
    n: int
    mean: float
    low: float
    high: float
    difference_percent: float
    difference_low: float
    difference_high: float
    p: float
    p_adjusted: float


@dataclass(frozen=True, slots=True)
class Stratum:
    """One factor.

    Attributes:
        name: of the factor.
        levels: in the order of their means, largest first.
        share: part of the variance between values that the factor takes up, adjusted for the
            number of its levels; 0 where chance would take as much.
        smallest_p: smallest adjusted p of its levels; 1 where none could be compared.
        notes: what cannot be told apart from what, in sentences.
    """

    name: str
    levels: tuple[Level, ...]
    share: float
    smallest_p: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Strata:
    """All factors, the one with the smallest adjusted p first.

    Attributes:
        factors: one entry a factor with at least two levels.
        comparisons: number of level comparisons that the adjustment allows for.
        method: of the adjustment, in words.
    """

    factors: tuple[Stratum, ...]
    comparisons: int
    method: str


def stratify(
    values: ArrayLike,
    factors: Sequence[Factor],
    confidence: float = 0.95,
    neighbours: float = 0.0,
) -> Strata:
    """Compare each level of each factor with all other values.

    Ten factors at 5 % give one false "cause" in four cases out of ten; the adjusted p allows for
    every comparison made here. What differs need not be a cause: factors that go together are
    named in the notes.

    Args:
        values: shape (n,), above 0, batch means.
        factors: one code a value each.
        confidence: of the intervals, which are not adjusted.
        neighbours: correlation of neighbouring values, 0 or more. A level whose values stand in
            long runs is worth fewer independent values: its errors are widened accordingly.

    Raises:
        TooFewPointsError: fewer than 6 values.

    Source: pooled two-sample t on logs; Holm, Scand. J. Stat. 6 (1979) 65 for the adjustment;
        Cramér's V for factors that go together (all from memory).
    """
    level = as_confidence(confidence)
    series = np.array(values, dtype=float)
    if len(series) < 6:
        raise TooFewPointsError(f"values needs at least 6 points, got {len(series)}")
    wanted = [one for one in factors if len(np.unique(one.codes[one.codes >= 0])) > 1]
    logs = np.log(series)
    raw = [_contrasts(series, logs, one, level, neighbours) for one in wanted]
    flat = [p for rows in raw for (_, p) in rows if np.isfinite(p)]
    adjusted = iter(_holm(np.array(flat)))
    strata = []
    for one, rows in zip(wanted, raw, strict=True):
        done = [
            replace(row, p=p, p_adjusted=float(next(adjusted)) if np.isfinite(p) else p)
            for row, p in rows
        ]
        compared = [x.p_adjusted for x in done if np.isfinite(x.p_adjusted)]
        strata.append(
            Stratum(
                name=one.name,
                levels=tuple(sorted(done, key=lambda x: -x.mean)),
                share=_share(logs, one),
                smallest_p=min(compared, default=1.0),
                notes=tuple(confounded(one, [x for x in wanted if x is not one])),
            )
        )
    strata.sort(key=lambda x: x.smallest_p)
    method = f"Holm, over {len(flat)} comparisons of a level with the rest"
    return Strata(tuple(strata), len(flat), method)


def confounded(factor: Factor, others: Sequence[Factor]) -> list[str]:
    """Say which levels of a factor occur with one level of another factor only, and the like."""
    notes = []
    for other in others:
        both = (factor.codes >= 0) & (other.codes >= 0)
        if both.sum() < _LEAST:
            continue
        table = np.zeros((len(factor.levels), len(other.levels)))
        np.add.at(table, (factor.codes[both], other.codes[both]), 1)
        kept = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
        if min(kept.shape) < 2:
            continue
        if _cramers_v(kept) >= _SAME:
            notes.append(
                f"{factor.name} and {other.name} go together: they cannot be told apart here."
            )
            continue
        for i in range(len(factor.levels)):
            row = table[i]
            if row.sum() >= _LEAST and (row > 0).sum() == 1:
                only = int(np.argmax(row))
                if table[:, only].sum() < table.sum():
                    notes.append(
                        f"{factor.name} {factor.levels[i]} occurs with {other.name} "
                        f"{other.levels[only]} only."
                    )
    return notes


def _cramers_v(table: FloatArray) -> float:
    total = table.sum()
    expected = table.sum(axis=1, keepdims=True) * table.sum(axis=0, keepdims=True) / total
    chi = float(np.sum((table - expected) ** 2 / expected))
    return float(np.sqrt(chi / total / (min(table.shape) - 1)))


def _contrasts(
    series: FloatArray, logs: FloatArray, factor: Factor, confidence: float, neighbours: float
) -> list[tuple[Level, float]]:
    """Levels that occur, p still missing from them, and p beside each."""
    known = factor.codes >= 0
    codes = factor.codes[known]
    y, raw = logs[known], series[known]
    sizes = np.bincount(codes, minlength=len(factor.levels)).astype(float)
    occurring = np.flatnonzero(sizes > 0)
    means = np.bincount(codes, weights=y, minlength=len(sizes)) / np.maximum(sizes, 1)
    free = len(y) - len(occurring)
    spread = float(np.sqrt(np.sum((y - means[codes]) ** 2) / free)) if free > 0 else float("nan")
    t = float(stdtrit(max(free, 1), (1 + confidence) / 2))
    rows: list[tuple[Level, float]] = []
    for i in occurring:
        inside = codes == i
        n, rest = int(sizes[i]), int(len(y) - sizes[i])
        widen = _widening(inside, neighbours)
        mean = float(raw[inside].mean())
        half = t * spread * widen / np.sqrt(n) if n > 0 else float("nan")
        difference = error = p = float("nan")
        if n >= _LEAST and rest >= _LEAST and free > 0:
            difference = float(means[i] - y[~inside].mean())
            error = spread * widen * float(np.sqrt(1 / n + 1 / rest))
            if error > 0:
                p = 2.0 * float(stdtr(free, -abs(difference) / error))
            else:
                p = 1.0 if difference == 0 else 0.0
        ends = difference + np.array([0.0, -t * error, t * error])
        percent, lower, upper = (100.0 * np.expm1(ends)).tolist()
        row = Level(
            name=factor.levels[i],
            n=n,
            mean=mean,
            low=mean * float(np.exp(-half)),
            high=mean * float(np.exp(half)),
            difference_percent=percent,
            difference_low=lower,
            difference_high=upper,
            p=float("nan"),
            p_adjusted=float("nan"),
        )
        rows.append((row, p))
    return rows


def _widening(inside: np.ndarray, neighbours: float) -> float:
    """How much correlated neighbours widen a level's error: all of it for one run, less for many.

    The variance of a mean over a run of length L is larger by about (1 + phi) / (1 - phi) for long
    runs and not at all for runs of one: phi is thinned by the share of neighbours inside.
    """
    if neighbours <= 0 or inside.sum() < 2:
        return 1.0
    together = float(np.mean(inside[1:][inside[:-1]])) if inside[:-1].any() else 0.0
    phi = min(neighbours * together, 0.95)
    return float(np.sqrt((1 + phi) / (1 - phi)))


def _holm(p: FloatArray) -> FloatArray:
    """Holm's step-down adjustment."""
    m = len(p)
    if m == 0:
        return p
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * (m - np.arange(m)))
    adjusted = np.empty(m)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _share(logs: FloatArray, factor: Factor) -> float:
    """Adjusted part of the variance that the factor takes up (omega squared, not below 0)."""
    known = factor.codes >= 0
    y, codes = logs[known], factor.codes[known]
    sizes = np.bincount(codes)
    occurring = sizes > 0
    means = np.bincount(codes, weights=y) / np.maximum(sizes, 1)
    inside = float(np.sum((y - means[codes]) ** 2))
    total = float(np.sum((y - y.mean()) ** 2))
    k, n = int(occurring.sum()), len(y)
    if total <= 0 or n <= k:
        return 0.0
    mean_square = inside / (n - k)
    return max(0.0, (total - inside - (k - 1) * mean_square) / (total + mean_square))

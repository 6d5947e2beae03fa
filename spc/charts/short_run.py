"""Short runs of several products on one chart: ln(result / target)."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc

from spc.charts.dispersion_limits import DispersionLimits
from spc.charts.individuals import individuals
from spc.charts.log_scale import as_positive
from spc.errors import ArgumentError
from spc.intake import FloatArray, IntArray, as_choice, as_series, binary_scale
from spc.labels import as_labels
from spc.result import ChartSet

# Spreads that differ more than chance allows 19 times in 20 do not belong on one chart.
SMALLEST_P = 0.05


@dataclass(frozen=True, slots=True)
class EqualVariation:
    """Whether products vary alike, so that one pair of limits can serve them all.

    Attributes:
        products: those with two results or more, in order of appearance.
        n: results of each.
        cv_percent: 100 times the standard deviation of ln(result) of each.
        bartlett: Bartlett's statistic; None where a product does not vary at all.
        bartlett_p: its probability by chance if all vary alike; sharp for normal values, and one
            point with a cause of its own is enough to make it small.
        levene: Levene's statistic with distances from the median.
        levene_p: its probability by chance; little moved by long tails and single points.
        equal: False where levene_p is below 5 %.
    """

    products: tuple[str, ...]
    n: tuple[int, ...]
    cv_percent: tuple[float, ...]
    bartlett: float | None
    bartlett_p: float | None
    levene: float
    levene_p: float
    equal: bool


@dataclass(frozen=True, slots=True, eq=False)
class ShortRun:
    """Several products on one chart.

    Attributes:
        charts: individuals and moving range of ln(result / target).
        percent: 100 (result / target - 1), each point in words people use.
        equal_variation: the check that must hold before the chart is believed; None where fewer
            than two products have two results.
        raw_limits: lower and upper limit that the results themselves would give, pooled: shown as
            the reason why they are not pooled.
            A single result has no such limits: both are that result.
        why_not_raw: that reason in a sentence.
    """

    charts: ChartSet
    percent: FloatArray
    equal_variation: EqualVariation | None
    raw_limits: tuple[float, float]
    why_not_raw: str


def short_run(
    results: ArrayLike,
    targets: ArrayLike,
    products: Sequence[str] | None = None,
    *,
    center: float | None = None,
    sigma: float | None = None,
    dispersion_limits: DispersionLimits = "three_sigma",
) -> ShortRun:
    """Chart ln(result / target) of products that share process, method and relative spread.

    The target is the aim of the process for that product, not the mean of its few results.

    Args:
        results: shape (n,), one result a batch in production order, above 0.
        targets: shape (n,), the aim for each result, above 0, same unit.
        products: n names, none missing; by default products are told apart by their target.
        center: a centre of ln(result / target) fixed earlier; together with `sigma`.
        sigma: the standard deviation fixed earlier with that centre.
        dispersion_limits: as in `individuals`.

    Raises:
        TooFewPointsError: fewer than 2 results (1 where center and sigma are given).
        ArgumentError: lengths differ, a number not above 0, only one of `center` and `sigma`, a
            name missing or written both as a number and as a word.

    Source: ISO 7870-8 (charts for short runs and small mixed batches).

    Example:
        >>> run = short_run([102, 1960, 99, 2030], [100, 2000, 100, 2000])
        >>> run.percent.round(1).tolist()
        [2.0, -2.0, -1.0, 1.5]
    """
    result, target = as_positive(results, name="results"), as_positive(targets, name="targets")
    if result.size != target.size:
        raise ArgumentError(f"results and targets must match, got {result.size} and {target.size}")
    # Twelve digits: targets that differ are told apart, and 350 is written 350.
    names = [f"{aim:.12g}" for aim in target.tolist()] if products is None else products
    as_labels(names, name="products", size=result.size)
    ratio = np.log(result / target)
    dispersion_limits = as_choice(
        dispersion_limits, ("three_sigma", "probability"), name="dispersion_limits"
    )
    charts = individuals(ratio, center=center, sigma=sigma, dispersion_limits=dispersion_limits)
    raw = individuals(result).location if result.size > 1 else None
    low = float(raw.lower[0]) if raw else float(result[0])
    high = float(raw.upper[0]) if raw else float(result[0])
    return ShortRun(
        charts=charts,
        percent=100 * np.expm1(ratio),
        equal_variation=equal_variation(ratio, names),
        raw_limits=(low, high),
        why_not_raw=_why_not_raw(result, low, high),
    )


def _why_not_raw(result: FloatArray, low: float, high: float) -> str:
    if result.size == 1:
        return (
            f"A single result, {result[0]:.4g}, has no limits of its own: pooling has nothing to "
            "show yet."
        )
    limits = f"{low:.0f} to {high:.0f}".replace("-", "−")
    spread = f"results from {result.min():.0f} to {result.max():.0f}"
    if low < 0:
        return (
            f"Pooled as they are, {spread} would get limits of {limits}: a change of product "
            "passes for movement, and no result could ever lie below the lower limit."
        )
    return (
        f"Pooled as they are, {spread} would get limits of {limits}, which tell products apart "
        "and not good batches from bad."
    )


def equal_variation(log_ratios: ArrayLike, products: Sequence[str]) -> EqualVariation | None:
    """Test whether products vary alike about their own means, on the logarithmic scale.

    Args:
        log_ratios: shape (n,), ln of the results or of results over targets.
        products: n names.

    Returns:
        None where fewer than two products have two results: nothing to compare.

    Raises:
        ArgumentError: lengths differ, a name missing or written both as a number and as a word.

    Source: M. S. Bartlett, Proc. R. Soc. A 160 (1937) 268; H. Levene (1960) with medians after
        M. B. Brown & A. B. Forsythe, JASA 69 (1974) 364; NIST/SEMATECH e-Handbook 1.3.5.7 and
        1.3.5.10. Convention where no product varies at all: equal, levene 0.
    """
    ratios = as_series(log_ratios, name="log_ratios")
    labels, owner = as_labels(products, name="products", size=ratios.size)
    members: dict[str, list[int]] = {}
    for index, number in enumerate(owner.tolist()):
        members.setdefault(str(labels[number]), []).append(index)
    several = {name: rows for name, rows in members.items() if len(rows) > 1}
    if len(several) < 2:
        return None
    scale = binary_scale(ratios - ratios[0])  # neither test depends on the unit
    groups = [(ratios[rows] - ratios[rows[0]]) / scale for rows in several.values()]
    sizes = np.array([group.size for group in groups])
    variances = np.array([group.var(ddof=1) for group in groups])
    bartlett, bartlett_p = _bartlett(sizes, variances)
    levene, levene_p = _levene(groups, sizes)
    return EqualVariation(
        products=tuple(several),
        n=tuple(sizes.tolist()),
        cv_percent=tuple((100 * scale * np.sqrt(variances)).tolist()),
        bartlett=bartlett,
        bartlett_p=bartlett_p,
        levene=levene,
        levene_p=levene_p,
        equal=levene_p >= SMALLEST_P,
    )


def _bartlett(sizes: IntArray, variances: FloatArray) -> tuple[float | None, float | None]:
    if (variances == 0).any():
        return None, None
    freedom = sizes - 1
    total, k = int(freedom.sum()), sizes.size
    pooled = float((freedom * variances).sum()) / total
    raw = float((freedom * np.log(pooled / variances)).sum())
    statistic = raw / (1 + float((1 / freedom).sum() - 1 / total) / (3 * (k - 1)))
    statistic = max(0.0, statistic)  # equal variances leave a rounding error of either sign
    return statistic, float(chdtrc(k - 1, statistic))


def _levene(groups: list[FloatArray], sizes: IntArray) -> tuple[float, float]:
    distances = [np.abs(group - np.median(group)) for group in groups]
    means = np.array([distance.mean() for distance in distances])
    grand = float((sizes * means).sum() / sizes.sum())
    k, freedom = sizes.size, int(sizes.sum()) - sizes.size
    between = float((sizes * (means - grand) ** 2).sum()) / (k - 1)
    within = sum(float(((d - m) ** 2).sum()) for d, m in zip(distances, means, strict=True))
    if within == 0:  # pairs have equal distances from their median: compare what there is
        statistic = 0.0 if between == 0 else float("inf")
        return statistic, 1.0 if between == 0 else 0.0
    statistic = between / (within / freedom)
    return statistic, float(fdtrc(k - 1, freedom, statistic))

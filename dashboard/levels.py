"""Repeatability over several products: one number in mPa·s, or one in percent?"""

from dataclasses import dataclass
from typing import Any

import numpy as np

import spc
from dashboard import text
from dashboard.batches import batch_tables, replicate_groups


@dataclass(frozen=True, slots=True)
class Level:
    """Repeatability of one characteristic.

    Attributes:
        product: name of the product.
        condition: measuring condition in words.
        mean: mean of its batches with two and more readings, mPa·s.
        s_r: repeatability standard deviation, mPa·s.
        cv_percent: the same in percent of the viscosity, from logarithms.
        n_groups: batches it was made from.
    """

    product: str
    condition: str
    mean: float
    s_r: float
    cv_percent: float
    n_groups: int


@dataclass(frozen=True, slots=True)
class RepeatabilityByLevel:
    """How repeatability goes with the level of viscosity.

    Attributes:
        levels: one a characteristic, thinnest first.
        pooled_cv_percent: pooled over all in percent; None without any level.
        pooled_s_r: pooled over all in mPa·s; None without any level.
        slope: of log s_r against log mean; 0 means constant in mPa·s, 1 constant in percent. None
            below two different levels.
        scale: "relative" or "absolute"; None without a slope.
        sentence: the recommendation in words.
    """

    levels: tuple[Level, ...]
    pooled_cv_percent: float | None
    pooled_s_r: float | None
    slope: float | None
    scale: str | None
    sentence: str


def repeatability_by_level(store: Any) -> RepeatabilityByLevel:
    """Compare and pool the repeatability of every product in the store."""
    characteristics = store.characteristics()
    products = characteristics[characteristics["sample_type"] == "product"]
    batches = store.batches()
    tables = batch_tables(batches[batches["characteristic_id"].isin(products["id"])])
    levels, every = [], []
    for row in products.itertuples():
        table = tables.get(int(row.id))
        groups = replicate_groups(table) if table is not None else np.empty((0, 0))
        if not len(groups) or not (np.nanmin(groups) > 0):
            continue
        try:
            absolute = spc.repeatability(groups, scale="absolute")
            relative = spc.repeatability(groups, scale="relative")
        except spc.SpcError:  # duplicates without any difference have no scatter to compare
            continue
        every += [group[~np.isnan(group)] for group in groups]
        levels.append(
            Level(
                product=str(row.product),
                condition=str(row.condition),
                mean=float(np.mean(np.nanmean(groups, axis=1))),
                s_r=float(absolute.s_r),
                cv_percent=float(relative.cv_percent),
                n_groups=len(groups),
            )
        )
    levels.sort(key=lambda level: (level.mean, level.product, level.condition))
    if not levels:
        return RepeatabilityByLevel(
            (), None, None, None, None, "No batch has two readings, so nothing can be compared."
        )
    pooled_cv = float(spc.repeatability(every, scale="relative").cv_percent)
    pooled_s = float(spc.repeatability(every, scale="absolute").s_r)
    slope = scale = None
    means = [level.mean for level in levels if level.s_r > 0]
    if len(set(means)) > 1:
        slope = float(spc.loglog_slope(means, [level.s_r for level in levels if level.s_r > 0]))
        scale = str(spc.recommend_scale(slope))
    return RepeatabilityByLevel(
        tuple(levels), pooled_cv, pooled_s, slope, scale, _advice(slope, scale, pooled_cv, pooled_s)
    )


def _advice(slope: float | None, scale: str | None, pooled_cv: float, pooled_s: float) -> str:
    if slope is None:
        return "One level only: how repeatability goes with viscosity cannot be told."
    steep = f"(log-log slope {text.fixed(slope, 2)})"
    if scale == "relative":
        percent = text.percent(pooled_cv, 3)
        return f"Repeatability grows with viscosity {steep}: pool in percent, {percent}."
    return (
        f"Repeatability hardly grows with viscosity {steep}: "
        f"pool in mPa·s, {text.viscosity(pooled_s, 3)}."
    )

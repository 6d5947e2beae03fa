"""Several products with few batches each on one chart: ln(result ÷ target)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.capability_view import specifications_in_force
from dashboard.results import Assessment

SHORT = 20
"""Fewer batches than limits of their own need: such products are put together at first."""

MOST_PROPOSED = 12


@dataclass(frozen=True, slots=True, eq=False)
class ShortRunView:
    """The chart of several products.

    Attributes:
        batches: product, batch, at, mean, target, percent off target; in production order.
        charts: individuals and moving range of ln(mean ÷ target); None where none can be made.
        outside: positions beyond the control limits.
        sentences: what was found, what was left out, and whether the chart may be believed.
        warning: why it may not; "" otherwise.
    """

    batches: pd.DataFrame
    charts: spc.ChartSet | None
    outside: tuple[int, ...]
    sentences: tuple[str, ...]
    warning: str


def candidates(
    characteristics: pd.DataFrame, specifications: Mapping[str, Sequence[ingest.Specification]]
) -> list[int]:
    """Characteristics that can be on such a chart: products with an aim to be divided by."""
    aimed = {
        product
        for product, held in specifications.items()
        if any(one.target is not None for one in held)
    }
    rows = characteristics[characteristics["product"].isin(aimed)]
    return [int(number) for number in rows["id"][rows["n_readings"] > 0]]


def proposed(characteristics: pd.DataFrame, among: Sequence[int], chosen: int) -> list[int]:
    """The product that is looked at, and with it those that have too few batches of their own."""
    rows = characteristics[characteristics["id"].isin(among)]
    few = [int(number) for number in rows["id"][rows["n_readings"] < 2 * SHORT]][:MOST_PROPOSED]
    return [*([chosen] if chosen in among and chosen not in few else []), *few]


def short_run_view(
    chosen: Sequence[Assessment],
    specifications: Mapping[str, Sequence[ingest.Specification]],
) -> ShortRunView:
    """Chart the batches of several products by their distance from the target of their day."""
    parts, without = [], []
    for one in chosen:
        in_force = specifications_in_force(specifications.get(one.product, ()), one.batches["at"])
        aims = np.array(
            [np.nan if held is None or held.target is None else held.target
             for held in in_force.choices]
        )[in_force.position]  # fmt: skip
        frame = one.batches[["batch", "at", "mean"]].assign(product=one.product, target=aims)
        usable = np.isfinite(aims) & (frame["mean"].to_numpy() > 0)
        if not usable.all():
            without.append(f"{one.product} ({text.batches(int((~usable).sum()))})")
        parts.append(frame[usable])
    frame = pd.concat(parts, ignore_index=True) if parts else _empty()
    frame = frame.sort_values("at", kind="stable", na_position="first").reset_index(drop=True)
    said = [f"Without a target, not shown: {text.joined(without)}."] if without else []
    if len(frame) < 2:
        return ShortRunView(frame, None, (), (*said, "Two batches with a target are needed."), "")
    try:
        run = spc.short_run(frame["mean"], frame["target"], frame["product"].tolist())
    except spc.SpcError as error:
        return ShortRunView(frame, None, (), (*said, f"No chart: {error}"), "")
    frame["percent"] = run.percent
    outside = tuple(int(i) for i in np.flatnonzero(run.charts.location.outside()))
    said = [*(_outside(frame.iloc[i]) for i in outside), *said]
    if frame["product"].nunique() > 1:
        said.append(run.why_not_raw)
    else:
        said.append("One product only: add others that are made alike.")
    return ShortRunView(frame, run.charts, outside, tuple(said), _warning(run.equal_variation))


def _empty() -> pd.DataFrame:
    return pd.DataFrame({name: [] for name in ("batch", "at", "mean", "product", "target")})


def _outside(row: pd.Series) -> str:
    way = "above" if row["percent"] > 0 else "below"
    return (
        f"{row['batch']} ({row['product']}): {text.percent(abs(row['percent']))} {way} its target, "
        "beyond the control limits."
    )


def _warning(alike: spc.EqualVariation | None) -> str:
    if alike is None or alike.equal:
        return ""
    spreads = [
        f"{name} {text.percent(cv)}"
        for name, cv in zip(alike.products, alike.cv_percent, strict=True)
    ]
    return (
        f"These products do not vary alike ({text.joined(spreads[:6])}; p "
        f"{text.number(alike.levene_p, 2)}): one pair of control limits does not fit them all. "
        "Chart those that vary alike."
    )

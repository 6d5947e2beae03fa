"""How well readings agree: inside a batch, between instruments, and inside the torque window."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.figures.intervals import Row

MARGIN = "comparison_margin_percent"
"""Setting: the largest difference between two instruments that does not matter, in percent."""
TOGETHER = np.timedelta64(30, "D")
"""Readings of one batch number further apart do not belong to one batch."""
MOST_READINGS = 300_000
PREFERRED = (20.0, 90.0)  # torque in %, where readings are best
EVERYTHING = "all materials"


@dataclass(frozen=True, slots=True)
class Agreement:
    """Repeatability of one instrument, operator or product, in percent of the viscosity.

    Attributes:
        label: of what. n: batches with two readings or more by it.
        cv_percent: relative repeatability standard deviation. low, high: 95 % interval.
        s_r: mPa·s; None where several levels are pooled.
    """

    label: str
    n: int
    cv_percent: float
    low: float
    high: float
    s_r: float | None

    @property
    def row(self) -> Row:
        """As the figure of intervals takes it."""
        return (self.label, self.cv_percent, self.low, self.high)


def pseudonyms(every: pd.DataFrame) -> dict[str, str]:
    """Names of operators to "operator 1", numbered by first appearance among all readings."""
    ordered = every.sort_values("id")["operator"].fillna("").astype(str)
    people = [name for name in ordered.unique() if name]
    return {name: f"operator {i}" for i, name in enumerate(people, 1)}


def by_column(every: pd.DataFrame, column: str, show_operators: bool) -> list[Agreement]:
    """Repeatability of one product by instrument or by operator.

    Only readings of one batch by one operator on one instrument are compared: anything else holds
    more than repeatability.

    Args:
        every: all readings of one characteristic. column: "instrument" or "operator".
        show_operators: with their names; else as "operator 1".
    """
    used = every[every["reason"] == ""]
    named = used.assign(
        operator=used["operator"].fillna("").astype(str),
        instrument=used["instrument"].fillna("").astype(str),
    )
    cells: dict[str, list[np.ndarray]] = {}
    for key, rows in named.groupby(["batch", "instrument", "operator"], sort=False):
        values = rows.sort_values("replicate", kind="stable")["viscosity"].to_numpy(dtype=float)
        if len(values) < 2 or _apart(rows) or not (values > 0).all():
            continue
        label = str(key[1] if column == "instrument" else key[2])
        cells.setdefault(label, []).append(values)
    people = {} if show_operators else pseudonyms(every)
    found = []
    for label, groups in cells.items():
        shown = people.get(label, label) if column == "operator" else label
        one = _agreement(shown or "not recorded", groups, absolute=True)
        if one is not None:
            found.append(one)
    return sorted(found, key=lambda one: one.label)


def by_instrument(batches: pd.DataFrame) -> list[Agreement]:
    """Repeatability of each instrument over all products, pooled in percent.

    Args:
        batches: of the store; those read on several instruments do not count.
    """
    alone = batches[(batches["instruments"] == "") & (batches["n"] > 1)]
    found = []
    for instrument, rows in alone.groupby("instrument", sort=True):
        grid = ingest.reading_grid(rows)
        grid = grid[~(grid <= 0).any(axis=1)]
        one = _agreement(str(instrument) or "not recorded", grid, absolute=False)
        if one is not None:
            found.append(one)
    return found


def _agreement(label: str, groups: Any, absolute: bool) -> Agreement | None:
    try:
        relative = spc.repeatability(groups, scale="relative")
    except spc.SpcError:
        return None
    if relative.cv_percent is None or relative.cv_interval is None:
        return None
    s_r = float(relative.s_r) if absolute else None
    low, high = relative.cv_interval
    return Agreement(label, relative.n_groups, relative.cv_percent, low, high, s_r)


def _apart(rows: pd.DataFrame) -> bool:
    at = rows["sampled_at"].fillna(rows["at"]).dropna()
    return bool(len(at)) and (at.max() - at.min()).to_timedelta64() > TOGETHER


def told(found: Sequence[Agreement], what: str) -> str:
    """What the comparison says, without ranking anybody."""
    if not found:
        return f"No {what} has read one batch twice, so there is nothing to compare."
    if len(found) == 1:
        return f"One {what} only."
    low = max(one.low for one in found)
    high = min(one.high for one in found)
    if low <= high:
        return (
            "The intervals overlap: no difference in repeatability is shown. That does not prove "
            "that there is none."
        )
    return (
        "Not all intervals overlap. Look at technique, sample and level before anything is "
        "concluded; the numbers name no cause."
    )


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two instruments on the same batches.

    Attributes:
        first, second: instruments; the difference is that of the second from the first.
        material: product or check standard; EVERYTHING for all together.
        result: the paired comparison.
        verdict: in words; only that no margin is agreed where none is.
    """

    first: str
    second: str
    material: str
    result: spc.Equivalence
    verdict: str

    @property
    def row(self) -> Row:
        """As the figure of intervals takes it."""
        low, high = self.result.interval_percent
        return (self.material, self.result.difference_percent, low, high)


def compare_instruments(store: Any, settings: Mapping[str, Any]) -> tuple[list[Comparison], str]:
    """Compare instruments by all batches that were read on two of them.

    Returns:
        for each pair of instruments all materials together, then each alone; and how it was made.
    """
    batches = store.batches()
    several = batches[batches["instruments"] != ""]
    if several.empty:
        return [], (
            "No batch was read on two instruments, so they cannot be compared. Measure about ten "
            "batches, or the check standards, on both."
        )
    known = store.characteristics().set_index("id")
    named = known["product"]
    checks = set(known.index[known["sample_type"] == "check"])
    parts, read, skipped = [], 0, 0
    counts = several.groupby("characteristic_id")["n"].sum().sort_values()
    for number in counts.index:
        if read > MOST_READINGS:
            skipped += 1
            continue
        rows = store.readings(int(number))
        read += len(rows)
        parts.append(rows.assign(material=named[number]))
    pairs = _pairs(pd.concat(parts, ignore_index=True), several)
    margin = settings.get(MARGIN)
    found = []
    for (first, second), rows in pairs.items():
        groups = [(EVERYTHING, rows)] if rows["material"].nunique() > 1 else []
        groups += [(str(name), part) for name, part in rows.groupby("material")]
        for material, part in groups:
            one = _compared(first, second, material, part, margin)
            if one is not None:
                found.append(one)
    said = f"By {_counted(pairs.values(), checks)} read on two instruments, as ratios of the means."
    if skipped:
        said += f" {text.count(skipped, 'product')} more not looked at: too many readings."
    return found, said


def _counted(pairs: Iterable[pd.DataFrame], checks: set[int]) -> str:
    """How many batches and how many runs of check standards: the latter are no product."""
    every = list(pairs)
    runs = sum(int(rows["characteristic_id"].isin(checks).sum()) for rows in every)
    made = sum(len(rows) for rows in every) - runs
    said = [text.batches(made)] if made or not runs else []
    if runs:
        said.append(f"{text.count(runs, 'run')} of check standards")
    return text.joined(said)


def _pairs(readings: pd.DataFrame, several: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """Means of both instruments for each batch, or day of a batch that goes on for long."""
    wanted = several[["characteristic_id", "batch"]].drop_duplicates()
    rows = readings.merge(wanted, on=["characteristic_id", "batch"])
    rows = rows[rows["viscosity"] > 0]
    at = rows["sampled_at"].fillna(rows["at"])
    key = ["characteristic_id", "batch"]
    span = at.groupby([rows[name] for name in key]).transform(lambda t: t.max() - t.min())
    long = (span > pd.Timedelta(TOGETHER)).to_numpy()
    # a check standard is often one "batch" for years: then a day is what belongs together
    day = np.where(long, at.dt.strftime("%Y-%m-%d").fillna(""), "")
    means = (
        rows.assign(day=day)
        .groupby([*key, "material", "day", "instrument"], sort=True)["viscosity"]
        .mean()
        .unstack("instrument")
    )
    found = {}
    for first, second in combinations(sorted(str(name) for name in means.columns if name), 2):
        both = means[[first, second]].dropna().reset_index()
        if len(both):
            found[first, second] = both
    return found


def _compared(
    first: str, second: str, material: str, rows: pd.DataFrame, margin: Any
) -> Comparison | None:
    try:
        result = spc.equivalence(
            rows[first].to_numpy(), rows[second].to_numpy(), float(margin or 1.0)
        )
    except spc.SpcError:
        return None
    if not margin:
        return Comparison(first, second, material, result, "no margin is agreed: see Set-up")
    within = f"± {text.plain(float(margin))} %"
    verdict = {
        "equivalent": f"equivalent within {within}",
        "not equivalent": f"not equivalent within {within}",
        "not decided": f"not decided within {within}: more batches on both",
    }[result.verdict]
    return Comparison(first, second, material, result, verdict)


@dataclass(frozen=True, slots=True)
class TorqueShare:
    """How many readings of one product lie outside the torque window.

    Attributes:
        product, condition: which. n: readings with a result, used or out of the window.
        below, above: of them, under and over the window, or recorded as "less" or "more than".
    """

    product: str
    condition: str
    n: int
    below: int
    above: int

    @property
    def percent(self) -> float:
        """Share outside, in percent."""
        return 100 * (self.below + self.above) / self.n if self.n else 0.0


def torque_shares(store: Any) -> list[TorqueShare]:
    """Readings outside the torque window, by product, the largest share first."""
    counts = store.set_aside_counts()
    table = counts.pivot_table(
        index="characteristic_id", columns="reason", values="n", aggfunc="sum", fill_value=0
    )
    found = []
    for row in store.characteristics().itertuples():
        if row.sample_type not in ("product", "check"):
            continue
        aside = table.loc[row.id] if row.id in table.index else {}
        below, above = int(aside.get("below_range", 0)), int(aside.get("over_range", 0))
        n = int(row.n_readings) + below + above
        if n:
            found.append(TorqueShare(row.product, row.condition, n, below, above))
    return sorted(found, key=lambda one: (-one.percent, one.product))


def torque_words(every: pd.DataFrame, methods: Sequence[ingest.Method], condition: str) -> str:
    """Where the torque of one product lies: inside its window, and where readings are best."""
    known = every[every["torque"].notna()]["torque"].to_numpy(dtype=float)
    if not len(known):
        return "No torque is recorded for this product, so its window cannot be looked at."
    low, high, of = window_of(methods, condition)
    outside = float(np.mean((known < low) | (known > high)) * 100)
    best = float(np.mean((known >= PREFERRED[0]) & (known <= PREFERRED[1])) * 100)
    return (
        f"{text.percent(outside)} of {text.count(len(known), 'reading')} with a torque lie outside "
        f"{text.plain(low)} to {text.plain(high)} % ({of}); {text.percent(best)} lie within 20 to "
        f"90 %, where an error of the full scale counts least. Median torque "
        f"{text.percent(float(np.median(known)), 1)}."
    )


def window_of(methods: Sequence[ingest.Method], condition: str) -> tuple[float, float, str]:
    """The torque window of the newest method with this spindle and speed, else the usual one."""
    parts = {part.strip() for part in condition.split("·")}
    for method in reversed(methods):
        speed = f"{method.speed:g} rpm" if method.speed is not None else ""
        if method.spindle and {method.spindle, speed} - {""} <= parts:
            shown = f"method {method.name} {method.version}".strip()
            return method.torque_low, method.torque_high, shown
    return 10.0, 100.0, "the usual window"

"""The pictures of an investigation: product and check standards on one axis, how far each moved."""

from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.chart_panels import ORDER_TITLE, TIME_TITLE, Panel, can_go_by_time
from dashboard.check_standards import on_instruments
from dashboard.figures import interval_rows, moved_series
from dashboard.figures.palette import LIGHT, Palette
from dashboard.figures.scale import HALF_DAY, seconds
from dashboard.figures.strip import order_positions
from dashboard.investigate import Investigated
from dashboard.investigation_results import Contents, FactorView
from dashboard.results import Assessment, CheckStandard

MOST_SHOWN = 300
"""Batches drawn at most: those around the change and since."""
BEFORE = 60
"""Batches before the start that are drawn where the record is longer than that."""


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """The axis that all panels share: by time where every batch has one, else by order."""

    by_time: bool
    first: int
    stop: int
    ends: tuple[float, float]
    title: str


def panels(
    one: Assessment,
    investigated: Investigated,
    about: Contents,
    palette: Palette = LIGHT,
    most: int = MOST_SHOWN,
) -> list[Panel]:
    """Batch means above, the check standards of the product's instruments below, on one axis.

    The interval of the start is shaded in all of them, the fitted level is drawn into the product,
    the median before and after into each check standard.

    Args:
        one: the assessment. investigated: its record and what was found. about: the contents.
        palette: colours. most: batches to draw at most.
    """
    if one.n_batches < 2:
        return []
    names = one.batches["batch"].tolist()
    place = {name: i for i, name in enumerate(names)}
    verdict = about.verdict
    told = about.sentence == verdict.what  # else it is of another batch than what is shown
    low = place.get(verdict.since_low or "") if told else None
    high = place.get(verdict.since_high or "") if told else None
    since = place.get(verdict.since or "") if told else None
    axis = _axis(one, since, most)
    x = _x(one, axis)
    interval = None
    if low is not None and high is not None:
        interval = _shade(x, low - axis.first, high - axis.first)
    at = None
    if since is not None and since >= axis.first:
        at = _border(x, since - axis.first)
    standards = on_instruments(one.check_standards, one.batches["instrument"].unique())
    dated = one.batches["at"].notna().any()
    shown = [s for s in standards if dated and len(s.values)]
    shown.sort(key=lambda s: (s.instrument, s.name))
    with_ranges = verdict.cause_class == "preparation" and one.batches["range"].notna().any()
    part = one.batches.iloc[axis.first : axis.stop]
    shared: dict[str, Any] = {
        "start": at, "interval": interval, "by_time": axis.by_time,
        "labels": part["batch"].tolist(), "palette": palette,
    }  # fmt: skip
    dates = [text.date(day) for day in part["at"]]
    said = [f"{name}, {day}" for name, day in zip(part["batch"], dates, strict=True)]
    last = "product" if not shown and not with_ranges else ""
    figures = [
        Panel(
            "product",
            moved_series(
                part["mean"].to_numpy(), x, said, axis.ends,
                title=f"{one.product}, batch mean, {text.UNIT}",
                level=_level(names, investigated)[axis.first : axis.stop],
                start_words=f"since {verdict.since}" if at is not None else "",
                show_x=last == "product", x_title=axis.title if last == "product" else None,
                height=260, description=f"Batch means of {one.product}. {about.sentence}", **shared,
            ),
            False,
        )
    ]  # fmt: skip
    if with_ranges:
        figures.append(_ranges(part, x, said, axis, not shown, shared))
    moved = {row.name: f"{text.signed(row.percent)} %" for row in about.moved}
    for number, standard in enumerate(shown):
        ends_here = number == len(shown) - 1
        figures.append(_standard(standard, number, one, axis, at, ends_here, moved, shared))
    return figures


def _axis(one: Assessment, since: int | None, most: int) -> _Axis:
    n = one.n_batches
    first = max(n - most, 0)
    if since is not None:
        first = max(min(first, since - BEFORE), 0)
        first = min(first, max(since - 1, 0))
    stop = min(first + max(most, 2), n)
    by_time = can_go_by_time(one)
    if by_time:
        at = seconds(one.batches["at"])[first:stop]
        ends = (float(at[0]), float(at[-1]))
        if ends[0] == ends[1]:
            ends = (ends[0] - HALF_DAY, ends[1] + HALF_DAY)
        return _Axis(True, first, stop, ends, TIME_TITLE)
    return _Axis(False, first, stop, (1.0, float(stop - first)), ORDER_TITLE)


def _x(one: Assessment, axis: _Axis) -> np.ndarray:
    if axis.by_time:
        return seconds(one.batches["at"])[axis.first : axis.stop]
    return np.arange(1.0, axis.stop - axis.first + 1.0)


def _border(x: np.ndarray, position: int) -> float:
    """Half-way between a batch and the one before it: the change lies between them."""
    return float(x[position] if position <= 0 else (x[position - 1] + x[position]) / 2)


def _shade(x: np.ndarray, low: int, high: int) -> tuple[float, float] | None:
    """From before the first possible start to the last possible one, within what is drawn."""
    if high < 0 or low >= len(x):
        return None
    low, high = max(low, 0), min(high, len(x) - 1)
    return _border(x, low), float(x[high])


def _level(names: list[str], investigated: Investigated) -> np.ndarray:
    """The fitted level of each batch of the assessment."""
    level = investigated.found.level
    if level is None:
        return np.full(len(names), np.nan)
    known = dict(zip(investigated.history.batches, level.tolist(), strict=True))
    return np.array([known.get(name, np.nan) for name in names])


def _ranges(
    part: pd.DataFrame,
    x: np.ndarray,
    said: list[str],
    axis: _Axis,
    last: bool,
    shared: dict[str, Any],
) -> Panel:
    figure = moved_series(
        part["range"].to_numpy(), x, said, axis.ends,
        title=f"Range of the readings of a batch, {text.UNIT}", show_x=last,
        x_title=axis.title if last else None, height=150,
        description="Range of the readings of each batch", **shared,
    )  # fmt: skip
    return Panel("ranges", figure, False)


def _standard(
    standard: CheckStandard,
    number: int,
    one: Assessment,
    axis: _Axis,
    at: float | None,
    last: bool,
    moved: dict[str, str],
    shared: dict[str, Any],
) -> Panel:
    """Runs of one check standard, with their median before and after the start."""
    times = pd.Series(pd.to_datetime(np.asarray(standard.times), utc=True))
    shown = one.batches.iloc[axis.first : axis.stop]
    place = seconds(times) if axis.by_time else order_positions(times, shown["at"])
    keep = np.isfinite(place) & (place >= axis.ends[0]) & (place <= axis.ends[1] + 0.5)
    values = np.asarray(standard.values, dtype=float)[keep]
    place = place[keep]
    level = np.full(len(values), np.nan)
    if at is not None:
        for side in (place < at, place >= at):
            if side.sum() > 1:
                level[side] = np.median(values[side])
    on = f" on {standard.instrument}" if standard.instrument else ""
    name = f"{standard.name}{on}"
    figure = moved_series(
        values, place, [text.moment(when) for when in times[keep]], axis.ends,
        title=f"Check standard {name}, {text.UNIT}", level=level, square=True, show_x=last,
        end_words=moved.get(name, ""), x_title=axis.title if last else None,
        height=128 if last else 104,
        description=f"{text.count(len(values), 'run')} of check standard {name}", **shared,
    )  # fmt: skip
    return Panel(f"check-{number}", figure, False)


def moved_figure(about: Contents, palette: Palette = LIGHT) -> alt.LayerChart | None:
    """How far each series moved with the change, in percent with its interval."""
    if len(about.moved) < 2:
        return None
    rows = [(f"{row.name}", row.percent, row.low, row.high) for row in about.moved]
    said = "; ".join(f"{row.name} {text.signed(row.percent)} %" for row in about.moved)
    return interval_rows(
        rows,
        title="Moved with the change, % (95 % interval)",
        description=f"How far each series moved: {said}",
        reference=0.0,
        decimals=1,
        palette=palette,
    )


def factor_figure(view: FactorView, palette: Palette = LIGHT) -> alt.LayerChart:
    """Mean of each level of a factor with its interval."""
    said = "; ".join(f"{row[0]} {text.number(row[1])}" for row in view.rows)
    return interval_rows(
        list(view.rows),
        title=f"Mean by {view.name}, {text.UNIT}",
        description=f"Mean by {view.name}: {said}",
        decimals=0,
        palette=palette,
    )

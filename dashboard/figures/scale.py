"""Where things go: domains, steps of limits, label positions, batch names along an axis."""

import json
from collections.abc import Callable, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures.palette import Palette

PLOT_WIDTH = 640  # pixels assumed when deciding whether two pieces of text would meet
RIGHT_MARGIN = 68  # pixels kept free right of every panel for the values of limits
LEFT_EXTENT = 46  # pixels for the numbers of the value axis, the same in every panel
LABEL_GAP = 13  # pixels between two lines of text

EPOCH = pd.Timestamp(0, tz="UTC")
MOST_TICKS = 9
HALF_DAY = 43_200.0  # seconds


def _clock(tick: pd.Timestamp) -> str:
    return f"{_day(tick)}, {tick.hour:02d}:00"


def _day(tick: pd.Timestamp) -> str:
    return f"{tick.day} {text.MONTHS[tick.month - 1]}"


def _month(tick: pd.Timestamp) -> str:
    return f"{text.MONTHS[tick.month - 1]} {tick.year}"


def _year(tick: pd.Timestamp) -> str:
    return str(tick.year)


TIME_STEPS: tuple[tuple[str, Callable[[pd.Timestamp], str]], ...] = (
    *((step, _clock) for step in ("3h", "6h", "12h")),
    *((step, _day) for step in ("D", "2D", "W-MON", "2W-MON")),
    *((step, _month) for step in ("MS", "2MS", "3MS", "6MS")),
    *((step, _year) for step in ("YS", "2YS", "5YS", "10YS")),
)

Encoder = Callable[[str], Any]  # from a column name to the encoding of a layer

AXIS_NUMBER = "~f"  # no thousands mark: "2,010" is two or two thousand, depending on the reader


def decimals(span: float) -> int:
    """Decimals that show about four significant steps of a span."""
    if not np.isfinite(span) or span <= 0:
        return 1
    return int(min(max(3 - np.floor(np.log10(span)), 0), 6))


def number(value: float, span: float) -> str:
    """A number rounded to what its axis can show."""
    return text.fixed(value, decimals(span))


def log_ticks(low: float, high: float) -> list[float]:
    """1, 2 and 5 times powers of ten inside a range: what a logarithmic axis is labelled with."""
    first, last = int(np.floor(np.log10(low))), int(np.ceil(np.log10(high)))
    every = [step * 10.0**power for power in range(first, last + 1) for step in (1, 2, 5)]
    return [value for value in every if low <= value <= high]


def domain(*parts: Any, zero: bool = False, padding: float = 0.08) -> tuple[float, float]:
    """The smallest range that holds every finite value of the parts, with air around it."""
    flat = np.concatenate([np.atleast_1d(np.asarray(part, dtype=float)).ravel() for part in parts])
    flat = flat[np.isfinite(flat)]
    low, high = (float(flat.min()), float(flat.max())) if flat.size else (0.0, 1.0)
    if zero:
        low = min(low, 0.0)
    air = padding * (high - low) or 0.05 * abs(high) or 1.0
    return (low if zero and low == 0.0 else low - air, high + air)


def seconds(times: Any) -> np.ndarray:
    """Times as seconds since 1970 in UTC, nan for a missing one."""
    stamps = pd.Series(pd.to_datetime(pd.Series(times), utc=True))
    return ((stamps - EPOCH) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)


def edges(x: Any, n: int) -> list[float]:
    """Borders half way between neighbouring points, so that limits step between them."""
    if x is None:
        return [i + 0.5 for i in range(n + 1)]
    at = seconds(x)
    low, high = _time_ends(at)
    return [low, *(float(value) for value in (at[1:] + at[:-1]) / 2), high]


def steps(x: Any, values: Any) -> pd.DataFrame:
    """Stretches of constant value as rows (start, stop, value); undefined points give none."""
    values = np.asarray(values, dtype=float)
    if not values.size:
        return pd.DataFrame({"start": [], "stop": [], "value": []})
    border = edges(x, values.size)
    change = np.flatnonzero(np.diff(values) != 0) + 1
    starts = np.concatenate(([0], change))
    stops = np.concatenate((change, [values.size]))
    rows = [
        {"start": border[a], "stop": border[b], "value": float(values[a])}
        for a, b in zip(starts, stops, strict=True)
        if np.isfinite(values[a])
    ]
    return pd.DataFrame(rows, columns=["start", "stop", "value"])


def plot_height(height: int, *, show_x: bool, x_title: str | None) -> int:
    """What is left of a figure's height for the plot, in pixels: the axes take the rest."""
    return max(height - 24 - (18 if show_x else 4) - (18 if x_title else 0), 20)


def spread_labels(values: Sequence[float], low: float, high: float, height: int) -> list[float]:
    """Positions near the values at which lines of text do not meet, in the order given."""
    gap = LABEL_GAP * (high - low) / height
    order = np.argsort(values, kind="stable")
    places = np.asarray(values, dtype=float)[order]
    for i in range(1, places.size):
        places[i] = max(places[i], places[i - 1] + gap)
    if places.size and places[-1] > high:
        places[-1] = high
        for i in range(places.size - 2, -1, -1):
            places[i] = min(places[i], places[i + 1] - gap)
    result = np.empty_like(places)
    result[order] = places
    return [float(place) for place in result]


def x_encoder(x: Any, labels: Sequence[str], *, title: str | None, show: bool = True) -> Encoder:
    """The shared horizontal axis: batches in production order, or time in UTC when x is given.

    Returns:
        A function from a column name to its encoding, so that every layer has the same axis.
    """
    if x is None:
        n = len(labels)
        at = sorted({round(v) for v in np.linspace(1, n, min(n, MOST_TICKS))}) if n else []
        names = {i: str(labels[i - 1]) for i in at}
        ends = (0.5, n + 0.5)
    else:
        ends = _time_ends(seconds(x))
        names = time_ticks(*ends)
    axis = alt.Axis(
        title=title,
        grid=False,
        values=list(names),
        # the names are data: they travel as a quoted literal, never as part of the expression
        labelExpr=f"({json.dumps({str(key): name for key, name in names.items()})})[datum.value]",
        labelOverlap="greedy",
        labelSeparation=8,
        labelLimit=110,
        labels=show,
        ticks=show,
    )
    along = alt.Scale(domain=list(ends), nice=False, zero=False)
    return lambda field: alt.X(f"{field}:Q", axis=axis, scale=along)


def time_ticks(low: float, high: float) -> dict[int, str]:
    """Round times inside a range of seconds, with their names in UTC."""
    start, stop = (pd.Timestamp(end, unit="s", tz="UTC") for end in (low, high))
    for step, name in TIME_STEPS:
        first = start.floor("D")
        if step.endswith("S"):  # months count from January, years from a year that divides
            years = int(step.removesuffix("YS") or 1) if step.endswith("YS") else 1
            first = pd.Timestamp(year=start.year // years * years, month=1, day=1, tz="UTC")
        ticks = pd.date_range(first, stop, freq=step)
        ticks = ticks[ticks >= start]
        if len(ticks) <= MOST_TICKS:
            return {int(tick.timestamp()): name(tick) for tick in ticks}
    return {}


def y_axis(title: str, height: int, lift: int = 8) -> alt.Axis:
    """The value axis, its numbers taking the same room in every panel.

    The title lies flat above the numbers: read without turning the head, and the plot is wider.
    """
    return alt.Axis(
        title=title,
        titleAngle=0,
        titleAlign="left",
        titleAnchor="start",
        titleBaseline="bottom",
        titleX=-LEFT_EXTENT,
        titleY=-lift,
        format=AXIS_NUMBER,
        tickCount=max(2, min(6, height // 45)),
        minExtent=LEFT_EXTENT,
        maxExtent=LEFT_EXTENT,
        labelOverlap=True,
    )


def y_encoder(low: float, high: float, *, title: str, height: int, lift: int = 8) -> Encoder:
    """The vertical position in a panel, as a function from a column name to its encoding."""
    axis = y_axis(title, height, lift)
    limits = alt.Scale(domain=[low, high], nice=False, zero=False)
    return lambda field: alt.Y(f"{field}:Q", axis=axis, scale=limits)


def strut(palette: Palette) -> alt.Chart:
    """An unseen mark that keeps the same room right of every panel, so that panels line up."""
    return (
        alt.Chart(pd.DataFrame({"words": ["|"]}))
        .mark_text(align="right", dx=RIGHT_MARGIN, opacity=0, aria=False, color=palette.quiet)
        .encode(x=alt.value("width"), y=alt.value(0), text="words:N")
    )


def positions(x: Any, n: int) -> np.ndarray:
    """What each point gets as its x: the place in production order, or its time in seconds."""
    return np.arange(1.0, n + 1.0) if x is None else seconds(x)


def _time_ends(at: np.ndarray) -> tuple[float, float]:
    low, high = float(np.nanmin(at)), float(np.nanmax(at))
    air = 0.012 * (high - low) or HALF_DAY
    return low - air, high + air

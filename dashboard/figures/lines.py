"""The level lines of a panel: centre and limits in steps, specifications, their values in words."""

from collections.abc import Mapping
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.palette import Palette
from dashboard.figures.scale import Encoder

MOST_STEPS = 800  # above it a screen has fewer columns than a line has steps
OLDER_ROOM = 420  # pixels of plot below which values of older limits are left out


def level_lines(
    lines: Mapping[str, Any], x: Any, along: Encoder, y: Encoder, palette: Palette, dashed: bool
) -> list[alt.Chart]:
    """Centre and limits, with a step where they change."""
    layers = []
    for name, line in lines.items():
        # a point without a value has no limit; the line goes on to the next that has one
        values = pd.Series(np.asarray(line, dtype=float)).ffill().to_numpy()
        frame = scale.steps(x, _thinned(values, "lower" not in name))
        if frame.empty:
            continue
        middle = name in ("centre", "median")
        dash = [5, 4] if dashed and not middle else [1, 0]
        layers.append(
            alt.Chart(frame)
            .mark_rule(color=palette.limit, strokeWidth=1 if middle else 1.3, strokeDash=dash)
            .encode(x=along("start"), x2="stop", y=y("value"))
        )
    return layers


def _thinned(values: np.ndarray, upper: bool) -> np.ndarray:
    """A line of more steps than a screen shows, by its outermost value in each column."""
    if np.count_nonzero(np.diff(values)) <= MOST_STEPS:
        return values
    column = np.arange(values.size) * MOST_STEPS // values.size
    outermost = pd.Series(values).groupby(column)
    return (outermost.transform("max") if upper else outermost.transform("min")).to_numpy()


def specification_lines(
    specification: Mapping[str, Any], x: Any, n: int, along: Encoder, y: Encoder, palette: Palette
) -> list[alt.Chart]:
    """Specification limits, each for the time that its version was in force."""
    parts = [scale.steps(x, _each(value, n)) for value in specification.values()]
    frame = pd.concat(parts) if parts else pd.DataFrame()
    if frame.empty:
        return []
    mark = alt.Chart(frame).mark_rule(
        color=palette.specification, strokeWidth=1.6, strokeDash=[9, 3, 2, 3]
    )
    return [mark.encode(x=along("start"), x2="stop", y=y("value"))]


def _each(value: Any, n: int) -> np.ndarray:
    return np.broadcast_to(np.asarray(value, dtype=float), (n,))


def edge_values(
    lines: Mapping[str, Any],
    specification: Mapping[str, Any],
    low: float,
    high: float,
    height: int,
    palette: Palette,
) -> list[alt.Chart]:
    """The newest values at the right edge, moved apart where they would meet."""
    rows = []
    for line in lines.values():
        finite = np.asarray(line, dtype=float)
        finite = finite[np.isfinite(finite)]
        if finite.size:
            rows.append((float(finite[-1]), scale.number(finite[-1], high - low), palette.ink))
    for name, line in specification.items():
        newest = float(np.atleast_1d(np.asarray(line, dtype=float))[-1])
        if np.isfinite(newest):
            word = "target" if name == "target" else "spec."
            rows.append((newest, f"{word} {text.plain(newest)}", palette.specification))
    if not rows:
        return []
    frame = pd.DataFrame(rows, columns=["at", "words", "color"])
    frame["value"] = scale.spread_labels(frame["at"].tolist(), low, high, height)
    return [
        alt.Chart(frame)
        .mark_text(align="left", baseline="middle", dx=8, fontSize=11, aria=False)
        .encode(
            x=alt.value("width"),
            y=alt.Y("value:Q"),
            text="words:N",
            color=alt.Color("color:N", scale=None),
        )
    ]


def older_values(
    lines: Mapping[str, Any],
    sets: Any,
    x: Any,
    span: float,
    along: Encoder,
    y: Encoder,
    palette: Palette,
) -> list[alt.Chart]:
    """The values of limits that hold no more, small, at the beginning of their own stretch.

    Args:
        lines: name to values. sets: positions at which another set of limits begins.
        x: times or None. span: of the value axis. along, y, palette: of the panel.
    """
    starts = [0, *sets]
    n = len(np.asarray(next(iter(lines.values()))))
    border = scale.edges(x, n)
    rows = [
        {
            "x": border[start],
            "value": float(np.asarray(line, dtype=float)[start]),
            "words": scale.number(float(np.asarray(line, dtype=float)[start]), span),
        }
        for start in starts[:-1]
        for line in lines.values()
        if np.isfinite(np.asarray(line, dtype=float)[start])
    ]
    if not rows:
        return []
    mark = alt.Chart(pd.DataFrame(rows)).mark_text(
        align="left",
        baseline="bottom",
        dx=3,
        dy=-2,
        fontSize=10,
        color=palette.limit,
        aria=False,
        opacity=alt.expr(f"width < {OLDER_ROOM} ? 0 : 1"),
    )
    return [mark.encode(x=along("x"), y=y("value"), text="words:N")]

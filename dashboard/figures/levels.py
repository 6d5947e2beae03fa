"""Spread of duplicates against level: does the measurement error grow with the viscosity?"""

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

NAME_ROOM = 70  # pixels that a product's name takes


def level_plot(
    levels: Any,
    deviations: Any,
    names: Sequence[str],
    slope: float | None = None,
    *,
    unit: str = text.UNIT,
    height: int = 320,
    description: str = "Repeatability against level",
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw repeatability against level on logarithmic axes, with the fitted slope.

    Two thin lines through the middle show what a constant error in mPa·s (flat) and a constant
    error in % (slope 1) would look like.

    Args:
        levels: mean viscosity of each product.
        deviations: repeatability standard deviation of each, same unit.
        names: of the products.
        slope: of log deviation against log level; None below two levels.
        unit: of both axes.
        height: of the plot in pixels.
        description: the figure in a sentence, for those who do not see it.
        palette: colours.

    Returns:
        A layered chart.
    """
    levels = np.asarray(levels, dtype=float)
    deviations = np.asarray(deviations, dtype=float)
    frame = pd.DataFrame(
        {
            "level": levels,
            "s": deviations,
            "Product": [str(name) for name in names],
            "level_words": [text.viscosity(value) for value in levels],
            "s_words": [text.viscosity(value, 3) for value in deviations],
        }
    )
    frame = frame[(frame["level"] > 0) & (frame["s"] > 0)]
    ends = np.array([frame["level"].min() * 0.7, frame["level"].max() * 1.5])
    middle = (np.log(frame["level"]).mean(), np.log(frame["s"]).mean())
    guides = [("constant in mPa·s", 0.0), ("constant in %", 1.0)]
    if slope is not None:
        guides.append((f"fitted, slope {text.fixed(slope, 2)}", slope))
    rows = [
        {"level": end, "s": float(np.exp(middle[1] + b * (np.log(end) - middle[0]))), "Line": name}
        for name, b in guides
        for end in ends
    ]
    lines = pd.DataFrame(rows)
    low, high = lines["s"].min() * 0.8, max(lines["s"].max(), frame["s"].max()) * 1.25
    low = min(low, frame["s"].min() * 0.8)
    x_scale = alt.Scale(type="log", domain=[float(ends[0]), float(ends[1])], nice=False)
    y_scale = alt.Scale(type="log", domain=[float(low), float(high)], nice=False)
    x = alt.X(
        "level:Q",
        scale=x_scale,
        title=f"Mean level, {unit}",
        axis=alt.Axis(
            format=scale.AXIS_NUMBER,
            labelOverlap="greedy",
            labelSeparation=8,
            grid=False,
            values=scale.log_ticks(ends[0], ends[1]),
        ),
    )
    y_axis = scale.y_axis(f"Repeatability, {unit}", height)
    y_axis.values = scale.log_ticks(low, high)
    y = alt.Y("s:Q", scale=y_scale, axis=y_axis)
    order = [name for name, _ in guides]
    strokes = alt.StrokeDash(
        "Line:N",
        scale=alt.Scale(domain=order, range=[[2, 3], [7, 4], [1, 0]][: len(order)]),
        legend=alt.Legend(
            title=None, orient="bottom", symbolStrokeColor=palette.data, labelLimit=0
        ),
    )
    return finished(
        alt.layer(
            alt.Chart(lines)
            .mark_line(color=palette.limit, strokeWidth=1.3)
            .encode(x=x, y=y, strokeDash=strokes),
            alt.Chart(frame)
            .mark_point(filled=True, color=palette.data, size=70, opacity=1)
            .encode(
                x=x,
                y=y,
                tooltip=[
                    alt.Tooltip("Product:N"),
                    alt.Tooltip("level_words:N", title="Mean level"),
                    alt.Tooltip("s_words:N", title="Repeatability"),
                ],
            ),
            alt.Chart(_with_room(frame, ends, (low, high), height))
            .mark_text(align="right", dx=-9, dy=-8, fontSize=11, color=palette.ink, limit=150)
            .encode(x=x, y=y, text="Product:N"),
        ),
        height,
        description,
        palette,
    ).configure_legend(labelColor=palette.ink, labelFontSize=11)


def _with_room(
    frame: pd.DataFrame, x_ends: np.ndarray, y_ends: tuple[float, float], height: int
) -> pd.DataFrame:
    """The products whose names do not run into each other; the others speak to the pointer."""
    across = np.log(frame["level"] / x_ends[0]) / np.log(x_ends[1] / x_ends[0]) * scale.PLOT_WIDTH
    up = np.log(frame["s"] / y_ends[0]) / np.log(y_ends[1] / y_ends[0]) * height
    kept: list[int] = []
    for row in range(len(frame)):
        free = all(
            abs(across.iloc[row] - across.iloc[other]) > NAME_ROOM
            or abs(up.iloc[row] - up.iloc[other]) > scale.LABEL_GAP
            for other in kept
        )
        if free:
            kept.append(row)
    return frame.iloc[kept]

"""A small picture of the last batches: where they went, and which of them signalled."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

LAST = 40


def trend(
    values: Any,
    labels: Sequence[str],
    *,
    lower: float | None = None,
    center: float | None = None,
    upper: float | None = None,
    signals: Sequence[int] = (),
    stretches: Sequence[tuple[int, int]] = (),
    palette: Palette = LIGHT,
    height: int = 150,
) -> alt.LayerChart:
    """Draw the last batches small: the band between the limits, signals ringed, events shaded.

    Args:
        values: batch means in production order.
        labels: batch names.
        lower: lower control limit in force at the newest batch; None without limits.
        center: centre line likewise.
        upper: upper control limit likewise.
        signals: positions, counted from 0, of batches that signalled.
        stretches: first and last position of each open event, to be shaded.
        palette: colours.
        height: of the picture in pixels.

    Returns:
        A layered chart without axes.
    """
    values = np.asarray(values, dtype=float)[-LAST:]
    first = max(len(labels) - LAST, 0)
    frame = pd.DataFrame(
        {
            "x": np.arange(values.size),
            "value": values,
            "Batch": [str(name) for name in labels][first:],
            "words": [text.viscosity(value) for value in values],
        }
    )
    lines = [line for line in (lower, center, upper) if line is not None]
    low, high = scale.domain(values, lines, padding=0.14)
    x = alt.X("x:Q", axis=None, scale=alt.Scale(domain=[-0.7, values.size - 0.3], nice=False))
    span = alt.Scale(domain=[low, high], nice=False, zero=False)
    y = alt.Y("value:Q", axis=None, scale=span)
    layers: list[alt.Chart] = []
    if lower is not None and upper is not None:
        band = pd.DataFrame({"value": [lower], "top": [upper]})
        layers.append(
            alt.Chart(band).mark_rect(color=palette.quiet, opacity=0.18).encode(y=y, y2="top")
        )
    if center is not None:
        middle = alt.Chart(pd.DataFrame({"value": [center]}))
        layers.append(middle.mark_rule(color=palette.limit, strokeWidth=1).encode(y=y))
    spans = [
        {"x": max(a - first, 0) - 0.5, "stop": b - first + 0.5} for a, b in stretches if b >= first
    ]
    if spans:
        shade = alt.Chart(pd.DataFrame(spans)).mark_rect(color=palette.shade, opacity=0.2)
        layers.append(shade.encode(x=x, x2="stop"))
    base = alt.Chart(frame)
    layers.append(base.mark_line(color=palette.data, strokeWidth=1.3).encode(x=x, y=y))
    tips = [alt.Tooltip("Batch:N"), alt.Tooltip("words:N", title="Mean")]
    layers.append(
        base.mark_point(filled=True, color=palette.data, size=14, opacity=1).encode(
            x=x, y=y, tooltip=tips
        )
    )
    newest = alt.Chart(frame.iloc[-1:])
    layers.append(
        newest.mark_point(filled=True, color=palette.data, size=46, opacity=1).encode(
            x=x, y=y, tooltip=tips
        )
    )
    ringed = frame[frame["x"].isin([index - first for index in signals])]
    if len(ringed):
        ring = alt.Chart(ringed).mark_point(
            filled=False, color=palette.accent, strokeWidth=1.8, size=110, opacity=1
        )
        layers.append(ring.encode(x=x, y=y, tooltip=tips))
    return finished(
        alt.layer(*layers),
        height,
        f"The last {values.size} batch means",
        palette,
        left=2,
        right=2,
        edge=2,
    )

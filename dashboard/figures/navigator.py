"""The whole record, small: where one is, and where one can go by drawing across it."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

STRETCH = "stretch"  # name of the selection that drawing across makes; its field is "x", from 0
WINDOW = "window"  # name of the layer whose only data are the ends of the stretch that is shown
COLUMNS = 400


def navigator(
    values: Any,
    *,
    signals: Sequence[int] = (),
    window: tuple[float, float] = (0.0, 1.0),
    height: int = 46,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw every batch mean in production order on a narrow strip.

    Args:
        values: batch means. signals: positions with a signal. window: the shown stretch,
            positions from 0. height: in pixels. palette: colours.
    """
    values = np.asarray(values, dtype=float)
    n = values.size
    column = np.arange(n) * min(COLUMNS, n) // max(n, 1)
    frame = (
        pd.DataFrame({"column": column, "x": np.arange(n), "value": values})
        .groupby("column")
        .agg(x=("x", "first"), low=("value", "min"), high=("value", "max"))
        .reset_index(drop=True)
    )
    marks = sorted({int(column[i]) for i in signals if 0 <= i < n})
    signalled = frame.iloc[marks]
    low, high = scale.domain(values)
    along = alt.Scale(domain=[-0.5, max(n - 0.5, 0.5)], nice=False, zero=False)

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=along, axis=None)

    y = alt.Scale(domain=[low, high], nice=False, zero=False)
    axis = alt.Axis(
        title=None, labels=False, ticks=False, domain=False, grid=False,
        minExtent=scale.LEFT_EXTENT, maxExtent=scale.LEFT_EXTENT,
    )  # fmt: skip
    drawn = alt.selection_interval(
        name=STRETCH,
        encodings=["x"],
        mark=alt.BrushConfig(fill=palette.data, fillOpacity=0.08, stroke=palette.data),
    )
    shown = (
        alt.Chart(pd.DataFrame({"start": [window[0]], "stop": [window[1]]}))
        .mark_rect(
            fill=palette.data, fillOpacity=0.13, stroke=palette.data, strokeWidth=1, aria=False
        )
        .encode(x=x("start"), x2="stop")
        .properties(name=WINDOW)
    )
    band = (
        alt.Chart(frame)
        .mark_rule(color=palette.limit, strokeWidth=1.2, aria=False)
        .encode(x=x("x"), y=alt.Y("low:Q", scale=y, axis=axis), y2="high")
    )
    line = (
        alt.Chart(frame)
        .mark_line(color=palette.limit, strokeWidth=1, aria=False)
        .encode(x=x("x"), y=alt.Y("high:Q", scale=y, axis=axis))
        .add_params(drawn)
    )
    ticks = (
        alt.Chart(signalled)
        .mark_point(
            shape="circle", filled=False, color=palette.accent, size=34, opacity=1, aria=False
        )
        .encode(x=x("x"), y=alt.Y("high:Q", scale=y, axis=axis))
    )
    return finished(
        alt.layer(scale.strut(palette), shown, band, line, ticks),
        height,
        f"The whole record of {n} batches; draw across it to choose a stretch.",
        palette,
        right=2,
        edge=2,
        aria=False,  # its brush could not be named; the page tells
    )

"""Values against normal scores: a straight line of points is a normal shape."""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

MOST_POINTS = 2000


def normal_figure(
    values: Any,
    scores: Any,
    mean: float,
    sd: float,
    names: Sequence[str] = (),
    *,
    specification: Mapping[str, float] | None = None,
    unit: str = text.UNIT,
    height: int = 300,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw values in rising order against their normal scores, with the line of the same spread.

    Args:
        values: in rising order.
        scores: of each, in standard deviations.
        mean: of the values.
        sd: their standard deviation; it is the slope of the line.
        names: of each value, shown at the pointer; may be empty.
        specification: name of each line to its value.
        unit: of the values.
        height: of the plot in pixels.
        palette: colours.
    """
    values, scores = np.asarray(values, dtype=float), np.asarray(scores, dtype=float)
    keep = np.arange(values.size)
    if values.size > MOST_POINTS:  # both ends whole, the middle thinned: the ends tell most
        inner = np.linspace(100, values.size - 101, MOST_POINTS - 200).round().astype(int)
        keep = np.concatenate((np.arange(100), inner, np.arange(values.size - 100, values.size)))
    frame = pd.DataFrame(
        {
            "value": values[keep],
            "score": scores[keep],
            "Batch": [str(names[i]) for i in keep] if len(names) else "",
            "words": [f"{text.number(v, 5)} {unit}" for v in values[keep]],
        }
    )
    lines = dict(specification or {})
    low, high = scale.domain(values, list(lines.values()), padding=0.05)
    ends = np.array([scores.min(), scores.max()]) * 1.1
    straight = pd.DataFrame({"score": ends, "value": mean + sd * ends})
    axis = alt.Axis(grid=False, format=scale.AXIS_NUMBER, labelOverlap="greedy", tickCount=7)
    span = alt.Scale(domain=[low, high], nice=False, zero=False, clamp=False)
    x = alt.X("value:Q", axis=axis, scale=span, title=f"Batch mean, {unit}")
    y = scale.y_encoder(
        float(ends[0]),
        float(ends[1]),
        title="Normal score, standard deviations",
        height=height,
        lift=24,
    )("score")
    layers = [
        alt.Chart(straight)
        .mark_line(color=palette.limit, strokeWidth=1.3, clip=True)
        .encode(x=x, y=y),
        alt.Chart(frame)
        .mark_point(filled=True, color=palette.data, size=26, opacity=0.85)
        .encode(
            x=x,
            y=y,
            tooltip=[
                *([alt.Tooltip("Batch:N")] if len(names) else []),
                alt.Tooltip("words:N", title="Mean"),
            ],
        ),
    ]
    if lines:
        marks = pd.DataFrame(
            [{"value": v, "words": f"{name} {text.plain(v)}"} for name, v in lines.items()]
        )
        layers += [
            alt.Chart(marks)
            .mark_rule(color=palette.specification, strokeWidth=1.6, strokeDash=[9, 3, 2, 3])
            .encode(x=x),
            alt.Chart(marks)
            .mark_text(color=palette.specification, baseline="bottom", dy=-4, fontSize=11)
            .encode(x=x, y=alt.value(0), text="words:N"),
        ]
    return finished(
        alt.layer(*layers),
        height,
        (
            f"Normal plot of {values.size} batch means from {text.viscosity(values[0])} to "
            f"{text.viscosity(values[-1])}; the line is mean {text.viscosity(mean)} and "
            f"standard deviation {text.viscosity(sd, 3)}"
        ),
        palette,
    )

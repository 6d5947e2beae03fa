"""How batch means lie between the specification lines, with the normal curve of their spread."""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

CURVE_POINTS = 160


def capability_histogram(
    values: Any,
    mean: float,
    sd: float,
    *,
    specification: Mapping[str, float] | None = None,
    unit: str = text.UNIT,
    height: int = 300,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw a histogram of batch means, the normal density of the same mean and spread, and the
    specification lines.

    Bars are counts; the curve is the count that a normal distribution would put into bars of that
    width. A curve that does not follow the bars is a reason to distrust every index.

    Args:
        values: batch means.
        mean: their mean.
        sd: their standard deviation; no curve is drawn at 0.
        specification: name of each line ("lower", "upper", "target") to its value.
        unit: of the values.
        height: of the plot in pixels.
        palette: colours.

    Returns:
        A layered chart.
    """
    values = np.asarray(values, dtype=float)
    lines = dict(specification or {})
    counts, borders = np.histogram(values, bins=_borders(values))
    bars = pd.DataFrame(
        {
            "start": borders[:-1],
            "stop": borders[1:],
            "count": counts,
            "words": [
                f"{text.number(a, 5)} to {text.number(b, 5)} {unit}" for a, b in pairwise(borders)
            ],
        }
    )
    reach = [mean - 3.5 * sd, mean + 3.5 * sd] if sd > 0 else []
    low, high = scale.domain(borders, reach, list(lines.values()), padding=0.04)
    axis = alt.Axis(grid=False, format=scale.AXIS_NUMBER, labelOverlap="greedy", tickCount=8)
    span = alt.Scale(domain=[low, high], nice=False, zero=False)
    title = f"Batch mean, {unit}"

    def along(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=axis, scale=span, title=title)

    curve = pd.DataFrame({"x": np.linspace(low, high, CURVE_POINTS)})
    width = borders[1] - borders[0]
    top = float(counts.max())
    if sd > 0:
        height_of = np.exp(-0.5 * ((curve["x"] - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
        curve["count"] = height_of * values.size * width
        top = max(top, float(curve["count"].max()))
    y = scale.y_encoder(0.0, top * 1.14, title="Batches", height=height, lift=24)
    layers = [
        alt.Chart(bars)
        .mark_rect(color=palette.quiet, opacity=0.55, stroke=palette.ground, strokeWidth=1)
        .encode(
            x=along("start"),
            x2="stop",
            y=y("count"),
            y2=alt.datum(0),
            tooltip=[
                alt.Tooltip("words:N", title="Batch means"),
                alt.Tooltip("count:Q", title="Batches"),
            ],
        )
    ]
    if sd > 0:
        line = alt.Chart(curve).mark_line(color=palette.data, strokeWidth=1.6)
        layers.append(line.encode(x=along("x"), y=y("count")))
    layers += _specification(lines, along, palette)
    return finished(
        alt.layer(*layers),
        height,
        (
            f"Histogram of {values.size} batch means, mean {text.viscosity(mean)}, standard "
            f"deviation {text.viscosity(sd, 3)}"
        ),
        palette,
    )


def _borders(values: np.ndarray) -> np.ndarray:
    """Equal bars of a width that suits the middle half of the values (Freedman and Diaconis).

    Source: Freedman, Diaconis, "On the histogram as a density estimator: L2 theory", 1981: width
    2 · interquartile range / cube root of n. Between 5 and 60 bars whatever the data.
    """
    low, high = float(values.min()), float(values.max())
    if low == high:
        return np.array([low - 0.5, low + 0.5])
    quartiles = np.quantile(values, [0.25, 0.75])
    width = 2 * (quartiles[1] - quartiles[0]) / np.cbrt(values.size)
    bars = int(np.clip(np.ceil((high - low) / width), 5, 60)) if width > 0 else 5
    return np.linspace(low, high, bars + 1)


def _specification(lines: Mapping[str, float], along: Any, palette: Palette) -> list[alt.Chart]:
    if not lines:
        return []
    frame = pd.DataFrame(
        [{"x": value, "words": f"{name} {text.plain(value)}"} for name, value in lines.items()]
    )
    rule = alt.Chart(frame).mark_rule(
        color=palette.specification, strokeWidth=1.6, strokeDash=[9, 3, 2, 3]
    )
    words = alt.Chart(frame).mark_text(
        color=palette.specification, align="center", baseline="bottom", dy=-4, fontSize=11
    )
    return [
        rule.encode(x=along("x")),
        words.encode(x=along("x"), y=alt.value(0), text="words:N"),
    ]

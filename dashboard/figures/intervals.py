"""Numbers with their intervals: side by side, over periods, and against the number of batches."""

from collections.abc import Sequence

import altair as alt
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

Row = tuple[str, float | None, float | None, float | None]
"""Label, value, low and high; None where there is no number."""


def interval_rows(
    rows: Sequence[Row],
    *,
    title: str,
    description: str,
    reference: float | None = None,
    reference_words: str = "",
    band: tuple[float, float] | None = None,
    decimals: int = 2,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw one line a label: a point and the interval around it, from left to right.

    Args:
        rows: top to bottom.
        title: of the value axis.
        description: the figure in a sentence, for those who do not see it.
        reference: a value to compare with, drawn across.
        reference_words: what it is.
        band: a region to compare with, shaded.
        decimals: of the values at the pointer.
        palette: colours.
    """
    frame = pd.DataFrame(
        [
            {
                "Label": str(label),
                "value": value,
                "low": low,
                "high": high,
                "words": text.with_interval(
                    value, None if low is None or high is None else (low, high), decimals
                ),
            }
            for label, value, low, high in rows
            if value is not None
        ]
    )
    order = [str(row[0]) for row in rows]
    ends = [frame["value"], frame["low"].astype(float), frame["high"].astype(float)]
    more = ([reference] if reference is not None else []) + list(band or ())
    low, high = scale.domain(*ends, more, padding=0.06)
    x_scale = alt.Scale(domain=[low, high], nice=False, zero=False)
    axis = alt.Axis(grid=True, format=scale.AXIS_NUMBER, labelOverlap="greedy", tickCount=6)

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis, title=title)

    y = alt.Y("Label:N", sort=order, title=None, axis=alt.Axis(labelLimit=130, ticks=False))
    layers: list[alt.Chart] = []
    if band is not None:
        shade = alt.Chart(pd.DataFrame({"from": [band[0]], "to": [band[1]]}))
        layers.append(
            shade.mark_rect(color=palette.quiet, opacity=0.2).encode(x=x("from"), x2="to:Q")
        )
    if reference is not None:
        line = alt.Chart(pd.DataFrame({"at": [reference], "words": [reference_words]}))
        layers.append(
            line.mark_rule(
                color=palette.specification, strokeDash=[9, 3, 2, 3], strokeWidth=1.4
            ).encode(x=x("at"))
        )
        if reference_words:
            layers.append(
                line.mark_text(
                    color=palette.specification, baseline="bottom", dy=-3, fontSize=11
                ).encode(x=x("at"), y=alt.value(0), text="words:N")
            )
    tips = [alt.Tooltip("Label:N", title=" "), alt.Tooltip("words:N", title=title)]
    base = alt.Chart(frame)
    layers += [
        base.mark_rule(color=palette.data, strokeWidth=2).encode(
            x=x("low"), x2="high:Q", y=y, tooltip=tips
        ),
        base.mark_point(filled=True, color=palette.data, size=60, opacity=1).encode(
            x=x("value"), y=y, tooltip=tips
        ),
    ]
    return finished(alt.layer(*layers), 46 + 26 * len(frame), description, palette)


def interval_trend(
    rows: Sequence[Row],
    *,
    title: str,
    description: str,
    reference: float | None = None,
    reference_words: str = "",
    height: int = 260,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw periods from left to right, each a point with its interval; a gap where there is none.

    Args:
        rows: oldest first.
        title: of the value axis.
        description: the figure in a sentence, for those who do not see it.
        reference: a value to compare with, drawn across.
        reference_words: what it is.
        height: of the plot in pixels.
        palette: colours.
    """
    frame = pd.DataFrame(
        [
            {
                "Period": str(label),
                "value": value,
                "low": low,
                "high": high,
                "words": text.with_interval(
                    value, None if low is None or high is None else (low, high)
                ),
            }
            for label, value, low, high in rows
        ]
    )
    for name in ("value", "low", "high"):
        frame[name] = frame[name].astype(float)
    order = [str(row[0]) for row in rows]
    more = [reference] if reference is not None else []
    low, high = scale.domain(frame["value"], frame["low"], frame["high"], more, padding=0.1)
    y = scale.y_encoder(low, high, title=title, height=height, lift=10)
    x = alt.X(
        "Period:N",
        sort=order,
        title=None,
        axis=alt.Axis(labelAngle=0, labelLimit=120, labelOverlap="greedy", labelSeparation=6),
    )
    layers: list[alt.Chart] = []
    if reference is not None:
        layers += _across(reference, reference_words, y, palette)
    earned = alt.Chart(frame.dropna(subset=["value"]))
    tips = [alt.Tooltip("Period:N"), alt.Tooltip("words:N", title=title)]
    layers += [
        # without numbers: keeps the place of a period that has no index
        alt.Chart(frame).mark_point(opacity=0, aria=False).encode(x=x, y=alt.value(height)),
        earned.mark_line(color=palette.quiet, strokeWidth=1, strokeDash=[3, 3]).encode(
            x=x, y=y("value")
        ),
        earned.mark_rule(color=palette.data, strokeWidth=2).encode(
            x=x, y=y("low"), y2="high:Q", tooltip=tips
        ),
        earned.mark_point(filled=True, color=palette.data, size=70, opacity=1).encode(
            x=x, y=y("value"), tooltip=tips
        ),
    ]
    return finished(alt.layer(*layers), height, description, palette)


def interval_by_size(
    sizes: Sequence[tuple[int, float, float]],
    value: float,
    n: int,
    *,
    title: str,
    description: str,
    reference: float | None = None,
    reference_words: str = "",
    height: int = 260,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw how the interval of one and the same index narrows with the number of batches.

    Args:
        sizes: n, low and high, n rising.
        value: the index.
        n: the number of batches there are: drawn as a point with its interval.
        title: of the value axis.
        description: the figure in a sentence, for those who do not see it.
        reference: a value to compare with, drawn across.
        reference_words: what it is.
        height: of the plot in pixels.
        palette: colours.
    """
    frame = pd.DataFrame(sizes, columns=["n", "low", "high"])
    frame["words"] = [text.interval(a, b) for a, b in zip(frame["low"], frame["high"], strict=True)]
    more = [value] + ([reference] if reference is not None else [])
    low, high = scale.domain(frame["low"], frame["high"], more, padding=0.05)
    y = scale.y_encoder(low, high, title=title, height=height, lift=10)
    x = alt.X(
        "n:Q",
        title="Batches",
        scale=alt.Scale(
            type="log", domain=[float(frame["n"].min()), float(frame["n"].max())], nice=False
        ),
        axis=alt.Axis(
            grid=False,
            values=[v for v in (10, 20, 30, 50, 100, 200, 300, 1000) if v <= frame["n"].max()],
            format="d",
            labelOverlap="greedy",
        ),
    )
    layers: list[alt.Chart] = [
        alt.Chart(frame)
        .mark_area(color=palette.quiet, opacity=0.3, interpolate="monotone")
        .encode(x=x, y=y("low"), y2="high:Q")
    ]
    if reference is not None:
        layers += _across(reference, reference_words, y, palette)
    tips = [
        alt.Tooltip("n:Q", title="Batches"),
        alt.Tooltip("words:N", title="95 % interval"),
    ]
    own = alt.Chart(frame[frame["n"] == n].assign(value=value))
    layers += [
        alt.Chart(frame).mark_point(opacity=0, size=200).encode(x=x, y=y("high"), tooltip=tips),
        own.mark_rule(color=palette.data, strokeWidth=2).encode(x=x, y=y("low"), y2="high:Q"),
        own.mark_point(filled=True, color=palette.data, size=80, opacity=1).encode(
            x=x, y=y("value"), tooltip=tips
        ),
    ]
    return finished(alt.layer(*layers), height, description, palette)


def _across(at: float, words: str, y: scale.Encoder, palette: Palette) -> list[alt.Chart]:
    line = alt.Chart(pd.DataFrame({"at": [at], "words": [words]}))
    drawn = [
        line.mark_rule(
            color=palette.specification, strokeDash=[9, 3, 2, 3], strokeWidth=1.4
        ).encode(y=y("at"))
    ]
    if words:
        drawn.append(
            line.mark_text(
                color=palette.specification, align="right", baseline="bottom", dy=-3, fontSize=11
            ).encode(x=alt.value("width"), y=y("at"), text="words:N")
        )
    return drawn

"""One series around a change: its points, the levels fitted to it, the interval of the start."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

_MOST_STEPS = 9
"""Different levels up to which they are drawn in steps, each with its value; more are a ramp."""


def moved_series(
    values: Any,
    x: Any,
    names: Sequence[str],
    ends: tuple[float, float],
    *,
    title: str,
    level: Any = None,
    start: float | None = None,
    interval: tuple[float, float] | None = None,
    by_time: bool = True,
    labels: Sequence[str] = (),
    show_x: bool = True,
    x_title: str | None = None,
    height: int = 240,
    square: bool = False,
    start_words: str = "",
    end_words: str | None = None,
    description: str = "",
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw a series on an axis that several of them share.

    Args:
        values: one number a point.
        x: where each stands: seconds since 1970 along time, else the place among the batches.
        names: what each point is, for the pointer.
        ends: of the shared axis.
        title: of the value axis, with its unit.
        level: fitted level of each point, nan where none; drawn in steps.
        start: where the change most likely begins.
        interval: where it begins with 95 % probability; shaded.
        by_time: the axis is one of time. labels: names of the batches where it is not.
        show_x, x_title: of the axis.
        height: in pixels. square: the form of the points, to tell check standards from batches.
        start_words: beside the line of the start.
        end_words: at the right edge in place of the values of the levels, which are then drawn
            quietly: nothing there needs a person.
        description: for those who do not see it. palette: colours.
    """
    frame = pd.DataFrame(
        {
            "x": np.asarray(x, dtype=float),
            "value": np.asarray(values, dtype=float),
            "level": np.nan if level is None else np.asarray(level, dtype=float),
            "Name": [str(name) for name in names],
        }
    )
    frame["words"] = [text.viscosity(value) for value in frame["value"]]
    frame = frame[np.isfinite(frame["x"]) & np.isfinite(frame["value"])]
    low, high = scale.domain(frame["value"], frame["level"], padding=0.12)
    y = scale.y_encoder(low, high, title=title, height=height)
    along = _along(ends, labels, by_time, x_title, show_x)
    layers: list[alt.Chart] = [scale.strut(palette)]
    if interval is not None:
        shade = pd.DataFrame({"start": [interval[0]], "stop": [interval[1]]})
        layers.append(
            alt.Chart(shade)
            .mark_rect(color=palette.shade, opacity=0.22, aria=False)
            .encode(x=along("start"), x2="stop")
        )
    base = alt.Chart(frame)
    layers.append(
        base.mark_line(color=palette.data, strokeWidth=1, strokeOpacity=0.45).encode(
            x=along("x"), y=y("value")
        )
    )
    room = scale.plot_height(height, show_x=show_x, x_title=x_title)
    layers += _levels(frame, (low, high), room, along, y, palette, end_words)
    tips = [alt.Tooltip("Name:N", title=" "), alt.Tooltip("words:N", title=title)]
    size = alt.expr(f"clamp(pow(0.62 * width / {max(len(frame), 1)}, 2), 9, 30)")
    layers.append(
        base.mark_point(
            filled=True,
            shape="square" if square else "circle",
            color=palette.data,
            size=size,
            opacity=1,
        ).encode(x=along("x"), y=y("value"), tooltip=tips, description="Name:N")
    )
    if start is not None:
        layers += _start(start, ends, start_words, along, palette)
    return finished(
        alt.layer(*layers),
        height,
        description or f"{title}: {text.count(len(frame), 'point')}",
        palette,
        right=2,
    )


def _along(
    ends: tuple[float, float], labels: Sequence[str], by_time: bool, title: str | None, show: bool
) -> scale.Encoder:
    if by_time:
        at = pd.to_datetime(np.array(ends), unit="s", utc=True)
        return scale.x_encoder(at, [], title=title, show=show)
    return scale.x_encoder(None, labels, title=title, show=show)


def _levels(
    frame: pd.DataFrame,
    ends: tuple[float, float],
    height: int,
    along: Any,
    y: Any,
    palette: Palette,
    end_words: str | None,
) -> list[alt.Chart]:
    """The fitted level as a broad line; the values at its ends, or words, at the right edge."""
    fitted = frame[np.isfinite(frame["level"])]
    if len(fitted) < 2:
        return []
    low, span = ends[0], ends[1] - ends[0]
    color = palette.accent if end_words is None else palette.limit
    first, last = float(fitted["level"].iloc[0]), float(fitted["level"].iloc[-1])
    several = list(dict.fromkeys(round(float(value), 9) for value in fitted["level"]))
    is_ramp = len(several) > _MOST_STEPS
    if end_words is not None:
        lines = [(last, end_words, color)]
    else:
        told = [first, last] if is_ramp else several
        lines = [
            (value, scale.number(value, span), palette.limit if not i else palette.accent)
            for i, value in enumerate(told)
        ]
    at = pd.DataFrame(lines, columns=["value", "words", "color"])
    at["value"] = scale.spread_labels(at["value"].tolist(), low, low + span, height)
    line: Any = "linear" if is_ramp else "step-after"
    return [
        alt.Chart(fitted)
        .mark_line(color=color, strokeWidth=2.4, interpolate=line, aria=False)
        .encode(x=along("x"), y=y("level")),
        alt.Chart(at)
        .mark_text(align="left", baseline="middle", dx=8, fontSize=11, aria=False)
        .encode(
            x=alt.value("width"),
            y=y("value"),
            text="words:N",
            color=alt.Color("color:N", scale=None),
        ),
    ]


def _start(
    start: float, ends: tuple[float, float], words: str, along: Any, palette: Palette
) -> list[alt.Chart]:
    frame = pd.DataFrame({"x": [start], "words": [words]})
    rule = alt.Chart(frame).mark_rule(
        color=palette.accent, strokeWidth=1.4, strokeDash=[4, 3], aria=False
    )
    drawn = [rule.encode(x=along("x"))]
    if words:
        late = start > (ends[0] + ends[1]) / 2
        drawn.append(
            alt.Chart(frame)
            .mark_text(
                align="right" if late else "left",
                baseline="top",
                dx=-6 if late else 6,
                fontSize=11,
                fontWeight=600,
                color=palette.accent,
                aria=False,
            )
            .encode(x=along("x"), y=alt.value(2), text="words:N")
        )
    return drawn

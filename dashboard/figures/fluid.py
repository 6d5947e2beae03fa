"""Runs of a check standard between two pairs of lines: its tolerance and its own limits."""

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette


def fluid_runs(
    values: Any,
    times: Any,
    *,
    title: str,
    certified: float | None = None,
    window: tuple[float, float] | None = None,
    center: float | None = None,
    own: tuple[float, float] | None = None,
    description: str,
    height: int = 220,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw the runs of one check standard on one instrument.

    The tolerance is drawn as a specification is, dash-dotted; the own limits as control limits
    are. Runs beyond the own limits are ringed.

    Args:
        values: runs in time order.
        times: their times, NaT where not recorded: then runs stand in their order.
        title: of the value axis.
        certified: value of the certificate.
        window: what instrument and certificate allow together.
        center: of the own chart.
        own: its limits.
        description: the figure in a sentence, for those who do not see it.
        height: of the plot in pixels.
        palette: colours.
    """
    values = np.asarray(values, dtype=float)
    stamps = pd.Series(pd.to_datetime(np.asarray(times), utc=True))
    dated = stamps.notna().all() and len(stamps) > 0
    frame = pd.DataFrame(
        {
            "x": scale.seconds(stamps) if dated else np.arange(1.0, len(values) + 1),
            "value": values,
            "When": [text.moment(stamp) for stamp in stamps],
            "words": [text.viscosity(value) for value in values],
        }
    )
    low, high = scale.domain(
        values, list(own or ()), list(window or ()), [] if certified is None else [certified]
    )
    x = scale.x_encoder(
        stamps if dated else None, [str(i + 1) for i in range(len(values))], title=None
    )
    y = scale.y_encoder(low, high, title=title, height=height)
    lines = [
        *((f"tolerance {text.number(v)}", v, True) for v in window or ()),
        *((f"certified {text.number(v)}", v, True) for v in (certified,) if v is not None),
        *((f"own limit {text.number(v)}", v, False) for v in own or ()),
    ]
    layers: list[alt.Chart] = []
    for _, at, cool in lines:
        line = alt.Chart(pd.DataFrame({"value": [at]}))
        layers.append(
            line.mark_rule(
                color=palette.specification if cool else palette.limit,
                strokeWidth=1.4 if cool else 1.1,
                strokeDash=[9, 3, 2, 3] if cool else [1, 0],
            ).encode(y=y("value"))
        )
    if center is not None:
        middle = alt.Chart(pd.DataFrame({"value": [center]}))
        layers.append(
            middle.mark_rule(color=palette.limit, strokeWidth=0.8, strokeDash=[2, 3]).encode(
                y=y("value")
            )
        )
    tips = [alt.Tooltip("When:N"), alt.Tooltip("words:N", title="Run")]
    base = alt.Chart(frame)
    layers += [
        base.mark_line(color=palette.data, strokeWidth=1.2).encode(x=x("x"), y=y("value")),
        base.mark_point(filled=True, color=palette.data, size=28, opacity=1).encode(
            x=x("x"), y=y("value"), tooltip=tips
        ),
    ]
    if own is not None:
        beyond = frame[(frame["value"] < own[0]) | (frame["value"] > own[1])]
        if len(beyond):
            layers.append(
                alt.Chart(beyond)
                .mark_point(filled=False, color=palette.accent, strokeWidth=2, size=130, opacity=1)
                .encode(x=x("x"), y=y("value"), tooltip=tips)
            )
    if lines:
        places = scale.spread_labels([at for _, at, _ in lines], low, high, height)
        labels = pd.DataFrame({"words": [words for words, _, _ in lines], "value": places})
        for cool in (True, False):
            part = labels[[kind is cool for _, _, kind in lines]]
            if len(part):
                layers.append(
                    alt.Chart(part)
                    .mark_text(
                        align="left",
                        baseline="middle",
                        dx=6,
                        fontSize=11,
                        color=palette.specification if cool else palette.ink,
                        aria=False,
                    )
                    .encode(x=alt.value("width"), y=y("value"), text="words:N")
                )
    return finished(
        alt.layer(*layers),
        height,
        description,
        palette,
        right=4,
    )

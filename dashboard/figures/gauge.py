"""Readings of a gauge study, part by part, each appraiser with a form of its own."""

import altair as alt
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "stroke")


def gauge_figure(
    rows: pd.DataFrame,
    *,
    description: str,
    title: str = f"Reading, {text.UNIT}",
    height: int = 300,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw every reading of a study: parts from thin to thick, appraisers side by side.

    Args:
        rows: part, appraiser, value; and level, where parts are to stand in another order than
            that of their values.
        description: the figure in a sentence, for those who do not see it.
        title: of the value axis.
        height: of the plot in pixels.
        palette: colours.
    """
    by = "level" if "level" in rows else "value"
    order = rows.groupby("part")[by].mean().sort_values().index.astype(str).tolist()
    people = list(dict.fromkeys(rows["appraiser"].astype(str)))
    frame = pd.DataFrame(
        {
            "Part": rows["part"].astype(str),
            "Appraiser": rows["appraiser"].astype(str),
            "value": rows["value"].astype(float),
            "words": [text.number(value) for value in rows["value"]],
        }
    )
    low, high = scale.domain(frame["value"])
    x = alt.X(
        "Part:N",
        sort=order,
        title="Part, by its mean",
        axis=alt.Axis(labelAngle=0, labelOverlap="greedy", labelLimit=80),
    )
    y = scale.y_encoder(low, high, title=title, height=height, lift=12)
    aside = alt.XOffset("Appraiser:N", sort=people)
    means = frame.groupby("Part", as_index=False)["value"].mean()
    marks = alt.Chart(frame).mark_point(
        filled=False, color=palette.data, size=52, strokeWidth=1.5, opacity=1
    )
    # below the plot: above it stands the title of the value axis, which may be long
    legend = alt.Legend(
        title=None, orient="bottom", offset=8, labelLimit=0, symbolStrokeColor=palette.data
    )
    if people == [""]:
        drawn = marks.encode(x=x, y=y("value"), tooltip=["Part:N", alt.Tooltip("words:N")])
    else:
        drawn = marks.encode(
            x=x,
            xOffset=aside,
            y=y("value"),
            shape=alt.Shape(
                "Appraiser:N",
                sort=people,
                scale=alt.Scale(domain=people, range=[SHAPES[i % 7] for i in range(len(people))]),
                legend=legend,
            ),
            tooltip=["Part:N", "Appraiser:N", alt.Tooltip("words:N", title="Reading")],
        )
    return finished(
        alt.layer(
            alt.Chart(means)
            .mark_tick(color=palette.limit, thickness=2, width=26)
            .encode(x=x, y=y("value")),
            drawn,
        ),
        height,
        description,
        palette,
    ).configure_legend(labelColor=palette.ink, labelFontSize=11)

"""The event ribbon above a chart: raw-material lots, limits, specifications, what else happened."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd

from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette

LANE_HEIGHT = 21


@dataclass(frozen=True, slots=True)
class Bar:
    """Something that held from a batch to another, both inclusive, by position in the chart."""

    start: int
    stop: int
    words: str
    detail: str


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened: `x` on the chart's axis."""

    x: float
    words: str
    detail: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One row of the ribbon."""

    name: str
    bars: tuple[Bar, ...] = ()
    marks: tuple[Mark, ...] = ()


def event_ribbon(
    lanes: Sequence[Lane],
    labels: Sequence[str],
    x: Any = None,
    *,
    description: str = "",
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw lanes of bars and marks on the axis of the chart below.

    Args:
        lanes: top to bottom; each has something in it.
        labels: names of the batches of the chart. x: their times where it goes along time.
        description: for those who do not see it. palette: colours.
    """
    n, names = len(labels), [lane.name for lane in lanes]
    border = scale.edges(x, n)
    bars = pd.DataFrame(
        [
            {
                "lane": lane.name,
                "start": border[bar.start],
                "stop": border[bar.stop + 1],
                "middle": (border[bar.start] + border[bar.stop + 1]) / 2,
                "words": bar.words,
                "detail": bar.detail,
                "fill": palette.grid if number % 2 else palette.quiet,
            }
            for lane in lanes
            for number, bar in enumerate(lane.bars)
        ],
        columns=["lane", "start", "stop", "middle", "words", "detail", "fill"],
    )
    marks = pd.DataFrame(
        [
            {"lane": lane.name, "x": mark.x, "words": mark.words, "detail": mark.detail}
            for lane in lanes
            for mark in lane.marks
        ],
        columns=["lane", "x", "words", "detail"],
    )
    along = scale.x_encoder(x, labels, title=None, show=False)
    y = alt.Y(
        "lane:N",
        sort=names,
        scale=alt.Scale(domain=names, paddingInner=0.25, paddingOuter=0.1),
        axis=alt.Axis(
            title=None,
            minExtent=scale.LEFT_EXTENT,
            maxExtent=scale.LEFT_EXTENT,
            domain=False,
            ticks=False,
        ),
    )
    height = LANE_HEIGHT * len(lanes) + 12
    layers: list[alt.Chart] = [scale.strut(palette)]
    if len(bars):
        room = "scale('x', datum.stop) - scale('x', datum.start)"
        base = alt.Chart(bars)
        layers.append(
            base.mark_bar(opacity=0.55, height=alt.RelativeBandSize(band=1)).encode(
                x=along("start"),
                x2="stop",
                y=y,
                fill=alt.Fill("fill:N", scale=None),
                tooltip=[alt.Tooltip("detail:N", title="What")],
                description="detail:N",
            )
        )
        layers.append(
            base.mark_text(
                fontSize=10,
                color=palette.ink,
                baseline="middle",
                aria=False,
                opacity=alt.expr(f"{room} > 6.2 * length(datum.words) + 4 ? 1 : 0"),
            ).encode(x=along("middle"), y=y, text="words:N")
        )
    if len(marks):
        base = alt.Chart(marks)
        layers.append(
            base.mark_point(
                filled=True, shape="triangle-down", color=palette.data, size=62, opacity=1
            ).encode(
                x=along("x"),
                y=y,
                tooltip=[alt.Tooltip("detail:N", title="What")],
                description="detail:N",
            )
        )
        layers += [_words(base, lane.name, side, along, y, palette) for lane, side in _sides(lanes)]
    return finished(
        alt.layer(*layers),
        height,
        description or f"Event ribbon: {', '.join(names)}",
        palette,
        right=2,
        edge=2,
    )


def _sides(lanes: Sequence[Lane]) -> list[tuple[Lane, str]]:
    return [(lane, side) for lane in lanes if lane.marks for side in ("left", "right")]


def _words(
    base: alt.Chart, lane: str, side: str, along: Any, y: Any, palette: Palette
) -> alt.TopLevelMixin:
    """The words of the newest mark of a lane, on the side of it where the plot has room."""
    right = "scale('x', datum.x) > width / 2"
    shown = right if side == "right" else f"!({right})"
    return (
        base.transform_filter(f"datum.lane === {lane!r}")
        .transform_window(rank="row_number()", sort=[alt.SortField("x", order="descending")])
        .transform_filter("datum.rank === 1")
        .mark_text(
            align=side,
            dx=-9 if side == "right" else 9,
            fontSize=10,
            color=palette.ink,
            baseline="middle",
            aria=False,
            opacity=alt.expr(f"{shown} ? 1 : 0"),
        )
        .encode(x=along("x"), y=y, text="words:N")
    )

"""The end of every figure: as wide as its place, drawn as SVG, described for those who hear it."""

from typing import Any

import altair as alt

from dashboard.figures.palette import Palette, settings


def finished(
    drawn: alt.LayerChart,
    height: int,
    description: str,
    palette: Palette,
    *,
    left: int = 4,
    right: int = 12,
    edge: int = 4,
    renderer: str = "svg",
    **more: Any,
) -> alt.LayerChart:
    """Give layers their size, margins, words and colours.

    Args:
        drawn: the layers. height: of the plot in pixels. description: the figure in a sentence.
        palette: colours. left, right: margins in pixels; edge: above and below.
        renderer: "svg", or "canvas" for very many marks. more: further settings of Vega-Lite.
    """
    return drawn.properties(
        width="container",
        height=height,
        padding={"left": left, "right": right, "top": edge, "bottom": edge},
        autosize=alt.AutoSizeParams(type="fit", contains="padding"),
        description=description,
        usermeta={"embedOptions": {"renderer": renderer}},
    ).configure(**settings(palette), **more)

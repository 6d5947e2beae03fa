"""Colours and plain settings shared by every figure: ink-grey data, one warm accent.

Nothing here is told by colour alone: a signal is also a ring with a phrase, a specification
line is also dashed and labelled, a set-aside reading is also hollow.
"""

from dataclasses import dataclass
from typing import Any

FONT = "Source Sans, Source Sans Pro, Segoe UI, Helvetica, Arial, sans-serif"


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one ground.

    Attributes:
        ground: behind the figure, used to fill hollow marks.
        ink: text.
        data: the data line and its points.
        limit: centre line and control limits.
        quiet: grid, whiskers, secondary text.
        accent: what needs a person.
        shade: the stretch of points that makes an event.
        specification: specification lines, cool so that they never pass for control limits.
    """

    ground: str
    ink: str
    data: str
    limit: str
    quiet: str
    grid: str
    accent: str
    shade: str
    specification: str


LIGHT = Palette(
    ground="#ffffff",
    ink="#2a2d31",
    data="#4a5057",
    limit="#7a8088",
    quiet="#a3a8ae",
    grid="#ecebe8",
    accent="#b8500c",
    shade="#e9a15b",
    specification="#3d6c8f",
)
DARK = Palette(
    ground="#131416",
    ink="#e8e6e2",
    data="#c3c5c8",
    limit="#8d9299",
    quiet="#6d7278",
    grid="#25272a",
    accent="#f0a060",
    shade="#a8672a",
    specification="#8db8d8",
)


def palette_for(ground: str | None) -> Palette:
    """The palette for a ground named "light" or "dark"; anything else is taken as light."""
    return DARK if ground == "dark" else LIGHT


def settings(palette: Palette) -> dict[str, Any]:
    """Vega-Lite configuration for one palette: text sizes, quiet axes, no frame."""
    axis = {
        "labelColor": palette.ink,
        "titleColor": palette.ink,
        "labelFontSize": 11,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": palette.grid,
        "domainColor": palette.quiet,
        "tickColor": palette.quiet,
        "labelFont": FONT,
        "titleFont": FONT,
    }
    return {
        "background": "transparent",
        "font": FONT,
        "view": {"stroke": None},
        "axis": axis,
        "axisY": {"domain": False, "ticks": False},
        "title": {
            "color": palette.ink,
            "subtitleColor": palette.limit,
            "font": FONT,
            "fontSize": 13,
            "fontWeight": 600,
            "anchor": "start",
            "subtitleFont": FONT,
            "offset": 10,
        },
        "text": {"font": FONT, "color": palette.ink},
    }

"""One panel of a control chart: points, limits with their values, signals, the shaded stretch.

Usable from a notebook: `control_chart(spc.individuals(values).location)`.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.palette import LIGHT, Palette, settings
from dashboard.figures.rings import remark_rings, signal_rings
from dashboard.figures.scale import Encoder
from spc import ControlChart

ENVELOPE_ABOVE = 2_000  # points; above it a screen has fewer columns than the chart has points
ENVELOPE_COLUMNS = 800
POINT = "point"  # name of the selection that a click makes; its field is "i", counted from 0


def control_chart(
    chart: ControlChart,
    labels: Sequence[str] | None = None,
    *,
    provisional: bool = False,
    **options: Any,
) -> alt.LayerChart:
    """Draw a control chart with its centre, its limits and their values at the right edge.

    Args:
        chart: values with centre and limits, in production order.
        labels: one name a point, such as the batch; counted from 1 when absent.
        provisional: draw the limits dashed, since they rest on few batches.
        **options: everything that `run_plot` takes.

    Returns:
        A layered chart that fills the width it is given.

    Example:
        >>> import spc
        >>> figure = control_chart(spc.individuals([10.0, 12.0, 11.0, 13.0]).location)
        >>> figure.to_dict()["height"]
        260
    """
    return _panel(
        np.asarray(chart.values, dtype=float),
        labels,
        lines={"centre": chart.center, "lower limit": chart.lower, "upper limit": chart.upper},
        dashed=provisional,
        **options,
    )


def run_plot(values: Any, labels: Sequence[str] | None = None, **options: Any) -> alt.LayerChart:
    """Draw values in production order with their median and no limits: too few for limits.

    Args:
        values: one number a point.
        labels: one name a point.
        **options: `title`, `unit`, `x` (times instead of production order), `signals` ((position,
            phrase) pairs), `remarks` (positions beyond a limit that are no signal), `stretches`
            ((first, last) positions), `whiskers` (low and high of each point's readings), `hollow`
            (points of a single reading), `specification` (name of each line to its value), `aside`
            (frame with `x`, `value`, `reason`, `words` of readings set aside), `details` (heading
            to one text a point, for the pointer), `zero` (the axis starts there), `height`,
            `show_x`, `x_title`, `selectable` (a click chooses a point), `chosen` (position of the
            chosen point), `description` (for those who do not see it), `palette`.

    Returns:
        A layered chart that fills the width it is given.
    """
    values = np.asarray(values, dtype=float)
    return _panel(
        values, labels, lines={"median": np.full(values.size, np.nanmedian(values))}, **options
    )


def _panel(
    values: np.ndarray,
    labels: Sequence[str] | None,
    *,
    lines: Mapping[str, Any],
    dashed: bool = False,
    title: str = "",
    unit: str = "mPa·s",
    x: Any = None,
    signals: Sequence[tuple[int, str]] = (),
    remarks: Sequence[int] = (),
    stretches: Sequence[tuple[int, int]] = (),
    whiskers: tuple[Any, Any] | None = None,
    hollow: Any = None,
    specification: Mapping[str, float] | None = None,
    aside: pd.DataFrame | None = None,
    details: Mapping[str, Sequence[str]] | None = None,
    zero: bool = False,
    height: int = 260,
    show_x: bool = True,
    x_title: str | None = None,
    selectable: bool = False,
    chosen: int | None = None,
    description: str = "",
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    n = values.size
    names = [str(name) for name in labels] if labels is not None else [str(i + 1) for i in range(n)]
    if zero:  # a range has no lower limit where the factor is 0: no line, no number
        lines = {name: line for name, line in lines.items() if np.any(np.asarray(line) != 0)}
    specification = dict(specification or {})
    line_values = [np.asarray(line, dtype=float) for line in lines.values()]
    extent = [values, *line_values, list(specification.values()), *(whiskers or ())]
    extent.append(_near(aside, *scale.domain(*extent)))
    # a phrase above a ring needs the room of two lines of text
    low, high = scale.domain(*extent, zero=zero, padding=0.16 if signals else 0.08)
    y = scale.y_encoder(low, high, title=f"{title}, {unit}" if unit else title, height=height)
    along = scale.x_encoder(x, names, title=x_title, show=show_x)
    points = _points(values, names, x, title, unit, high - low, details)
    layers: list[alt.Chart] = [scale.strut(palette)]
    layers += _shade(stretches, x, n, along, palette)
    if selectable:
        layers += _chosen(chosen, x, n, along, palette)
    layers += _lines(lines, x, along, y, palette, dashed)
    layers += _specification(specification, y, palette)
    room = scale.plot_height(height, show_x=show_x, x_title=x_title)
    layers += _edge_values(lines, specification, low, high, room, palette)
    reached = points  # by the pointer: every point, or the signals where there are too many
    if n > ENVELOPE_ABOVE:
        layers += _envelope(points, along, y, palette)
        reached = points[points["i"].isin([index for index, _ in signals])]
        layers.append(_dots(reached, along, y, palette, hollow=None, n=n))
    else:
        if whiskers is not None:
            layers += _whiskers(whiskers, x, n, along, y, palette)
        layers.append(
            alt.Chart(points)
            .mark_line(color=palette.data, strokeWidth=1.2, strokeOpacity=0.75)
            .encode(x=along("x"), y=y("value"))
        )
        layers.append(_dots(points, along, y, palette, hollow=hollow, n=n))
    if aside is not None and len(aside):
        layers += _aside(aside, low, high, along, y, palette)
    layers += remark_rings(points, remarks, along, y, palette)
    layers += signal_rings(points, signals, lines, along, y, palette)
    layers.append(_touch(reached, along, y, details, title, n, selectable, palette))
    return (
        alt.layer(*layers)
        .properties(
            width="container",
            height=height,
            padding={"left": 4, "right": 2, "top": 4, "bottom": 4},
            autosize=alt.AutoSizeParams(type="fit", contains="padding"),
            description=description or f"{title} of {n} batches",
            usermeta={"embedOptions": {"renderer": "svg" if n <= ENVELOPE_ABOVE else "canvas"}},
        )
        .configure(**settings(palette))
    )


def _points(
    values: np.ndarray,
    names: Sequence[str],
    x: Any,
    title: str,
    unit: str,
    span: float,
    details: Mapping[str, Sequence[str]] | None,
) -> pd.DataFrame:
    words = [f"{scale.number(v, span)} {unit}".strip() for v in values]
    frame = pd.DataFrame(
        {
            "i": np.arange(values.size),
            "x": scale.positions(x, values.size),
            "value": values,
            "Batch": list(names),
            "words": words,
        }
    )
    for k, texts in enumerate((details or {}).values()):
        frame[f"detail{k}"] = list(texts)
    frame["aria"] = [
        f"Batch {name}: {title} {word}" for name, word in zip(names, words, strict=True)
    ]
    return frame[np.isfinite(values)]


def _lines(
    lines: Mapping[str, Any], x: Any, along: Encoder, y: Encoder, palette: Palette, dashed: bool
) -> list[alt.Chart]:
    layers = []
    for name, line in lines.items():
        # a point without a value has no limit; the line goes on to the next that has one
        frame = scale.steps(x, pd.Series(np.asarray(line, dtype=float)).ffill().to_numpy())
        if frame.empty:
            continue
        middle = name in ("centre", "median")
        dash = [5, 4] if dashed and not middle else [1, 0]
        layers.append(
            alt.Chart(frame)
            .mark_rule(color=palette.limit, strokeWidth=1 if middle else 1.3, strokeDash=dash)
            .encode(x=along("start"), x2="stop", y=y("value"))
        )
    return layers


def _specification(
    specification: Mapping[str, float], y: Encoder, palette: Palette
) -> list[alt.Chart]:
    if not specification:
        return []
    frame = pd.DataFrame({"value": list(specification.values())})
    mark = alt.Chart(frame).mark_rule(
        color=palette.specification, strokeWidth=1.6, strokeDash=[9, 3, 2, 3]
    )
    return [mark.encode(y=y("value"))]


def _edge_values(
    lines: Mapping[str, Any],
    specification: Mapping[str, float],
    low: float,
    high: float,
    height: int,
    palette: Palette,
) -> list[alt.Chart]:
    """Values at the right edge, moved apart where they would meet."""
    rows = []
    for line in lines.values():
        finite = np.asarray(line, dtype=float)
        finite = finite[np.isfinite(finite)]
        if finite.size:
            rows.append((float(finite[-1]), scale.number(finite[-1], high - low), palette.ink))
    rows += [
        (
            float(value),
            f"{'target' if name == 'target' else 'spec.'} {text.plain(value)}",
            palette.specification,
        )
        for name, value in specification.items()
    ]
    if not rows:
        return []
    frame = pd.DataFrame(rows, columns=["at", "words", "color"])
    frame["value"] = scale.spread_labels(frame["at"].tolist(), low, high, height)
    return [
        alt.Chart(frame)
        .mark_text(align="left", baseline="middle", dx=8, fontSize=11, aria=False)
        .encode(
            x=alt.value("width"),
            y=alt.Y("value:Q"),
            text="words:N",
            color=alt.Color("color:N", scale=None),
        )
    ]


def _shade(
    stretches: Sequence[tuple[int, int]], x: Any, n: int, along: Encoder, palette: Palette
) -> list[alt.Chart]:
    if not stretches or not n:
        return []
    border = scale.edges(x, n)
    frame = pd.DataFrame(
        [{"start": border[max(a, 0)], "stop": border[min(b, n - 1) + 1]} for a, b in stretches]
    )
    mark = alt.Chart(frame).mark_rect(color=palette.shade, opacity=0.18, aria=False)
    return [mark.encode(x=along("start"), x2="stop")]


def _chosen(
    chosen: int | None, x: Any, n: int, along: Encoder, palette: Palette
) -> list[alt.Chart]:
    """A line through the chosen batch. Always drawn, so that choosing changes data only."""
    places = pd.DataFrame({"x": scale.positions(x, n)})
    frame = places.iloc[[chosen]] if chosen is not None and 0 <= chosen < n else places.iloc[:0]
    mark = alt.Chart(frame).mark_rule(
        color=palette.data, strokeWidth=1, strokeDash=[2, 3], aria=False
    )
    return [mark.encode(x=along("x"))]


def _whiskers(
    whiskers: tuple[Any, Any], x: Any, n: int, along: Encoder, y: Encoder, palette: Palette
) -> list[alt.Chart]:
    low, high = (np.asarray(part, dtype=float) for part in whiskers)
    frame = pd.DataFrame({"x": scale.positions(x, n), "value": low, "high": high})
    frame = frame[np.isfinite(low) & np.isfinite(high)]
    mark = alt.Chart(frame).mark_rule(color=palette.quiet, strokeWidth=1, aria=False)
    return [mark.encode(x=along("x"), y=y("value"), y2="high")]


def _dots(
    points: pd.DataFrame, along: Encoder, y: Encoder, palette: Palette, *, hollow: Any, n: int
) -> alt.Chart:
    frame = points.copy()
    flags = np.zeros(n, dtype=bool) if hollow is None else np.asarray(hollow, dtype=bool)
    frame["fill"] = np.where(flags[frame["i"].to_numpy()], palette.ground, palette.data)
    size = 34 if n <= 120 else 16 if n <= 500 else 7
    return (
        alt.Chart(frame)
        .mark_point(
            filled=True,
            stroke=palette.data,
            strokeWidth=1.4,
            size=size,
            opacity=1,
            aria=False,
        )
        .encode(x=along("x"), y=y("value"), fill=alt.Fill("fill:N", scale=None))
    )


def _envelope(
    points: pd.DataFrame, along: Encoder, y: Encoder, palette: Palette
) -> list[alt.Chart]:
    """Lowest, highest and middle of each screen column in place of every point."""
    column = np.arange(len(points)) * ENVELOPE_COLUMNS // max(len(points), 1)
    frame = (
        points.groupby(column)
        .agg(x=("x", "first"), low=("value", "min"), high=("value", "max"), value=("value", "mean"))
        .reset_index(drop=True)
    )
    band = alt.Chart(frame).mark_area(color=palette.quiet, opacity=0.45, aria=False)
    line = alt.Chart(frame).mark_line(color=palette.data, strokeWidth=1, aria=False)
    return [
        band.encode(x=along("x"), y=y("low"), y2="high"),
        line.encode(x=along("x"), y=y("value")),
    ]


def _near(aside: pd.DataFrame | None, low: float, high: float) -> np.ndarray:
    """Set-aside values that the panel can show without squeezing the rest flat."""
    if aside is None:
        return np.array([])
    values = aside["value"].to_numpy(dtype=float)
    room = 0.5 * (high - low)
    return values[(values > low - room) & (values < high + room)]


def _aside(
    aside: pd.DataFrame, low: float, high: float, along: Encoder, y: Encoder, palette: Palette
) -> list[alt.Chart]:
    """Hollow diamonds at their value; hollow arrows at the edge for what lies beyond the panel.

    A result without a number, such as "over range", points to the edge that it lies beyond.
    """
    values = aside["value"].to_numpy(dtype=float)
    over = (values > high) | (np.isnan(values) & (aside["reason"] == "over_range").to_numpy())
    under = (values < low) | (np.isnan(values) & (aside["reason"] == "below_range").to_numpy())
    inside = (values >= low) & (values <= high)
    frame = aside[["x", "value", "words"]]
    tip = alt.Tooltip("words:N", title="Set aside")
    layers = []
    for rows, shape, place in (
        (inside, "diamond", y("value")),
        (over, "triangle-up", alt.value(7)),
        (under, "triangle-down", alt.value(alt.expr("height - 7"))),
    ):
        if rows.any():
            mark = alt.Chart(frame[rows]).mark_point(
                filled=False, shape=shape, color=palette.limit, strokeWidth=1.4, size=58, opacity=1
            )
            layers.append(mark.encode(x=along("x"), y=place, tooltip=tip, description="words:N"))
    return layers


def _touch(
    points: pd.DataFrame,
    along: Encoder,
    y: Encoder,
    details: Mapping[str, Sequence[str]] | None,
    title: str,
    n: int,
    selectable: bool,
    palette: Palette,
) -> alt.Chart:
    """Unseen, larger marks on top: what the pointer, a click and a screen reader meet."""
    tips = [alt.Tooltip("Batch:N"), alt.Tooltip("words:N", title=title or "Value")]
    tips += [alt.Tooltip(f"detail{k}:N", title=head) for k, head in enumerate(details or {})]
    room = scale.PLOT_WIDTH / max(n, 1)
    mark = alt.Chart(points).mark_point(
        filled=True,
        opacity=0,
        size=float(np.clip(room * room * 1.6, 30, 260)),
        cursor="pointer" if selectable else "default",
        color=palette.accent,
    )
    touch = mark.encode(x=along("x"), y=y("value"), tooltip=tips, description="aria:N")
    if not selectable:
        return touch
    chosen = alt.selection_point(name=POINT, fields=["i"], empty=False, toggle=False)
    return touch.add_params(chosen)

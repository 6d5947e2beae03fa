"""One panel of a control chart: points, limits with their values, signals, the shaded stretch.

Usable from a notebook: `control_chart(spc.individuals(values).location)`.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.lines import edge_values, level_lines, older_values, specification_lines
from dashboard.figures.palette import LIGHT, Palette
from dashboard.figures.rings import left_out_marks, remark_rings, signal_rings
from dashboard.figures.scale import Encoder
from spc import ControlChart

ENVELOPE_ABOVE = 2_000  # points; above it a screen has fewer columns than the chart has points
ENVELOPE_COLUMNS = 800
POINT = "point"  # name of the selection that a click makes; its field is "i", counted from 0
CHOSEN = "chosen"  # name of the layer, whose only data are where the chosen point stands


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
            (points of a single reading), `left_out` (position to cause of points that do not count
            for limits), `sets` (positions at which another set of limits begins), `specification`
            (name of each line to its value, or to one a point where it changed), `aside`
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
    left_out: Mapping[int, str] | None = None,
    sets: Sequence[int] = (),
    specification: Mapping[str, Any] | None = None,
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
    extent = [values, *line_values, *specification.values(), *(whiskers or ())]
    extent.append(_near(aside, *scale.domain(*extent)))
    # a phrase above a ring needs the room of two lines of text
    low, high = scale.domain(*extent, zero=zero, padding=0.16 if signals else 0.08)
    y = scale.y_encoder(low, high, title=f"{title}, {unit}" if unit else title, height=height)
    along = scale.x_encoder(x, names, title=x_title, show=show_x)
    many = n > ENVELOPE_ABOVE
    # too many for the pointer and the eye: one by one only those that something is said about
    some = {*(index for index, _ in signals), *(left_out or {})} if many else None
    drawn = None if some is None else some | set(remarks)
    points = reached = _points(values, names, x, title, unit, high - low, details, drawn)
    layers: list[alt.Chart] = [scale.strut(palette)]
    layers += _shade(stretches, x, n, along, palette)
    if selectable:
        layers += _chosen(chosen, x, n, along, palette)
    layers += level_lines(lines, x, along, y, palette, dashed)
    layers += specification_lines(specification, x, n, along, y, palette)
    room = scale.plot_height(height, show_x=show_x, x_title=x_title)
    layers += edge_values(lines, specification, low, high, room, palette)
    if sets:
        layers += older_values(lines, sets, x, high - low, along, y, palette)
    if many:
        layers += _envelope(values, scale.positions(x, n), along, y, palette)
        reached = points[points["i"].isin(some or ())]
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
    if left_out:
        layers += left_out_marks(points, left_out, along, y, palette)
    if aside is not None and len(aside):
        layers += _aside(aside, low, high, along, y, palette)
    layers += remark_rings(points, remarks, along, y, palette)
    layers += signal_rings(points, signals, lines, along, y, palette)
    layers.append(_touch(reached, along, y, details, title, n, selectable, palette))
    return finished(
        alt.layer(*layers),
        height,
        description or f"{title} of {n} batches",
        palette,
        right=2,
        renderer="svg" if n <= ENVELOPE_ABOVE else "canvas",
    )


def _points(
    values: np.ndarray,
    names: Sequence[str],
    x: Any,
    title: str,
    unit: str,
    span: float,
    details: Mapping[str, Sequence[str]] | None,
    some: set[int] | None,
) -> pd.DataFrame:
    """The points with what is said about each: all of them, or some by their position."""
    keep = np.arange(values.size) if some is None else np.array(sorted(some), dtype=int)
    shown = values[keep]
    said = [names[i] for i in keep]
    words = [f"{scale.number(v, span)} {unit}".strip() for v in shown]
    frame = pd.DataFrame(
        {
            "i": keep,
            "x": scale.positions(x, values.size)[keep],
            "value": shown,
            "Batch": said,
            "words": words,
        }
    )
    for k, texts in enumerate((details or {}).values()):
        frame[f"detail{k}"] = [texts[i] for i in keep]
    return frame[np.isfinite(shown)]


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
    return [mark.encode(x=along("x")).properties(name=CHOSEN)]


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
    frame, fill = points, alt.value(palette.data)
    if hollow is not None and np.any(hollow):
        flags = np.asarray(hollow, dtype=bool)[points["i"].to_numpy()]
        frame = points.assign(fill=np.where(flags, palette.ground, palette.data))
        fill = alt.Fill("fill:N", scale=None)
    # smaller where the plot is narrower, so that points do not merge on a phone
    size = alt.expr(f"clamp(pow(0.62 * width / {max(n, 1)}, 2), 6, 34)")
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
        .encode(x=along("x"), y=y("value"), fill=fill)
    )


def _envelope(
    values: np.ndarray, x: np.ndarray, along: Encoder, y: Encoder, palette: Palette
) -> list[alt.Chart]:
    """Lowest, highest and middle of each screen column in place of every point."""
    points = pd.DataFrame({"x": x, "value": values})[np.isfinite(values)]
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
    mark = alt.Chart(points).mark_point(
        filled=True,
        opacity=0,
        size=alt.expr(f"clamp(pow(1.26 * width / {max(n, 1)}, 2), 30, 260)"),
        cursor="pointer" if selectable else "default",
        color=palette.accent,
    )
    # made by the browser, as it would be the longest part of what is sent
    said = f"'Batch ' + datum.Batch + {json.dumps(f': {title} ')} + datum.words"
    mark = mark.transform_calculate(aria=said)
    touch = mark.encode(x=along("x"), y=y("value"), tooltip=tips, description="aria:N")
    if not selectable:
        return touch
    chosen = alt.selection_point(name=POINT, fields=["i"], empty=False, toggle=False)
    return touch.add_params(chosen)

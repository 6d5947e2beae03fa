"""The check-standard strip: did the measurement move while the product moved?"""

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import text
from dashboard.figures import scale
from dashboard.figures.finish import finished
from dashboard.figures.palette import LIGHT, Palette


def check_strip(
    values: Any,
    times: Any,
    batch_times: Any,
    labels: Sequence[str],
    *,
    title: str,
    center: float | None = None,
    lower: float | None = None,
    upper: float | None = None,
    by_time: bool = False,
    show_x: bool = True,
    x_title: str | None = None,
    height: int = 96,
    palette: Palette = LIGHT,
) -> alt.LayerChart:
    """Draw runs of a check standard under a product chart, on the product chart's axis.

    In production order a run is placed between the batches made before and after it. Runs from
    before the first batch are left out; runs since the last batch stand side by side at the right
    edge (by time: at the time of the last batch).

    Args:
        values: runs in time order.
        times: their times, NaT where not recorded (such runs cannot be placed).
        batch_times: times of the batches of the product chart, in its order.
        labels: names of those batches.
        title: name of the fluid and the instrument.
        center: centre of the runs' own chart; None below 8 runs, as are the limits.
        lower: lower limit of that chart.
        upper: upper limit of that chart.
        by_time: place by time, as the product chart does; else by production order.
        show_x: draw the labels of the axis.
        x_title: title of the axis.
        height: of the strip in pixels.
        palette: colours.

    Returns:
        A layered chart.
    """
    stamps = pd.Series(pd.to_datetime(np.asarray(times), utc=True))
    frame = pd.DataFrame(
        {
            "x": scale.seconds(stamps) if by_time else order_positions(stamps, batch_times),
            "value": np.asarray(values, dtype=float),
            "When": [text.moment(stamp) for stamp in stamps],
            "words": [text.viscosity(value) for value in np.asarray(values, dtype=float)],
        }
    ).dropna(subset=["x", "value"])
    if by_time:
        batch_seconds = scale.seconds(batch_times)
        frame = frame[frame["x"] >= np.nanmin(batch_seconds)]
        frame["x"] = frame["x"].clip(upper=np.nanmax(batch_seconds))
    limits = [limit for limit in (lower, center, upper) if limit is not None]
    low, high = scale.domain(frame["value"], limits, padding=0.14)
    along = scale.x_encoder(batch_times if by_time else None, labels, title=x_title, show=show_x)
    y = scale.y_encoder(low, high, title=f"{title}, {text.UNIT}", height=height)
    beyond = pd.Series(False, index=frame.index)
    if lower is not None and upper is not None:
        beyond = (frame["value"] < lower) | (frame["value"] > upper)
    layers: list[alt.Chart] = [
        scale.strut(palette),
    ]
    if limits:
        room = scale.plot_height(height, show_x=show_x, x_title=x_title)
        layers += _limits(limits, low, high, room, y, palette)
    base = alt.Chart(frame)
    tips = [alt.Tooltip("When:N"), alt.Tooltip("words:N", title=title)]
    layers.append(
        base.mark_line(color=palette.data, strokeWidth=1, strokeOpacity=0.5).encode(
            x=along("x"), y=y("value")
        )
    )
    layers.append(
        base.mark_point(filled=True, shape="square", color=palette.data, size=26, opacity=1).encode(
            x=along("x"), y=y("value"), tooltip=tips
        )
    )
    if beyond.any():
        ring = alt.Chart(frame[beyond]).mark_point(
            filled=False, color=palette.accent, strokeWidth=2, size=130, opacity=1
        )
        layers.append(ring.encode(x=along("x"), y=y("value"), tooltip=tips))
    return finished(
        alt.layer(*layers),
        height,
        f"{title}: {text.count(len(frame), 'run')} of the check standard",
        palette,
        right=2,
    )


def order_positions(times: Any, batch_times: Any) -> np.ndarray:
    """Where a time falls among batches 1…n: 3.5 is half way between the third and the fourth.

    Before the first batch, and for a missing time, the place is nan. Times after the last batch
    stand just right of it, in their order.
    """
    at, batch_at = scale.seconds(times), scale.seconds(batch_times)
    known = ~np.isnan(batch_at)
    if not known.any():
        return np.full(at.size, np.nan)
    order = np.arange(1.0, batch_at.size + 1.0)[known]
    batch_at = batch_at[known]
    sort = np.argsort(batch_at, kind="stable")
    place = np.interp(at, batch_at[sort], order[sort], left=np.nan)
    place[np.isnan(at)] = np.nan
    later = at > batch_at.max()
    place[later] = known.size + np.linspace(0.12, 0.42, int(later.sum()))
    return place


def _limits(
    limits: list[float], low: float, high: float, height: int, y: Any, palette: Palette
) -> list[alt.Chart]:
    frame = pd.DataFrame({"at": limits, "value": limits})
    frame["words"] = [scale.number(limit, high - low) for limit in limits]
    rule = alt.Chart(frame).mark_rule(color=palette.limit, strokeWidth=1)
    frame = frame.assign(value=scale.spread_labels(limits, low, high, height))
    words = alt.Chart(frame).mark_text(
        align="left", baseline="middle", dx=8, fontSize=11, color=palette.ink, aria=False
    )
    return [
        rule.encode(y=y("value")),
        words.encode(x=alt.value("width"), y=y("value"), text="words:N"),
    ]

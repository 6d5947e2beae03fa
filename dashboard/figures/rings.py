"""Rings around points that signal, with a short phrase where there is room for it."""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard.figures.palette import Palette
from dashboard.figures.scale import Encoder

PHRASE_ROOM = 480  # pixels; phrases are thinned for a plot of this width
SAME_PHRASE_WITHIN = 4  # batches; nearer signals that say the same share one phrase


def remark_rings(
    points: pd.DataFrame, remarks: Sequence[int], along: Encoder, y: Encoder, palette: Palette
) -> list[alt.Chart]:
    """A thin grey ring: beyond the limit, and yet no signal by the rules in use."""
    frame = points[points["i"].isin(list(remarks))]
    if frame.empty:
        return []
    ring = alt.Chart(frame).mark_point(
        filled=False,
        color=palette.limit,
        strokeWidth=1.2,
        size=0.8 * _ring_size(points),
        opacity=1,
        aria=False,
    )
    return [ring.encode(x=along("x"), y=y("value"))]


def signal_rings(
    points: pd.DataFrame,
    signals: Sequence[tuple[int, str]],
    lines: Mapping[str, Any],
    along: Encoder,
    y: Encoder,
    palette: Palette,
) -> list[alt.Chart]:
    """A ring around each signal; a phrase beside it where there is room."""
    if not signals:
        return []
    phrases: dict[int, list[str]] = {}
    for index, phrase in sorted(signals):
        phrases.setdefault(int(index), []).append(phrase)
    frame = points[points["i"].isin(list(phrases))].copy()
    frame["phrase"] = [", ".join(dict.fromkeys(phrases[i])) for i in frame["i"]]
    ring = alt.Chart(frame).mark_point(
        filled=False,
        color=palette.accent,
        strokeWidth=2,
        size=_ring_size(points),
        opacity=1,
        aria=False,
    )
    layers = [ring.encode(x=along("x"), y=y("value"))]
    centre = np.asarray(next(iter(lines.values())), dtype=float)
    for up, align, some in _placed(_spoken(frame, centre), centre, points):
        style: dict[str, Any] = {
            "align": align,
            "dx": {"left": -4, "right": 4}.get(align, 0),
            "dy": -15 if up else 15,
            "baseline": "middle",
            "fontSize": 11,
            "fontWeight": 600,
            "aria": False,
        }
        base = alt.Chart(some).encode(x=along("x"), y=y("value"), text="phrase:N")
        # first the same words, broad and in the colour of the ground: no line runs through them
        layers.append(
            base.mark_text(**style, color=palette.ground, stroke=palette.ground, strokeWidth=3)
        )
        layers.append(base.mark_text(**style, color=palette.accent))
    return layers


def _ring_size(points: pd.DataFrame) -> float:
    return 150 if len(points) <= 60 else 100 if len(points) <= 200 else 60


def _spoken(frame: pd.DataFrame, centre: np.ndarray) -> pd.DataFrame:
    """The rings that carry a phrase: of neighbours that say the same, the one furthest out.

    The newest come first, so that they have first say where there is no room for all.
    """
    apart = (frame["i"].diff() > SAME_PHRASE_WITHIN) | (frame["phrase"] != frame["phrase"].shift())
    away = (frame["value"] - centre[frame["i"].to_numpy()]).abs()
    furthest = away.groupby(apart.cumsum()).idxmax()
    return frame.loc[furthest].iloc[::-1]


def _placed(
    frame: pd.DataFrame, centre: np.ndarray, points: pd.DataFrame
) -> list[tuple[bool, str, pd.DataFrame]]:
    """Phrases that have room, grouped by side and alignment; the ring of every other one stays."""
    if frame.empty:
        return []
    along = pd.to_numeric(points["x"])
    share = (pd.to_numeric(frame["x"]) - along.min()) / max(along.max() - along.min(), 1)
    groups: dict[tuple[bool, str], list[int]] = {}
    taken = {True: np.inf, False: np.inf}
    for row, (where, i, value, phrase) in enumerate(
        zip(share, frame["i"], frame["value"], frame["phrase"], strict=True)
    ):
        up = bool(value >= centre[i])
        width = 6.5 * len(phrase) / PHRASE_ROOM
        align = "left" if where < 0.2 else "right" if where > 0.75 else "center"
        start = where - {"left": 0.0, "center": width / 2, "right": width}[align]
        if not phrase or start + width > taken[up]:
            continue
        taken[up] = start - 0.02
        groups.setdefault((up, align), []).append(row)
    return [(up, align, frame.iloc[rows]) for (up, align), rows in groups.items()]

"""Rings around points that signal, with a short phrase where there is room for it."""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard.figures.palette import Palette
from dashboard.figures.scale import Encoder

PHONE_ROOM = 220  # pixels of plot on a phone: what has no room there is left out there
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
        size=_ring_size(points, 0.8),
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
    spoken = _spoken(frame, centre)
    for up, align, narrow, some in _placed(spoken, centre, points):
        style: dict[str, Any] = {
            "opacity": 1 if narrow else alt.expr(f"width < {PHRASE_ROOM} ? 0 : 1"),
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


def _ring_size(points: pd.DataFrame, share: float = 1.0) -> alt.ExprRef:
    room = f"1.4 * width / {max(len(points), 1)}"
    return alt.ExprRef(f"{share:g} * clamp(pow({room}, 2), 60, 150)")


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
) -> list[tuple[bool, str, bool, pd.DataFrame]]:
    """Phrases that have room, by side, alignment and whether they have it on a phone, too.

    The ring of every other one stays.
    """
    if frame.empty:
        return []
    along = pd.to_numeric(points["x"])
    share = (pd.to_numeric(frame["x"]) - along.min()) / max(along.max() - along.min(), 1)
    groups: dict[tuple[bool, str, bool], list[int]] = {}
    taken = {room: {True: np.inf, False: np.inf} for room in (PHONE_ROOM, PHRASE_ROOM)}
    for row, (where, i, value, phrase) in enumerate(
        zip(share, frame["i"], frame["value"], frame["phrase"], strict=True)
    ):
        up = bool(value >= centre[i])
        # a phone needs the words inward sooner: there they are as broad as half the plot
        align = "left" if where < 0.3 else "right" if where > 0.7 else "center"
        fits = {}
        for room in (PHRASE_ROOM, PHONE_ROOM):
            width = 6.5 * len(phrase) / room
            start = where - {"left": 0.0, "center": width / 2, "right": width}[align]
            fits[room] = bool(phrase) and start >= 0 and start + width <= taken[room][up]
            if fits[room]:
                taken[room][up] = start - 0.02
        if fits[PHRASE_ROOM]:
            groups.setdefault((up, align, fits[PHONE_ROOM]), []).append(row)
    return [(up, align, narrow, frame.iloc[rows]) for (up, align, narrow), rows in groups.items()]


def left_out_marks(
    points: pd.DataFrame,
    left_out: Mapping[int, str],
    along: Encoder,
    y: Encoder,
    palette: Palette,
) -> list[alt.Chart]:
    """Batches that do not count for limits: hollow, and crossed."""
    frame = points[points["i"].isin(list(left_out))]
    if frame.empty:
        return []
    hollow = alt.Chart(frame).mark_point(
        filled=True,
        fill=palette.ground,
        stroke=palette.data,
        strokeWidth=1.4,
        size=_ring_size(points, 0.6),
        opacity=1,
        aria=False,
    )
    cross = alt.Chart(frame).mark_point(
        shape="M-.5,-.5L.5,.5M-.5,.5L.5,-.5",
        filled=False,
        stroke=palette.data,
        strokeWidth=1.2,
        size=_ring_size(points),
        opacity=1,
        aria=False,
    )
    return [mark.encode(x=along("x"), y=y("value")) for mark in (hollow, cross)]

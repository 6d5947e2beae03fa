"""The strips above a chart: the event ribbon and the navigator, as the browser gets them."""

import json

import numpy as np
import pandas as pd

import spc
from dashboard import figures
from dashboard.figures import Bar, Lane, Mark, scale
from dashboard.figures.rings import PHRASE_ROOM

HOSTILE = """R1")+alert('x')//</script><img src=x onerror=alert(1)>\\"""


def rows(spec: dict, layer: dict) -> list[dict]:
    return spec["datasets"][layer.get("data", spec.get("data"))["name"]]


def layers(spec: dict, mark: str) -> list[dict]:
    return [one for one in spec["layer"] if one["mark"]["type"] == mark]


def test_bars_reach_from_half_way_before_to_half_way_after() -> None:
    lanes = [
        Lane("Lot", bars=(Bar(0, 2, "R1", "lot R1"), Bar(3, 4, "R2", "lot R2"))),
        Lane("Limits", marks=(Mark(3.5, "frozen", "limits frozen"),)),
    ]
    spec = figures.event_ribbon(lanes, list("abcde")).to_dict()
    (bars,) = layers(spec, "bar")
    assert [(row["start"], row["stop"]) for row in rows(spec, bars)] == [(0.5, 3.5), (3.5, 5.5)]
    (marks,) = layers(spec, "point")
    assert [row["x"] for row in rows(spec, marks)] == [3.5]
    assert bars["encoding"]["y"]["scale"]["domain"] == ["Lot", "Limits"]
    # the same margins as the chart below, so that both stand on one axis
    chart = figures.control_chart(spc.individuals([1.0, 3, 2, 4, 3]).location).to_dict()
    assert bars["encoding"]["x"]["scale"] == chart["layer"][1]["encoding"]["x"]["scale"]
    axis = bars["encoding"]["y"]["axis"]
    assert axis["minExtent"] == axis["maxExtent"] == scale.LEFT_EXTENT


def test_names_of_lots_stay_data() -> None:
    lanes = [Lane("Lot", bars=(Bar(0, 1, HOSTILE, HOSTILE),), marks=(Mark(1, HOSTILE, HOSTILE),))]
    spec = figures.event_ribbon(lanes, ["a", "b"], description="ribbon").to_dict()
    without_data = {key: value for key, value in spec.items() if key != "datasets"}
    assert "alert" not in json.dumps(without_data)


def test_the_ribbon_goes_along_time_too() -> None:
    times = pd.date_range("2026-03-01", periods=4, freq="D", tz="UTC")
    spec = figures.event_ribbon([Lane("Lot", bars=(Bar(1, 2, "R", "lot R"),))], list("abcd"), times)
    (bars,) = layers(spec.to_dict(), "bar")
    (row,) = rows(spec.to_dict(), bars)
    half_day = 43_200
    assert row["start"] == times[1].timestamp() - half_day
    assert row["stop"] == times[2].timestamp() + half_day


def test_the_navigator_keeps_extremes_and_every_signal_in_view() -> None:
    values = np.random.default_rng(2).normal(2000, 20, 5000)
    values[[40, 4000]] = [2500, 1500]
    spec = figures.navigator(values, signals=[40, 41, 4000], window=(10, 60)).to_dict()
    (band,) = layers(spec, "rule")
    columns = rows(spec, band)
    assert len(columns) == 400
    assert (min(row["low"] for row in columns), max(row["high"] for row in columns)) == (1500, 2500)
    (rings,) = layers(spec, "point")
    assert len(rows(spec, rings)) == 3 - (40 * 400 // 5000 == 41 * 400 // 5000)
    (window,) = layers(spec, "rect")
    assert window["name"] == figures.WINDOW
    assert [param["name"] for param in spec["params"]] == [figures.STRETCH]


def test_phrases_that_have_no_room_on_a_phone_are_hidden_there() -> None:
    values = [0.0, 1, 0, 1, 9, 0, 1, 0, 1, 0, 9, 1, 0, 1, 0, 1, 9, 0, 1, 0]
    signals = [(4, "beyond 3 sigma"), (10, "beyond 3 sigma"), (16, "beyond 3 sigma")]
    chart = spc.individuals(np.array(values)).location
    spec = figures.control_chart(chart, signals=signals).to_dict()
    spoken = [
        (layer["mark"]["opacity"], len(rows(spec, layer)))
        for layer in layers(spec, "text")
        if layer["encoding"]["text"]["field"] == "phrase" and "stroke" not in layer["mark"]
    ]
    always = sum(n for opacity, n in spoken if opacity == 1)
    with_room = sum(n for opacity, n in spoken if opacity != 1)
    assert always >= 1
    assert with_room >= 1
    assert all(
        str(PHRASE_ROOM) in str(opacity) for opacity, _ in spoken if opacity != 1
    )  # a phone's plot is narrower than that

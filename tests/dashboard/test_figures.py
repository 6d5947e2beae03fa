"""Figures as the specification that the browser draws: nothing lost, nothing clipped, no code."""

import json
import math

import altair as alt
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc
from dashboard import figures
from dashboard.figures import control, scale
from dashboard.figures.strip import order_positions

HOSTILE = """B1")+alert('x')//</script><img src=x onerror=alert(1)>\\"""


def drawn(figure: alt.LayerChart) -> dict:
    """The figure as sent to the browser; altair checks it against the Vega-Lite schema."""
    return figure.to_dict()


def rows(spec: dict, layer: dict) -> list[dict]:
    return spec["datasets"][layer.get("data", spec.get("data"))["name"]]


def layers(spec: dict, mark: str) -> list[dict]:
    return [one for one in spec["layer"] if one["mark"]["type"] == mark]


def chart_of(values: list[float]) -> spc.ControlChart:
    return spc.individuals(values).location


def test_a_notebook_needs_one_argument() -> None:
    spec = drawn(figures.control_chart(chart_of([10.0, 12.0, 11.0, 13.0])))
    texts = [row["words"] for layer in layers(spec, "text") for row in rows(spec, layer)]
    # by hand: mean 11.5, moving ranges 2 1 2, their mean 5/3; 3/d2 of two values is 2.6587
    assert {"11.50", f"{11.5 + 2.6587 * 5 / 3:.2f}", f"{11.5 - 2.6587 * 5 / 3:.2f}"} <= set(texts)


def test_limits_that_change_are_drawn_as_steps() -> None:
    frame = scale.steps(None, [1.0, 1.0, 2.0, np.nan, 2.0])
    assert frame.to_numpy().tolist() == [[0.5, 2.5, 1.0], [2.5, 3.5, 2.0], [4.5, 5.5, 2.0]]


def test_every_signal_has_its_ring_and_its_stretch() -> None:
    signals = [(2, "beyond 3 sigma"), (5, "8 on one side")]
    figure = figures.control_chart(
        chart_of([1.0, 3, 2, 4, 2, 5, 3]), signals=signals, stretches=[(4, 5)]
    )
    spec = drawn(figure)
    rings = [
        layer
        for layer in layers(spec, "point")
        if layer["mark"].get("color") == figures.LIGHT.accent and not layer["mark"]["filled"]
    ]
    assert sorted(row["i"] for layer in rings for row in rows(spec, layer)) == [2, 5]
    (shade,) = layers(spec, "rect")
    assert [(row["start"], row["stop"]) for row in rows(spec, shade)] == [(4.5, 6.5)]


def test_more_points_than_the_screen_has_keep_every_signal_and_both_extremes() -> None:
    rng = np.random.default_rng(20261)
    values = rng.normal(2000, 50, 7001)
    values[[17, 4000, 6999]] = [2600, 1200, 2500]
    signals = [(17, "beyond 3 sigma"), (4000, "beyond 3 sigma"), (6999, "beyond 3 sigma")]
    figure = figures.control_chart(spc.individuals(values).location, signals=signals)
    spec = drawn(figure)
    (band,) = layers(spec, "area")
    columns = rows(spec, band)
    assert len(columns) == control.ENVELOPE_COLUMNS
    assert min(row["low"] for row in columns) == 1200
    assert max(row["high"] for row in columns) == 2600
    rings = [one for one in layers(spec, "point") if not one["mark"]["filled"]]
    assert sorted(row["i"] for one in rings for row in rows(spec, one)) == [17, 4000, 6999]
    assert len(json.dumps(spec)) < 500_000


def test_names_from_a_file_stay_data() -> None:
    """A batch name is never part of an expression, and no title or field carries it."""
    figure = figures.control_chart(chart_of([1.0, 3.0, 2.0]), [HOSTILE, "B2", "B3"])
    spec = drawn(figure)
    expressions = {
        layer["encoding"]["x"]["axis"]["labelExpr"]
        for layer in spec["layer"]
        if "axis" in layer["encoding"].get("x", {})
    }
    (expression,) = expressions
    literal, rest = expression[1:].rsplit(")[", 1)
    assert rest == "datum.value]"
    assert json.loads(literal)["1"] == HOSTILE
    without_data = {key: value for key, value in spec.items() if key != "datasets"}
    assert HOSTILE not in json.dumps(without_data).replace(json.dumps(expression)[1:-1], "")


def test_specification_lines_do_not_look_like_control_limits() -> None:
    lines = {"lower": 1.0, "target": 2.0, "upper": 3.0}
    figure = figures.control_chart(chart_of([1.5, 2.5, 2.0]), specification=lines)
    spec = drawn(figure)
    rules = layers(spec, "rule")
    of_specification = [one for one in rules if len(rows(spec, one)) == 3]
    (mark,) = [one["mark"] for one in of_specification]
    others = [one["mark"] for one in rules if one not in of_specification]
    assert all(mark["color"] != one["color"] for one in others)
    assert all(mark["strokeDash"] != one.get("strokeDash") for one in others)
    texts = [row["words"] for layer in layers(spec, "text") for row in rows(spec, layer)]
    assert {"spec. 1", "target 2", "spec. 3"} <= set(texts)


def test_readings_set_aside_never_squeeze_the_chart() -> None:
    aside = pd.DataFrame(
        {
            "x": [1.0, 2.0, 3.0, 3.0],
            "value": [2010.0, 19850.0, np.nan, np.nan],
            "reason": ["retest", "torque_disagrees", "below_range", "no_result"],
            "words": list("abcd"),
        }
    )
    figure = figures.control_chart(chart_of([2000.0, 2020.0, 2005.0]), aside=aside)
    spec = drawn(figure)
    assert spec["layer"][-1]["encoding"]["y"]["scale"]["domain"][1] < 2200
    shapes = {
        one["mark"]["shape"]: [row["words"] for row in rows(spec, one)]
        for one in layers(spec, "point")
        if one["mark"].get("shape")
    }
    # at its value, beyond the upper edge, beyond the lower one; no result has no place
    assert shapes == {"diamond": ["a"], "triangle-up": ["b"], "triangle-down": ["c"]}


def test_panels_line_up() -> None:
    """Same margins whatever the numbers: the parts that decide the width are equal."""
    small = drawn(figures.control_chart(chart_of([1.0, 3.0, 2.0])))
    large = drawn(
        figures.control_chart(chart_of([1e6, 1.2e6, 1.1e6]), specification={"upper": 9e5})
    )
    keep = ("padding", "autosize", "width")
    assert [small[key] for key in keep] == [large[key] for key in keep]
    strut = [layers(one, "text")[0]["mark"]["dx"] for one in (small, large)]
    assert strut == [scale.RIGHT_MARGIN] * 2


@given(
    st.lists(st.floats(0, 100), min_size=1, max_size=6),
    st.integers(90, 400),
)
def test_texts_at_the_edge_never_meet(values: list[float], height: int) -> None:
    places = scale.spread_labels(values, 0.0, 100.0, height)
    gaps = np.diff(sorted(places))
    assert (gaps >= scale.LABEL_GAP * 100 / height * (1 - 1e-9)).all()
    order = np.argsort(values, kind="stable")
    assert (np.diff(np.array(places)[order]) > 0).all()
    assert max(places) <= 100 + 1e-9


def test_axes_and_marks_are_told_apart_in_both_grounds() -> None:
    """Contrast of text and lines with their ground.

    Source: WCAG 2.1, relative luminance and contrast ratio; 4.5 for text, 3 for graphics.
    """

    def luminance(color: str) -> float:
        parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(a: str, b: str) -> float:
        high, low = sorted((luminance(a), luminance(b)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for palette in (figures.LIGHT, figures.DARK):
        for color in (palette.ink, palette.accent, palette.specification):
            assert contrast(color, palette.ground) >= 4.5
        for color in (palette.data, palette.limit):
            assert contrast(color, palette.ground) >= 3


def test_a_check_run_stands_between_the_batches_around_it() -> None:
    rng = np.random.default_rng(7)
    hours = np.sort(rng.choice(500, size=12, replace=False))
    batches = pd.Timestamp("2026-03-01", tz="UTC") + pd.to_timedelta(hours, unit="h")
    runs = pd.Timestamp("2026-03-01", tz="UTC") + pd.to_timedelta(
        rng.uniform(-20, 520, 40), unit="h"
    )
    for run, place in zip(runs, order_positions(runs, batches), strict=True):
        before = int((batches < run).sum())
        if before == 0:
            assert math.isnan(place)
        elif before == len(batches):
            assert 12 < place < 12.5
        else:
            since = (run - batches[before - 1]) / (batches[before] - batches[before - 1])
            assert place == pytest.approx(before + since)


def test_times_are_labelled_at_round_moments() -> None:
    def ticks(start: str, stop: str) -> list[str]:
        ends = [pd.Timestamp(end, tz="UTC").timestamp() for end in (start, stop)]
        return list(scale.time_ticks(*ends).values())

    assert ticks("2026-01-15", "2026-06-20") == [
        *("Feb 2026", "Mar 2026", "Apr 2026", "May 2026", "Jun 2026"),
    ]
    assert ticks("2026-03-05", "2026-03-20") == [
        *("5 Mar", "7 Mar", "9 Mar", "11 Mar", "13 Mar", "15 Mar", "17 Mar", "19 Mar"),
    ]
    assert ticks("2026-03-01T20:00", "2026-03-02T07:00") == [
        *("1 Mar, 21:00", "2 Mar, 00:00", "2 Mar, 03:00", "2 Mar, 06:00"),
    ]
    assert ticks("1996-06-01", "2026-06-01") == ["2000", "2005", "2010", "2015", "2020", "2025"]


def test_histogram_counts_every_batch_and_its_curve_holds_the_same_area() -> None:
    values = np.random.default_rng(3).normal(2000, 40, 200)
    figure = figures.capability_histogram(
        values, values.mean(), values.std(ddof=1), specification={"upper": 2150.0}
    )
    spec = drawn(figure)
    (bars,) = layers(spec, "rect")
    counted = rows(spec, bars)
    assert sum(row["count"] for row in counted) == 200
    width = counted[0]["stop"] - counted[0]["start"]
    (line,) = layers(spec, "line")
    curve = pd.DataFrame(rows(spec, line))
    area = np.trapezoid(curve["count"], curve["x"])
    assert area == pytest.approx(200 * width, rel=0.01)  # the curve is cut at 3.5 sigma or wider


def test_histogram_of_equal_batches_is_one_bar() -> None:
    spec = drawn(figures.capability_histogram([2000.0] * 5, 2000.0, 0.0))
    (bars,) = layers(spec, "rect")
    assert [row["count"] for row in rows(spec, bars)] == [5]
    assert not layers(spec, "line")


def test_level_plot_draws_the_slope_it_is_given() -> None:
    levels, deviations = [400.0, 2000.0, 4500.0], [1.97, 20.5, 27.2]
    spec = drawn(figures.level_plot(levels, deviations, ["thin", "middle", "thick"], 1.14))
    (line,) = layers(spec, "line")
    fitted = [row for row in rows(spec, line) if row["Line"] == "fitted, slope 1.14"]
    (a, b) = fitted
    slope = math.log(b["s"] / a["s"]) / math.log(b["level"] / a["level"])
    assert slope == pytest.approx(1.14)
    named = [row["Product"] for row in rows(spec, layers(spec, "text")[0])]
    assert named == ["thin", "middle", "thick"]


def test_names_of_products_at_one_level_do_not_pile_up() -> None:
    names = [f"P-{i}" for i in range(20)]
    levels = [2000.0 + i for i in range(20)]
    spec = drawn(figures.level_plot(levels, [12.0] * 20, names, None))
    assert len(rows(spec, layers(spec, "point")[0])) == 20
    assert len(rows(spec, layers(spec, "text")[0])) == 1


def test_trend_shows_the_newest_batches_and_rings_only_theirs() -> None:
    values = list(range(100))
    spec = drawn(figures.trend(values, [f"B{i}" for i in values], signals=[3, 98]))
    (line,) = layers(spec, "line")
    assert [row["value"] for row in rows(spec, line)] == values[-40:]
    rings = [one for one in layers(spec, "point") if not one["mark"]["filled"]]
    assert [row["Batch"] for one in rings for row in rows(spec, one)] == ["B98"]


@pytest.mark.parametrize("by_time", [False, True])
def test_check_strip_rings_what_lies_beyond_its_own_limits(by_time: bool) -> None:
    times = pd.date_range("2026-03-01", periods=10, freq="D", tz="UTC")
    values = [1000.0] * 9 + [1030.0]
    spec = drawn(
        figures.check_strip(
            values,
            times,
            times,
            [f"B{i}" for i in range(10)],
            title="fluid on V1",
            center=1000.0,
            lower=988.0,
            upper=1012.0,
            by_time=by_time,
        )
    )
    rings = [one for one in layers(spec, "point") if not one["mark"]["filled"]]
    assert [row["value"] for one in rings for row in rows(spec, one)] == [1030.0]


def test_few_batches_get_a_median_and_no_limits() -> None:
    spec = drawn(figures.run_plot([5.0, 1.0, 4.0], ["a", "b", "c"]))
    assert len(layers(spec, "rule")) == 1
    assert rows(spec, layers(spec, "rule")[0])[0]["value"] == 4.0

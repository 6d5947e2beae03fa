"""The figures of capability and of the measuring system, as the browser gets them."""

import numpy as np
import pandas as pd
import pytest

import spc
from dashboard import figures, gauge


def rows_of(spec: dict) -> list[dict]:
    return [row for table in spec["datasets"].values() for row in table]


def test_a_normal_plot_keeps_both_ends_of_many_points() -> None:
    values = np.random.default_rng(3).normal(2000, 50, 30_000)
    plot = spc.normal_plot(values)
    spec = figures.normal_figure(plot.values, plot.scores, plot.mean, plot.sd).to_dict()
    shown = [row["value"] for row in rows_of(spec) if "words" in row]
    assert len(shown) == 2000
    assert {min(shown), max(shown)} == {values.min(), values.max()}
    assert "30000 batch means" in spec["description"]


def test_periods_without_an_index_keep_their_place() -> None:
    spec = figures.interval_trend(
        [("Jan", 1.2, 0.9, 1.5), ("Feb", None, None, None), ("Mar", 1.0, 0.7, 1.3)],
        title="Ppk",
        description="three months",
        reference=1.33,
        reference_words="claim 1.33",
    ).to_dict()
    periods = {row["Period"] for row in rows_of(spec) if "Period" in row}
    assert periods == {"Jan", "Feb", "Mar"}
    assert any(row.get("words") == "1.20 (0.90–1.50)" for row in rows_of(spec))


def test_the_own_number_of_batches_is_marked_in_the_band() -> None:
    spec = figures.interval_by_size(
        [(30, 0.97, 1.69), (50, 1.05, 1.61)], 1.33, 50, title="Ppk", description="d"
    ).to_dict()
    marked = [row for row in rows_of(spec) if row.get("value") == 1.33]
    assert [row["n"] for row in marked] == [50]


def test_runs_of_a_fluid_are_ringed_beyond_their_own_limits_only() -> None:
    times = pd.date_range("2025-01-01", periods=4, freq="W", tz="UTC")
    spec = figures.fluid_runs(
        [1000, 1030, 990, 1001], times, title="CF", certified=1000, window=(940, 1060),
        center=1000, own=(988, 1012), description="4 runs",
    ).to_dict()  # fmt: skip
    (ring,) = [
        layer
        for layer in spec["layer"]
        if layer["mark"].get("color") == figures.LIGHT.accent and layer["mark"]["type"] == "point"
    ]
    ringed = spec["datasets"][ring["data"]["name"]]
    assert [row["value"] for row in ringed] == [1030]
    words = {row.get("words") for row in rows_of(spec)}
    assert {"tolerance 940.0", "tolerance 1060", "own limit 988.0", "own limit 1012"} <= words


@pytest.mark.parametrize("times", [[None, None], pd.to_datetime([None, "2025-01-01"], utc=True)])
def test_runs_without_times_stand_in_their_order(times) -> None:
    spec = figures.fluid_runs([1.0, 2.0], times, title="CF", description="2 runs").to_dict()
    assert [row["x"] for row in rows_of(spec) if "When" in row] == [1.0, 2.0]


def test_each_appraiser_has_a_form_and_parts_stand_by_their_level() -> None:
    rows = pd.DataFrame(
        {"part": ["b", "b", "a", "a"], "appraiser": ["x", "y"] * 2, "value": [1.0, 2.0, 5.0, 6.0]}
    )
    spec = figures.gauge_figure(gauge.away_from_parts(rows), description="d").to_dict()
    shape = next(
        layer["encoding"]["shape"] for layer in spec["layer"] if "shape" in layer["encoding"]
    )
    assert len(set(shape["scale"]["range"])) == 2
    assert spec["layer"][0]["encoding"]["x"]["sort"] == ["b", "a"]
    values = [row["value"] for row in rows_of(spec) if "Appraiser" in row]
    assert values == [-0.5, 0.5, -0.5, 0.5]
    # the title of the value axis lies above the plot, so the legend may not
    assert shape["legend"]["orient"] == "bottom"
    assert spec["layer"][0]["encoding"]["y"]["axis"]["title"].endswith("mPa·s")

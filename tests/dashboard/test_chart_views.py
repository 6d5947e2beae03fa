"""What the control chart page shows beside the usual three panels, and how much it sends."""

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

import ingest
from dashboard import chart_panels, cusum_view, drawing, figures, ribbon_view, what_if
from dashboard.assessment import assess_store
from dashboard.capability_view import specifications_in_force
from dashboard.catalog import CHARTS
from dashboard.short_run_view import candidates, proposed, short_run_view

DATA = Path(__file__).parent / "data"
SOON = datetime(2025, 4, 1, tzinfo=UTC)
NO_JOURNAL = pd.DataFrame(
    {name: [] for name in ("id", "at", "who", "what", "subject", "new", "why")}
)
TARGETS = {"P-10": 350, "P-20": 800, "P-30": 1500, "P-40": 2400, "P-50": 3300, "P-60": 4200}


@pytest.fixture
def opened(tmp_path):
    held = []

    def _open(name: str) -> ingest.Store:
        (path,) = DATA.glob(f"{name}_*.csv")
        store = ingest.open_store(str(tmp_path / f"{name}.sqlite"))
        store.add(ingest.read_file(path))
        held.append(store)
        return store

    yield _open
    for store in held:
        store.close()


def assess(store, **more):
    return assess_store(store, now=SOON, **more)


def freeze(store, one, first, last):
    means = one.batches.set_index("batch")["mean"].loc[first:last]
    sigma = np.abs(np.diff(means)).mean() * np.sqrt(np.pi) / 2
    ingest.freeze_limits(
        store, 1, center=means.mean(), sigma=sigma, first_batch=first, last_batch=last,
        n=len(means), method="moving_range", why=f"from {first}", by="Kim",
    )  # fmt: skip


def table_of(drawn, name: str) -> pd.DataFrame:
    return pa.ipc.open_stream(drawn.spec["datasets"][name]).read_pandas()


# cumulative sums


def test_cumulative_sums_tell_since_when_and_how_large(opened):
    """S04: the step is at B019, +140.9 mPa·s; limits from the 18 batches before it."""
    store = opened("S04")
    (one, *_) = assess(store)
    freeze(store, one, "B001", "B018")
    one = next(found for found in assess(store) if found.characteristic_id == 1)
    view = cusum_view.cusum_view(one)
    location = one.charts.location
    # the same sums, one step at a time
    z = (location.values - location.center) / location.standard_error
    up = down = 0.0
    for i, value in enumerate(z):
        up, down = max(0.0, up + value - 0.5), max(0.0, down - value - 0.5)
        assert (view.up.values[i], view.down.values[i]) == pytest.approx((up, down))
    names = one.batches["batch"].tolist()
    start, signal, _ = view.shifts[-1]
    assert view.sides[-1] == "up"
    assert abs(names.index("B019") - start) <= 1
    assert signal == next(i for i, value in enumerate(view.up.values) if value > 5)
    assert f"Level higher since {names[start]} by about" in view.sentences[-1]
    assert f"noticed at {names[signal]}" in view.sentences[-1]


def test_cumulative_sums_start_anew_with_other_limits(opened):
    store = opened("S08")
    (one,) = assess(store)
    freeze(store, one, "B001", "B020")
    freeze(store, one, "B041", "B060")
    (one,) = assess(store)
    view = cusum_view.cusum_view(one)
    first = one.charts.location.z[40]
    assert view.down.values[39] > 5
    assert view.down.values[40] == pytest.approx(max(0.0, -first - 0.5))


def test_without_limits_there_is_nothing_to_sum(opened, tmp_path):
    store = ingest.open_store(str(tmp_path / "few.sqlite"))
    store.add(ingest.read_bytes(b"batch,product,viscosity,unit\nB1,P,2000,mPa.s\n", "one.csv"))
    (one,) = assess(store)
    assert cusum_view.cusum_view(one) is None
    store.close()


# several products


def test_short_runs_of_six_products(opened):
    """S11: limits -0.1035 and 0.0888, one signal, B022 of P-40 at +0.1461 (15.7 %)."""
    store = opened("S11")
    for product, target in TARGETS.items():
        store.add_specification(product, lower=0.8 * target, upper=1.2 * target, target=target)
    held = {product: store.specifications(product) for product in TARGETS}
    view = short_run_view(assess(store), held)
    location = view.charts.location
    assert location.center[0] == pytest.approx(-0.0073, abs=5e-5)
    assert (location.lower[0], location.upper[0]) == pytest.approx((-0.1035, 0.0888), abs=1e-4)
    assert view.batches["batch"].iloc[list(view.outside)].tolist() == ["B022"]
    assert view.sentences[0] == ("B022 (P-40): 15.7 % above its target, beyond the control limits.")
    assert any(said.startswith("Pooled as they are") for said in view.sentences)
    rows = store.characteristics()
    among = candidates(rows, held)
    assert set(proposed(rows, among, among[0])) == set(rows["id"])


def test_products_without_a_target_are_named_and_left_out(opened):
    store = opened("S11")
    store.add_specification("P-10", lower=300, upper=400, target=350)
    store.add_specification("P-20", lower=700, upper=900)
    held = {name: store.specifications(name) for name in ("P-10", "P-20")}
    chosen = [one for one in assess(store) if one.product in held]
    view = short_run_view(chosen, held)
    assert set(view.batches["product"]) == {"P-10"}
    assert any("Without a target, not shown: P-20 (4 batches)" in said for said in view.sentences)
    assert len(candidates(store.characteristics(), held)) == 1


# the ribbon


def test_the_ribbon_shows_the_lot_from_its_first_batch(opened):
    """S04: lot R2 begins with B019."""
    store = opened("S04")
    one = next(found for found in assess(store) if found.product == "P-100")
    options = chart_panels.PanelOptions()
    lanes = ribbon_view.lanes_of(
        one, options, store.lots(one.characteristic_id), store.imports(), NO_JOURNAL
    )
    (lot,) = [lane for lane in lanes if lane.name == "Lot"]
    names = one.batches["batch"].tolist()
    assert [(bar.words, names[bar.start]) for bar in lot.bars] == [("R1", "B001"), ("R2", "B019")]


def test_the_ribbon_marks_new_limits_and_specifications(opened):
    store = opened("S08")
    (one,) = assess(store)
    freeze(store, one, "B001", "B020")
    freeze(store, one, "B041", "B060")
    store.add_specification("P-100", lower=1700, upper=2300)
    third = one.batches["at"].iloc[30].date()
    store.add_specification("P-100", lower=1800, upper=2200, valid_from=third)
    (one,) = assess(store)
    in_force = specifications_in_force(store.specifications("P-100"), one.batches["at"])
    options = chart_panels.PanelOptions(in_force=in_force, first=10)
    lanes = {
        lane.name: lane
        for lane in ribbon_view.lanes_of(one, options, {}, store.imports(), NO_JOURNAL)
    }
    (limits,) = lanes["Limits"].marks
    assert limits.x == 40 - 10 + 0.5
    assert "from B041 on, frozen" in limits.detail
    (specification,) = lanes["Spec."].marks
    first = int((one.batches["at"].dt.date < third).sum())
    assert specification.x == first - 10 + 0.5
    assert specification.words == "1800–2200"
    assert "Lot" not in lanes


def test_what_was_done_to_the_instrument_stands_in_the_ribbon_on_its_day(opened):
    store = opened("S08")
    (one,) = assess(store)
    day = one.batches["at"].iloc[10].date()
    ingest.record_service(store, "V1", day, "shaft changed", by="Kim")
    ingest.record_service(store, "V9", day, "another instrument")
    mistaken = ingest.record_service(store, "V1", day, "a slip")
    ingest.take_back_service(store, mistaken.id, "a slip")
    freeze(store, one, "B001", "B020")
    journal, _ = ingest.journal_table(store)
    lanes = ribbon_view.lanes_of(
        one, chart_panels.PanelOptions(), {}, store.imports().iloc[:0], journal
    )
    ((mark,),) = [lane.marks for lane in lanes if lane.name == "Service"]
    assert "shaft changed (Kim)" in mark.detail
    assert mark.x == pytest.approx(11, abs=1)


# what is drawn


def test_specification_lines_hold_for_their_time(opened):
    store = opened("S08")
    (one,) = assess(store)
    store.add_specification("P-100", lower=1700, upper=2300)
    day = one.batches["at"].iloc[30].date()
    store.add_specification("P-100", lower=1800, upper=2200, valid_from=day)
    in_force = specifications_in_force(store.specifications("P-100"), one.batches["at"])
    options = chart_panels.PanelOptions(in_force=in_force, specification=True)
    (means, *_) = chart_panels.three_way(one, options)
    spec = means.figure.to_dict()
    (lines,) = [
        layer
        for layer in spec["layer"]
        if layer["mark"]["type"] == "rule" and layer["mark"].get("strokeDash") == [9, 3, 2, 3]
    ]
    rows = spec["datasets"][lines["data"]["name"]]
    old = (one.batches["at"].dt.date < day).sum()
    assert {(row["start"], row["stop"], row["value"]) for row in rows} == {
        (0.5, old + 0.5, 1700.0), (old + 0.5, 60.5, 1800.0),
        (0.5, old + 0.5, 2300.0), (old + 0.5, 60.5, 2200.0),
    }  # fmt: skip


def test_older_limits_keep_their_values_and_left_out_batches_are_crossed(opened):
    store = opened("S08")
    (one,) = assess(store)
    freeze(store, one, "B001", "B020")
    freeze(store, one, "B041", "B060")
    ingest.exclude_batch(store, 1, "B030", "spilled", by="Kim")
    (one,) = assess(store)
    (means, *_) = chart_panels.three_way(one, chart_panels.PanelOptions())
    spec = means.figure.to_dict()
    small = [layer for layer in spec["layer"] if layer["mark"].get("fontSize") == 10]
    words = {row["words"] for layer in small for row in spec["datasets"][layer["data"]["name"]]}
    old = one.limits.stretches[0].frozen
    assert min(abs(float(word) - old.center) for word in words) < 0.1
    crossed = [
        layer for layer in spec["layer"] if str(layer["mark"].get("shape", "")).startswith("M-.5")
    ]
    ((row,),) = [spec["datasets"][layer["data"]["name"]] for layer in crossed]
    assert row["Batch"] == "B030"
    assert "spilled" in row.values()


def test_a_window_draws_its_batches_and_no_others(opened):
    store = opened("S08")
    (one,) = assess(store)
    options = chart_panels.PanelOptions(first=20, stop=40, chosen=25)
    for panel in chart_panels.three_way(one, options):
        drawn = drawing.drawn(panel)
        seen = {
            name
            for table in drawn.spec["datasets"]
            for frame in [table_of(drawn, table)]
            if "Batch" in frame
            for name in frame["Batch"]
        }
        assert seen <= set(one.batches["batch"].iloc[20:40])
        assert table_of(drawn, figures.CHOSEN)["x"].tolist() == [6.0]


def test_choosing_a_point_changes_one_small_table(opened):
    (one,) = assess(opened("S08"))
    (means, *_) = chart_panels.three_way(one, chart_panels.PanelOptions(chosen=3))
    drawn = drawing.drawn(means)
    other = drawing.with_chosen(drawn, 9.0)
    changed = [
        name for name, data in other["datasets"].items() if data != drawn.spec["datasets"][name]
    ]
    assert changed == [figures.CHOSEN]
    assert len(other["datasets"][figures.CHOSEN]) < 1000
    assert table_of(drawn, figures.CHOSEN)["x"].tolist() == [4.0]  # the kept one is as it was


def test_every_column_that_a_figure_reads_is_sent(opened):
    (one,) = assess(opened("S08"))
    for panel in chart_panels.three_way(one, chart_panels.PanelOptions(chosen=3)):
        drawn = drawing.drawn(panel)
        for layer in drawn.spec["layer"]:
            sent = set(table_of(drawn, layer["data"]["name"]).columns)
            made = {step.get("as") for step in layer.get("transform", [])}
            read = {
                part["field"]
                for one_or_more in layer["encoding"].values()
                for part in (one_or_more if isinstance(one_or_more, list) else [one_or_more])
                if "field" in part
            }
            assert read - made <= sent


def test_the_chart_is_saved_as_it_is_shown(opened):
    (one,) = assess(opened("S04"), product="P-100")
    panels = chart_panels.three_way(one, chart_panels.PanelOptions(chosen=3))
    svg = drawing.picture(panels, "svg", figures.LIGHT).decode()
    assert svg.startswith("<svg")
    for said in ("Batch mean, mPa·s", "Moving range of means", "Range of readings in a batch"):
        assert said in svg
    assert "<image" not in svg
    png = drawing.picture(panels[:1], "png", figures.DARK)
    assert png.startswith(b"\x89PNG")


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """A store of a hundred thousand batches with its assessment, made once and only looked at."""
    n = 100_000
    rng = np.random.default_rng(5)
    values = 2000 + 50 * rng.standard_normal(n)
    values[40_000:40_400] += 60
    lines = [f"K{i},BIG,S3,{value:.1f},mPa.s" for i, value in enumerate(values)]
    text = "\n".join(["batch,product,spindle,viscosity,unit", *lines])
    store = ingest.open_store(str(tmp_path_factory.mktemp("large") / "big.sqlite"))
    store.add(ingest.read_bytes(text.encode(), "big.csv"))
    store.add_specification("BIG", lower=1700, upper=2300, target=2000)
    (one,) = assess(store)
    yield store, one
    store.close()


@pytest.mark.parametrize("row", [row for row in CHARTS if not row.needs_subgroups])
def test_a_hundred_thousand_batches_stay_below_500_kb(row, large):
    store, one = large
    n = 100_000
    assert one.n_batches == n
    options = chart_panels.PanelOptions(
        in_force=specifications_in_force(store.specifications("BIG"), one.batches["at"]),
        specification=True,
        chosen=n - 1,
    )
    shown = short_run_view([one], {"BIG": store.specifications("BIG")}) if (
        row.several_products
    ) else one  # fmt: skip
    drawn = [drawing.drawn(panel) for panel in row.panels(shown, options)]
    assert sum(drawing.size_of(one) for one in drawn) < 500_000
    if not row.several_products:  # every signal has its ring
        (means,) = [part for part in drawn if part.key == "means"]
        kept = {
            i
            for name in means.spec["datasets"]
            for frame in [table_of(means, name)]
            if "i" in frame
            for i in frame["i"]
        }
        assert {sig.index for sig in one.signals if sig.chart == "batch means"} <= kept
    store.close()


# what if


def test_limits_made_anew_each_month_are_told_beside_the_way_in_use(opened):
    """S08 with limits frozen on the first 20: found at B028; made anew every 20: nothing."""
    store = opened("S08")
    (one,) = assess(store)
    freeze(store, one, "B001", "B020")
    (one,) = assess(store)
    ways = what_if.ways(one)
    table = what_if.table(one, ways)
    in_use = next(i for i, way in enumerate(table["Way"]) if "(in use)" in way)
    assert table["First"][in_use] == "B028"
    assert table["Way"][-1] == "Limits made anew every 20 batches"  # the record is one month
    assert table["First"][-1] == "nothing found"
    assert "nothing would have been found" in what_if.sentences(one, ways)[0]


def test_run_lengths_are_the_printed_ones():
    """370 batches for 3 sigma and 92 for the four zone rules.

    Source: C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393.
    """
    assert what_if.run_length("three-sigma") == pytest.approx(370.4, abs=0.1)
    assert what_if.run_length("four-zone") == pytest.approx(91.75, abs=0.05)


def test_dates_of_service_outside_the_record_are_not_drawn(opened):
    store = opened("S08")
    (one,) = assess(store)
    imports = store.imports()  # imported today, long after the last batch
    assert date.today() > one.last_batch_at.date()  # noqa: DTZ011 - any day will do
    lanes = ribbon_view.lanes_of(one, chart_panels.PanelOptions(), {}, imports, NO_JOURNAL)
    assert "Import" not in {lane.name for lane in lanes}

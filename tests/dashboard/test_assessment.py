"""The assessment against worked scenarios, a brute-force grouping, and the edges of its states.

The scenario files in `data/` are invented results of one viscometer; the numbers expected of them
were worked out beforehand, apart from this project, with the published three-digit constants
(2.66, 3.267, 1.128, 1.880). This project uses the exact ones, hence the tolerances.
"""

import json
import math
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import fmean

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

import ingest
from dashboard.assessment import (
    CAUTION,
    RULE_SETS,
    STATES,
    AssessmentError,
    assess_store,
    expected_false_alarms,
    repeatability_by_level,
    to_json,
)
from dashboard.batches import batch_tables
from dashboard.notes import recording_step
from ingest import schema as ingest_schema

DATA = Path(__file__).parent / "data"
SOON = datetime(2025, 3, 17, 15, tzinfo=UTC)
COLUMNS = ["product", "sample_type", "spindle", "speed_rpm", "batch", "replicate", "instrument"]


class ScenarioStore:
    """Readings of a table, given out as the store gives them."""

    def __init__(self, table, specifications=()):
        self._specifications = list(specifications)
        table = table.reset_index(drop=True)
        key = table["product"] + table["sample_type"] + table["spindle"].astype(str)
        code, _ = pd.factorize(key)
        at = pd.to_datetime(table["timestamp"], utc=True)
        absent = pd.Series(pd.NaT, index=table.index, dtype="datetime64[ns, UTC]")
        sampled = table.get("sampled_at", absent)
        sampled = pd.to_datetime(sampled, utc=True)
        self._readings = pd.DataFrame(
            {
                "id": np.arange(len(table)),
                "characteristic_id": code + 1,
                "batch": table["batch"],
                "replicate": table["replicate"],
                "at": at,
                "sampled_at": sampled,
                "viscosity": table["viscosity"].astype(float),
                "instrument": table["instrument"],
                "shift": table.get("shift", ""),
                "sample_type": table["sample_type"],
                "reason": table.get("reason", ""),
            }
        )
        order = sampled.fillna(at).sort_values(kind="stable").index
        self._readings = self._readings.loc[order].reset_index(drop=True)
        first = ~pd.Series(code).duplicated()
        self._characteristics = pd.DataFrame(
            {
                "id": code[first] + 1,
                "product": table["product"][first],
                "condition": table["spindle"][first].astype(str) + " · 20 rpm",
                "sample_type": table["sample_type"][first],
                "n_readings": np.bincount(code)[code[first]],
            }
        )

    def reading(self):
        """Where decisions are looked up: nobody has decided anything here."""
        nothing = sa.create_engine("sqlite://")
        ingest_schema.METADATA.create_all(nothing)
        return nothing.connect()

    def characteristics(self):
        return self._characteristics

    def readings(self, characteristic_id=None, aside=False):
        frame = self._readings
        if characteristic_id is not None:
            frame = frame[frame["characteristic_id"] == characteristic_id]
        return frame if aside else frame[frame["reason"] == ""]

    def batches(self, characteristic_id=None):
        return ingest.batches_of(self.readings(characteristic_id))

    def set_aside_counts(self):
        aside = self._readings[self._readings["reason"] != ""]
        counted = aside.groupby(["characteristic_id", "reason"]).size()
        return counted.rename("n").reset_index()

    def specifications(self, product=None):
        return [one for one in self._specifications if product in (None, one.product)]


def scenario(name):
    (path,) = DATA.glob(f"{name}_*.csv")
    return pd.read_csv(path)


def specification(lower=None, upper=None, valid_from=None, product="P-100"):
    return ingest.Specification(product, lower, upper, None, valid_from, "2025-01-01T00:00:00Z")


def series(means, replicates=1, spread=(), product="P-1", every=timedelta(hours=8)):
    """Make a table of batches with the given means; pairs lie `spread[i]` apart."""
    rows = []
    for i, mean in enumerate(means):
        for k in range(replicates):
            gap = spread[i] if len(spread) else 0.0
            at = datetime(2025, 1, 6, 6, tzinfo=UTC) + i * every + k * timedelta(minutes=12)
            value = mean + gap * (k - (replicates - 1) / 2)
            batch = f"B{i + 1:03}"
            rows.append((product, "product", "S3", 20, batch, k + 1, "V1", at, value))
    return pd.DataFrame(rows, columns=[*COLUMNS, "timestamp", "viscosity"])


def with_checks(table, values, instrument="V1", replicate=1):
    at = [datetime(2025, 1, 6, 5, tzinfo=UTC) + timedelta(days=i) for i in range(len(values))]
    checks = pd.DataFrame(
        {
            "product": "CHK-1000",
            "sample_type": "check",
            "spindle": "S3",
            "speed_rpm": 20,
            "batch": "CHK-1000",
            "replicate": replicate,
            "instrument": instrument,
            "timestamp": at,
            "viscosity": values,
        }
    )
    return pd.concat([table, checks], ignore_index=True)


def assess(table, specifications=(), now=SOON, **options):
    (found,) = assess_store(ScenarioStore(table, specifications), now=now, **options)
    return found


# --- worked scenarios ---------------------------------------------------------------------------


def test_baseline_limits_and_silence():
    found = assess(scenario("F01"))
    plain = to_json(found)
    individuals = plain["individuals"]
    assert individuals["n"] == 30
    assert individuals["center"] == pytest.approx(2001.73, abs=0.005)
    assert individuals["mr_bar"] == pytest.approx(82.84, abs=0.005)
    assert individuals["sigma"] == pytest.approx(73.44, rel=4e-4)
    assert individuals["lower"] == pytest.approx(1781.37, abs=0.12)
    assert individuals["upper"] == pytest.approx(2222.10, abs=0.12)
    assert plain["duplicates_range"]["r_bar"] == pytest.approx(13.133, abs=0.0005)
    assert plain["duplicates_range"]["upper"] == pytest.approx(42.91, abs=0.02)
    assert plain["signals"] == []
    assert found.events == ()
    assert (found.state, found.stage) == ("quiet", "normal")
    assert not any("Neighbouring" in note for note in found.notes)


def test_baseline_repeatability():
    found = to_json(assess(scenario("F01")))["repeatability"]
    assert found["s_r"] == pytest.approx(12.12, abs=0.005)
    assert found["cv_percent"] == pytest.approx(0.602, abs=0.0005)
    assert found["limit"] == pytest.approx(2.8 * 12.12, abs=0.02)
    assert (found["n_pairs"], found["unit"]) == (30, "mPa.s")


def test_baseline_shows_no_order_effect():
    """t 1.6, p 0.13 in the worked scenario: no word about it."""
    found = assess(scenario("F01"))
    assert found.order_effect.p == pytest.approx(0.13, abs=0.005)
    assert found.repeatability_note == "From 30 batches with two or more readings."


def test_baseline_subgroups_by_batch_warn():
    found = assess(scenario("F01"), subgroups="batch")
    plain = to_json(found)["subgroups"]
    assert plain["lower"] == pytest.approx(1977.04, abs=0.02)
    assert plain["upper"] == pytest.approx(2026.42, abs=0.02)
    assert (plain["outside"], plain["n"]) == (25, 30)
    assert plain["sigma_ratio"] == pytest.approx(6.31, abs=0.005)
    assert "25 of 30" in plain["warning"]
    assert "6.31" in plain["warning"]


@pytest.mark.parametrize(
    ("n", "stage", "state"),
    [
        (7, "no limits", "not enough data"),
        (8, "provisional", "quiet"),
        (15, "provisional", "quiet"),
        (19, "provisional", "quiet"),
        (20, "trial", "quiet"),
        (25, "trial", "quiet"),
        (30, "normal", "quiet"),
    ],
)
def test_stage_follows_the_number_of_batches(n, stage, state):
    table = scenario("F01")
    first = table[table["batch"].isin(table["batch"].unique()[:n])]
    found = assess(first)
    assert (found.stage, found.state, found.n_batches) == (stage, state, n)
    assert (found.charts is None) == (n < 8)
    assert (found.ewma is None) == (n < 20)
    if n < 8:
        assert "1 more needed" in found.state_reason
        assert found.median == np.median(first.groupby("batch")["viscosity"].mean())


def test_levels_recommend_percent():
    found = repeatability_by_level(ScenarioStore(scenario("F02")))
    assert [level.product for level in found.levels] == ["P-L", "P-M", "P-H"]
    assert [level.s_r for level in found.levels] == pytest.approx([1.97, 20.47, 27.19], abs=0.005)
    cv = [level.cv_percent for level in found.levels]
    assert cv == pytest.approx([0.492, 1.026, 0.610], abs=0.0005)
    assert found.pooled_cv_percent == pytest.approx(0.745, abs=0.0005)
    assert found.pooled_s_r == pytest.approx(19.68, abs=0.005)
    assert found.slope == pytest.approx(1.14, abs=0.005)
    assert found.scale == "relative"
    assert "0.745 %" in found.sentence


def test_lot_change_is_one_open_event_from_the_first_batch_of_the_lot():
    """The lot changes at B019; limits here come from all 36 batches, not from the first 18."""
    table = scenario("S04")
    found = assess(table, rules="four-zone")
    product = table[table["sample_type"] == "product"]
    means = product.groupby("batch")["viscosity"].mean().to_numpy()
    center = fmean(means)
    sigma = fmean(abs(b - a) for a, b in pairwise(means)) / 1.128
    plain = to_json(found)["individuals"]
    assert plain["center"] == pytest.approx(center)
    assert plain["upper"] == pytest.approx(center + 3 * sigma, rel=1e-4)
    event = found.events[0]
    assert event.open
    assert (event.batches[0], event.batches[-1]) == ("B019", "B036")
    away = 100 * (fmean(means[18:]) - center) / center
    assert f"B019 to B036: above the centre by {away:.1f} %" in event.sentence
    assert "8 on one side" in event.sentence
    assert [past.open for past in found.events[1:]] == [False]
    assert found.state == "signal"
    (check,) = found.check_standards
    assert (check.n, check.in_order, check.outside) == (18, True, ())


def test_autocorrelated_record_counts_as_told():
    found = assess(scenario("S10"), rules="four-zone", now=datetime(2025, 4, 11, 15, tzinfo=UTC))
    plain = to_json(found)
    assert plain["individuals"]["center"] == pytest.approx(1962.72, abs=0.005)
    assert plain["individuals"]["lower"] == pytest.approx(1862.55, abs=0.06)
    assert plain["individuals"]["upper"] == pytest.approx(2062.89, abs=0.06)
    assert len({signal["batch"] for signal in plain["signals"]}) == 20
    beyond = [s["batch"] for s in plain["signals"] if s["rule"] == "beyond_3_sigma"]
    assert beyond == ["B020", "B048", "B071"]
    (note,) = [note for note in found.notes if "Neighbouring batches are alike" in note]
    assert "correlation 0.60, chance stays within ±0.22" in note
    assert "need not have causes of their own" in note
    assert "20 signals" not in found.state_reason


def test_unstable_process_gets_performance_and_reasons_only():
    now = datetime(2025, 3, 27, 15, tzinfo=UTC)
    found = assess(scenario("S12"), [specification(1750, 2250)], now=now)
    view, plain = found.capability, to_json(found)["capability"]
    assert view.performance_only
    assert (plain["cp"], plain["cpk"]) == (None, None)
    assert plain["ppk"] == pytest.approx(1.01, abs=0.005)
    assert plain["ppk_low"] == pytest.approx(0.79, abs=0.005)
    assert plain["ppk_high"] == pytest.approx(1.23, abs=0.005)
    assert view.withheld[0] == "15 of 50 batches beyond the control limits"
    assert "short-term sigma (2.64) would mislead" in view.withheld[-1]
    assert found.batches["in_specification"].tolist() == [True] * 50


def test_drifting_check_standards_put_the_measurement_in_doubt():
    table = scenario("S02")
    found = assess(table, now=datetime(2025, 3, 22, 15, tzinfo=UTC))
    assert found.state == "measurement in doubt"
    assert "CHK-1000 on V1" in found.state_reason
    assert [check.in_order for check in found.check_standards] == [False, False]
    without = assess(table[table["sample_type"] == "product"])
    assert without.check_standards == ()
    assert any("cannot be told apart" in note for note in without.notes)


def test_repeated_wide_ranges_are_an_event_of_their_own():
    """Foam at the end: ranges of B022 and B024 lie above the limit made from all 30."""
    table = scenario("S09")
    found = assess(table)
    ranges = table.groupby("batch")["viscosity"].agg(lambda pair: pair.max() - pair.min())
    wide = ranges.index[ranges > 3.267 * ranges.mean()].tolist()
    assert [row.batch for row in found.signals if row.chart == "duplicates range"] == wide
    assert [event.chart for event in found.events] == ["duplicates range"]
    assert found.events[0].batches == ("B022", "B023", "B024")
    assert found.state == "signal"


def test_second_measuring_condition_changes_no_number():
    table = scenario("F01")
    alone = to_json(assess(table))
    other = table.head(5).assign(spindle="S4", viscosity=lambda rows: rows["viscosity"] / 2)
    both = assess_store(ScenarioStore(pd.concat([table, other])), now=SOON)
    assert [found.condition for found in both] == ["S4 · 20 rpm", "S3 · 20 rpm"]
    assert to_json(both[1]) == alone


def test_same_numbers_through_a_real_store(tmp_path):
    store = ingest.open_store(str(tmp_path / "store.db"))
    reading = ingest.read_file(DATA / "S12_unstable_capability.csv", {"time_zone": "UTC"})
    assert reading.questions == ()
    store.add(reading)
    store.add_specification("P-100", lower=1750, upper=2250)
    now = datetime(2025, 3, 27, 15, tzinfo=UTC)
    (found,) = assess_store(store, subgroups="day", now=now)
    apart = assess(scenario("S12"), [specification(1750, 2250)], now=now, subgroups="day")
    assert to_json(found) == to_json(apart)


# --- batches ------------------------------------------------------------------------------------


def test_batches_equal_a_brute_force_grouping():
    rng = np.random.default_rng(20250318)
    n = 300
    used = pd.DataFrame(
        {
            "characteristic_id": rng.integers(1, 5, n),
            "batch": [f"B{k}" for k in rng.integers(0, 25, n)],
            "replicate": rng.integers(0, 4, n),
            "at": pd.Timestamp("2025-01-01", tz="UTC") + pd.to_timedelta(np.arange(n), "h"),
            "sampled_at": pd.Series(pd.NaT, index=range(n), dtype="datetime64[ns, UTC]"),
            "viscosity": rng.normal(2000, 50, n).round(),
            "instrument": rng.choice(["V1", "V2"], n),
            "shift": "",
        }
    )
    expected = {}
    for row in used.itertuples():
        of_one = expected.setdefault(row.characteristic_id, {})
        of_one.setdefault(row.batch, []).append((row.replicate, row.viscosity))
    tables = batch_tables(ingest.batches_of(used))
    assert sorted(tables) == sorted(expected)
    for number, batches in expected.items():
        frame = tables[number].frame
        assert frame["batch"].tolist() == list(batches)
        for k, pairs in enumerate(batches.values()):
            values = [value for _, value in sorted(pairs, key=lambda pair: pair[0])]
            got = tables[number].readings[k]
            assert got[~np.isnan(got)].tolist() == values
            assert frame["n"][k] == len(values)
            assert frame["mean"][k] == pytest.approx(sum(values) / len(values))
            assert (frame["low"][k], frame["high"][k]) == (min(values), max(values))
            assert frame["single"][k] == (len(values) == 1)
            if len(values) == 1:
                assert math.isnan(frame["range"][k])
            else:
                assert frame["range"][k] == max(values) - min(values)


def test_batches_stand_in_order_of_sampling_not_of_testing():
    table = series([2000.0, 2010.0, 2020.0])
    table["sampled_at"] = table["timestamp"].to_numpy()[::-1]
    found = assess(table)
    assert found.batches["batch"].tolist() == ["B003", "B002", "B001"]
    assert found.last_batch == "B001"
    assert found.last_batch_at == table["timestamp"].max()


def test_single_readings_are_flagged_and_kept_out_of_repeatability():
    table = scenario("F01")
    lost = table[~((table["batch"] == "B005") & (table["replicate"] == 2))]
    found = assess(lost)
    assert found.n_batches == 30
    assert found.batches.loc[found.batches["single"], "batch"].tolist() == ["B005"]
    assert found.repeatability.n_groups == 29
    assert "1 batch with a single reading, shown hollow." in found.notes
    assert math.isnan(found.charts.within.values[4])


def test_set_aside_readings_are_counted_and_not_used():
    table = scenario("F01").assign(reason="")
    table.loc[3, ["reason", "viscosity"]] = ["below_range", np.nan]
    found = assess(table)
    assert found.n_set_aside == {"below_range": 1}
    assert any(note.startswith("1 reading set aside") for note in found.notes)
    assert to_json(found)["set_aside"] == {"below_range": 1}
    table.loc[5, "reason"] = "unit_megapascal"
    assert any("MPa·s was written" in note for note in assess(table).notes)
    everything = assess(table.assign(reason="over_range"))
    assert (everything.n_batches, everything.state) == (0, "not enough data")
    assert everything.stale_sentence == "No data yet."
    json.dumps(to_json(everything), allow_nan=False)


def test_a_batch_number_used_again_is_remarked():
    table = scenario("F01")
    later = table.head(1).assign(timestamp="2025-06-01T06:30:00", replicate=3)
    found = assess(pd.concat([table, later]))
    assert any("B001" in note and "used twice" in note for note in found.notes)


# --- states -------------------------------------------------------------------------------------


def test_stale_data_never_look_quiet():
    """Batches every 8 hours: patience is 5 times that, 40 hours."""
    table = series([2000.0, 2010.0] * 10)
    last = table["timestamp"].max()
    fresh = assess(table, now=last + timedelta(hours=40))
    old = assess(table, now=last + timedelta(hours=40, minutes=1))
    assert (fresh.stale, fresh.stale_sentence, fresh.shown_states) == (False, "", ("quiet",))
    assert old.stale
    assert old.state == "quiet"
    assert old.shown_states == ("no fresh data",)
    assert old.stale_sentence == "No data since 12 Jan 2025."
    assert assess(table, now=None).stale


def test_patience_is_at_least_one_shift():
    table = series([2000.0, 2010.0] * 10, every=timedelta(minutes=30))
    last = table["timestamp"].max()
    assert not assess(table, now=last + timedelta(hours=8)).stale
    assert assess(table, now=last + timedelta(hours=8, minutes=1)).stale


def test_open_window_is_the_last_eight_batches():
    flat = [2000.0, 2010.0] * 15
    inside, before = flat.copy(), flat.copy()
    inside[22] = before[21] = 2400.0
    now = datetime(2025, 1, 16, 6, tzinfo=UTC)
    found = assess(series(inside), now=now, rules="three-sigma")
    assert (found.state, [event.open for event in found.events]) == ("signal", [True])
    found = assess(series(before), now=now, rules="three-sigma")
    assert (found.state, [event.open for event in found.events]) == ("quiet", [False])
    assert "1 older event listed as past." in found.state_reason


def test_above_and_below_are_two_events():
    means = [2000.0, 2004.0] * 12 + [2100.0, 1900.0] + [2000.0, 2004.0] * 3
    found = assess(series(means), rules="three-sigma")
    sides = sorted("above" in event.sentence for event in found.events)
    assert sides == [False, True]
    assert {event.batches for event in found.events} == {("B025",), ("B026",)}


def test_moving_average_sees_a_small_lasting_shift_that_three_sigma_misses():
    rng = np.random.default_rng(11)
    means = np.concatenate([rng.normal(2000, 20, 40), rng.normal(2025, 20, 12)])
    average = assess(series(means), rules="three-sigma-ewma")
    alone = assess(series(means), rules="three-sigma")
    assert {row.chart for row in average.signals} == {"ewma"}
    assert alone.signals == ()
    assert average.state == "signal"
    # brute force: the recursion, and limits from its variance
    center, sigma, level = fmean(means), average.charts.location.sigma, fmean(means)
    flagged = []
    for i, value in enumerate(means):
        level = 0.2 * value + 0.8 * level
        error = sigma * math.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * (i + 1))))
        if abs(level - center) > 2.86 * error:
            flagged.append(i)
    assert [row.index for row in average.signals] == flagged


def test_provisional_limits_use_the_three_sigma_rule_only():
    means = [2000.0, 2010.0] * 4 + [2006.0] * 9
    found = assess(series(means), rules="four-zone")
    assert found.stage == "provisional"
    assert found.signals == ()
    trial = assess(series([*means, 2006.0, 2006.0, 2006.0]), rules="four-zone")
    assert {row.rule for row in trial.signals} == {"8_on_one_side"}


def test_newest_range_beyond_its_limit_is_doubted_at_once():
    means = [2000.0, 2010.0] * 10
    spread = [10.0] * 19 + [90.0]
    found = assess(series(means, 2, spread))
    assert found.state == "measurement in doubt"
    assert "batch B020 (90.0 mPa·s)" in found.state_reason
    earlier = assess(series(means, 2, spread[::-1]))
    assert earlier.state == "quiet"
    assert earlier.signals == ()
    assert any("readings of B001 are 90.0 mPa·s apart" in note for note in earlier.notes)


def test_doubt_about_the_measurement_comes_before_the_signal():
    means = [2000.0, 2010.0] * 10 + [2400.0]
    steady = [1000.0, 1002.0] * 5
    calm = assess(with_checks(series(means), steady), rules="three-sigma")
    assert calm.state == "signal"
    found = assess(with_checks(series(means), [*steady, 1030.0]), rules="three-sigma")
    assert found.state == "measurement in doubt"
    assert "B021: above the centre" in found.state_reason
    elsewhere = with_checks(series(means), [*steady, 1030.0], instrument="V2")
    assert assess(elsewhere, rules="three-sigma").state == "signal"


def test_check_standard_needs_eight_runs_and_counts_replicates_once():
    table = series([2000.0, 2010.0] * 10)
    few = assess(with_checks(table, [1000.0, 1002.0] * 3 + [1300.0]))
    (check,) = few.check_standards
    assert (check.n, check.center, check.in_order) == (7, None, None)
    pairs = with_checks(table, np.repeat([1000.0, 1002.0], 1).tolist() * 4)
    second = pairs[pairs["sample_type"] == "check"].copy()
    second["replicate"], second["viscosity"] = 2, second["viscosity"] + 4
    second["timestamp"] += timedelta(minutes=10)
    (check,) = assess(pd.concat([pairs, second])).check_standards
    assert check.n == 8
    assert check.values.tolist() == [1002.0, 1004.0] * 4
    assert check.in_order is True


def test_replicate_numbers_days_apart_are_separate_runs():
    table = with_checks(series([2000.0, 2010.0] * 10), [1000.0, 1002.0] * 4, replicate=[1, 2] * 4)
    (check,) = assess(table).check_standards
    assert check.n == 8


def test_only_instruments_of_the_last_eight_batches_can_be_in_doubt():
    table = series([2000.0, 2010.0] * 10)
    checked = with_checks(table, [1000.0, 1002.0] * 5 + [1030.0])
    for moved_after, state in ((11, "quiet"), (13, "measurement in doubt")):
        moved = checked.copy()
        later = (moved["sample_type"] == "product") & (moved.index >= moved_after)
        moved.loc[later, "instrument"] = "V2"
        found = assess(moved)
        assert found.state == state
        assert [check.in_order for check in found.check_standards] == [False]


@pytest.mark.parametrize(("second", "events"), [(12, 1), (13, 2)])
def test_one_quiet_batch_does_not_part_an_event(second, events):
    means = [2000.0, 2010.0] * 30
    means[10] = means[second] = 2400.0
    assert len(assess(series(means), rules="three-sigma").events) == events


def test_what_needs_a_person_comes_first():
    flat = [2000.0, 2010.0] * 10
    tables = [
        series(flat, product="P-quiet"),
        series(flat[:5], product="P-few"),
        series([*flat, 2400.0], product="P-signal"),
        series(flat, 2, [10.0] * 19 + [90.0], product="P-doubt"),
    ]
    found = assess_store(ScenarioStore(pd.concat(tables)), now=SOON, rules="three-sigma")
    assert [one.product for one in found] == ["P-signal", "P-doubt", "P-few", "P-quiet"]
    assert [one.state for one in found] == list(STATES)


# --- specifications -----------------------------------------------------------------------------


def test_each_batch_is_judged_by_the_specification_of_its_day():
    """P-100 runs at 2001.7 with sigma 73; B023 is the first batch of 14 March."""
    specs = [specification(1000, 3000), specification(2100, 2200, date(2025, 3, 14))]
    found = assess(scenario("F01"), specs)
    batches = found.batches
    early = (batches["at"] < pd.Timestamp("2025-03-14", tz="UTC")).to_numpy()
    assert batches["in_specification"][early].tolist() == [True] * early.sum()
    later = batches[~early]
    assert later["in_specification"].tolist() == later["mean"].between(2100, 2200).tolist()
    assert found.capability.result is None
    assert "the specification changed inside the window" in found.capability.withheld


def test_before_the_first_specification_nothing_is_judged():
    found = assess(scenario("F01"), [specification(1800, 2200, date(2025, 3, 14))])
    judged = found.batches["in_specification"]
    assert judged.iloc[0] is None
    assert judged.iloc[-1] is True or judged.iloc[-1] is False
    assert found.capability.result is None


def test_stable_process_earns_its_index():
    """Formulas written out: 30 means, mean 2001.73, sigma 73.44, s 68.64 as worked out apart."""
    found = assess(scenario("F01"), [specification(1600, 2400)])
    plain = to_json(found)["capability"]
    assert found.capability.withheld == ()
    assert plain["withheld"] is None
    assert plain["cp"] == pytest.approx(800 / (6 * 73.44), rel=1e-3)
    assert plain["cpk"] == pytest.approx((2400 - 2001.73) / (3 * 73.44), rel=1e-3)
    assert plain["ppk"] == pytest.approx((2400 - 2001.73) / (3 * 68.64), rel=1e-3)
    one_sided = to_json(assess(scenario("F01"), [specification(1600)]))["capability"]
    assert (one_sided["cp"], one_sided["pp"]) == (None, None)
    assert one_sided["cpk"] == pytest.approx((2001.73 - 1600) / (3 * 73.44), rel=1e-3)


def test_few_batches_or_no_specification_give_a_reason_only():
    table = scenario("F01")
    twelve = table[table["batch"].isin(table["batch"].unique()[:12])]
    few = assess(twelve, [specification(1600, 2400)])
    assert few.capability.result is None
    assert few.capability.withheld == ("n = 12: 18 more batches for an index",)
    none = to_json(assess(table))["capability"]
    assert none["withheld"] == "no specification is recorded"
    assert none["ppk"] is None


def test_measuring_that_takes_the_tolerance_is_named():
    """6 · 12.12 / 200 = 36 % of the tolerance."""
    found = assess(scenario("F01"), [specification(1900, 2100)])
    (reason,) = found.capability.withheld  # the process is stable: nothing misleads here
    assert "36 %" in reason
    assert found.capability.performance_only


def test_censored_results_leave_no_index():
    table = scenario("F01")
    lost = table.head(8).assign(reason="over_range", viscosity=np.nan)
    found = assess(pd.concat([table.assign(reason=""), lost]), [specification(1600, 2400)])
    assert found.capability.result is None
    assert any("over or under range" in reason for reason in found.capability.withheld)


# --- subgroups, notes, rates --------------------------------------------------------------------


def test_subgroups_of_three_batches_equal_a_brute_force():
    table = scenario("F01")
    view = assess(table, subgroups="3").subgroups
    means = table.groupby("batch", sort=False)["viscosity"].mean().tolist()
    groups = [means[i : i + 3] for i in range(0, 30, 3)]
    centers = [fmean(group) for group in groups]
    r_bar = fmean(max(group) - min(group) for group in groups)
    assert view.charts.location.values == pytest.approx(centers)
    # A2(3) = 1.023 as printed in tables of control chart factors
    upper = fmean(centers) + 1.023 * r_bar
    assert view.charts.location.upper[0] == pytest.approx(upper, abs=0.0005 * r_bar)
    assert view.labels[0] == "B001 to B003"
    assert view.warning is None


def test_subgroups_by_day():
    """Batches at 06, 14 and 22 h, from Monday on."""
    means = np.random.default_rng(3).normal(2000, 20, 60)
    view = assess(series(means), subgroups="day").subgroups
    assert view.charts.location.values == pytest.approx(means.reshape(-1, 3).mean(axis=1))
    assert view.labels[:2] == ("6 Jan 2025", "7 Jan 2025")


def test_subgroups_by_shift_count_eight_hours_from_six():
    """Batches every 4 hours from Monday 06:00; the shift from 22:00 ends on the next day."""
    means = np.random.default_rng(3).normal(2000, 20, 60)
    view = assess(series(means, every=timedelta(hours=4)), subgroups="shift").subgroups
    assert view.charts.location.values == pytest.approx(means.reshape(-1, 2).mean(axis=1))
    assert view.labels[:4] == (
        "6 Jan 2025, from 06:00",
        "6 Jan 2025, from 14:00",
        "6 Jan 2025, from 22:00",
        "7 Jan 2025, from 06:00",
    )


def test_recorded_shift_goes_before_the_clock():
    table = series(np.random.default_rng(4).normal(2000, 20, 40), every=timedelta(hours=6))
    table["shift"] = ["early", "early", "late", "late"] * 10
    view = assess(table, subgroups="shift").subgroups
    assert view.labels[:2] == ("6 Jan 2025, early", "6 Jan 2025, late")
    assert len(view.labels) == 20


def test_too_few_subgroups_are_told_not_charted():
    view = assess(scenario("F01"), subgroups="5").subgroups
    assert view.charts is None
    assert view.sentence == "6 subgroups by 5 batches; limits need 8."
    single = series([2000.0, 2010.0] * 10)
    view = assess(single, subgroups="batch").subgroups
    assert view.charts is None
    assert "20 batches left out" in view.sentence
    assert to_json(assess(single, subgroups="batch"))["subgroups"]["lower"] is None


@pytest.mark.parametrize("by", ["week", "1", "0", "2.5", "-3", "", 26])
def test_unknown_subgroup_lists_the_choices(by):
    with pytest.raises(AssessmentError, match="batch, day, shift or a whole number"):
        assess_store(ScenarioStore(scenario("F01")), subgroups=by)


def test_unknown_product_and_rules_list_the_choices():
    store = ScenarioStore(scenario("F02"))
    with pytest.raises(AssessmentError, match="P-H, P-L, P-M"):
        assess_store(store, product="P-9")
    with pytest.raises(AssessmentError, match="three-sigma-ewma, three-sigma, four-zone"):
        assess_store(store, rules="all")
    (one,) = assess_store(store, product="P-M", now=SOON)
    assert (one.product, one.n_batches) == ("P-M", 12)


def test_coarse_recording_is_remarked():
    table = scenario("F01")
    for step, warned in ((100, True), (10, False), (1, False)):
        rounded = table.assign(viscosity=(table["viscosity"] / step).round() * step)
        notes = assess(rounded).notes
        assert any(f"steps of {step}" in note for note in notes) == warned


def test_recording_step():
    assert recording_step(np.array([2.01, 2.02, 1.99]) * 1000) == 10
    assert recording_step(np.array([0.5, 1.25, np.nan])) == 0.25
    assert recording_step(np.array([np.pi, np.e])) is None
    assert recording_step(np.array([0.0, 0.0])) is None


def test_order_effect_is_told_before_repeatability_is_quoted():
    """Six pairs from the same beaker: mean ln ratio −1.92 %, t −28.8 (worked out apart)."""
    pairs = [(2000, 1960), (2100, 2055), (1950, 1915), (2050, 2010), (1980, 1945), (2020, 1985)]
    table = series([fmean(pair) for pair in pairs], 2, [b - a for a, b in pairs])
    found = assess(table)
    assert found.order_effect.t == pytest.approx(-28.8, abs=0.05)
    assert "lower than first ones by 1.92 %" in found.repeatability_note


def test_false_alarms_at_300_batches_a_week():
    """0.8, 1.5 and 3.3 a week, from simulated run lengths 370, 204 and 91.8."""
    found = expected_false_alarms(300)
    assert list(found) == list(RULE_SETS)
    assert found["three-sigma"] == pytest.approx(300 / 370.4, rel=1e-3)
    assert found["three-sigma-ewma"] == pytest.approx(300 / 204, rel=0.02)
    assert found["four-zone"] == pytest.approx(300 / 91.75, rel=1e-3)


def test_false_alarms_follow_the_rhythm_of_the_record():
    table = series([2000.0, 2010.0] * 15)
    found = assess(table, rules="three-sigma")
    assert found.batches_per_week == pytest.approx(21.0)
    assert found.false_alarms_per_week == pytest.approx(21 / 370.4, rel=1e-3)
    undated = assess(table.assign(timestamp=pd.NaT), rules="three-sigma")
    assert undated.batches_per_week is None
    assert undated.false_alarms_per_week is None
    assert undated.stale


# --- JSON ---------------------------------------------------------------------------------------

KEYS = {
    "last_verdict",
    "batches_outside_specification",
    "limits",
    "events",
    "product",
    "condition",
    "n_batches",
    "state",
    "individuals",
    "subgroups",
    "duplicates_range",
    "repeatability",
    "signals",
    "capability",
    "check_standard",
    "verdict",
    "state_reason",
    "stage",
    "last_batch",
    "last_batch_at",
    "last_batch_outside_specification",
    "readings_undecided",
    "stale",
    "notes",
    "set_aside",
}


@pytest.mark.parametrize("rules", RULE_SETS)
@pytest.mark.parametrize("name", ["F01", "F02", "S02", "S04", "S09", "S10", "S12"])
def test_json_is_complete_and_finite(name, rules):
    store = ScenarioStore(scenario(name), [specification(1750, 2250)])
    for found in assess_store(store, rules=rules, subgroups="shift", now=SOON):
        plain = to_json(found)
        assert set(plain) == KEYS
        assert json.loads(json.dumps(plain, allow_nan=False)) == plain
        assert plain["verdict"] is None
        assert plain["last_batch_at"].endswith("Z")
        words = " ".join([plain["state_reason"], *plain["notes"]]).lower()
        assert not {"safe", "compliant", "release"} & set(words.split())


@pytest.mark.parametrize("n", [1, 2, 8, 30])
def test_records_without_any_spread_are_survived(n):
    table = series([2000.0] * n, 2)
    found = assess(table, [specification(1750, 2250)], subgroups="batch")
    json.dumps(to_json(found), allow_nan=False)
    assert found.signals == ()
    assert found.capability.result is None


def test_an_empty_store_has_nothing_to_say():
    store = ScenarioStore(scenario("F01").head(0))
    assert assess_store(store) == []
    assert repeatability_by_level(store).levels == ()
    with pytest.raises(AssessmentError, match="holds none yet"):
        assess_store(store, product="P-100")


def test_caution_names_the_authorised_person():
    assert "authorised person" in CAUTION


def test_a_series_that_never_varies_is_not_quiet():
    found = assess(series([2000.0] * 30, 2))
    assert found.state == "measurement in doubt"
    assert "to the last digit" in found.state_reason


def test_batches_outside_their_specification_are_told_whenever_they_were():
    means = np.tile([2000.0, 2040.0, 1980.0, 2020.0, 1960.0], 8)
    means[3] = 2300.0
    found = assess(series(means), [specification(1800, 2200, product="P-1")])
    assert found.outside_specification == (found.batches["batch"].iloc[3],)
    assert any("outside the specification of the day" in note for note in found.notes)
    assert not found.last_outside


def test_a_check_standard_that_failed_and_recovered_is_remembered():
    table = scenario("S04")
    runs = table.index[table["sample_type"] == "check"]
    table["viscosity"] = table["viscosity"].astype(float)
    table.loc[runs[len(runs) // 2], "viscosity"] *= 1.3
    (found,) = assess_store(ScenarioStore(table), product="P-100", now=SOON)
    (told,) = [note for note in found.notes if "was outside its own limits" in note]
    when = pd.Timestamp(table.loc[runs[len(runs) // 2], "timestamp"])
    assert f"{when.day} {when:%b} {when.year}" in told
    assert found.state != "measurement in doubt"

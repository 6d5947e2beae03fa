"""Check standards by certificate and by their own chart, due dates, and agreement of readings.

The worked example of the trade: a fluid of 1000 ± 1 % on a full scale of 5000 ± 1 % reads within
940 to 1060; with an own standard deviation of 0.4 % its own limits are 988 to 1012; 1030 is inside
the first and outside the second.
"""

import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import ingest
import spc
from dashboard import agreement, gauge, measuring, sentences, tables_of_site

DATA = Path(__file__).parent / "data"
TODAY = date(2025, 6, 1)
HEAD = "sampled_at,batch,product,instrument,spindle,speed,torque,temperature,replicate,viscosity"


def rows(product, instrument, values, start="2025-03-03T06:00", temperature=25.0, sample="check"):
    first = np.datetime64(start)
    for i, value in enumerate(values):
        at = first + np.timedelta64(7 * i, "D")
        yield (
            f"{at},{product}-{i},{product},{instrument},S3,20,{value / 50:.4f},{temperature},1,"
            f"{value},mPa.s,LOT-7,AK,{sample}"
        )


def opened(tmp_path, *lines):
    text = f"{HEAD},unit,raw-material lot,operator,sample_type\n" + "\n".join(lines)
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    reading = ingest.read_bytes(text.encode(), "a.csv", {"time_zone": "UTC"})
    assert not reading.questions, reading.questions
    assert store.add(reading).account.used == len(lines)
    return store


def quiet_then(last, n=40):
    """Runs whose moving ranges average 4 × 1.128, so that sigma is 4; then one more."""
    step = 4 * 1.128 / 2
    values = [1000 + (step if i % 2 else -step) for i in range(n)]
    return [*values, last] if last is not None else values


@pytest.fixture
def worked(tmp_path):
    store = opened(tmp_path, *rows("CF-1000", "V1", quiet_then(1030)))
    ingest.add_check_standard(store, ingest.CheckFluid("CF-1000", "LOT-7", 1000, 10, 25.0))
    ingest.set_setting(store, "instrument_tolerance", {"V1": {"percent_of_full_scale": 1.0}})
    return store


def test_the_worked_example_inside_tolerance_outside_own_limits(worked):
    (one,) = measuring.check_verdicts(worked, TODAY)
    assert one.full_scale == pytest.approx(5000)
    assert (one.two.tolerance.lower, one.two.tolerance.upper) == pytest.approx((940, 1060))
    # the newest run widens its own limits a little: 988 to 1012 without it
    assert one.standard.lower == pytest.approx(987, abs=2.5)
    assert one.standard.upper == pytest.approx(1013, abs=2.5)
    assert one.verdict == "inside tolerance, outside own control limits"
    assert (one.first, one.second) == (True, False)
    assert one.made_of == (
        "Certified 1000 ± (instrument 50.0, 1 % of full scale 5000, + certificate 10.0) = 940.0 to "
        "1060 mPa·s."
    )
    assert sentences.measuring_headline([one]).startswith("Measurement in doubt: CF-1000 on V1")
    frame = tables_of_site.check_verdicts([one])
    assert frame.loc[0, ["Tolerance", "Own chart"]].tolist() == ["inside", "outside"]


def test_a_fixed_tolerance_and_one_for_every_instrument(worked):
    ingest.set_setting(worked, "instrument_tolerance", {"*": {"viscosity": 15.0}})
    (one,) = measuring.check_verdicts(worked, TODAY)
    assert one.verdict == "outside tolerance, outside own control limits"
    assert "975.0 to 1025" in one.made_of


def test_what_is_missing_is_said_and_not_guessed(tmp_path):
    store = opened(tmp_path, *rows("CF-1000", "V1", [1000, 1001, 999]))
    (one,) = measuring.check_verdicts(store, TODAY)
    assert one.first is None
    assert one.made_of.startswith("No certificate is entered")
    assert one.verdict == "no tolerance to compare with, no own control limits yet"
    ingest.add_check_standard(store, ingest.CheckFluid("CF-1000", "LOT-7", 1000, 10))
    (one,) = measuring.check_verdicts(store, TODAY)
    assert one.made_of == "No tolerance is entered for V1: see Set-up."
    ingest.set_setting(store, "instrument_tolerance", {"V1": {"percent_of_full_scale": 1.0}})
    (one,) = measuring.check_verdicts(store, TODAY)
    assert "the full scale is not known" in one.made_of.lower()  # three readings teach no factor


def test_remarks_on_lot_expiry_and_temperature(tmp_path):
    store = opened(tmp_path, *rows("CF-1000", "V1", quiet_then(None, 10), temperature=20.0))
    fluid = ingest.CheckFluid("CF-1000", "OLD", 1000, 10, 25.0, date(2025, 5, 1))
    ingest.add_check_standard(store, fluid)
    (one,) = measuring.check_verdicts(store, TODAY)
    assert one.remarks == (
        "Certificate of lot OLD taken; the readings name lot LOT-7.",
        "Lot OLD expired on 2025-05-01.",
        "The certificate holds at 25 °C, the newest run was at 20 °C: the two cannot be compared.",
    )


def test_due_dates_in_words_overdue_first(worked):
    verdicts = measuring.check_verdicts(worked, TODAY)
    last = verdicts[0].standard.last_at.date()
    today = date.fromordinal(last.toordinal() + 10)
    settings = {"calibration": {"V1": "2024-01-01", "V9": "2030-01-01"}, "check_interval_days": 7}
    due = measuring.due_dates(verdicts, ["V1"], settings, today)
    words = [one.words for one in due]
    assert words[0].startswith("V1: calibration overdue by")
    assert "V1: last checked on" in words[1]
    assert words[1].endswith("the check is overdue by 3 days.")
    assert "V9: no check standard was ever run." in words
    assert [one.overdue for one in due] == [True, True, False, False]
    quiet = measuring.due_dates(verdicts, ["V1"], {}, today)
    assert {one.overdue for one in quiet} == {False}
    assert any("no interval is set" in one.words for one in quiet)


def test_offset_and_gain_from_two_fluids(tmp_path):
    """Reads 510 and 1510 for 500 and 1500: offset +10, gain 1.000."""
    noise = [-1.0, 1.0, 0.0, -1.0, 1.0]
    store = opened(
        tmp_path,
        *rows("LOW", "V1", [510 + x for x in noise]),
        *rows("HIGH", "V1", [1510 + x for x in noise]),
    )
    for name, value in (("LOW", 500), ("HIGH", 1500)):
        ingest.add_check_standard(store, ingest.CheckFluid(name, "LOT-7", value, 5))
    (said,) = measuring.offsets(measuring.check_verdicts(store, TODAY))
    assert "offset 10.0 mPa·s (0.20 % of full scale), gain 1.0000" in said
    assert said.endswith("shown to be off: offset.")


def test_instruments_on_the_same_batches(tmp_path):
    """Twelve batches, the second instrument 1.5 % higher: t interval by hand on ln ratios."""
    rng = np.random.default_rng(9)
    base = rng.normal(2000, 60, 12)
    ratio = 1.015 + rng.normal(0, 0.002, 12)
    store = opened(
        tmp_path,
        *rows("P-1", "V1", base.round(3), sample="product"),
        *rows("P-1", "V2", (base * ratio).round(3), start="2025-03-03T07:00", sample="product"),
    )
    found, said = agreement.compare_instruments(store, {"comparison_margin_percent": 2})
    (one,) = found
    logs = np.log((base * ratio).round(3) / base.round(3))
    half = 2.2010 * logs.std(ddof=1) / math.sqrt(12)  # t of 11 degrees of freedom, 97.5 %
    assert one.result.interval_percent == pytest.approx(
        (100 * math.expm1(logs.mean() - half), 100 * math.expm1(logs.mean() + half)), abs=1e-3
    )
    assert (one.first, one.second, one.verdict) == ("V1", "V2", "equivalent within ± 2 %")
    assert said.startswith("By 12 batches read on two instruments")
    narrow, _ = agreement.compare_instruments(store, {"comparison_margin_percent": 0.5})
    assert narrow[0].verdict == "not equivalent within ± 0.5 %"
    without, _ = agreement.compare_instruments(store, {})
    assert without[0].verdict == "no margin is agreed: see Set-up"


def test_runs_of_check_standards_are_not_called_batches(tmp_path):
    store = opened(
        tmp_path,
        *rows("CF-1", "V1", [1000, 1001, 1002]),
        *rows("CF-1", "V2", [1003, 1004, 1005], start="2025-03-03T07:00"),
    )
    said = agreement.compare_instruments(store, {})[1]
    assert said.startswith("By 3 runs of check standards read on two instruments")
    assert "batch" not in said


def test_instruments_that_never_met_cannot_be_compared(tmp_path):
    store = opened(tmp_path, *rows("P-1", "V1", [2000, 2010]))
    assert agreement.compare_instruments(store, {})[1].startswith("No batch was read on two")


def test_repeatability_by_operator_is_pseudonymous(tmp_path):
    """s_r by hand: AK differs by 10 in every pair (√(100/2)), BM by 40."""
    lines = []
    for i in range(12):
        name, apart = ("AK", 5) if i % 2 else ("BM", 20)
        lines += [
            f"2025-03-{i + 1:02d}T06:0{k},B{i},P-1,V1,S3,20,40,25,{k + 1},{2000 + side * apart},"
            f"mPa.s,L,{name},product"
            for k, side in enumerate((-1, 1))
        ]
    store = opened(tmp_path, *lines)
    every = store.readings(1, aside=True)
    found = agreement.by_column(every, "operator", show_operators=False)
    assert [(one.label, one.n) for one in found] == [("operator 1", 6), ("operator 2", 6)]
    assert found[0].s_r == pytest.approx(40 / math.sqrt(2))
    assert found[1].s_r == pytest.approx(10 / math.sqrt(2))
    named = agreement.by_column(every, "operator", show_operators=True)
    assert [one.label for one in named] == ["AK", "BM"]
    assert agreement.told(found, "operator").startswith("Not all intervals overlap")
    assert "AK" not in agreement.told(named, "operator")
    (alone,) = agreement.by_instrument(store.batches())
    assert (alone.label, alone.n) == ("V1", 12)


def test_share_outside_the_torque_window(tmp_path):
    text = (
        "batch,product,viscosity,unit,torque,replicate\n"
        "B1,P-1,2000,mPa.s,40,1\nB1,P-1,2010,mPa.s,40.2,2\n"
        "B2,P-1,<500,mPa.s,6.2,1\nB2,P-1,OVER,mPa.s,104,2\n"
    )
    store = ingest.open_store(str(tmp_path / "t.sqlite"))
    store.add(ingest.read_bytes(text.encode(), "t.csv"))
    (one,) = agreement.torque_shares(store)
    assert (one.n, one.below, one.above, one.percent) == (4, 1, 1, 50.0)
    words = agreement.torque_words(store.readings(1, aside=True), [], "S3 · 20 rpm")
    assert words.startswith("50.0 % of 4 readings with a torque lie outside 10 to 100 %")


def test_the_window_of_a_method_comes_first():
    methods = [ingest.Method("M", "1", "S3", 20.0, torque_low=15.0, torque_high=95.0)]
    assert agreement.window_of(methods, "S3 · 20 rpm") == (15.0, 95.0, "method M 1")
    assert agreement.window_of(methods, "S3 · 50 rpm")[:2] == (10.0, 100.0)


STUDY = "part,appraiser,value\n" + "\n".join(
    f"{part},{who},{value}"
    for part, pairs in {
        "1": {"AK": (10, 11), "BM": (11, 12)},
        "2": {"AK": (14, 15), "BM": (15, 15)},
        "3": {"AK": (20, 19), "BM": (21, 21)},
    }.items()
    for who, values in pairs.items()
    for value in values
)


def test_a_gauge_study_is_analysed_with_its_tolerance():
    reading = ingest.read_gauge_study(STUDY.encode(), "s.csv")
    view = gauge.view_of(reading, 60.0, show_appraisers=False)
    assert set(view.rows["appraiser"]) == {"appraiser 1", "appraiser 2"}
    # equipment by hand from the cells: squares of half differences 4 × 0.5 over 6, before pooling
    ss = sum((a - b) ** 2 / 2 for a, b in [(10, 11), (14, 15), (20, 19), (11, 12)])
    row = view.anova.set_index("Source").loc["repeatability (equipment)"]
    assert (row["Degrees of freedom"], float(row["Sum of squares"])) == (6, ss)
    percent = 100 * 6 * view.study.grr / 60
    assert f"take {percent:.0f} % of the tolerance of 60.00" in view.sentences[1]
    assert "3 parts, 2 appraisers, 2 readings" in view.sentences[0]
    named = gauge.view_of(reading, None, show_appraisers=True)
    assert set(named.rows["appraiser"]) == {"AK", "BM"}
    assert "Without a tolerance" in named.sentences[1]


def test_an_unbalanced_study_is_one_sentence():
    reading = ingest.read_gauge_study(STUDY.rsplit("\n", 1)[0].encode(), "s.csv")
    with pytest.raises(spc.SpcError, match="measure the missing ones"):
        gauge.view_of(reading, None, show_appraisers=False)

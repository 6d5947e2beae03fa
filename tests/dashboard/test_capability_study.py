"""What stands behind an index: gate, reach, forms, periods; through a real store.

Expected numbers are worked by hand beside each test, or come from the plant scenarios.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import ingest
from dashboard import capability_study, sentences
from dashboard.assessment import assess_store

DATA = Path(__file__).parent / "data"
SOON = datetime(2025, 4, 1, tzinfo=UTC)


def opened(tmp_path, values, lower=None, upper=None, n=2, stage=""):
    """A store of batches made of equal pairs a little apart, so that means are as given."""
    head = "batch,product,sampled_at,replicate,viscosity,unit,stage\n"
    start = np.datetime64("2024-01-01T06:00")
    lines = [
        f"B{i:03d},P-1,{start + np.timedelta64(2 * i, 'D')},{k + 1},{value + (k - 0.5) * 8:.3f},"
        f"mPa.s,{stage}"
        for i, value in enumerate(values)
        for k in range(n)
    ]
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    store.add(ingest.read_bytes((head + "\n".join(lines)).encode(), "a.csv", {"time_zone": "UTC"}))
    if lower is not None or upper is not None:
        store.add_specification("P-1", lower, upper)
    return store


def assess(store):
    (found,) = assess_store(store, now=SOON)
    return found


def normal(n, seed=7, mean=2000.0, sd=40.0):
    """Values with exactly this mean and standard deviation, in no order."""
    values = np.random.default_rng(seed).normal(size=n)
    values = (values - values.mean()) / values.std(ddof=1)
    return mean + sd * values


def conditions(study):
    return {one.words: one.met for one in study.conditions}


def test_a_quiet_process_earns_its_number(tmp_path):
    one = assess(opened(tmp_path, normal(60), 1800, 2200))
    study = capability_study.study_of(one, {})
    assert one.capability.withheld == ()
    assert study.standing.standing == "preferred"
    met = conditions(study)
    assert met["60 batches, at least 30 are needed."] is True
    assert met["No batch beyond the limits."] is True
    assert met["No look at the distribution is recorded yet."] is None
    assert False not in met.values()
    assert "40 batches more until it can be claimed" in sentences.capability_standing(one, study)
    # by hand: 200 / (3 × 40)
    assert one.capability.result.ppk == pytest.approx(200 / 120, rel=1e-6)


def test_how_many_more_batches(tmp_path):
    """12 batches: 18 more for an index. 1.45 observed: 220 batches prove 1.33 (JOB numbers)."""
    one = assess(opened(tmp_path, normal(12), 1800, 2200))
    assert capability_study.needed_words(one).startswith("18 more batches until there may be")
    study = capability_study.study_of(one, {})
    assert conditions(study)["N = 12: 18 more batches for an index."] is False
    other = tmp_path / "b"
    other.mkdir()
    values = normal(60, sd=200 / 3 / 1.45)
    one = assess(opened(other, values, 1800, 2200))
    shown = one.capability.result.cpk
    said = capability_study.needed_words(one, claim=1.33)
    assert said.startswith(f"If Cpk {shown:.2f} stays as it is")
    # the smallest n by the printed formula, with the index as it is shown here
    n = next(
        n
        for n in range(30, 100_000)
        if shown - 1.644854 * math.sqrt(1 / (9 * n) + shown**2 / (2 * (n - 1))) >= 1.33
    )
    assert f"{n - 60} more batches until a claim of 1.33 can be proved ({n} in all" in said
    ppk = one.capability.result.ppk
    assert ppk == pytest.approx(1.45, abs=1e-4)
    alarm = replace(one, capability=replace(one.capability, withheld=("something",)))
    said = capability_study.needed_words(alarm)  # then it goes by Ppk
    assert "1.33 cannot be claimed" in said
    assert "(220 in all; one-sided, 95 %)" in said


def test_one_limit_only_makes_no_second_one(tmp_path):
    one = assess(opened(tmp_path, normal(40), upper=2200))
    study = capability_study.study_of(one, {})
    assert one.capability.result.pp is None
    said = " ".join(sentences.capability_forms(one, study))
    assert "There is an upper limit only: no Cp and no Pp" in said
    assert "with one limit only there is no tolerance" in " ".join(conditions(study))


def test_a_lognormal_process_is_not_flattered(tmp_path):
    """Median 2000, sigma of the logarithm 0.1, limit 2700: 1.00 by quantiles, 1.14 by the formula.

    The sample has that very median and sigma, so its quantile form is 1.00; its mean and standard
    deviation are those of a sample, so the normal formula comes near 1.14.
    """
    logs = normal(200, mean=math.log(2000), sd=0.1)
    one = assess(opened(tmp_path, np.exp(logs), upper=2700))
    study = capability_study.study_of(one, {})
    assert study.lognormal.ppk == pytest.approx(1.00, abs=0.005)
    assert one.capability.result.ppk == pytest.approx(1.14, abs=0.05)


def test_the_share_of_the_measurement(tmp_path):
    """Pairs 8 apart: s_r = 8/√2, of a mean of two 4; variance 16 of 40² = 1.0 %."""
    one = assess(opened(tmp_path, normal(60), 1800, 2200))
    study = capability_study.study_of(one, {})
    assert study.measurement_words.startswith("Repeatability makes 1.0 % of the variance")
    share = 600 * 8 / math.sqrt(2) / 400  # 6 s_r of the tolerance, in percent
    assert f"Repeatability takes {share:.0f} % of the tolerance, at most 30 %." in conditions(study)


def test_batches_left_out_do_not_count_and_are_said(tmp_path):
    values = normal(40)
    values[7] = 2600.0
    store = opened(tmp_path, values, 1800, 2200)
    before = assess(store)
    assert "1 of 40 batches beyond the control limits" in before.capability.withheld[0]
    ingest.exclude_batch(store, before.characteristic_id, "B007", "valve open", by="Kim")
    one = assess(store)
    study = capability_study.study_of(one, {})
    assert study.left_out == (("B007", "valve open"),)
    assert one.capability.result.n == 39
    kept = np.delete(values, 7)
    ppk = min(kept.mean() - 1800, 2200 - kept.mean()) / (3 * kept.std(ddof=1))
    assert one.capability.result.ppk == pytest.approx(ppk, rel=1e-4)
    with_it = min(values.mean() - 1800, 2200 - values.mean()) / (3 * values.std(ddof=1))
    assert study.with_all.ppk == pytest.approx(with_it, rel=1e-4)
    said = sentences.left_out_of_capability(one, study)
    assert said.startswith("1 batch left out with a cause does not count here; with it Ppk")


def test_samples_after_an_adjustment_are_no_capability(tmp_path):
    one = assess(opened(tmp_path, normal(40), 1800, 2200, stage="after adjustment 1"))
    assert any("adjustment" in reason for reason in one.capability.withheld)
    study = capability_study.study_of(one, {})
    assert study.standing.standing == "no number"


def test_a_look_is_recorded_and_taken_back(tmp_path):
    store = opened(tmp_path, normal(40), 1800, 2200)
    one = assess(store)
    capability_study.record_seen(store, one, "Kim", SOON)
    study = capability_study.study_of(one, ingest.settings(store))
    assert study.seen == "Looked at by Kim on 2025-04-01."
    assert conditions(study)["A person has looked at the distribution."] is True
    capability_study.forget_seen(store, one, "Lee")
    assert capability_study.study_of(one, ingest.settings(store)).seen == ""
    assert ingest.journal_table(store)[0]["who"].tolist()[-2:] == ["Kim", "Lee"]


def test_periods_say_plainly_that_nothing_is_shown_to_change(tmp_path):
    values = np.concatenate([normal(30, seed=1, sd=48), normal(30, seed=2, sd=60)])
    one = assess(opened(tmp_path, values, 1800, 2200))
    periods, said = capability_study.periods_of(one, "30")
    assert [(p.label, p.n) for p in periods] == [("B000 to B029", 30), ("B030 to B059", 30)]
    # by hand: 200/144 = 1.39 and 200/180 = 1.11, as in "Cpk went from 1.4 to 1.1"
    assert [round(p.result.ppk, 2) for p in periods] == [1.39, 1.11]
    assert said.startswith("No detectable change: Ppk 1.11")
    values[30:] = normal(30, seed=2, sd=110)
    other = tmp_path / "b"
    other.mkdir()
    said = capability_study.periods_of(assess(opened(other, values, 1800, 2200)), "30")[1]
    assert said.startswith("The index fell: Ppk 0.61")


def test_calendar_periods_need_their_batches(tmp_path):
    one = assess(opened(tmp_path, normal(60), 1800, 2200))
    periods, said = capability_study.periods_of(one, "month")
    assert [p.label for p in periods] == ["Jan 2024", "Feb 2024", "Mar 2024", "Apr 2024"]
    assert sum(p.n for p in periods) == 60
    assert all(p.result is None for p in periods)
    assert said == "No period has 30 batches, so there is no index to follow."
    quarters, _ = capability_study.periods_of(one, "quarter")
    assert [(p.label, p.n) for p in quarters] == [
        ("quarter 1 of 2024", 46),
        ("quarter 2 of 2024", 14),
    ]


def test_without_a_specification_or_a_batch_nothing_breaks(tmp_path):
    one = assess(opened(tmp_path, normal(5)))
    study = capability_study.study_of(one, {})
    assert study.standing.standing == "no number"
    assert capability_study.periods_of(one, "30")[0] == ()
    assert study.lognormal is None


def test_the_unstable_scenario_says_so(tmp_path):
    """S12: 15 of 50 beyond limits, performance 1.01 (0.79 to 1.23), short-term 2.64 misleads."""
    store = ingest.open_store(str(tmp_path / "s.sqlite"))
    store.add(ingest.read_file(DATA / "S12_unstable_capability.csv"))
    store.add_specification("P-100", 1750, 2250)
    one = assess(store)
    met = conditions(capability_study.study_of(one, {}))
    assert met["15 of 50 batches beyond the control limits."] is False
    assert any("2.64" in words and held is False for words, held in met.items())
    assert "1.33 cannot be claimed" in capability_study.needed_words(one)

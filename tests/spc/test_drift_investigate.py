"""Verdicts on small records made by hand, laws of units and clocks, and records of any kind."""

from dataclasses import replace

import numpy as np
import pytest

import spc
from spc.drift import CAUSE_CLASSES, SUSPECTS


def history(rng, n=60, level=2000.0, sd=0.03, s_r=0.006, **more):
    """A quiet record of pairs, two batches a day on one instrument."""
    log = more.pop("log", 0.0) + sd * rng.normal(size=n)
    readings = level * np.exp(log)[:, None] * np.exp(s_r * rng.normal(size=(n, 2)))
    readings = more.pop("edit", lambda x: x)(readings)
    means = readings.mean(axis=1)
    given = {
        "batches": tuple(f"B{i + 1:03}" for i in range(n)),
        "means": means,
        "readings": readings,
        "times": np.arange(n) / 2 + 0.3,
        "torque": means / 50,
        "temperature": np.full(n, 25.0),
        "factors": (spc.Factor.of("instrument", ["V1"] * n),),
        "spindle": "S3",
    }
    return spc.History(**(given | more))


def check(rng, instrument="V1", value=1000.0, n=40, moved=0.0, since=15.0, days=30.0, torque=20.0):
    times = np.linspace(0.1, days, n)
    log = 0.004 * rng.normal(size=n) + moved * (times >= since)
    blank = np.full(n, np.nan)
    return spc.CheckRuns(
        f"CHK-{value:.0f}", instrument, times, value * np.exp(log), blank + torque, blank, value
    )


def step(n=60, at=30, size=0.1):
    return size * (np.arange(n) >= at)


def kind(found):
    return found.verdict.cause_class, found.verdict.suspect


def test_one_batch_with_another_spindle():
    rng = np.random.default_rng(1)
    log = np.where(np.arange(60) == 22, np.log(0.5), 0.0)
    found = spc.investigate(history(rng, log=log))
    assert kind(found) == ("measurement", "spindle")
    assert found.verdict.since == "B023"


def test_a_spindle_code_keyed_wrongly_leaves_rows_at_one_ratio():
    rng = np.random.default_rng(2)
    rows = tuple(spc.SetAsideRow(i, 4000.0 + 7 * i, (4000.0 + 7 * i) / 100, 50.0) for i in range(4))
    found = spc.investigate(history(rng, set_aside=rows))
    assert kind(found) == ("measurement", "spindle")


def test_another_unit_without_torque():
    def shrink(readings):
        readings[20:23] /= 1000
        return readings

    rng = np.random.default_rng(3)
    found = spc.investigate(history(rng, edit=shrink, torque=np.full(60, np.nan)))
    assert kind(found) == ("data", "units")
    assert found.verdict.since == "B021"


def test_only_one_instrument_moved():
    rng = np.random.default_rng(4)
    names = np.where(np.arange(80) % 3 == 0, "V2", "V1")
    log = 0.1 * ((np.arange(80) >= 40) & (names == "V2"))
    checks = (check(rng, "V1", days=40), check(rng, "V2", days=40, moved=0.1, since=20.2))
    factors = (spc.Factor.of("instrument", names),)
    found = spc.investigate(history(rng, n=80, log=log, factors=factors, checks=checks))
    assert kind(found) == ("measurement", "gain")
    assert "on V2" in found.verdict.what
    assert found.verdict.since_low <= "B043" <= found.verdict.since_high  # its next batch


def test_one_bath_for_two_instruments():
    rng = np.random.default_rng(5)
    names = np.where(rng.random(80) < 0.5, "V2", "V1")
    checks = tuple(check(rng, v, days=40, moved=-0.03, since=20.2) for v in ("V1", "V2"))
    factors = (spc.Factor.of("instrument", names),)
    found = spc.investigate(
        history(rng, n=80, log=step(80, 40, -0.12), factors=factors, checks=checks)
    )
    assert kind(found) == ("measurement", "temperature_bath")
    assert "on V1 and V2" in found.verdict.what
    assert found.verdict.since_low <= "B041" <= found.verdict.since_high


def test_recorded_temperature_that_moves_is_told():
    rng = np.random.default_rng(6)
    checks = (check(rng, moved=-0.04, since=15.2),)
    warm = np.where(np.arange(60) >= 30, 26.0, 25.0)
    found = spc.investigate(history(rng, log=step(60, 30, -0.05), checks=checks, temperature=warm))
    assert kind(found) == ("measurement", "temperature_bath")
    assert "from 25.0 to 26.0" in " ".join(found.verdict.evidence)


def test_a_reference_value_that_is_wrong():
    rng = np.random.default_rng(7)
    found = spc.investigate(history(rng, sd=0.005, checks=(check(rng, moved=0.05, since=15.0),)))
    assert kind(found) == ("measurement", "unknown")
    assert "reference value" in found.verdict.what


def test_an_operator_from_some_batch_on():
    rng = np.random.default_rng(8)
    names = np.array(["AK", "BM", "CJ"])[rng.integers(0, 3, 90)]
    log = 0.12 * ((names == "BM") & (np.arange(90) >= 45))
    factors = (spc.Factor.of("instrument", ["V1"] * 90), spc.Factor.of("operator", names))
    found = spc.investigate(history(rng, n=90, log=log, factors=factors))
    assert kind(found) == ("preparation", "operator_or_reading_time")


def test_samples_that_change_while_they_are_read():
    def thinned(readings):
        readings[:, 1] *= 0.98
        return readings

    found = spc.investigate(history(np.random.default_rng(9), edit=thinned))
    assert kind(found) == ("preparation", "operator_or_reading_time")
    assert "second reading" in found.verdict.what


def test_lots_that_alternate_need_no_check_standard():
    rng = np.random.default_rng(10)
    lots = np.where(rng.random(60) < 0.5, "R1", "R2")
    factors = (spc.Factor.of("instrument", ["V1"] * 60), spc.Factor.of("lot", lots))
    found = spc.investigate(history(rng, log=0.1 * (lots == "R2"), factors=factors))
    assert kind(found) == ("process", "raw_material_lot")


def test_other_products_that_move_too_speak_for_the_measurement():
    rng = np.random.default_rng(11)
    times = np.arange(40) * 0.75 + 0.4
    logs = 0.02 * rng.normal(size=40) + 0.1 * (times >= 15.2)
    other = spc.OtherProduct("P-2", "V1", times, 3000 * np.exp(logs), np.full(40, 60.0), ("",) * 40)
    checks = (check(rng, moved=0.1, since=15.2),)
    found = spc.investigate(history(rng, log=step(), checks=checks, others=(other,)))
    assert kind(found) == ("measurement", "gain")
    assert "P-2 on V1: +" in " ".join(found.verdict.evidence)


@pytest.mark.parametrize("factor", [0.001, 1000.0])
def test_the_unit_does_not_matter(factor):
    rng = np.random.default_rng(12)
    one = history(rng, log=step(), checks=(check(rng),))
    scaled = replace(
        one,
        means=one.means * factor,
        readings=one.readings * factor,
        checks=tuple(
            replace(c, values=c.values * factor, certified=c.certified * factor) for c in one.checks
        ),
    )
    a, b = spc.investigate(one).verdict, spc.investigate(scaled).verdict
    assert (a.cause_class, a.suspect, a.since, a.since_low, a.since_high) == (
        b.cause_class,
        b.suspect,
        b.since,
        b.since_low,
        b.since_high,
    )
    assert b.size == pytest.approx(factor * a.size)
    assert b.size_percent == pytest.approx(a.size_percent)


def test_the_clock_does_not_matter():
    rng = np.random.default_rng(13)
    one = history(rng, log=step(), checks=(check(rng, moved=0.1, since=15.2),))
    later = replace(
        one,
        times=one.times + 20_000,
        checks=tuple(replace(c, times=c.times + 20_000) for c in one.checks),
    )
    assert spc.investigate(one).verdict == spc.investigate(later).verdict


def test_refusals():
    rng = np.random.default_rng(14)
    one = history(rng)
    with pytest.raises(spc.ArgumentError, match="one entry a batch, got 3 for 60"):
        replace(one, torque=np.ones(3))
    with pytest.raises(spc.ArgumentError, match="above 0"):
        replace(one, means=-one.means)
    with pytest.raises(spc.ArgumentError, match="factor lot must have one code a batch"):
        replace(one, factors=(spc.Factor.of("lot", ["R1"]),))


def any_record(rng):
    """A record of any kind: gaps, ties, missing times and columns, odd check standards."""
    n, r = int(rng.choice([0, 1, 5, 8, 12, 20, 40])), int(rng.integers(1, 4))
    level = float(np.exp(rng.uniform(0, 12)))
    log = rng.choice([0, 0.001, 0.03, 0.5]) * rng.normal(size=(n, 1))
    readings = level * np.exp(log + rng.choice([0, 0.006]) * rng.normal(size=(n, r)))
    if rng.random() < 0.3:
        readings = np.round(readings, -int(np.log10(level))) + 1
    readings[rng.random((n, r)) < rng.choice([0, 0.2, 0.6])] = np.nan
    counts = np.isfinite(readings).sum(axis=1)
    means = np.where(counts, np.nansum(readings, axis=1) / np.maximum(counts, 1), np.nan)
    times = np.sort(rng.uniform(0, 100, n))
    times = [times, np.full(n, np.nan), np.full(n, 7.0), np.round(times / 50)][rng.integers(4)]
    checks = [
        check(rng, str(rng.choice(["", "a", "b"])), n=int(k), moved=rng.choice([0, 0.1]))
        for k in rng.choice([1, 6, 30], 2)
    ]
    return spc.History(
        batches=tuple(f"B{i}" for i in range(n)),
        means=means,
        readings=readings,
        times=times,
        torque=means / 50 if rng.random() < 0.5 else np.full(n, np.nan),
        temperature=np.full(n, rng.choice([25.0, np.nan])),
        factors=tuple(
            spc.Factor.of(name, rng.choice(["", "a", "b", "c"][: rng.integers(1, 5)], n))
            for name in ("instrument", "operator", "lot", "shift", "line", "weekday")
            if rng.random() < 0.7
        ),
        checks=tuple(checks),
        set_aside=tuple(
            spc.SetAsideRow(int(rng.integers(0, n)), level * ratio, 40.0, level / 40)
            for ratio in (0.001, 4.7)
            if n and rng.random() < 0.2
        ),
        spindle=str(rng.choice(["", "S3", "disc"])),
    )


@pytest.mark.parametrize("seed", range(5))
def test_every_record_gets_a_verdict_in_form(seed):
    rng = np.random.default_rng(seed)
    for _ in range(25):
        record = any_record(rng)
        found = spc.investigate(record).verdict
        assert found.cause_class in CAUSE_CLASSES
        assert found.suspect in SUSPECTS
        assert found.what.endswith((".", "?"))
        assert found.next_check
        for number in (found.size, found.size_low, found.size_high, found.size_percent):
            assert number is None or np.isfinite(number)
        for words in (found.what, *found.evidence):
            assert "nan" not in words
        for name in (found.since, found.since_low, found.since_high):
            assert name is None or name in record.batches

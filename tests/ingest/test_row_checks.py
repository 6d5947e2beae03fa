"""Checks of rows against the site, the method and each other; expected values by hand."""

import json
from collections.abc import Sequence

import numpy as np
import pytest

import ingest
from ingest import journal, site
from ingest.checks import Factor, believed_factors
from ingest.file_checks import clock_cut
from ingest.findings import proposed

HEAD = (
    "timestamp,batch,product,instrument,spindle,speed_rpm,torque_pct,temp_C,viscosity cP,"
    "replicate,method"
)


def row(
    batch: str = "B1",
    replicate: int | str = 1,
    torque: float | str = 40.0,
    viscosity: float | str = 2000,
    temperature: float | str = 25.0,
    spindle: str = "S3",
    speed: float | str = 20,
    method: str = "",
    at: str = "2025-03-03T06:30",
    product: str = "P-100",
) -> str:
    return (
        f"{at},{batch},{product},V1,{spindle},{speed},{torque},{temperature},{viscosity},"
        f"{replicate},{method}"
    )


def read(
    lines: Sequence[str], store: ingest.Store | None = None, **answers: str
) -> ingest.FileReading:
    raw = "\n".join([HEAD, *lines]).encode()
    return ingest.read_bytes(raw, "x.csv", answers, store.site("lab") if store else None)


def usual_rows(n: int = 8, k: float = 50.0) -> list[str]:
    torques = [38.0 + 0.5 * i for i in range(n)]
    return [row(f"A{i}", torque=t, viscosity=round(k * t)) for i, t in enumerate(torques)]


def severities(reading: ingest.FileReading) -> list[tuple[str, str]]:
    return [(one.reason, one.severity) for one in reading.findings]


# --- what the store knows ----------------------------------------------------------------


def test_four_rows_are_checked_against_the_factor_of_the_store(any_store: ingest.Store) -> None:
    four = [row(f"B{i}", torque=40.0, viscosity=2000) for i in range(3)]
    four.append(row("B3", torque=39.7, viscosity=19850))
    assert read(four).account.set_aside == {}  # four rows teach nothing by themselves
    any_store.add(read(usual_rows()), "lab")
    reading = read(four, any_store)
    assert reading.account.set_aside == {"torque_disagrees": 1}
    assert reading.findings[0].proposal == "1985 instead of 19850? (a digit too many)"


def test_a_whole_file_in_another_unit_is_seen(store: ingest.Store) -> None:
    """Eight rows that agree among themselves, a thousandth of what the store has."""
    decimals = [
        row(f"A{i}", torque=38.0 + 0.5 * i, viscosity=f"{0.05 * (38.0 + 0.5 * i):.3f}")
        for i in range(8)
    ]
    assert read(decimals).account.set_aside == {}
    store.add(read(usual_rows()), "lab")
    reading = read([line.replace("A", "C") for line in decimals], store)
    assert reading.account.set_aside == {"torque_disagrees": 8}
    assert reading.findings[0].proposal == "1900 instead of 1.9? (Pa·s and mPa·s mixed up)"


def test_another_factor_of_the_whole_file_is_believed_with_a_remark(store: ingest.Store) -> None:
    store.add(read(usual_rows()), "lab")
    other = [line.replace(",A", ",C") for line in usual_rows(k=40.0)]
    reading = read(other, store)
    assert reading.account.set_aside == {}
    assert severities(reading) == [("other_factor", "remark")]
    assert reading.findings[0].detail.startswith(
        "V1, S3, 20 rpm: viscosity ÷ torque is 40 here and 50 in the store so far"
    )


def test_which_factor_is_believed() -> None:
    group, other = ("V1", "S3", "20"), ("V1", "S2", "20")
    store = {group: Factor(50.0, 100), other: Factor(25.0, 100)}
    assert believed_factors({}, store) == (store, ())
    near, told = believed_factors({group: Factor(50.2, 10)}, store)
    assert (near[group].k, told) == (50.2, ())
    unit, told = believed_factors({group: Factor(0.05, 10)}, store)
    assert (unit[group].k, told) == (50.0, ())


def test_a_factor_needs_five_readings_in_use(store: ingest.Store) -> None:
    store.add(read(usual_rows(4)), "lab")
    assert store.site().factors == {}
    store.add(read([row("C1", torque=45.0, viscosity=2250)]), "lab")
    assert store.site().factors[("V1", "S3", "20")] == Factor(50.0, 5)


def test_readings_set_aside_or_undone_teach_nothing(store: ingest.Store) -> None:
    store.add(read(usual_rows()), "lab")
    ingest.undo_import(store, 1, "wrong instrument")
    assert store.site().factors == {}


def test_of_many_readings_the_newest_teach_and_few_new_ones_wait(
    store: ingest.Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(site, "_NEWEST_READINGS", 100)
    old = [row(f"A{i}", torque=40, viscosity=2000) for i in range(60)]
    store.add(read(old), "lab")
    assert store.site().factors[("V1", "S3", "20")] == Factor(50.0, 60)
    other = [row(f"B{i}", torque=40, viscosity=1600) for i in range(120)]
    store.add(read(other), "lab")  # the spring was changed: the newest hundred say 40
    assert store.site().factors[("V1", "S3", "20")] == Factor(40.0, 100)
    store.add(read([row(f"C{i}", speed=50, torque=40, viscosity=640) for i in range(5)]), "lab")
    assert ("V1", "S3", "50") not in store.site().factors
    store.add(read([row("C5", speed=50, torque=40, viscosity=640)]), "lab")
    assert store.site().factors[("V1", "S3", "50")] == Factor(16.0, 6)


# --- the method --------------------------------------------------------------------------


def test_the_torque_window_of_the_method_holds_from_when_it_is_registered(
    any_store: ingest.Store,
) -> None:
    """M11: 9.9 and 100.1 are outside 10 to 100 %; then the method says 20 to 90 %."""
    torques = (9.9, 10.0, 15.0, 95.0, 100.0, 100.1)
    lines = [row(f"B{i}", torque=t, viscosity=round(50 * t)) for i, t in enumerate(torques)]
    assert read(lines, any_store).account.set_aside == {"below_range": 1, "over_range": 1}
    method = ingest.Method("M-7", "1", spindle="S3", speed=20.0, torque_low=20, torque_high=90)
    ingest.add_method(any_store, method, by="AK", why="low torque is too coarse")
    reading = read(lines, any_store)
    assert reading.account.set_aside == {"below_range": 3, "over_range": 3}
    assert reading.set_aside["detail"].iat[2] == "torque 15 %, outside 20 to 90 % of method M-7"
    ingest.revise_method(any_store, "M-7", {"torque_low": 12.0}, by="BM", why="new spring")
    assert read(lines, any_store).account.set_aside == {"below_range": 2, "over_range": 3}
    with any_store.reading() as connection:
        entry = journal.entries(connection)[-1]
    assert (entry.what, entry.who, entry.why) == ("method added", "BM", "new spring")
    assert json.loads(entry.old)["torque_low"] == 20.0
    assert json.loads(entry.new)["torque_low"] == 12.0


def test_a_row_belongs_to_the_version_that_it_names(store: ingest.Store) -> None:
    ingest.add_method(store, ingest.Method("M-7", "1", torque_low=30))
    ingest.add_method(store, ingest.Method("M-7", "2", torque_low=45))
    lines = [
        row(f"B{i}", torque=40, viscosity=2000, method=name)
        for i, name in enumerate(("M-7 1", "m-7 2", "M-7", "M-8", ""))
    ]
    # version 1 begins at 30 %, version 2 at 45 %, M-8 is not registered, none named: the only one
    assert read(lines, store).rows["reason"].tolist() == [
        *("", "below_range", "below_range", "", "below_range"),
    ]


def test_where_two_methods_fit_equally_well_none_is_taken(store: ingest.Store) -> None:
    ingest.add_method(store, ingest.Method("M-7", spindle="S3", speed=20.0, torque_low=50))
    ingest.add_method(store, ingest.Method("M-8", spindle="S3", speed=20.0, torque_low=50))
    assert read([row()], store).account.used == 1
    ingest.add_method(store, ingest.Method("M-9", torque_low=50))
    assert read([row(spindle="S4")], store).account.set_aside == {"below_range": 1}


@pytest.mark.parametrize(
    ("temperature", "reason", "proposal"),
    [
        (25.0, "", ""),
        (25.5, "", ""),
        (24.5, "", ""),
        (25.6, "off_temperature", ""),
        (24.4, "off_temperature", ""),
        (250, "off_temperature", "25 instead of 250? (a digit too many)"),
        (52, "off_temperature", "25 instead of 52? (two digits swapped)"),
        ("", "", ""),
    ],
)
def test_the_temperature_lies_within_the_tolerance_of_the_method(
    store: ingest.Store, temperature: float, reason: str, proposal: str
) -> None:
    method = ingest.Method("M-7", set_temperature=25.0, temperature_tolerance=0.5)
    ingest.add_method(store, method)
    others = [row(f"B{i}") for i in range(2, 4)]  # alone, 250 would be asked about
    reading = read([row(temperature=temperature), *others], store)
    assert reading.rows["reason"].tolist() == [reason, "", ""]
    assert reading.rows["proposal"].tolist() == [proposal, "", ""]


@pytest.mark.parametrize(
    ("spindle", "speed", "reason"),
    [("S3", 20, ""), ("s3", 20, ""), ("S4", 20, "not_by_method"), ("S3", 50, "not_by_method")],
)
def test_spindle_and_speed_are_those_of_the_method_that_is_named(
    store: ingest.Store, spindle: str, speed: float, reason: str
) -> None:
    ingest.add_method(store, ingest.Method("M-7", spindle="S3", speed=20.0))
    reading = read([row(spindle=spindle, speed=speed, method="M-7")], store)
    assert reading.rows["reason"].tolist() == [reason]
    if reason:
        told = f"{spindle}, {speed} rpm; method M-7 has S3, 20 rpm"
        assert reading.set_aside["detail"].tolist() == [told]


def test_the_number_of_readings_the_method_asks_for_is_a_remark(store: ingest.Store) -> None:
    ingest.add_method(store, ingest.Method("M-7", replicates=2))
    lines = [row("B1", 1), row("B1", 2, 40.2, 2010), row("B2", 1), row("B3", 1)]
    lines += [row("B3", 2, 40.2, 2010), row("B3", 3, 40.4, 2020)]
    reading = read(lines, store)
    assert reading.account.used == 6
    assert [(one.batch, one.detail) for one in reading.findings] == [
        ("B2", "1 in use, the method asks for 2"),
        ("B3", "3 in use, the method asks for 2"),
    ]


# --- values ------------------------------------------------------------------------------


def no_torque(values: Sequence[float | str], **more: str) -> list[str]:
    return [row(f"B{i}", torque="", viscosity=v, **more) for i, v in enumerate(values)]


def test_a_million_times_the_median_without_a_torque_is_not_believed() -> None:
    values = [1990, 2000, 2010, 2020, 2005, 2_001_000_000]
    reading = read(no_torque(values))
    assert reading.account.set_aside == {"impossible_value": 1}
    assert reading.findings[0].severity == "set aside"
    assert reading.findings[0].proposal == "2001 instead of 2001000000? (÷ 1000000)"
    assert reading.rows["viscosity"].iat[5] == 2_001_000_000  # nothing is changed


def test_one_row_is_held_against_the_median_of_the_store(any_store: ingest.Store) -> None:
    any_store.add(read(no_torque([1990, 2000, 2010, 2020, 2005])), "lab")
    reading = read([row("C1", torque="", viscosity=2.0)], any_store)
    assert reading.account.set_aside == {"impossible_value": 1}
    assert reading.findings[0].proposal == "2000 instead of 2? (Pa·s and mPa·s mixed up)"
    other = read([row("C1", torque="", viscosity=2.0, product="P-200")], any_store)
    assert other.account.used == 1  # nothing is known of that product


def test_ten_times_the_median_is_used_with_a_remark() -> None:
    reading = read(no_torque([1990, 2000, 2010, 2020, 2005, 20100]))
    assert reading.account.used == 6
    assert severities(reading) == [("far_from_usual", "remark")]
    assert reading.findings[0].proposal == "2010 instead of 20100? (a digit too many)"


def test_a_torque_that_agrees_is_stronger_than_what_is_usual(store: ingest.Store) -> None:
    lines = [row(f"B{i}", torque=10.0 + i / 10, viscosity=500 + 5 * i) for i in range(6)]
    reading = read([*lines, row("C", torque=95.0, viscosity=4750)])
    assert reading.account.used == 7
    assert reading.findings == ()


def test_where_no_four_in_five_agree_nothing_is_usual() -> None:
    reading = read(no_torque([2.0, 2.1, 2.2, 2000, 2010, 2020]))
    assert reading.account.used == 6
    assert reading.findings == ()


@pytest.mark.parametrize(
    ("recorded", "expected", "told"),
    [
        (19850, 1985, "1985 instead of 19850? (a digit too many)"),
        (198.5, 1985, "1985 instead of 198.5? (a digit too few)"),
        (9135, 1935, "1935 instead of 9135? (two digits swapped)"),
        (2.0, 2000, "2000 instead of 2? (Pa·s and mPa·s mixed up)"),
        (2_000_000, 2000, "2000 instead of 2000000? (Pa·s and mPa·s mixed up)"),
        (20, 2000, "2000 instead of 20? (× 100)"),
        (1985, 1985, ""),
        (2500, 1985, ""),
        (0, 1985, ""),
    ],
)
def test_what_may_have_been_meant(recorded: float, expected: float, told: str) -> None:
    assert proposed(recorded, expected, 0.01) == told


@pytest.mark.parametrize(
    ("temperature", "proposal"),
    [(250, "25 instead of 250? (a digit too many)"), (2.5, "25 instead of 2.5? (a digit too few)")],
)
def test_a_temperature_no_bench_has_is_a_remark(temperature: float, proposal: str) -> None:
    lines = [row(f"B{i}") for i in range(4)]
    reading = read([*lines, row("C", temperature=temperature)])
    assert reading.account.used == 5
    assert severities(reading) == [("odd_temperature", "remark")]
    assert reading.findings[0].proposal == proposal


def test_a_speed_no_instrument_has_is_a_remark() -> None:
    assert severities(read([row(speed=0), row("B2", speed=2000)])) == [
        ("odd_speed", "remark"),
        ("odd_speed", "remark"),
    ]


# --- clocks ------------------------------------------------------------------------------


def test_times_of_a_clock_that_was_reset_are_set_aside() -> None:
    """Days after a reset to 2000-01-01 the clock says 3 January 2000; also 1970, and 2010."""
    days = [f"2025-03-{day:02d}T06:30" for day in range(1, 21)]
    odd = ["1970-01-01T00:01", "2000-01-01T00:10", "2000-01-03T08:00", "2010-01-02T09:00"]
    reading = read([row(f"B{i}", at=at) for i, at in enumerate([*days, *odd])])
    assert reading.account.set_aside == {"date_out_of_window": 4}
    assert reading.set_aside["batch"].tolist() == ["B20", "B21", "B22", "B23"]


def test_a_day_in_the_future_is_set_aside() -> None:
    reading = read([row("B1", at="2025-03-03T06:30"), row("B2", at="2125-03-03T06:30")])
    assert reading.account.set_aside == {"date_out_of_window": 1}


def test_a_long_history_is_no_wrong_clock() -> None:
    """Twenty years, with a row every month, and one that begins slowly."""
    months = [f"{year}-{month:02d}-01T06:30" for year in range(2005, 2025) for month in (1, 5, 9)]
    reading = read([row(f"B{i}", at=at) for i, at in enumerate(months)])
    assert reading.account.used == len(months)


def test_the_cut_lies_behind_the_gap() -> None:
    year = 365 * 86400
    late = np.arange(20) * 86400 + 50 * year
    assert clock_cut(np.concatenate(([10 * year, 30 * year], late))) == 50 * year
    assert clock_cut(np.concatenate((np.full(6, 30 * year), late))) == -np.inf  # 6 of 26: no slip
    assert clock_cut(np.array([0, 50 * year])) == -np.inf
    assert clock_cut(np.array([], dtype=np.int64)) == -np.inf


# --- habits ------------------------------------------------------------------------------


def test_many_readings_exactly_on_the_target_are_a_remark(store: ingest.Store) -> None:
    chance = np.random.default_rng(41)
    values = [int(v) for v in chance.normal(2000, 60, 40).round()]
    values = [v + 1 if v == 2000 else v for v in values]
    store.add_specification("P-100", lower=1800, upper=2200, target=2000)
    four = no_torque([*values[:36], 2000, 2000, 2000, 2000])  # one in ten is not more than that
    assert read(four, store).findings == ()
    five = read(no_torque([*values[:35], *[2000] * 5]), store)
    assert five.account.used == 40
    assert severities(five) == [("on_target", "remark")]
    assert five.findings[0].detail == "5 of 40 readings are exactly 2000 mPa·s, the target"


def test_last_digits_0_and_5_too_often_are_a_remark() -> None:
    chance = np.random.default_rng(42)
    values = chance.normal(2000, 60, 60).round().astype(int)
    assert read(no_torque(values.tolist())).findings == ()
    heaped = values.copy()
    heaped[:30] = heaped[:30] // 5 * 5
    reading = read(no_torque(heaped.tolist()))
    n = int(np.isin(heaped % 10, (0, 5)).sum())
    assert severities(reading) == [("last_digits", "remark")]
    assert reading.findings[0].detail == f"{n} of 60 readings end with 0 or 5; one in five is usual"
    steps = read(no_torque((values // 5 * 5).tolist()))
    assert steps.findings == ()  # all of them: the step of the instrument, no habit


def test_gaps_and_repeats_in_the_numbers_of_replicates_are_remarks() -> None:
    lines = [
        *(row("B1", 1), row("B1", 3, 40.2, 2010)),
        *(row("B2", 1), row("B2", 2, 40.2, 2010)),
        *(row("B3", 1), row("B3", 1, 40.2, 2010, at="2025-03-03T09:00")),
        *(row("B4", 1), row("B4", 2, 9.0, 450), row("B4", 3)),  # one is set aside, and there
        *(row("B5", 1), row("B5", 1)),  # the same line twice is no second reading
        *(row("B6", 1), row("B6", 1, at="2025-09-03T09:00")),  # the number was used again
        *(row("B7", 1), row("B7", 1, at="2025-03-03T09:00").replace(",V1,", ",V2,")),
    ]
    reading = read(lines)
    assert [(one.batch, one.reason, one.detail) for one in reading.remarks] == [
        ("B1", "replicate_gap", "there is no 2 among the first 3"),
        ("B3", "replicate_again", "replicate 1 once more"),
    ]
    assert reading.account.remarks == {"replicate_again": 1, "replicate_gap": 1}
    assert reading.account.closes
    assert reading.account.as_dict()["remarks"] == {"replicate_again": 1, "replicate_gap": 1}


def test_remarks_stand_in_the_account_of_the_import(any_store: ingest.Store) -> None:
    report = any_store.add(read([row("B1", 1), row("B1", 3, 40.2, 2010)]), "lab")
    assert report.account.remarks == {"replicate_gap": 1}
    assert ingest.verify(any_store) == []
    undone = ingest.undo_import(any_store, 1, "wrong file")
    assert undone.accounts[1].remarks == {"replicate_gap": 1}


def test_all_remarks_are_counted_and_a_hundred_of_a_kind_are_kept() -> None:
    reading = read([row(f"B{i}", speed=0) for i in range(250)])
    assert reading.account.remarks == {"odd_speed": 250}
    assert [one.line for one in reading.remarks] == list(range(2, 102))

"""The ways in which exports of real labs are ugly, from 14 on; see `test_uglinesses.py`.

The expected values are worked out from the rows in each test: units by the SI, days by `date(1)`.
"""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

import ingest
from ingest import FileReading, Store, read_bytes, read_file

H = "batch;product;viscosity mPa.s"
D = "date;" + H


def read(*lines: str, encoding: str = "utf-8", **answers: str) -> FileReading:
    return read_bytes("\n".join(lines).encode(encoding), "x.csv", answers)


def used(reading: FileReading) -> list[float]:
    assert reading.account.closes
    return reading.rows.loc[reading.rows["reason"] == "", "viscosity"].tolist()


def told(reading: FileReading) -> dict[str, tuple[str, str]]:
    return {item.what: (item.value, item.why) for item in reading.understood}


def asked(reading: FileReading) -> list[str]:
    assert reading.account.closes
    assert reading.account.used == 0
    return [question.field for question in reading.questions]


def test_14_units_mixed_in_a_column_are_converted_by_their_label() -> None:
    head = "batch;product;instrument;spindle;speed;torque %;viscosity;unit"
    rows = [f"B{i};P;V1;S3;20;40;2000;mPa.s" for i in range(8)]
    odd = ("C1;P;V1;S3;20;40;2;Pa.s", "C2;P;V1;S3;20;40;20;P", "C3;P;V1;S3;20;40;2;mPa.s")
    reading = read(head, *rows, *odd)
    assert used(reading) == [2000.0] * 10
    aside = reading.set_aside
    assert aside[["batch", "reason"]].to_numpy().tolist() == [["C3", "torque_disagrees"]]


def test_15_blank_rows_repeated_headers_tests_and_idle_readings() -> None:
    head = H + ";torque %"
    lines = [head, "B1;P;2010;40", "", ";;;", head, "TEST;P;2010;40", "rinse;P;5;0.1", "B2;P;5;0.1"]
    reading = read(*lines, "B3;water;1;12")
    assert used(reading) == [2010.0]
    assert reading.account.blank_lines == 1
    assert reading.account.set_aside == {
        "blank_row": 1,
        "repeated_header": 1,
        "test_row": 3,
        "below_range": 1,
    }


def test_16_spellings_of_a_product_are_not_merged_without_a_person(store: Store) -> None:
    store.add(read(H, "B1;P-100;1", "B2;P100;2", "B3; p 100 ;3", "B4;P-100 ;4"))
    assert sorted(store.characteristics()["product"]) == ["P-100", "P100", "p 100"]


def test_17_a_batch_number_used_again_is_another_batch_and_said(store: Store) -> None:
    rows = ("2024-03-13;B1;P;2010;1", "2025-03-13;B1;P;2110;1")
    report = store.add(read(D + ";replicate", *rows))
    assert store.batches()["mean"].tolist() == [2010.0, 2110.0]
    assert any("batch of its own" in note for note in report.notes)


def test_18_one_spindle_and_one_speed_however_they_are_written(store: Store) -> None:
    spelled = ("3", "S3", "SP03", "Spindle 3", "spindel nr. 3")
    speeds = ("20", "20.0", "20 rpm", "20 1/min", "20")
    rows = [
        f"B{i};P;2010;{spindle};{speed}"
        for i, (spindle, speed) in enumerate(zip(spelled, speeds, strict=True))
    ]
    reading = read(H + ";spindle;speed", *rows, "B9;P;2010;T-C;20")
    assert told(reading)["spindle"][0] == "S3"
    store.add(reading)
    assert store.characteristics()["condition"].tolist() == ["S3 · 20 rpm", "T-C · 20 rpm"]


def test_19_numbers_of_batches_stay_text_and_shortened_ones_are_told() -> None:
    reading = read(H, "00123;P;1", "123456789012345678;P;2", "1.23E+11;P;3")
    assert reading.rows["batch"].tolist() == ["00123", "123456789012345678", "1.23E+11"]
    assert "1 batch numbers are written like 1.23E+11" in reading.notes[0]
    assert read(H, "2E11;P;1").notes == ()


def test_20_temperatures_near_77_or_of_250_are_asked() -> None:
    lines = [f"B{i};P;2010;77.{i}" for i in range(4)]
    assert asked(read(H + ";temp", *lines)) == ["temperature_unit"]
    celsius = read(H + ";temp", "B1;P;2010;77.0", temperature_unit="F").rows["temperature"]
    assert celsius.tolist() == pytest.approx([25.0])  # (77 - 32) x 5 / 9
    assert asked(read(H + ";temp °C", "B1;P;2010;250", "B2;P;2010;251")) == ["temperature_unit"]
    tenths = read(H + ";temp", "B1;P;2010;250", temperature_unit="tenths of C")
    assert tenths.rows["temperature"].tolist() == pytest.approx([25.0])


def test_20_one_temperature_out_of_range_is_remarked_unless_the_site_allows_it() -> None:
    lines = [H + ";temp °C", "B1;P;2010;25.0", "B2;P;2010;25.1", "B3;P;2010;250", "B4;P;2010;-5"]
    narrow = read(*lines)
    assert narrow.account.remarks == {"odd_temperature": 2}
    assert [one.detail for one in narrow.remarks] == [
        "250 °C, outside 5 to 200 °C",
        "-5 °C, outside 5 to 200 °C",
    ]
    wide = read(*lines, temperature_range="-10 to 300")
    assert wide.account.remarks == {}
    assert read(H + ";temp °C", "B1;P;1;77.0").questions == ()  # °C is said


def test_21_comments_with_separators_quotes_and_line_breaks() -> None:
    reading = read(H + ";comment", 'B1;P;2010;"a; ""b""\nc"', "B2;P;2011;d", "B3;P;2012;e;f")
    assert used(reading) == [2010.0, 2011.0]
    assert reading.rows["comment"].tolist() == ['a; "b"\nc', "d"]
    assert [(item.line, item.reason) for item in reading.not_parsed] == [(5, "too_many_fields")]


def test_22_production_order_not_the_order_of_the_lab(store: Store) -> None:
    head = "sampled at;tested at;batch;product;viscosity mPa.s"
    rows = ("2025-03-14;2025-03-15;B2;P;2", "2025-03-13;2025-03-16;B1;P;1")
    store.add(read(head, *rows))
    assert store.batches()["batch"].tolist() == ["B1", "B2"]


def test_23_check_standards_are_apart_by_type_and_asked_by_name(store: Store) -> None:
    typed = read(H + ";sample type", "B1;P;2010;product", "C1;Fluid A;1000;check standard")
    assert typed.rows["sample_type"].tolist() == ["product", "check"]
    lines = (H, "B1;P;2010", "C1;Check standard 1000;1001")
    assert asked(read(*lines)) == ["check_by_name"]
    store.add(read(*lines, check_by_name="check"))
    kinds = store.characteristics().set_index("product")["sample_type"].to_dict()
    assert kinds == {"P": "product", "Check standard 1000": "check"}


@pytest.mark.parametrize("text", ["1970-01-01", "2000-01-01", "01.01.2000 00:03"])
def test_24_a_reset_clock_orders_nothing(text: str, store: Store) -> None:
    reading = read(D, f"{text};B1;P;1", "13.03.2025;B2;P;2")
    assert reading.account.set_aside == {"date_out_of_window": 1}
    store.add(reading)
    assert store.readings()["batch"].tolist() == ["B2"]


def test_24_a_clock_that_runs_ahead(store: Store) -> None:
    ahead = (datetime.now(UTC) + timedelta(days=30)).date().isoformat()
    assert read(D, f"{ahead};B1;P;1").account.set_aside == {"date_out_of_window": 1}


def test_25_cells_that_begin_as_formulas_are_text_and_harmless_outside(
    store: Store, tmp_path: Path
) -> None:
    reading = read(H + ";comment", "=1+1;P;2010;+A1", "B2;@x;2011;@y")
    assert reading.rows["batch"].tolist() == ["=1+1", "B2"]
    store.add(reading)
    ingest.export(store, "readings", tmp_path / "out.csv")
    out = (tmp_path / "out.csv").read_text("utf-8-sig")
    assert "'=1+1" in out
    assert ",=1+1" not in out
    assert "'+A1" in out
    assert "'@y" in out


def test_26_each_batch_is_judged_by_the_limits_of_its_day(store: Store) -> None:
    store.add_specification("P", lower=1800, upper=2200)
    store.add_specification("P", lower=1900, upper=2100, valid_from=date(2025, 5, 1))
    held = store.specifications("P")
    april = ingest.specification_for(held, date(2025, 4, 30))
    may = ingest.specification_for(held, date(2025, 5, 1))
    assert april is not None
    assert may is not None
    assert (april.lower, may.lower) == (1800, 1900)


def test_27_the_target_written_for_nothing_is_remarked() -> None:
    # 40 readings one apart and 8 that are exactly 2000: 17 %
    lines = [f"B{i};P;{1971 + i}" for i in range(40)] + [f"C{i};P;2000" for i in range(8)]
    (one,) = read(H, *lines).findings
    assert (one.reason, one.severity, one.product) == ("one_value", "remark", "P")
    assert "9 of 48 readings (19 %) are exactly 2000" in one.detail


def test_27_last_digits_of_0_and_5_are_remarked_and_a_step_of_ten_is_not() -> None:
    heaped = [1903 + 7 * i if i % 3 == 0 else 1900 + 5 * i for i in range(60)]
    found = read(H, *(f"B{i};P;{value}" for i, value in enumerate(heaped))).findings
    assert [one.reason for one in found] == ["last_digits"]
    coarse = [1900 + 10 * ((7 * i) % 29) for i in range(60)]
    silent = read(H, *(f"B{i};P;{value}" for i, value in enumerate(coarse)))
    assert (silent.notes, silent.findings) == ((), ())


@pytest.mark.parametrize("name", ["F01_baseline_duplicates", "S01_spindle_swapped"])
def test_27_ordinary_readings_are_not_remarked(data: Path, name: str) -> None:
    reading = read_file(data / f"{name}.csv")
    assert (reading.notes, reading.remarks) == ((), ())

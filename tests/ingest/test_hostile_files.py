"""Files that once were, or easily could be, read wrongly without a word."""

import time

import numpy as np
import pytest

from ingest import IngestError, read_bytes

H = "batch;product;viscosity mPa.s"
D = "date;" + H


def read(*lines: str, **answers: str):
    return read_bytes("\n".join(lines).encode(), "x.csv", answers)


def used(reading) -> list[float]:
    return reading.rows.loc[reading.rows["reason"] == "", "viscosity"].tolist()


# --- cells that shift --------------------------------------------------------------------


def test_decimal_commas_in_a_comma_separated_file_are_refused() -> None:
    rows = [f"B{i},40,1,25,0,2001,{i % 10},P-100" for i in range(14)]
    with pytest.raises(IngestError, match="decimal commas were probably cut in two"):
        read("batch,torque_pct,temp_C,viscosity_mPa.s,product", *rows)


def test_one_row_cut_in_two_by_its_comma_is_not_parsed() -> None:
    rows = [f"B{i},2001,P-100," for i in range(30)]
    reading = read("batch,viscosity_mPa.s,product,comment", *rows, "B30,2001,1,P-100,")
    assert reading.account.not_parsed == {"too_many_fields": 1}
    assert used(reading) == [2001.0] * 30


def test_a_header_that_ends_with_a_delimiter_costs_no_row() -> None:
    assert used(read(H + ";", "B1;P;2010", "B2;P;2020")) == [2010.0, 2020.0]


# --- headers ---------------------------------------------------------------------------


def test_a_second_header_below_rows_does_not_make_them_a_preamble() -> None:
    rows = [f"B{i};P;{2000 + i}" for i in range(20)]
    reading = read(H, *rows, H + ";comment", "C1;P;1;x")
    assert used(reading) == [2000.0 + i for i in range(20)]
    assert reading.account.rows_read == 22
    assert sum(reading.account.not_parsed.values()) == 2


def test_a_second_header_in_another_order_ends_the_table() -> None:
    rows = [f"B{i};P;{2000 + i}" for i in range(5)]
    reading = read(H, *rows, "viscosity mPa.s;product;batch", "1999;P;77", "1998;P;78")
    assert used(reading) == [2000.0 + i for i in range(5)]
    assert reading.account.not_parsed == {"second_table": 3}


def test_a_summary_table_below_does_not_take_the_header() -> None:
    reading = read(H, "B1;P;2010", "", "product;viscosity;speed;spindle;temp", "P;2010;20;S3;25")
    assert used(reading) == [2010.0]


def test_a_row_of_units_under_the_header_gives_the_units() -> None:
    reading = read("batch;product;viscosity;temp", ";;Pa·s;°C", "B1;P;2,01;25,0", "B2;P;2,5;25,1")
    assert used(reading) == [2010.0, 2500.0]
    assert reading.account.set_aside == {"units_row": 1}


@pytest.mark.parametrize("word", ["Mean", "Mittelwert", "Total:", "Summe", "n", "Std"])
def test_totals_under_the_rows_are_no_batches(word: str) -> None:
    reading = read(H, "B1;P;2010", "B2;P;2030", f"{word};P;2020")
    assert used(reading) == [2010.0, 2030.0]
    assert reading.account.set_aside == {"summary_row": 1}


@pytest.mark.parametrize("batch", ["TEST 1", "test2", "Test-Probe", "rinse 2", "Water check"])
def test_test_runs_are_known_by_the_first_word_of_their_batch(batch: str) -> None:
    assert read(H, f"{batch};P;2010").account.set_aside == {"test_row": 1}


@pytest.mark.parametrize("batch", ["Testa 5", "TB-1", "W12"])
def test_a_batch_that_only_begins_alike_is_one(batch: str) -> None:
    assert used(read(H, f"{batch};P;2010")) == [2010.0]


def test_two_columns_of_the_same_unknown_name_are_both_kept() -> None:
    reading = read(H + ";X;X", "B1;P;2010;a;b")
    assert reading.rows["extra"].tolist() == ['{"X": "a", "X (column 5)": "b"}']


# --- units -----------------------------------------------------------------------------


def test_units_behind_the_digits_are_converted() -> None:
    head = "batch;product;viscosity cSt;density;temp"
    reading = read(head, "B1;P;2000;970 kg/m3;77 °F")
    assert used(reading) == [1940.0]
    assert reading.rows["temperature"].tolist() == pytest.approx([25.0])


@pytest.mark.parametrize("density", ["8.1", "0", "2010"])
def test_a_density_no_liquid_has_converts_nothing(density: str) -> None:
    reading = read("batch;product;viscosity cSt;density", f"B1;P;2000;{density}")
    assert reading.account.set_aside == {"unit_needs_density": 1}


@pytest.mark.parametrize(
    "heading", ["density [lb/gal]", "temp [K]", "speed [1/s]", "Drehmoment [mNm]"]
)
def test_a_bracket_with_a_foreign_unit_is_not_taken_for_ours(heading: str) -> None:
    reading = read(f"{H};{heading}", "B1;P;2010;8.1")
    assert used(reading) == [2010.0]
    assert heading in reading.rows["extra"].iat[0]


def test_a_remark_in_brackets_is_no_unit_where_a_column_has_one() -> None:
    assert used(read("batch;product;Viscosity (25 °C);unit", "B1;P;2.01;Pa.s")) == [2010.0]


def test_converted_values_carry_no_rounding_dust() -> None:
    assert used(read("batch;product;viscosity;unit", "B1;P;1.0002;Pa.s")) == [1000.2]


def test_stray_texts_behind_digits_do_not_hide_that_no_unit_is_given() -> None:
    reading = read("batch;product;viscosity", "B1;P;2010", "B2;P;2010 ?")
    assert [question.field for question in reading.questions] == ["unit"]


def test_a_column_with_a_decimal_mark_of_its_own_is_refused() -> None:
    head = "batch;product;torque %;temp C;viscosity Pa.s"
    with pytest.raises(IngestError, match=r"is written like '2\.001', other columns"):
        read(head, "B1;P;40,2;25,0;2.001", "B2;P;39,8;25,1;1.990")


@pytest.mark.parametrize("text", ["9" * 400, "1e99", "1" + "0" * 15])
def test_no_reading_is_infinite_or_astronomic(text: str) -> None:
    reading = read(H, f"B1;P;{text}", "B2;P;2010")
    assert used(reading) == [2010.0]
    assert reading.account.not_parsed == {"viscosity_not_a_number": 1}


@pytest.mark.parametrize("text", ["12 345,6", "12'345.6", "12\u00a0345,6"])
def test_group_marks_beside_a_decimal_mark(text: str) -> None:
    assert used(read(H, f"B1;P;{text}")) == [12345.6]


@pytest.mark.parametrize(
    ("text", "reason"),
    [(">FSR", "over_range"), ("<LOD", "below_range"), ("＜500", "below_range")],
)
def test_bounds_without_digits_and_in_wide_letters(text: str, reason: str) -> None:
    assert read(H, f"B1;P;{text}").account.set_aside == {reason: 1}


def test_a_remark_in_place_of_a_temperature_costs_no_reading() -> None:
    reading = read(H + ";temp C", "B1;P;2010;RT", "B2;P;2011;25.0")
    assert used(reading) == [2010.0, 2011.0]
    assert np.isnan(reading.rows["temperature"].iat[0])
    assert reading.rows["extra"].iat[0] == '{"temp C": "RT"}'


# --- torque against viscosity ------------------------------------------------------------


def rows_of(factor: float, torques: list[float], digits: str = ".1f", wrong: int = 0) -> list[str]:
    lines = []
    for i, torque in enumerate(torques):
        value = factor * torque * (1000 if i < wrong else 1)
        lines.append(f"B{i};P;V1;S3;20;{torque:{digits}};{value:.0f}")
    return lines


T = "batch;product;instrument;spindle;speed_rpm;torque %;viscosity mPa.s"
TORQUES = [38.6, 39.2, 40.8, 41.0, 42.4, 42.3, 40.6, 41.1, 39.7, 37.9, 43.3, 40.2]


def test_torques_written_without_decimals_flag_nothing() -> None:
    assert read(T, *rows_of(50, TORQUES, ".0f")).account.set_aside == {}


def test_viscosities_written_with_two_digits_flag_nothing() -> None:
    lines = [
        f"B{i};P;V1;S3;20;{torque:.1f};{round(50 * torque, -2):.0f}"
        for i, torque in enumerate([*TORQUES, 19.2, 18.8])
    ]
    assert read(T, *lines).account.set_aside == {}


def test_without_a_spindle_no_factor_is_learned() -> None:
    lines = [line.replace(";S3;", ";;") for line in rows_of(50, TORQUES, wrong=2)]
    # what is a thousand times the others is not believed all the same
    assert read(T, *lines).account.set_aside == {"impossible_value": 2}


def test_where_no_majority_agrees_no_factor_is_made_up() -> None:
    assert read(T, *rows_of(50, TORQUES, wrong=6)).account.set_aside == {}


def test_a_clear_minority_is_flagged_with_a_plain_number() -> None:
    reading = read(T, *rows_of(50, TORQUES, wrong=2))
    assert reading.account.set_aside == {"torque_disagrees": 2}
    assert reading.set_aside["detail"].iat[0] == (
        "torque 38.6 % says about 1930, recorded 1930000 mPa·s"
    )


# --- times -----------------------------------------------------------------------------


def test_a_test_date_and_a_test_time_in_two_columns() -> None:
    reading = read(
        "Prüfdatum;Prüfzeit;Charge;Produkt;Viskosität mPas", "13.03.2025;06:42;B1;P;2010"
    )
    assert reading.rows["tested_at"].tolist() == [1741848120]  # 2025-03-13 06:42 UTC, by date(1)


def test_a_sampling_date_and_a_time_of_day() -> None:
    reading = read(
        "Probenahmedatum;Uhrzeit;Charge;Produkt;Viskosität mPas", "13.03.2025;06:42;B1;P;2010"
    )
    assert reading.rows["sampled_at"].tolist() == [1741848120]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2097-01-01", "date_out_of_window"),
        ("2000-01-01", "date_out_of_window"),
        ("1970-01-01", "date_out_of_window"),
        ("0001-01-01", "date_out_of_window"),
        ("14.03.69", "date_out_of_window"),
        ("", "no_time"),
    ],
)
def test_dates_without_sense_are_set_aside(text: str, reason: str) -> None:
    reading = read(D, f"{text};B1;P;2010", "2025-03-13;B2;P;2010")
    assert reading.account.set_aside == {reason: 1}


def test_a_two_digit_year_above_69_is_of_the_last_century() -> None:
    reading = read(D, "14.03.99;B1;P;2010")
    assert reading.rows["tested_at"].tolist() == [921369600]  # 1999-03-14 UTC, by date(1)


@pytest.mark.parametrize("text", ["13.03.2025 13:05 AM", "2025-03-13T06:00:00+99:99"])
def test_times_no_clock_shows_are_not_read(text: str) -> None:
    reading = read(D, f"{text};B1;P;2010")
    assert reading.account.not_parsed == {"date_not_read": 1}


def test_one_impossible_date_does_not_refuse_the_file() -> None:
    reading = read(D, "13.04.2025;B1;P;1", "13.13.2025;B2;P;2", "02.04.2025;B3;P;3")
    assert used(reading) == [1.0, 3.0]
    assert reading.account.not_parsed == {"date_not_read": 1}


def test_a_date_that_is_the_same_both_ways_is_not_asked() -> None:
    assert read(D, "03/03/2025;B1;P;2010").questions == ()


def test_a_guessed_hour_is_said() -> None:
    reading = read(D, "2025-10-26 02:30;B1;P;2010", time_zone="Europe/Berlin")
    assert "1 rows lie in an hour that the clocks went through twice" in reading.notes[0]


# --- replicates ------------------------------------------------------------------------


def test_a_part_and_then_the_whole_of_an_export_number_alike() -> None:
    part = read(D, "2025-03-13;B1;P;2010").rows["replicate"].tolist()
    whole = read(D, "2025-03-13;B1;P;2010", "2025-03-13;B1;P;1990").rows["replicate"].tolist()
    assert part == whole[:1]
    assert len(set(whole)) == 2


def test_equal_viscosities_with_other_torques_are_two_readings() -> None:
    reading = read(D + ";torque %", "2025-03-13;B1;P;2010;40,2", "2025-03-13;B1;P;2010;40,3")
    assert len(set(reading.rows["replicate"])) == 2


def test_a_running_number_is_no_replicate() -> None:
    lines = [f"{i};13.03.2025 06:{i:02d};B{i};P;2010" for i in range(1, 15)]
    reading = read("Nr;Datum;Charge;Produkt;Viskosität mPas", *lines)
    assert set(reading.rows["replicate"]) == {0}
    assert reading.rows["extra"].iat[0] == '{"Nr": "1"}'


# --- size and speed ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "content",
    [
        f"{H};comment\nB1;P;2010;{'word ' * 4000}\n",
        '{"a": [' + '"x", ' * 20_000 + "1]}",
        ";".join(["x y"] * 2000) + "\n" + "\n".join(";".join(["1"] * 2000) for _ in range(60)),
    ],
)
def test_long_lines_near_the_top_take_no_time(content: str) -> None:
    start = time.perf_counter()
    try:
        read_bytes(content.encode(), "x.csv")
    except IngestError as error:
        assert "\n" not in str(error)  # noqa: PT017 - both outcomes are right
    assert time.perf_counter() - start < 3


def test_a_line_of_megabytes_is_not_parsed() -> None:
    reading = read(H, "B1;P;2010", f"B2;{'x' * 2_500_000};2010", "B3;P;2011")
    assert used(reading) == [2010.0, 2011.0]
    assert sum(reading.account.not_parsed.values()) == 1


def test_a_name_of_thousands_of_letters_is_not_parsed() -> None:
    reading = read(H, f"{'B' * 6000};P;2010")
    assert reading.account.not_parsed == {"name_too_long": 1}


# --- words -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "message"),
    [
        ({"temperature": "abc"}, "temperature=abc is not a positive number"),
        ({"torque": "x"}, "torque=x is not a positive number"),
        ({"speed": "inf"}, "speed=inf is not a positive number"),
        ({"unit": "a\nb"}, "unit=a b cannot be converted"),
    ],
)
def test_answers_are_looked_at(answers: dict[str, str], message: str) -> None:
    with pytest.raises(IngestError, match=message):
        read_bytes(f"{H}\nB1;P;1\n".encode(), "x.csv", answers)


def test_a_decimal_comma_in_an_answer_is_understood() -> None:
    reading = read("batch;product;viscosity cSt", "B1;P;2000", density="0,97")
    assert used(reading) == [1940.0]


def test_letters_of_control_never_reach_a_message() -> None:
    with pytest.raises(IngestError) as caught:
        read_bytes(b"batch\x0c;col\x1bour;prod\x08uct\none;two;three\n", "x.csv")
    assert str(caught.value).isprintable()
    asked = read("batch\x0c;col\x1bour;prod\x08uct", "1;2;3").questions
    for question in asked:
        assert all(text.isprintable() for text in (question.text, *question.choices))


def test_a_file_name_that_is_no_text_is_shown_all_the_same() -> None:
    reading = read_bytes(f"{H}\nB1;P;1\n".encode(), "caf\udce9.csv")
    assert reading.name == "caf?.csv"

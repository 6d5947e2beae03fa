"""The 27 ways in which exports of real labs are ugly, each with its duty, by number.

The expected values are worked out from the rows in each test: units by the SI, days by `date(1)`.
"""

from datetime import UTC, datetime

import pytest

from ingest import FileReading, IngestError, Store, read_bytes

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


def test_01_decimal_comma_is_decided_by_the_whole_file_with_its_proof() -> None:
    lines = [f"B{i};P;2010;40,2" for i in range(214)]
    reading = read(H + ";torque %", *lines, "C1;P;1.990;39,8")
    assert used(reading)[0] == 2010.0
    assert told(reading)["decimal mark"] == ("comma", "'40,2' in 215 cells")
    assert told(reading)["delimiter"][0] == "semicolon"
    # 1.990 beside 2010 is the one cell that says two things: it is not read either way
    assert reading.account.set_aside == {"ambiguous_number": 1}


@pytest.mark.parametrize("text", ["2.010,0", "2 010,0", "2'010,0", "2\u00a0010,0", "2\u202f010,0"])
def test_02_thousands_marks_are_read(text: str) -> None:
    assert used(read(H, f"B1;P;{text}")) == [2010.0]


@pytest.mark.parametrize("text", ["2,010", "2.010"])
def test_02_a_mark_before_three_digits_alone_is_asked(text: str) -> None:
    assert asked(read(H, f"B1;P;{text}")) == ["decimal_mark"]
    other = {",": "point", ".": "comma"}[text[1]]
    assert used(read(H, f"B1;P;{text}", decimal_mark=other)) == [2010.0]
    same = {",": "comma", ".": "point"}[text[1]]
    assert used(read(H, f"B1;P;{text}", decimal_mark=same)) == [2.01]


def test_02_another_cell_resolves_it() -> None:
    # 40.2 x 50 = 2010: the torque of the row says the same
    reading = read("batch;product;torque %;viscosity mPa.s", "B1;P;40.2;2,010")
    assert used(reading) == [2010.0]


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("utf-16-be", "UTF-16"),
        ("latin-1", "Latin-1"),
        ("cp1252", "Latin-1"),
    ],
)
def test_03_encodings_are_found_and_shown(encoding: str, shown: str) -> None:
    head = "Charge;Produkt;Viskosität mPa·s;Prüfer"
    reading = read(head, "B1;Öl;2010;Jörg", encoding=encoding)
    assert used(reading) == [2010.0]
    assert reading.rows["product"].tolist() == ["Öl"]
    assert told(reading)["encoding"][0] == shown


def test_03_signs_of_cp1252_alone_decide_for_it() -> None:
    reading = read(H + ";comment", "B1;P;2010;„gut“ – 5 €", encoding="cp1252")
    assert told(reading)["encoding"][0] == "CP1252"
    assert reading.rows["comment"].tolist() == ["„gut“ – 5 €"]


@pytest.mark.parametrize(
    "content",
    [
        "Charge;Produkt;ViskositÃ¤t mPas\nB1;P;1\n",
        "Charge;Produkt;Viskosit\ufffdt mPas;Visk mPas\nB1;P;1;1\n",
        f"{H}\nB1;M\ufffdller;1\n",
    ],
)
def test_03_a_wrong_guess_of_an_earlier_program_stops_the_file(content: str) -> None:
    with pytest.raises(IngestError, match=r"letters|wrong encoding"):
        read_bytes(content.encode(), "x.csv")


def test_03_a_lost_letter_in_a_comment_is_counted_and_costs_nothing() -> None:
    reading = read(H + ";comment", "B1;P;2010;R\ufffdhrer")
    assert used(reading) == [2010.0]
    assert told(reading)["lost letters"][0] == "in 1 cells"


def test_04_preamble_group_header_and_units_row_and_footer() -> None:
    reading = read(
        "Report of lab 2;;;",
        ";;;",
        "Sample;;Measurement;",
        "Batch;Product;Viscosity;Temp",
        ";;[Pa·s];[°C]",
        "B1;P;2,01;25,0",
        "B2;P;1,99;25,1",
        "Mittelwert;;2,0;25,05",
        "Total: 2;;;",
        encoding="utf-16",
    )
    assert used(reading) == [2010.0, 1990.0]
    assert told(reading)["header"][0] == "line 4"
    assert told(reading)["units"] == ("Pa·s", "in the row under the header")
    assert reading.account.set_aside == {"summary_row": 2, "units_row": 1}


def test_04_two_header_rows_in_two_languages() -> None:
    reading = read("Batch;Product;Viscosity mPas", "Charge;Produkt;Viskosität", "B1;P;2010")
    assert used(reading) == [2010.0]
    assert reading.account.set_aside == {"repeated_header": 1}


def test_04_footers_that_begin_in_another_column_are_no_readings() -> None:
    reading = read(D, "2025-03-13;B1;P;2010", "Summe;;;2010", "Anzahl: 1;;;", "Total;;;")
    assert used(reading) == [2010.0]
    assert reading.account.set_aside == {"summary_row": 3}


@pytest.mark.parametrize(
    ("dates", "outcome"),
    [
        (("03/04/2025", "05/04/2025"), "date_order"),
        (("03/04/2025", "13/04/2025"), "day-month"),
        (("03/04/2025", "04/13/2025"), "month-day"),
        (("13/04/2025", "04/13/2025"), "two orders"),
    ],
)
def test_05_day_and_month_are_decided_once_or_asked_or_refused(
    dates: tuple[str, str], outcome: str
) -> None:
    lines = [D, f"{dates[0]};B1;P;1", f"{dates[1]};B2;P;2"]
    if outcome == "two orders":
        with pytest.raises(IngestError, match=outcome):
            read(*lines)
        return
    reading = read(*lines)
    if outcome == "date_order":
        assert asked(reading) == [outcome]
    else:
        assert told(reading)["dates"][0] == outcome
        assert len(used(reading)) == 2


@pytest.mark.parametrize(
    "text",
    [
        "13.03.25 06:42",
        "45729.279166667",  # 45729 days after 1899-12-30, and 6 h 42 min of a day
        "45729,279166667",
        "13 Mar 2025 06:42",
        "13. März 2025 06:42",
        "13 mars 2025 06:42",
        "13-mar-25 06:42",
        "March 13, 2025 6:42 AM",
        "13/03/2025 6:42 am",
        "13/03/2025 06:42 A.M.",
        "20250313T064200",
        "13/03/2025 06h42",
        "2025-03-13 06:42 UTC",
    ],
)
def test_06_short_years_serials_texts_and_halves_of_a_day(text: str) -> None:
    reading = read(D, f"{text};B1;P;2010")
    assert used(reading) == [2010.0]
    assert reading.rows["tested_at"].tolist() == [1741848120]  # 2025-03-13 06:42 UTC, by date(1)


def test_06_days_and_months_that_a_spreadsheet_swapped_are_refused() -> None:
    # 03/04 became a date of another order, 13/04 stayed text, as there is no month 13
    with pytest.raises(IngestError, match="probably swapped day and month"):
        read(D, "2025-03-04;B1;P;1", "13/04/2025;B2;P;2", "25/04/2025;B3;P;3")
    assert len(used(read(D, "2025-04-13;B1;P;1", "13/04/2025;B2;P;2"))) == 2


def test_06_the_conversion_of_a_serial_is_said() -> None:
    reading = read(D, "45729;B1;P;2010")
    why = "45729 is a spreadsheet's number of the day 2025-03-13"
    assert told(reading)["dates"] == ("year first", why)


def test_06_pm_and_noon() -> None:
    reading = read(D, "13/03/2025 6:42 pm;B1;P;1", "13/03/2025 12:00 pm;B2;P;2")
    assert reading.rows["tested_at"].tolist() == [1741848120 + 12 * 3600, 1741867200]


@pytest.mark.parametrize("year", ["2097", "97"])
def test_06_dates_out_of_the_window_are_set_aside(year: str) -> None:
    reading = read(D, f"13/03/{year};B1;P;1", "13/03/2025;B2;P;2")
    expected = {"date_out_of_window": 1} if year == "2097" else {}
    assert reading.account.set_aside == expected


def test_06_a_short_year_in_front_is_asked() -> None:
    lines = (D, "25-03-11;B1;P;1", "25-03-12;B2;P;2")
    assert asked(read(*lines)) == ["date_order"]
    days = {"yy-mm-dd": 1741651200, "dmy": 1301011200}  # 2025-03-11 and 2011-03-25, by date(1)
    for order, expected in days.items():
        assert read(*lines, date_order=order).rows["tested_at"].tolist()[0] == expected


def test_07_the_hour_that_is_twice_and_the_hour_that_is_not() -> None:
    reading = read(
        D,
        "30.03.2025 02:30;B0;P;1",
        "26.10.2025 02:30;B1;P;2",
        "26.10.2025 02:50;B2;P;3",
        "26.10.2025 02:10;B3;P;4",
        time_zone="Europe/Berlin",
    )
    assert reading.account.set_aside == {"impossible_hour": 1}
    # first pass at UTC+2, then, as the clock runs backwards, the second at UTC+1
    expected = [datetime(2025, 10, 26, h, m, tzinfo=UTC) for h, m in ((0, 30), (0, 50), (1, 10))]
    assert reading.rows["tested_at"].tolist()[1:] == [int(t.timestamp()) for t in expected]
    assert "3 rows lie in an hour that the clocks went through twice" in reading.notes[0]


def test_08_the_same_export_twice_and_overlapping_exports(store: Store) -> None:
    rows = [f"2025-03-{10 + i};B{i};P;{2000 + i}" for i in range(6)]
    store.add(read(D, *rows[:4]))
    again = store.add(read(D, *rows[:4])).account
    assert (again.used, again.duplicates) == (0, 4)
    overlap = store.add(read(D, *rows[2:])).account
    assert (overlap.used, overlap.duplicates) == (2, 2)
    changed = store.add(read(D, "2025-03-10;B0;P;2050")).account
    assert changed.conflicts == 1
    assert changed.closes
    readings = store.readings(aside=True)
    both = readings[readings["batch"] == "B0"]
    assert sorted(both["viscosity"]) == [2000.0, 2050.0]
    assert set(both["reason"]) == {"conflict"}


def test_09_attempts_are_all_kept_and_the_first_stands(store: Store) -> None:
    head = "date;batch;product;replicate;viscosity mPa.s;comment"
    store.add(
        read(head, "2025-03-13 09:15;B102;P;1;2310;", "2025-03-13 11:05;B102;P;1;2190;retest")
    )
    readings = store.readings(aside=True)
    assert readings["viscosity"].tolist() == [2310.0, 2190.0]
    assert readings["reason"].tolist() == ["", "retest"]


def test_10_a_value_overwritten_at_its_source_is_shown_old_and_new(store: Store) -> None:
    head = "date;batch;product;replicate;viscosity mPa.s"
    store.add(read(head, "2025-03-13 06:42;B1;P;1;2310"))
    report = store.add(read(head, "2025-03-13 06:42;B1;P;1;2190"))
    assert any("2190 and 2310" in note or "2310 and 2190" in note for note in report.notes)
    assert sorted(store.readings(aside=True)["viscosity"]) == [2190.0, 2310.0]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("<10", "below_range"),
        (">100000", "over_range"),
        ("OVER", "over_range"),
        ("over range", "over_range"),
        ("OL", "over_range"),
        ("---", "no_result"),
        ("n/a", "no_result"),
        ("0", "not_positive"),
    ],
)
def test_11_words_for_no_number(text: str, reason: str) -> None:
    reading = read(H, f"B1;P;{text}", "B2;P;2010")
    assert reading.account.set_aside == {reason: 1}
    assert reading.rows["received"].iat[0].startswith(text)


def test_11_nines_are_no_result_only_where_the_site_says_so() -> None:
    lines = (H, "B1;P;9999", "B2;P;2010")
    silent = read(*lines)
    assert used(silent) == [9999.0, 2010.0]
    assert "exactly 9999" in silent.notes[0]
    ruled = read(*lines, no_result="9999")
    assert used(ruled) == [2010.0]
    assert ruled.account.set_aside == {"no_result": 1}


def test_12_and_13_batches_of_one_two_and_four_are_never_filled_up(store: Store) -> None:
    head = "date;batch;product;replicate;viscosity mPa.s"
    rows = [
        "2025-03-13;B1;P;1;2000",
        *(f"2025-03-14;B2;P;{k};{2000 + 10 * k}" for k in (1, 2)),
        *(f"2025-03-15;B3;P;{k};{2000 + 10 * k}" for k in (1, 2, 3, 4)),
    ]
    store.add(read(head, *rows))
    batches = store.batches()
    assert batches["n"].tolist() == [1, 2, 4]
    assert batches["mean"].tolist() == [2000.0, 2015.0, 2025.0]
    assert batches["range"].isna().tolist() == [True, False, False]

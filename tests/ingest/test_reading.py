"""Whole files: the scenario files with their outcomes, and one dirty file per reason.

The scenario files were made for this project; their outcomes were worked out by hand from the
rows in them (see the comments), units by the SI definitions in test_units.py.
"""

from pathlib import Path

import numpy as np
import pytest

from ingest import REASONS, IngestError, read_bytes, read_file
from ingest.reasons import NOT_PARSED, REMARKS, SET_ASIDE

HEAD = (
    "timestamp,batch,product,instrument,spindle,speed_rpm,torque_pct,"
    "viscosity,unit,replicate,status,comment"
)


def one(*lines: str, head: str = HEAD, **answers: str):
    return read_bytes("\n".join([head, *lines]).encode(), "x.csv", answers)


def test_u1_german_export_with_preamble(data: Path) -> None:
    reading = read_file(data / "U1_latin1_semicolon_preamble.csv")
    account = reading.account
    assert account.rows_read == 5
    assert account.used == 2
    assert account.set_aside == {"below_range": 1, "over_range": 1, "test_row": 1}
    assert account.blank_lines == 1
    assert account.closes
    used = reading.rows[reading.rows["reason"] == ""]
    assert used["viscosity"].tolist() == [2010.0, 1990.0]
    assert used["line"].tolist() == [5, 6]
    told = {u.what: u.value for u in reading.understood}
    assert told["encoding"] == "Latin-1"
    assert told["delimiter"] == "semicolon"
    assert told["decimal mark"] == "comma"
    assert told["header"] == "line 4"
    assert told["dates"] == "day-month"
    assert reading.notes == (
        "Batch B102 of P-100 is recorded both over range and below range: one batch cannot be "
        "both, so look at its spindle and speed.",
    )


def test_u2_utf16_tabs_and_thousands_marks(data: Path) -> None:
    reading = read_file(data / "U2_utf16_tab.csv")
    assert reading.rows["viscosity"].tolist() == [2010.0, 1990.0]
    # torque times 50 mPa·s per % says the same: 40.2 x 50 and 39.8 x 50
    assert (reading.rows["torque"] * 50).tolist() == pytest.approx([2010.0, 1990.0])
    assert reading.rows["received"].tolist() == ["2,010 cP", "1,990 cP"]


def test_u3_ambiguous_dates_are_asked_and_nothing_is_read(data: Path) -> None:
    reading = read_file(data / "U3_ambiguous_dates.csv", {"product": "P"})
    assert [question.field for question in reading.questions] == ["date_order"]
    assert reading.questions[0].choices == ("dmy", "mdy")
    assert reading.account.used == 0
    assert reading.account.closes
    answered = read_file(data / "U3_ambiguous_dates.csv", {"product": "P", "date_order": "mdy"})
    days = answered.rows["tested_at"].to_numpy().astype("datetime64[s]").astype("datetime64[D]")
    assert days.astype(str).tolist() == ["2025-03-04", "2025-05-04", "2025-11-04"]


def test_u4_one_date_decides_for_all(data: Path) -> None:
    reading = read_file(data / "U4_date_decides_itself.csv", {"product": "P"})
    days = reading.rows["tested_at"].to_numpy().astype("datetime64[s]").astype("datetime64[D]")
    assert days.astype(str).tolist() == ["2025-04-03", "2025-04-13"]
    why = {u.what: u.why for u in reading.understood}["dates"]
    assert why == "13/04/2025 can only be day-month, so all are read that way"


def test_u5_doubled_and_skipped_hours(data: Path) -> None:
    answers = {"product": "P", "time_zone": "Europe/Berlin"}
    reading = read_file(data / "U5_dst_fold_gap.csv", answers)
    assert reading.account.used == 4
    assert reading.account.set_aside == {"impossible_hour": 1}
    used = reading.rows[reading.rows["reason"] == ""]
    assert used["batch"].tolist() == ["B1", "B1", "B2", "B2"]
    assert (np.diff(used["tested_at"]) > 0).all()


def test_u7_units_each_with_its_own_reason(data: Path) -> None:
    reading = read_file(data / "U7_units.csv", {"product": "P"})
    by_batch = reading.rows.set_index("batch")
    for batch in ["1", "2", "3", "4", "5", "11"]:
        assert by_batch.loc[batch, "viscosity"] == 2000.0
    assert by_batch.loc["6", "viscosity"] == pytest.approx(1940.0, abs=1e-9)
    assert by_batch["reason"][by_batch["reason"] != ""].to_dict() == {
        "7": "unit_needs_density",
        "8": "unit_krebs",
        "9": "unit_missing",
        "10": "unit_megapascal",
        "12": "unit_flow_cup",
    }


def test_u7_answers_reach_only_what_is_open(data: Path) -> None:
    answers = {"product": "P", "unit": "cP", "MPa.s": "mPa.s", "density": "0.5"}
    by_batch = read_file(data / "U7_units.csv", answers).rows.set_index("batch")
    assert by_batch.loc["6", "viscosity"] == pytest.approx(1940.0, abs=1e-9)  # its own density
    assert by_batch.loc["7", "viscosity"] == pytest.approx(1000.0, abs=1e-9)
    assert by_batch.loc["9", "viscosity"] == 2000.0
    assert by_batch.loc["10", "viscosity"] == 2000.0
    assert by_batch.loc["8", "reason"] == "unit_krebs"


def test_s06_labels_convert_and_a_label_against_the_torque_is_set_aside(data: Path) -> None:
    rows = read_file(data / "S06_mixed_units.csv").rows
    flagged = rows[rows["reason"] != ""]
    assert set(flagged["batch"]) == {"B018"}
    assert set(flagged["reason"]) == {"torque_disagrees"}
    converted = rows[rows["batch"].isin(["B005", "B010", "B016"])]
    assert ((converted["viscosity"] / converted["torque"]).round() == 50).all()


def test_s07_typing_errors_are_found_by_the_torque(data: Path) -> None:
    flagged = read_file(data / "S07_transcription.csv").set_aside
    assert flagged[["batch", "reason"]].to_numpy().tolist() == [
        ["B008", "torque_disagrees"],
        ["B012", "torque_disagrees"],
    ]
    assert "1985" in flagged["detail"].iat[0]
    assert "1935" in flagged["detail"].iat[1]


@pytest.mark.parametrize(
    "name", ["S01_spindle_swapped", "S02_zero_drift", "F01_baseline_duplicates"]
)
def test_the_torque_check_is_silent_where_viscosity_and_torque_agree(data: Path, name: str) -> None:
    reading = read_file(data / f"{name}.csv")
    assert reading.account.set_aside == {}


@pytest.mark.parametrize(
    ("torque", "reason"),
    [("9.9", "below_range"), ("10.0", ""), ("100.0", ""), ("100.1", "over_range")],
)
def test_the_torque_window_is_ten_to_a_hundred_percent_inclusive(torque: str, reason: str) -> None:
    viscosity = float(torque) * 50
    reading = one(f"2025-03-03T06:30,B1,P,V1,S3,20,{torque},{viscosity},cP,1,valid,")
    assert reading.rows["reason"].tolist() == [reason]


LINE = "2025-03-03T06:30,{batch},P,V1,S3,20,40,{viscosity},{unit},1,{status},{comment}"


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"viscosity": "<500"}, "below_range"),
        ({"viscosity": "< 500"}, "below_range"),
        ({"viscosity": ">5000"}, "over_range"),
        ({"viscosity": "OVER"}, "over_range"),
        ({"viscosity": "over range"}, "over_range"),
        ({"viscosity": "Überlauf"}, "over_range"),
        ({"viscosity": "---"}, "no_result"),
        ({"viscosity": "n/a"}, "no_result"),
        ({"viscosity": ""}, "no_result"),
        ({"viscosity": "0"}, "not_positive"),
        ({"viscosity": "-5"}, "not_positive"),
        ({"batch": "TEST"}, "test_row"),
        ({"comment": "rinse"}, "test_row"),
        ({"status": "invalid"}, "marked_invalid"),
        ({"status": "ungültig"}, "marked_invalid"),
        ({"batch": ""}, "no_batch"),
        ({"unit": "KU"}, "unit_krebs"),
        ({"unit": "zz"}, "unit_unknown"),
    ],
)
def test_one_row_per_reason(fields: dict[str, str], reason: str) -> None:
    given = {"batch": "B1", "viscosity": "2000", "unit": "cP", "status": "valid", "comment": ""}
    reading = one(LINE.format(**(given | fields)), LINE.format(**(given | {"batch": "B2"})))
    assert reading.rows["reason"].tolist() == [reason, ""]
    assert reading.account.closes


def test_rows_that_are_blank_or_repeat_the_header() -> None:
    reading = one(
        LINE.format(batch="B1", viscosity="2000", unit="cP", status="", comment=""), "," * 11, HEAD
    )
    assert reading.account.set_aside == {"blank_row": 1, "repeated_header": 1}


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (
            LINE.format(batch="B1", viscosity="abc", unit="cP", status="", comment=""),
            "viscosity_not_a_number",
        ),
        ("2025-02-30,B1,P,V1,S3,20,40,2000,cP,1,,", "date_not_read"),
        ("2025-03-03,B1,P,V1,S3,20,x4,2000,cP,1,,", "cell_not_a_number"),
        ("2025-03-03,B1,P,V1,S3,20,40,2000,cP,one,,", "cell_not_a_number"),
    ],
)
def test_a_row_that_cannot_be_understood_is_kept_as_text(line: str, reason: str) -> None:
    reading = one(line)
    assert [(item.line, item.reason, item.text) for item in reading.not_parsed] == [
        (2, reason, line)
    ]
    assert reading.account.closes


def test_every_reason_has_a_sentence() -> None:
    assert REASONS == SET_ASIDE | NOT_PARSED | REMARKS
    assert len(REASONS) == len(SET_ASIDE) + len(NOT_PARSED) + len(REMARKS)
    assert all(text.endswith(".") for text in REASONS.values())


@pytest.mark.parametrize(
    ("head", "row", "field"),
    [
        ("batch,viscosity cP", "B1,2000", "product"),
        ("batch,product,viscosity", "B1,P,2000", "unit"),
        ("batch,product,viscosity cP", 'B1,P,"2,010"', "decimal_mark"),
        ("batch,product,viscosity MPa.s", "B1,P,2010", "MPa.s"),
        ("batch,product,viscosity cP,viscosity mPa.s", "B1,P,2010,2010", "viscosity_column"),
        ("date,batch,product,viscosity cP", "03/04/2025,B1,P,2010", "date_order"),
        ("number,product,viscosity cP", "B1,P,2000", "batch_column"),
        ("batch,product,value", "B1,P,2000", "viscosity_column"),
    ],
)
def test_what_a_file_does_not_say_is_asked(head: str, row: str, field: str) -> None:
    reading = one(row, head=head)
    assert [question.field for question in reading.questions] == [field]
    assert reading.rows.empty


@pytest.mark.parametrize(
    ("answers", "message"),
    [
        ({"colour": "red"}, r"'colour' is nothing that can be set: use one of MPa.s, "),
        ({"unit": "KU"}, r"unit=KU cannot be converted"),
        ({"date_order": "yyy"}, r"date_order=yyy is not known: use dmy or mdy"),
        ({"density": "-1"}, r"density=-1 is not a positive number"),
        ({"time_zone": "Nowhere"}, r"time_zone=Nowhere is not a known time zone"),
        ({"viscosity_column": "x"}, r"viscosity_column=x is not in the file"),
    ],
)
def test_an_answer_without_sense_is_refused(answers: dict[str, str], message: str) -> None:
    with pytest.raises(IngestError, match=message):
        read_bytes(b"batch,product,viscosity cP\nB1,P,2000\n", "x.csv", answers)


@pytest.mark.parametrize(
    ("head", "row", "message"),
    [
        ("batch,product,viscosity KU", "B1,P,95", "given in 'KU', which has no conversion"),
        ("date,batch,product,viscosity cP", "13/04/2025,B1,P,1\n04/13/2025,B1,P,1", "two orders"),
    ],
)
def test_what_no_answer_mends_is_refused(head: str, row: str, message: str) -> None:
    with pytest.raises(IngestError, match=message):
        one(row, head=head)


def test_a_date_and_a_time_in_two_columns_are_one_time() -> None:
    reading = one("13.03.2025;06:42;B1;P;2000", head="Datum;Uhrzeit;Charge;Produkt;Viskosität cP")
    assert reading.rows["tested_at"].tolist() == [1741848120]  # 2025-03-13 06:42 UTC, by date(1)


def test_columns_without_a_meaning_are_kept() -> None:
    reading = one("B1,P,2000,M7,", head="batch,product,viscosity cP,Mixer,Vessel")
    assert reading.rows["extra"].tolist() == ['{"Mixer": "M7"}']


def test_readings_without_a_number_are_numbered_only_where_nothing_else_tells_them_apart() -> None:
    head = "batch,product,viscosity cP"
    assert one("B1,P,2000", "B1,P,2000", "B2,P,1", head=head).rows["replicate"].tolist() == [
        0,
        -1,
        0,
    ]
    head = "date,batch,product,viscosity cP"
    rows = one(
        "2025-01-01,B1,P,2000",
        "2025-01-01,B1,P,2010",
        "2025-01-01,B1,P,2000",
        "2025-01-02,B1,P,2000",
        head=head,
    ).rows
    assert rows["replicate"].tolist() == [0, -1, 0, 0]


def test_odd_names_of_folders_and_files(tmp_path: Path) -> None:
    with pytest.raises(IngestError, match=r"is a folder: name the files"):
        read_file(tmp_path)
    with pytest.raises(IngestError, match=r"There is no file"):
        read_file(tmp_path / "none.csv")

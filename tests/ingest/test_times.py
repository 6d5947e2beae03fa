"""Date order, time zones, and the hours that a clock change doubles or skips."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import IngestError
from ingest.times import date_order, parse_times, zone


def column(*texts: str) -> pa.ChunkedArray:
    return pa.chunked_array([pa.array(texts, pa.string())])


@pytest.mark.parametrize(
    ("texts", "order"),
    [
        (("03/04/2025", "05/04/2025"), "ask"),
        (("03/04/2025", "13/04/2025"), "dmy"),
        (("03/04/2025", "04/13/2025"), "mdy"),
        (("13/04/2025", "04/13/2025"), "mixed"),
        (("03.04.2025", "05.04.2025"), "dmy"),
        (("2025-04-03", "2025-04-05"), "ymd"),
        (("", ""), "ymd"),
    ],
)
def test_the_whole_file_decides_the_order(texts: tuple[str, ...], order: str) -> None:
    assert date_order([column(*texts)]).order == order


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2025-03-13T06:42:00", datetime(2025, 3, 13, 6, 42, tzinfo=UTC)),
        ("2025-03-13 06:42", datetime(2025, 3, 13, 6, 42, tzinfo=UTC)),
        ("2025-03-13", datetime(2025, 3, 13, tzinfo=UTC)),
        ("13.03.2025 06:42", datetime(2025, 3, 13, 6, 42, tzinfo=UTC)),
        ("3/4/25 6:42 PM", datetime(2025, 4, 3, 18, 42, tzinfo=UTC)),
        ("03/04/2025 12:05 am", datetime(2025, 4, 3, 0, 5, tzinfo=UTC)),
        (
            "2025-03-13T06:42:00+02:00",
            datetime(2025, 3, 13, 6, 42, tzinfo=timezone(timedelta(hours=2))),
        ),
        ("2025-03-13T06:42:00Z", datetime(2025, 3, 13, 6, 42, tzinfo=UTC)),
        ("2025-03-13T06:42:00.25", datetime(2025, 3, 13, 6, 42, tzinfo=UTC)),
    ],
)
def test_forms_of_a_time(text: str, expected: datetime) -> None:
    times = parse_times(column(text), "dmy", "UTC")
    assert times.known[0]
    assert times.epoch[0] == expected.timestamp()


@pytest.mark.parametrize(
    "text", ["30.02.2025 10:00", "2025-02-30", "2025-02-30T06:00", "13:00", "today", "99.99.9999"]
)
def test_what_is_no_date_is_said_to_be_none(text: str) -> None:
    times = parse_times(column(text), "dmy", "UTC")
    assert times.unreadable[0]
    assert not times.known[0]


def test_a_doubled_hour_keeps_file_order_and_a_skipped_one_is_found() -> None:
    times = parse_times(
        column("2025-10-26 02:30", "2025-10-26 02:42", "2025-10-26 02:30", "2025-03-30 02:30"),
        "ymd",
        "Europe/Berlin",
    )
    assert times.doubtful.tolist() == [True, True, True, False]
    assert times.impossible.tolist() == [False, False, False, True]
    # the third row runs backwards, so it is the second pass: one hour later in UTC
    assert (times.epoch[:3] - times.epoch[0]).tolist() == [0, 720, 3600]


def test_a_file_written_newest_first_is_looked_at_from_its_end() -> None:
    times = parse_times(
        column("2025-10-26 04:00", "2025-10-26 02:30", "2025-10-26 02:42", "2025-10-26 01:00"),
        "ymd",
        "Europe/Berlin",
    )
    assert (times.epoch[1] > times.epoch[2]).all()


@given(st.datetimes(datetime(1990, 1, 1), datetime(2040, 1, 1)))
def test_local_times_agree_with_the_standard_library(moment: datetime) -> None:
    moment = moment.replace(microsecond=0)
    berlin = ZoneInfo("Europe/Berlin")
    aware = moment.replace(tzinfo=berlin)
    exists = aware.astimezone(UTC).astimezone(berlin).replace(tzinfo=None) == moment
    times = parse_times(column(moment.strftime("%d.%m.%Y %H:%M:%S")), "dmy", "Europe/Berlin")
    assert times.impossible[0] != exists
    if exists:
        assert times.epoch[0] == aware.timestamp()


def test_an_unknown_zone_is_refused_in_words() -> None:
    with pytest.raises(IngestError, match=r"time_zone=Mars/North is not a known time zone"):
        zone("Mars/North")

"""Periods and their borders. ISO weeks: the examples of ISO 8601 for the turn of the year."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.results import AssessmentError
from dashboard.review.period import KINDS, days_of, local_day, neighbour, of_kind, parse, week_of

DAYS = st.dates(date(1990, 1, 1), date(2090, 12, 31))


# 2005-01-01 is in 2004-W53, 2008-12-29 begins 2009-W01, 2010-01-03 ends 2009-W53: the calendar
# examples that go with ISO 8601's week rule (the week with the first Thursday is week 1).
@pytest.mark.parametrize(
    ("key", "first", "last"),
    [
        ("2004-W53", date(2004, 12, 27), date(2005, 1, 2)),
        ("2009-W01", date(2008, 12, 29), date(2009, 1, 4)),
        ("2009-W53", date(2009, 12, 28), date(2010, 1, 3)),
        ("2026-W12", date(2026, 3, 16), date(2026, 3, 22)),
        ("2026-03", date(2026, 3, 1), date(2026, 3, 31)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
        ("2025-12", date(2025, 12, 1), date(2025, 12, 31)),
        ("2026-Q1", date(2026, 1, 1), date(2026, 3, 31)),
        ("2026-Q4", date(2026, 10, 1), date(2026, 12, 31)),
        ("2026-03-01..2026-03-21", date(2026, 3, 1), date(2026, 3, 21)),
    ],
)
def test_days_of_a_period(key, first, last):
    found = parse(key)
    assert (found.first, found.last, found.key) == (first, last, key)
    assert found.start == datetime(first.year, first.month, first.day, tzinfo=UTC)
    assert found.end == datetime(last.year, last.month, last.day, tzinfo=UTC) + timedelta(days=1)


def test_borders_are_midnight_at_the_site_on_either_side_of_the_change_of_clocks():
    week = parse("2026-W13", "Europe/Berlin")  # its Sunday, 29 March, has 23 hours
    assert week.start == datetime(2026, 3, 22, 23, tzinfo=UTC)
    assert week.end == datetime(2026, 3, 29, 22, tzinfo=UTC)
    assert week.end - week.start == timedelta(hours=7 * 24 - 1)
    assert "Europe/Berlin" in week.borders
    # a reading of Sunday 23:30 at the site belongs to the week that ends then
    late = datetime(2026, 3, 29, 21, 30, tzinfo=UTC)
    assert week.start <= late < week.end
    assert local_day(late, "Europe/Berlin") == date(2026, 3, 29)


@given(DAYS, st.sampled_from(sorted(KINDS)))
def test_a_period_holds_its_day_and_is_read_again_from_its_key(day, kind):
    found = of_kind(kind, day)
    assert found.first <= day <= found.last
    assert parse(found.key) == found
    assert neighbour(found, 1).first == found.last + timedelta(days=1)
    assert neighbour(found, -1).last == found.first - timedelta(days=1)


@given(DAYS, st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Pacific/Apia"]))
def test_weeks_follow_each_other_without_a_gap(day, zone):
    week = week_of(day, zone)
    assert week.end == neighbour(week, 1).start


@pytest.mark.parametrize(
    "written",
    ["2026-W54", "2026-W00", "2026-13", "2026-Q5", "2026-02-30", "next week", "", "2026", "..",
     "0000-W01"],
)  # fmt: skip
def test_anything_else_is_refused_in_one_sentence(written):
    with pytest.raises(AssessmentError, match="is no period: write 2026-W12, 2026-03, 2026-Q1"):
        parse(written)


def test_an_end_before_its_beginning_and_an_unknown_zone_are_refused():
    with pytest.raises(AssessmentError, match="ends before it begins"):
        days_of(date(2026, 3, 2), date(2026, 3, 1))
    for zone in ("Mars/Olympus", "", "../etc", "Europe"):
        with pytest.raises(AssessmentError, match="no known time zone"):
            parse("2026-W12", zone)

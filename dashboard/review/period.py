"""The period of a review: a week, a month, a quarter or any days, with its borders.

A period begins at midnight of its first day and ends at midnight after its last one, both in the
site's reporting time zone, so that a shift on Sunday evening belongs to its own week.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from dashboard import text
from dashboard.results import AssessmentError

REPORTING_ZONE = "reporting_time_zone"
"""Name of the setting; without it periods begin and end at midnight UTC."""
KINDS = {"week": "week", "month": "month", "quarter": "quarter", "own": "days of your own"}
ACCEPTED = "2026-W12, 2026-03, 2026-Q1 or 2026-03-01..2026-03-21"


@dataclass(frozen=True, slots=True)
class Period:
    """The days that a review is about.

    Attributes:
        key: as it is written in the address and on the command line, such as 2026-W12.
        kind: a key of KINDS.
        first, last: its days, both belong to it.
        zone: name of the time zone of its borders.
    """

    key: str
    kind: str
    first: date
    last: date
    zone: str

    @property
    def start(self) -> datetime:
        """Its first moment, in UTC."""
        return _midnight(self.first, self.zone)

    @property
    def end(self) -> datetime:
        """The moment after it, in UTC: the cut-off."""
        return _midnight(self.last + timedelta(days=1), self.zone)

    @property
    def label(self) -> str:
        """What it is called: "week 12 of 2026, 16 Mar 2026 to 22 Mar 2026"."""
        days = f"{text.date(_at(self.first))} to {text.date(_at(self.last))}"
        if self.kind == "week":
            year, week = self.key.split("-W")
            return f"week {int(week)} of {year}, {days}"
        if self.kind == "month":
            return f"{text.MONTHS[self.first.month - 1]} {self.first.year}, {days}"
        if self.kind == "quarter":
            return f"quarter {self.key[-1]} of {self.first.year}, {days}"
        return text.date(_at(self.first)) if self.first == self.last else days

    @property
    def borders(self) -> str:
        """Where it begins and ends, to the hour: "from … to before …, UTC"."""
        after = _at(self.last + timedelta(days=1))
        return f"from {text.moment(_at(self.first))} to before {text.moment(after)}, {self.zone}"


def parse(written: str, zone: str = "UTC") -> Period:
    """Read a period.

    Args:
        written: 2026-W12 (ISO week), 2026-03, 2026-Q1, 2026-03-01..2026-03-21, or one day.
        zone: name of the time zone of its borders, such as Europe/Berlin.

    Raises:
        AssessmentError: it is none of these, or no such time zone.

    Example:
        >>> parse("2026-W12").label
        'week 12 of 2026, 16 Mar 2026 to 22 Mar 2026'
    """
    known = known_zone(zone)
    asked = written.strip()
    try:
        for pattern, make in _FORMS:
            if match := re.fullmatch(pattern, asked, re.IGNORECASE):
                return make(known, *match.groups())
    except (ValueError, OverflowError):  # week 54, 31 February, the last week of all
        pass
    raise AssessmentError(f"'{written}' is no period: write {ACCEPTED}.")


def week_of(day: date, zone: str = "UTC") -> Period:
    """The ISO week that a day lies in."""
    year, week, _ = day.isocalendar()
    return _week(zone, str(year), str(week))


def days_of(first: date, last: date, zone: str = "UTC") -> Period:
    """Any days, both ends included.

    Raises:
        AssessmentError: the end lies before the beginning.
    """
    if last < first:
        raise AssessmentError(
            f"The period ends before it begins: {last.isoformat()} comes before "
            f"{first.isoformat()}."
        )
    return Period(f"{first.isoformat()}..{last.isoformat()}", "own", first, last, zone)


def of_kind(kind: str, day: date, zone: str = "UTC") -> Period:
    """The week, month or quarter that a day lies in; the day alone for one's own days."""
    if kind == "month":
        return _month(zone, str(day.year), str(day.month))
    if kind == "quarter":
        return _quarter(zone, str(day.year), str((day.month + 2) // 3))
    return week_of(day, zone) if kind == "week" else days_of(day, day, zone)


def neighbour(one: Period, step: int) -> Period:
    """The period of the same kind and length before (-1) or after (+1)."""
    if one.kind == "own":
        length = timedelta(days=((one.last - one.first).days + 1) * step)
        return days_of(one.first + length, one.last + length, one.zone)
    day = one.first - timedelta(days=1) if step < 0 else one.last + timedelta(days=1)
    return of_kind(one.kind, day, one.zone)


def local_day(at: datetime, zone: str) -> date:
    """The day that a moment belongs to in a time zone."""
    return at.astimezone(ZoneInfo(zone)).date()


def local_moment(at: datetime | None, zone: str) -> str:
    """A moment in words in a time zone: "18 Mar 2026, 13:30"."""
    if at is None or at != at:  # NaT is unequal to itself
        return text.MISSING
    return text.moment(at.astimezone(ZoneInfo(zone)))


def known_zone(zone: str) -> str:
    """The name of a time zone that is known here.

    Raises:
        AssessmentError: there is none of that name.
    """
    try:
        return ZoneInfo(zone.strip()).key
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder
        raise AssessmentError(
            f"'{zone}' is no known time zone: give one such as Europe/Berlin or UTC."
        ) from None


def _week(zone: str, year: str, week: str) -> Period:
    first = date.fromisocalendar(int(year), int(week), 1)
    key = f"{int(year):04}-W{int(week):02}"
    return Period(key, "week", first, first + timedelta(days=6), zone)


def _month(zone: str, year: str, month: str) -> Period:
    first = date(int(year), int(month), 1)
    after = date(first.year + first.month // 12, first.month % 12 + 1, 1)
    return Period(f"{first:%Y-%m}", "month", first, after - timedelta(days=1), zone)


def _quarter(zone: str, year: str, quarter: str) -> Period:
    first = date(int(year), 3 * int(quarter) - 2, 1)
    last = _month(zone, year, str(first.month + 2)).last
    return Period(f"{first.year:04}-Q{int(quarter)}", "quarter", first, last, zone)


def _days(zone: str, first: str, last: str | None = None) -> Period:
    return days_of(date.fromisoformat(first), date.fromisoformat(last or first), zone)


_DAY = r"(\d{4}-\d{2}-\d{2})"
_FORMS = (
    (r"(\d{4})-?W(\d{1,2})", _week),
    (r"(\d{4})-(\d{2})", _month),
    (r"(\d{4})-?Q([1-4])", _quarter),
    (rf"{_DAY}\.\.{_DAY}", _days),
    (_DAY, _days),
)


def _midnight(day: date, zone: str) -> datetime:
    # where midnight does not exist (a clock put forward at night) the moment after the gap
    return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC)


def _at(day: date) -> datetime:
    return datetime.combine(day, time())

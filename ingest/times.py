"""Times as labs write them: day and month order decided by the whole file, then UTC.

An hour that a clock change makes happen twice keeps the file's order; an hour that it skips is
set aside.
"""

import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.errors import IngestError

_TIME_OF_DAY = (
    r"(?:[ T,]+(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,]\d{1,9})?)?"
    r"(?: ?(?P<half>[AaPp])\.?[Mm]\.?)?)?"
)
_OFFSET = r" ?(?P<offset>Z|[+-]\d{2}:?\d{2})?"
_YEAR_FIRST = (
    rf"^(?P<year>\d{{4}})[-/.](?P<b>\d{{1,2}})[-/.](?P<a>\d{{1,2}}){_TIME_OF_DAY}{_OFFSET}$"
)
_YEAR_LAST = (
    rf"^(?P<a>\d{{1,2}})(?P<mark>[./-])(?P<b>\d{{1,2}})[./-](?P<year>\d{{4}}|\d{{2}})"
    rf"{_TIME_OF_DAY}$"
)
_ISO = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2})?$"

ORDERS = ("dmy", "mdy")
_CENTURY_ENDS = 70  # a two-digit year below it is of this century, as POSIX strptime reads it
CLOCK_ONLY = r"^\s*\d{1,2}[:.]\d{2}([:.]\d{2})?(\s?[AaPp]\.?[Mm]\.?)?\s*$"


@dataclass(frozen=True, slots=True)
class DateOrder:
    """The order of day and month in a file: "dmy", "mdy", "ymd", "ask" or "mixed", and why."""

    order: str
    why: str


def date_order(columns: list[pa.ChunkedArray]) -> DateOrder:
    """Decide the order of day and month from every date of the file.

    A field above 12 is a day and decides for all; dates with dots are day.month by convention;
    where nothing decides the answer is "ask", where two dates contradict each other "mixed".
    """
    first = second = 0
    first_text = second_text = ""
    dotted = alike = True
    found = year_first = 0
    for column in columns:
        days = pc.unique(pc.utf8_slice_codeunits(pc.utf8_trim_whitespace(column), 0, 10))
        for text in days.to_pylist():
            if re.match(r"\d{4}[-/.]", text):
                year_first += 1
                continue
            match = re.match(r"(\d{1,2})([./-])(\d{1,2})[./-]\d", text)
            if match is None:
                continue
            a, b = int(match.group(1)), int(match.group(3))
            if max(a, b) > 31 or min(a, b) > 12:
                continue  # no date in either order: it decides nothing and is not read later
            found += 1
            dotted &= match.group(2) == "."
            alike &= a == b
            if a > first:
                first, first_text = a, text
            if b > second:
                second, second_text = b, text
    if not found:
        return DateOrder("ymd", "year first" if year_first else "no dates")
    if first > 12 and second > 12:
        return DateOrder("mixed", f"{first_text} and {second_text} contradict each other")
    if first > 12:
        return DateOrder("dmy", f"{first_text} can only be day-month, so all are read that way")
    if second > 12:
        return DateOrder("mdy", f"{second_text} can only be month-day, so all are read that way")
    if dotted:
        return DateOrder("dmy", "dates written with dots are day.month.year")
    if alike:
        return DateOrder("dmy", f"{first_text} is the same day in either order")
    return DateOrder("ask", f"{first_text} can be day-month or month-day")


@dataclass(frozen=True, slots=True, eq=False)
class TimeColumn:
    """Times of a column in UTC.

    Attributes:
        epoch: seconds since 1970-01-01 UTC, shape (n,); 0 where there is no time.
        known: where there is a time. unreadable: something else than a date stood there.
        impossible: the local hour was skipped by a clock change.
        doubtful: the local hour happened twice; kept in file order.
    """

    epoch: npt.NDArray[np.int64]
    known: npt.NDArray[np.bool_]
    unreadable: npt.NDArray[np.bool_]
    impossible: npt.NDArray[np.bool_]
    doubtful: npt.NDArray[np.bool_]


def holds_only_clock_times(column: pa.ChunkedArray) -> bool:
    """Whether a column holds times of day without a date, in every cell that is filled."""
    filled = column.filter(pc.not_equal(pc.utf8_trim_whitespace(column), ""))
    return len(filled) > 0 and bool(pc.all(pc.match_substring_regex(filled, CLOCK_ONLY)).as_py())


def zone(name: str) -> ZoneInfo:
    """The time zone of a name such as Europe/Berlin.

    Raises:
        IngestError: no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise IngestError(
            f"time_zone={name} is not a known time zone: give one such as Europe/Berlin or UTC."
        ) from None


def parse_times(column: pa.ChunkedArray, order: str, time_zone: str) -> TimeColumn:
    """Read a text column as times, local to `time_zone` unless a cell carries its own offset."""
    text = pc.utf8_trim_whitespace(column)
    n = len(text)
    blank = np.asarray(pc.equal(text, "").combine_chunks(), dtype=bool)
    iso = np.asarray(pc.match_substring_regex(text, _ISO).combine_chunks(), dtype=bool)
    naive = np.full(n, np.datetime64("NaT", "s"))
    offset = np.zeros(n, dtype=np.int64)
    fixed = np.zeros(n, dtype=bool)
    if iso.any():
        naive[iso] = _iso(text.filter(pa.array(iso)))
    rest = ~iso & ~blank
    if rest.any():
        some = text.filter(pa.array(rest))
        naive[rest], offset[rest], fixed[rest] = _by_pattern(some, order)
    unreadable = ~blank & np.isnat(naive)
    epoch, impossible, doubtful = _to_utc(naive, fixed, offset, time_zone)
    known = ~np.isnat(naive) & ~impossible
    return TimeColumn(np.where(known, epoch, 0), known, unreadable, impossible, doubtful)


def _iso(text: pa.ChunkedArray) -> npt.NDArray[np.datetime64]:
    try:
        stamps = pc.cast(text, pa.timestamp("s")).combine_chunks()
        return np.asarray(stamps.to_numpy(zero_copy_only=False), dtype="datetime64[s]")
    except pa.ArrowInvalid:  # one of them is no real date, 30 February say
        stamps = pd.to_datetime(pd.Series(text.to_pylist()), format="ISO8601", errors="coerce")
        return stamps.to_numpy(dtype="datetime64[s]")


def _by_pattern(
    text: pa.ChunkedArray, order: str
) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Times of cells in any other accepted form: (local time, offset in s, has an offset)."""
    series = pd.Series(text.to_pylist(), dtype=object)
    naive = np.full(len(series), np.datetime64("NaT", "s"))
    offset = np.zeros(len(series), dtype=np.int64)
    fixed = np.zeros(len(series), dtype=bool)
    for pattern, year_first in ((_YEAR_FIRST, True), (_YEAR_LAST, False)):
        parts = series.str.extract(pattern)
        hit = parts["year"].notna().to_numpy()
        if not hit.any():
            continue
        parts = parts[hit]
        a = parts["a"].astype(int).to_numpy()
        b = parts["b"].astype(int).to_numpy()
        day, month = (b, a) if order == "mdy" and not year_first else (a, b)
        year = parts["year"].astype(int).to_numpy()
        if not year_first:  # there 0001 is a year of four digits
            year = np.where(year < 100, np.where(year < _CENTURY_ENDS, 2000, 1900) + year, year)
        hour = parts["hour"].fillna("0").astype(int).to_numpy()
        half = parts["half"].fillna("").str.lower().to_numpy(dtype=str)
        no_such_hour = (half != "") & ((hour < 1) | (hour > 12))
        hour = np.where(half == "p", hour % 12 + 12, np.where(half == "a", hour % 12, hour))
        hour = np.where(no_such_hour, 99, hour)
        minute = parts["minute"].fillna("0").astype(int).to_numpy()
        second = parts["second"].fillna("0").astype(int).to_numpy()
        naive[hit] = _assemble(year, month, day, hour, minute, second)
        if year_first:
            marks = parts["offset"].fillna("").to_numpy(dtype=str)
            fixed[hit] = marks != ""
            offset[hit] = [_offset_seconds(mark) for mark in marks]
            naive[np.abs(offset) > 14 * 3600] = np.datetime64("NaT", "s")
    return naive, offset, fixed


def _assemble(
    year: npt.NDArray[np.integer],
    month: npt.NDArray[np.integer],
    day: npt.NDArray[np.integer],
    hour: npt.NDArray[np.integer],
    minute: npt.NDArray[np.integer],
    second: npt.NDArray[np.integer],
) -> npt.NDArray[np.datetime64]:
    real = (month >= 1) & (month <= 12) & (day >= 1) & (hour < 24) & (minute < 60) & (second < 60)
    months = (year - 1970) * 12 + np.where(real, month, 1) - 1
    first = months.astype("datetime64[M]")
    days_in_month = ((first + 1).astype("datetime64[D]") - first.astype("datetime64[D]")).astype(
        int
    )
    real &= day <= days_in_month
    date = first.astype("datetime64[D]") + np.where(real, day, 1) - 1
    stamp = date.astype("datetime64[s]") + (hour * 3600 + minute * 60 + second)
    return np.where(real, stamp, np.datetime64("NaT", "s"))


def _offset_seconds(mark: str) -> int:
    if mark in ("", "Z"):
        return 0
    seconds = int(mark[1:3]) * 3600 + int(mark[-2:]) * 60
    return -seconds if mark[0] == "-" else seconds


def _to_utc(
    naive: npt.NDArray[np.datetime64],
    fixed: npt.NDArray[np.bool_],
    offset: npt.NDArray[np.int64],
    time_zone: str,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    none = np.zeros(len(naive), dtype=bool)
    as_utc = naive.astype("datetime64[s]").astype(np.int64) - offset
    if time_zone.upper() == "UTC" or fixed.all():
        return as_utc, none, none
    zone(time_zone)
    index = pd.DatetimeIndex(naive)
    lax = index.tz_localize(time_zone, ambiguous="NaT", nonexistent="shift_forward")
    dated = ~np.isnat(naive)
    doubtful = np.asarray(lax.isna()) & dated & ~fixed
    first_pass = np.ones(len(naive), dtype=bool)
    if doubtful.any():
        first_pass[doubtful] = _first_pass(naive, doubtful)
    local = index.tz_localize(time_zone, ambiguous=first_pass, nonexistent="NaT")
    impossible = np.asarray(local.isna()) & dated & ~fixed
    seconds = local.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[s]").astype(np.int64)
    return np.where(fixed, as_utc, seconds), impossible, doubtful


def _first_pass(
    naive: npt.NDArray[np.datetime64], doubtful: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Whether each doubtful time is the first pass of its hour.

    Time that runs backwards from one row to the next marks the second pass. A file written
    newest first is looked at from its end.
    """
    known = ~np.isnat(naive)
    steps = np.diff(naive[known].astype(np.int64))
    outside = ~(doubtful[known][1:] & doubtful[known][:-1])  # within the hour a step proves nothing
    back, forth = int((steps[outside] < 0).sum()), int((steps[outside] > 0).sum())
    newest_first = back > max(forth, 1)
    times = naive[doubtful]
    if newest_first:
        times = times[::-1]
    first = np.ones(len(times), dtype=bool)
    for index in range(1, len(times)):
        same_day = times[index].astype("datetime64[D]") == times[index - 1].astype("datetime64[D]")
        backwards = times[index] < times[index - 1]
        first[index] = not backwards and first[index - 1] if same_day else True
    return first[::-1] if newest_first else first

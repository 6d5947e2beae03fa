"""Times as labs write them: day and month order decided by the whole file, then UTC.

An hour that a clock change makes happen twice keeps the file's order; an hour that it skips is
set aside.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.date_texts import ODD_FORM, in_numbers, is_by_name, is_serial
from ingest.errors import IngestError

_TIME_OF_DAY = (
    r"(?:[ T,]+(?P<hour>\d{1,2})[:.h](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,]\d{1,9})?)?"
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

ORDERS = ("dmy", "mdy", "yy-mm-dd")
_CENTURY_ENDS = 70  # a two-digit year below it is of this century, as POSIX strptime reads it
CLOCK_ONLY = r"^\s*\d{1,2}[:.h]\d{2}([:.]\d{2})?(\s?[AaPp]\.?[Mm]\.?)?\s*$"


@dataclass(frozen=True, slots=True)
class DateOrder:
    """The order of day and month in a file, and why.

    It is one of ORDERS, "ymd" where no date is doubtful, "ask" or "mixed"; `choices` are the
    orders that a person can choose from where it is "ask".
    """

    order: str
    why: str
    choices: tuple[str, ...] = ("dmy", "mdy")


@dataclass(slots=True)
class DateEvidence:
    """What the dates of a column say about the order of day and month.

    Attributes:
        found, year_first: whether there are dates in either order, and with the year in front.
        first, second: the largest first and second number of a date, and the text that has it.
        dotted: whether all are written with dots. alike: whether day and month are equal in all.
        firsts, short: first numbers of its dates, and their years as long as `all_short`, that is,
            as all have two digits.
        days: days of the month of dates with the year in front. late: how many dates can be read
            in one order only, and the first of them. either: whether one can be read in two.
        named, serial: a date with its month by name, and one that is a spreadsheet's number.
    """

    found: bool = False
    year_first: bool = False
    first: int = 0
    second: int = 0
    first_text: str = ""
    second_text: str = ""
    dotted: bool = True
    alike: bool = True
    firsts: set[int] = field(default_factory=set)
    short: set[int] = field(default_factory=set)
    all_short: bool = True
    days: set[int] = field(default_factory=set)
    late: int = 0
    late_text: str = ""
    either: bool = False
    named: str = ""
    serial: str = ""

    def add(self, column: pa.ChunkedArray) -> None:
        """Look at more dates of the column."""
        days = pc.unique(pc.utf8_slice_codeunits(pc.utf8_trim_whitespace(column), 0, 10))
        for text in days.to_pylist():
            if re.match(r"\d{4}[-/.]", text):
                self.year_first = True
                tail = re.match(r"\d{4}[-/.]\d{1,2}[-/.](\d{1,2})", text)
                self.days.add(int(tail.group(1)) if tail else 99)
                continue
            match = re.match(r"(\d{1,2})([./-])(\d{1,2})[./-](\d{1,4})", text)
            if match is None:
                self.serial = self.serial or (text if is_serial(text) else "")
                self.named = self.named or (text if is_by_name(text) else "")
                continue
            a, b = int(match.group(1)), int(match.group(3))
            if max(a, b) > 31 or min(a, b) > 12:
                continue  # no date in either order: it decides nothing and is not read later
            self.found = True
            if max(a, b) > 12:
                self.late += 1
                self.late_text = self.late_text or text
            else:
                self.either = True
            self.firsts.add(a)
            self.short.add(int(match.group(4)))
            self.all_short &= len(match.group(4)) == 2
            self.dotted &= match.group(2) == "."
            self.alike &= a == b
            if a > self.first:
                self.first, self.first_text = a, text
            if b > self.second:
                self.second, self.second_text = b, text

    @property
    def swapped(self) -> bool:
        """Whether dates up to the 12th have the year in front and all later ones have not.

        So they look where a spreadsheet of another country took 03/04 for the 4th of March and
        left 13/04 as text.
        """
        return self.late > 1 and bool(self.days) and max(self.days) <= 12 and not self.either


def date_order(columns: Iterable[DateEvidence | pa.ChunkedArray]) -> DateOrder:
    """Decide the order of day and month from every date of the file.

    A field above 12 is a day and decides for all; dates with dots are day.month by convention;
    where nothing decides the answer is "ask", where two dates contradict each other "mixed".

    Args:
        columns: the columns of dates, or what was gathered of each.
    """
    seen = [_evidence(column) for column in columns]
    for one in seen:
        if one.swapped:
            return DateOrder(
                "mixed",
                f"those up to the 12th of a month are dates and later ones, such as "
                f"{one.late_text}, are text: a spreadsheet has probably swapped day and month of "
                "the former",
            )
    named = next((one.named for one in seen if one.named), "")
    serial = next((one.serial for one in seen if one.serial), "")
    also = f"; the month by its name, as in {named}" if named else ""
    if serial:
        also += f"; {serial} is a spreadsheet's number of the day {in_numbers(serial)[:10]}"
    found = [one for one in seen if one.found]
    if not found:
        year_first = any(one.year_first for one in seen)
        return DateOrder("ymd", ("; year first" * year_first + also)[2:] or "no dates")
    decided = _decided(found)
    return DateOrder(decided.order, decided.why + also, decided.choices)


def _decided(seen: list[DateEvidence]) -> DateOrder:
    """The order by the greatest first and second numbers, and the dates that they stand in."""
    day = max(seen, key=lambda one: one.first)
    month = max(seen, key=lambda one: one.second)
    first, first_text = day.first, day.first_text
    second, second_text = month.second, month.second_text
    firsts = set().union(*(one.firsts for one in seen))
    short = set().union(*(one.short for one in seen))
    moves = len(firsts) <= 2 and len(short) > len(firsts)
    if all(one.all_short for one in seen) and second <= 12 < min(firsts) and moves:
        # 25-03-13, 25-03-14: a year that stands still and a day that moves
        why = f"{first_text} can be year-month-day or day-month-year"
        return DateOrder("ask", why, ("yy-mm-dd", "dmy"))
    if first > 12 and second > 12:
        return DateOrder("mixed", f"{first_text} and {second_text} contradict each other")
    if first > 12:
        return DateOrder("dmy", f"{first_text} can only be day-month, so all are read that way")
    if second > 12:
        return DateOrder("mdy", f"{second_text} can only be month-day, so all are read that way")
    if all(one.dotted for one in seen):
        return DateOrder("dmy", "dates written with dots are day.month.year")
    if all(one.alike for one in seen):
        return DateOrder("dmy", f"{first_text} is the same day in either order")
    return DateOrder("ask", f"{first_text} can be day-month or month-day")


def _evidence(column: DateEvidence | pa.ChunkedArray) -> DateEvidence:
    if isinstance(column, DateEvidence):
        return column
    evidence = DateEvidence()
    evidence.add(column)
    return evidence


@dataclass(frozen=True, slots=True, eq=False)
class TimeColumn:
    """Times of a column in UTC.

    Attributes:
        epoch: seconds since 1970-01-01 UTC, shape (n,); 0 where there is no time.
        known: where there is a time. unreadable: something else than a date stood there.
        impossible: the local hour was skipped by a clock change.
        doubtful: the local hour happened twice; kept in file order.
        local: the time as it was written.
    """

    epoch: npt.NDArray[np.int64]
    known: npt.NDArray[np.bool_]
    unreadable: npt.NDArray[np.bool_]
    impossible: npt.NDArray[np.bool_]
    doubtful: npt.NDArray[np.bool_]
    local: npt.NDArray[np.datetime64]


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


def parse_times(
    column: pa.ChunkedArray,
    order: str,
    time_zone: str,
    passes: Callable[[int], npt.NDArray[np.bool_]] | None = None,
) -> TimeColumn:
    """Read a text column as times, local to `time_zone` unless a cell carries its own offset.

    Args:
        column: the cells. order: "dmy", "mdy" or "ymd". time_zone: such as Europe/Berlin.
        passes: gives for so many doubtful times whether each is the first pass of its hour, see
            `ClockChanges`; None to see it from these cells alone.
    """
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
    epoch, impossible, doubtful = _to_utc(naive, fixed, offset, time_zone, passes)
    known = ~np.isnat(naive) & ~impossible
    return TimeColumn(np.where(known, epoch, 0), known, unreadable, impossible, doubtful, naive)


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
    odd = np.asarray(pc.match_substring_regex(text, ODD_FORM).combine_chunks(), dtype=bool)
    series = pd.Series(text.to_pylist(), dtype=object)
    if odd.any():
        series[odd] = [in_numbers(cell) for cell in series[odd]]
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
        if not year_first and order == "yy-mm-dd":
            day, year = year, day
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
    passes: Callable[[int], npt.NDArray[np.bool_]] | None,
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
        if passes is None:
            changes = ClockChanges()
            changes.add(naive, doubtful)
            passes = changes.passes()
        first_pass[doubtful] = passes(int(doubtful.sum()))
    local = index.tz_localize(time_zone, ambiguous=first_pass, nonexistent="NaT")
    impossible = np.asarray(local.isna()) & dated & ~fixed
    seconds = local.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[s]").astype(np.int64)
    return np.where(fixed, as_utc, seconds), impossible, doubtful


class ClockChanges:
    """Which pass of an hour that happened twice each time in it belongs to, over a whole file.

    Time that runs backwards from one row to the next marks the second pass. A file written
    newest first is looked at from its end.
    """

    def __init__(self) -> None:
        """Begin with no times."""
        self._times: list[npt.NDArray[np.datetime64]] = []
        self._back = self._forth = 0
        self._last: npt.NDArray[np.datetime64] | None = None
        self._last_doubtful = np.zeros(1, dtype=bool)

    @property
    def found(self) -> bool:
        """Whether any time lies in such an hour."""
        return bool(self._times)

    def add(self, local: npt.NDArray[np.datetime64], doubtful: npt.NDArray[np.bool_]) -> None:
        """Look at more times as they were written, and which of them are doubtful."""
        known = ~np.isnat(local)
        times, unsure = local[known], doubtful[known]
        if not len(times):
            return
        if doubtful.any():
            self._times.append(local[doubtful])
        if self._last is not None:
            times = np.concatenate((self._last, times))
            unsure = np.concatenate((self._last_doubtful, unsure))
        steps = np.diff(times.astype(np.int64))
        outside = ~(unsure[1:] & unsure[:-1])  # within the hour a step proves nothing
        self._back += int((steps[outside] < 0).sum())
        self._forth += int((steps[outside] > 0).sum())
        self._last, self._last_doubtful = times[-1:], unsure[-1:]

    def passes(self) -> Callable[[int], npt.NDArray[np.bool_]]:
        """A function that says of the next so many doubtful times which are a first pass."""
        first = self._first_pass()
        place = 0

        def following(count: int) -> npt.NDArray[np.bool_]:
            nonlocal place
            place += count
            return first[place - count : place]

        return following

    def _first_pass(self) -> npt.NDArray[np.bool_]:
        newest_first = self._back > max(self._forth, 1)
        times = np.concatenate(self._times) if self._times else np.empty(0, "datetime64[s]")
        if newest_first:
            times = times[::-1]
        days = times.astype("datetime64[D]")
        first = np.ones(len(times), dtype=bool)
        for index in range(1, len(times)):
            if days[index] == days[index - 1]:
                first[index] = times[index] >= times[index - 1] and first[index - 1]
        return first[::-1] if newest_first else first

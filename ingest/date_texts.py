"""Dates that are not written in numbers with marks: months by name, and a spreadsheet's day count.

They are turned into the form with the year first, which can be read in one way only.
"""

import re
import unicodedata
from datetime import date, timedelta

ODD_FORM = r"\pL{3}|^\s*\d{5}([.,]\d+)?(\s|$)|^\s*\d{8}([T ]|$)"
"""What a cell must match (for pyarrow) to be worth `in_numbers`."""

_MONTHS = (
    ("jan", "january", "januar", "jaenner", "janv", "janvier", "ene", "enero"),
    ("feb", "february", "februar", "fev", "fevr", "fevrier", "febrero"),
    ("mar", "march", "mrz", "maer", "maerz", "marz", "mars", "marzo"),
    ("apr", "april", "avr", "avril", "abr", "abril"),
    ("may", "mai", "mayo"),
    ("jun", "june", "juni", "juin", "junio"),
    ("jul", "july", "juli", "juil", "juillet", "julio"),
    ("aug", "august", "aou", "aout", "ago", "agosto"),
    ("sep", "sept", "september", "septembre", "septiembre"),
    ("oct", "october", "okt", "oktober", "octobre", "octubre"),
    ("nov", "november", "novembre", "noviembre"),
    ("dec", "december", "dez", "dezember", "decembre", "dic", "diciembre"),
)
_NUMBER = {name: number for number, names in enumerate(_MONTHS, 1) for name in names}
_DAY_ZERO = date(1899, 12, 30)  # day 0 as spreadsheets count, 1900 taken for a leap year
_SERIALS = (25_569, 73_050)  # 1970-01-01 and 2099-12-31
_CENTURY_ENDS = 70  # as POSIX strptime reads two digits
_REST = r"(?P<rest>(?:[ T,]+\d{1,2}[:.]\d{2}.*)?)$"
_WEEKDAY = re.compile(r"^[^\W\d_]{2,10}\.?,\s*(?=\d|[^\W\d_])")
_FORMS = tuple(
    re.compile(form + _REST)
    for form in (
        r"^(?P<day>\d{1,2})(?:st|nd|rd|th|er)?[\s./-]*(?:de )?(?P<month>[^\W\d_]{3,10})\.?[\s,./-]*"
        r"(?:de )?(?P<year>\d{4}|\d{2})(?!\d)",
        r"^(?P<month>[^\W\d_]{3,10})\.?\s+(?P<day>\d{1,2})(?:st|nd|rd|th)?,?\s+(?P<year>\d{4})",
        r"^(?P<year>\d{4})[\s./-](?P<month>[^\W\d_]{3,10})\.?[\s./-](?P<day>\d{1,2})",
    )
)
_SERIAL = re.compile(r"^(\d{5})(?:[.,](\d{1,12}))?(\s+\d{1,2}:\d{2}.*)?$")
_COMPACT = re.compile(r"^((?:19|20)\d{2})(\d{2})(\d{2})(?:[T ]?(\d{2})(\d{2})(\d{2})?)?$")
_UTC = re.compile(r"\s*\b(?:UTC|GMT)$")


def in_numbers(text: str) -> str:
    """A date as text, year first and in numbers; the text itself where it is no such date."""
    bare = _UTC.sub("Z", text.strip())
    if is_serial(bare):
        return _from_serial(bare)
    compact = _COMPACT.match(bare)
    if compact:
        year, month, day, hour, minute, second = compact.groups()
        clock = f"T{hour}:{minute}:{second or '00'}" if hour else ""
        return f"{year}-{month}-{day}{clock}"
    bare = _WEEKDAY.sub("", bare)
    for form in _FORMS:
        found = form.match(bare)
        month = _NUMBER.get(_spelled(found["month"])) if found else None
        if found and month:
            year = int(found["year"])
            if len(found["year"]) == 2:
                year += 2000 if year < _CENTURY_ENDS else 1900
            return f"{year:04d}-{month:02d}-{found['day']}{found['rest'].replace(',', ' ')}"
    return bare


def is_serial(text: str) -> bool:
    """Whether a cell of a time column is the number that a spreadsheet counts a day by."""
    found = _SERIAL.match(text.strip())
    return found is not None and _SERIALS[0] <= int(found[1]) <= _SERIALS[1]


def is_by_name(text: str) -> bool:
    """Whether a cell begins as a date with its month by name."""
    return any(_spelled(word) in _NUMBER for word in re.findall(r"[^\W\d_]{3,10}", text)) and bool(
        re.search(r"\d", text)
    )


def _from_serial(text: str) -> str:
    found = _SERIAL.match(text)
    if found is None:
        return text
    day = _DAY_ZERO + timedelta(days=int(found[1]))
    if found[3]:
        return f"{day.isoformat()} {found[3].strip()}"
    seconds = round(float(f"0.{found[2] or 0}") * 86_400)
    day, seconds = day + timedelta(days=seconds // 86_400), seconds % 86_400
    return f"{day.isoformat()}T{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _spelled(name: str) -> str:
    lowered = name.casefold().replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    parts = unicodedata.normalize("NFKD", lowered)
    return "".join(letter for letter in parts if not unicodedata.combining(letter))

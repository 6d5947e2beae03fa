"""Numbers, units and dates as people read them. The only place where anything is rounded."""

import math
from collections.abc import Sequence
from datetime import datetime

UNIT = "mPa·s"
MISSING = "–"
MONTHS = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip
# Not strftime: month names there follow the locale of the machine.


def is_missing(value: float | None) -> bool:
    """Tell whether there is no number to show: None, nan or infinite."""
    return value is None or not math.isfinite(value)


def fixed(value: float | None, decimals: int) -> str:
    """Render with a fixed number of decimals; a dash for a missing number.

    A value that rounds to zero is printed without a sign.
    """
    if value is None or is_missing(value):
        return MISSING
    text = f"{value:.{decimals}f}"
    if text.startswith("-"):
        text = text[1:]
        if text.strip("0."):
            text = "−" + text
    return text


def number(value: float | None, significant: int = 4) -> str:
    """Render to a number of significant digits, never in powers of ten.

    Four digits suit viscosities: a reading is good to about 1 %, so 2001.73 is shown as 2002 and
    12.123 as 12.12. Digits before the decimal point are never rounded away.

    Example:
        >>> number(2001.73), number(12.123), number(0.60169, 3), number(45123.4)
        ('2002', '12.12', '0.602', '45123')
    """
    if value is None or is_missing(value):
        return MISSING
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    rounded = round(value, decimals)
    if rounded != 0:  # 9.9996 gains a digit when rounded and would carry one decimal too many
        decimals = max(0, significant - 1 - math.floor(math.log10(abs(rounded))))
    return fixed(value, decimals)


def plain(value: float) -> str:
    """Render a number that a person typed, without zeros that nobody typed."""
    words = number(value, 7)
    return words.rstrip("0").rstrip(".") if "." in words else words


def viscosity(value: float | None, significant: int = 4) -> str:
    """Render a viscosity with its unit: "2002 mPa·s"."""
    return f"{number(value, significant)} {UNIT}"


def percent(value: float | None, decimals: int = 1) -> str:
    """Render a percentage: "7.0 %"."""
    return f"{fixed(value, decimals)} %"


def interval(low: float | None, high: float | None, decimals: int = 2) -> str:
    """Render an interval: "0.79–1.23"; with "to" when an end is negative."""
    ends = fixed(low, decimals), fixed(high, decimals)
    negative = any(end.startswith("−") for end in ends)
    return (" to " if negative else "–").join(ends)


def with_interval(
    value: float | None, bounds: tuple[float, float] | None, decimals: int = 2
) -> str:
    """Render a number with its interval: "1.01 (0.79–1.23)"."""
    if bounds is None or is_missing(value):
        return fixed(value, decimals)
    return f"{fixed(value, decimals)} ({interval(*bounds, decimals=decimals)})"


def date(at: datetime | None) -> str:
    """Render a day: "18 Mar 2025"; a dash for no date (None, or pandas' NaT)."""
    if at is None or at != at:  # NaT is the one time that is unequal to itself
        return MISSING
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


def moment(at: datetime | None) -> str:
    """Render a day and time: "18 Mar 2025, 13:30"."""
    day = date(at)
    return day if at is None or day == MISSING else f"{day}, {at.hour:02d}:{at.minute:02d}"


def count(n: int, one: str, many: str | None = None) -> str:
    """Render a count with its noun: "1 batch", "3 batches" (plural with s unless given)."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def batches(n: int) -> str:
    """Render a number of batches: "1 batch", "30 batches"."""
    return count(n, "batch", "batches")


def stretch(names: Sequence[str]) -> str:
    """Name a run of batches by its ends: "B022", or "B021 to B036"."""
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


def joined(parts: Sequence[str], last: str = "and") -> str:
    """Join words as a sentence does: "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def sentence(text: str) -> str:
    """Make one sentence of a phrase: first letter large, a full stop at the end.

    A first word like "mPa·s" keeps its small letter: with a large one it is another unit.
    """
    text = text.strip()
    if not text:
        return ""
    is_unit_like = any(letter.isupper() for letter in text.split()[0][1:])
    first = text[0] if is_unit_like else text[0].upper()
    return first + text[1:] + ("" if text[-1] in ".!?" else ".")


def short(said: str, most: int = 28) -> str:
    """The beginning of what a person wrote, for a label: "make one batch with the o…"."""
    return said if len(said) <= most else f"{said[: most - 2]}…"


def signed(value: float | None, decimals: int = 1) -> str:
    """Render with its sign: "+7.0", "−2.3"; what rounds to zero has none."""
    said = fixed(value, decimals)
    is_plain = said == MISSING or said.startswith("−") or not said.strip("0.")
    return said if is_plain else f"+{said}"


def share(part: float) -> str:
    """Render a probability in percent; what is nearly sure is never printed as certain."""
    return "over 99 %" if part > 0.99 else f"{100 * part:.0f} %"

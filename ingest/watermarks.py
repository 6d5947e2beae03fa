"""The watermark of a source: the greatest value of a column that only grows, as it was pulled."""

import json
import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from ingest.errors import IngestError
from ingest.source_description import SourceDescription

Value = int | float | Decimal | datetime | date | str


@dataclass(frozen=True, slots=True)
class Watermark:
    """How far a source was pulled: the value, and the column that it is from."""

    value: Value
    column: str

    @property
    def kind(self) -> str:
        """What the value is: number, time, date or text."""
        if isinstance(self.value, datetime):
            return "time"
        if isinstance(self.value, date):
            return "date"
        return "text" if isinstance(self.value, str) else "number"

    def stored(self) -> str:
        """As the store keeps it."""
        exact = {int: "integer", float: "float", Decimal: "decimal"}.get(type(self.value))
        return json.dumps([self.column, exact or self.kind, str(self)], ensure_ascii=False)

    def __str__(self) -> str:
        """The value for people."""
        return self.value.isoformat() if isinstance(self.value, date) else str(self.value)


def from_store(text: str) -> Watermark | None:
    """The watermark that the store keeps, None for ""."""
    if not text:
        return None
    column, kind, value = json.loads(text)
    made: dict[str, Any] = {"integer": int, "float": float, "decimal": Decimal, "text": str}
    made |= {"time": datetime.fromisoformat, "date": date.fromisoformat}
    return Watermark(made[kind](value), column)


def advanced(before: Watermark | None, value: Any, source: SourceDescription) -> Watermark | None:
    """The watermark after a row; a time in the future (a slip of a keyboard) does not move it.

    Raises:
        IngestError: a value that cannot be a watermark, or of another kind than those before.
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return before
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal | date | str):
        raise IngestError(
            f"Source {source.name}: the watermark {source.watermark} is to hold numbers, times or "
            f"texts that sort, not {type(value).__name__}: name another column."
        )
    new = Watermark(value, source.watermark)
    if before is not None and new.kind != before.kind:
        raise IngestError(
            f"Source {source.name}: the watermark {source.watermark} holds a {new.kind} ({new}) "
            f"after a {before.kind} ({before}): name a column that holds one kind."
        )
    if _in_future(value, source.time_zone):
        return before
    try:
        return new if before is None or value > before.value else before  # type: ignore[operator]
    except TypeError:  # a time with an offset beside one without
        raise IngestError(
            f"Source {source.name}: the watermark {source.watermark} holds times with an offset "
            "and without: name another column."
        ) from None


def _in_future(value: Any, time_zone: str) -> bool:
    at = _as_time(value)
    if at is None:
        return False
    now = datetime.now(UTC)
    return at > (now if at.tzinfo else now.astimezone(ZoneInfo(time_zone)).replace(tzinfo=None))


def _as_time(value: Any) -> datetime | None:
    """A value as a time, where it is one or a text in ISO 8601."""
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime(value.year, value.month, value.day)  # noqa: DTZ001 - local, as dates are
    try:
        return datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None


def bound(watermark: Watermark | None, source: SourceDescription) -> sa.BindParameter[Any] | None:
    """From which value on rows are looked at: the watermark less the overlap; None for all.

    Raises:
        IngestError: an overlap that does not go with what the watermark is.
    """
    if watermark is None:
        return None
    value, overlap = watermark.value, source.overlap
    if isinstance(value, datetime) and isinstance(overlap, timedelta):
        return sa.literal(value - overlap, sa.DateTime(timezone=value.tzinfo is not None))
    if (
        isinstance(value, date)
        and not isinstance(value, datetime)
        and isinstance(overlap, timedelta)
    ):
        return sa.literal(value - timedelta(days=math.ceil(overlap / timedelta(days=1))), sa.Date())
    if isinstance(value, int | float | Decimal) and not (
        isinstance(overlap, timedelta) and overlap
    ):
        back = overlap if isinstance(overlap, float) else 0.0
        if isinstance(value, int):
            return sa.literal(value - math.ceil(back), sa.BigInteger())
        if isinstance(value, Decimal):
            return sa.literal(value - Decimal(repr(back)), sa.Numeric())
        return sa.literal(value - back, sa.Double())
    if isinstance(value, str):
        earlier = value if not overlap else _earlier_text(value, overlap)
        if earlier is not None:
            return sa.literal(earlier, sa.Text())
    raise IngestError(
        f"Source {source.name}: the overlap does not go with the watermark {source.watermark}, "
        f'which holds a {watermark.kind} ({watermark}): give a time such as "7 days" for times, '
        "a number for numbers."
    )


def _earlier_text(text: str, overlap: timedelta | float) -> str | None:
    """A time held as ISO 8601 text, moved back and written in the same form."""
    at = _as_time(text)
    if at is None or not isinstance(overlap, timedelta) or text[:10].count("-") != 2:
        return None
    earlier = (at - overlap).isoformat(sep=text[10] if len(text) > 10 else "T")
    return earlier[: len(text)]

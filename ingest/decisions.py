"""Decisions about limits: which batches are left out, and limits that a person has frozen.

Every decision is a new row with its journal entry. None is ever changed: the newest row of a batch
says whether it is left out; the newest frozen limits of a characteristic are in force.
"""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.opening import next_id, next_revision, now
from ingest.store import Store

_LATER_USE = re.compile(r"(.+) \(\d{4}(?:-\d\d)?\)")


@dataclass(frozen=True, slots=True)
class FrozenLimits:
    """Limits that stay where a person has put them.

    Attributes:
        id: running number. characteristic_id: whose limits. chart: which chart they belong to.
        center, sigma, lower, upper: in mPa·s; sigma of one plotted value; None where none.
        first_batch, last_batch, n: the data that they came from.
        exclusions: batch to cause, of the batches that were left out.
        method: key of the way in which sigma was estimated. at, who, why: the decision.
    """

    id: int
    characteristic_id: int
    chart: str
    center: float
    sigma: float
    lower: float | None
    upper: float | None
    first_batch: str
    last_batch: str
    n: int
    exclusions: dict[str, str]
    method: str
    at: str
    who: str
    why: str


def exclude_batch(
    store: Store, characteristic_id: int, batch: str, cause: str, by: str | None = None
) -> None:
    """Leave a batch out when limits are computed; it stays plotted and stays in the store.

    Raises:
        IngestError: no cause in words, no such batch, or it is left out already.
    """
    cause = journal.require_why(cause, f"Leaving batch {batch} out of limits")
    _decide(store, characteristic_id, batch, True, cause, by)


def include_batch(
    store: Store, characteristic_id: int, batch: str, cause: str, by: str | None = None
) -> None:
    """Let a batch count for limits again: a new entry, the old ones stay.

    Raises:
        IngestError: no cause in words, no such batch, or it is not left out.
    """
    cause = journal.require_why(cause, f"Counting batch {batch} again")
    _decide(store, characteristic_id, batch, False, cause, by)


def _decide(
    store: Store, characteristic_id: int, batch: str, excluded: bool, cause: str, by: str | None
) -> None:
    with store.writing() as connection:
        subject = subject_of(connection, characteristic_id)
        require_batch(connection, characteristic_id, subject, batch)
        standing = _standing(connection, characteristic_id).get(batch)
        if (standing is not None) == excluded:
            told = "is left out of limits already" if excluded else "is not left out of limits"
            raise IngestError(f"Batch {batch} of {subject} {told}.")
        at = now()
        entry = journal.append(
            connection,
            by=by,
            what="batch left out of limits" if excluded else "batch counted for limits again",
            subject=f"{subject}, batch {batch}",
            old={"excluded": not excluded, "cause": standing or ""},
            new={"excluded": excluded, "cause": cause if excluded else ""},
            why=cause,
            at=at,
        )
        connection.execute(
            sa.insert(schema.EXCLUSIONS).values(
                id=next_id(connection, schema.EXCLUSIONS),
                characteristic_id=characteristic_id,
                batch=batch,
                excluded=excluded,
                cause=cause,
                at=at,
                who=entry.who,
                journal_id=entry.id,
            )
        )
        next_revision(connection)


def exclusions(store: Store, characteristic_id: int) -> dict[str, str]:
    """The batches that are left out of limits at present, with their cause."""
    with store.reading() as connection:
        return _standing(connection, characteristic_id)


def _standing(connection: sa.Connection, characteristic_id: int) -> dict[str, str]:
    table = schema.EXCLUSIONS
    rows = connection.execute(
        sa.select(table.c.batch, table.c.excluded, table.c.cause)
        .where(table.c.characteristic_id == characteristic_id)
        .order_by(table.c.id)
    )
    standing: dict[str, str] = {}
    for batch, excluded, cause in rows:
        standing.pop(batch, None)
        if excluded:
            standing[batch] = cause
    return standing


def exclusion_history(store: Store, characteristic_id: int | None = None) -> pd.DataFrame:
    """Every such decision in order: characteristic_id, batch, excluded, cause, at, who."""
    table = schema.EXCLUSIONS
    query = sa.select(table).order_by(table.c.id)
    if characteristic_id is not None:
        query = query.where(table.c.characteristic_id == characteristic_id)
    with store.reading() as connection:
        result = connection.execute(query)
        return pd.DataFrame(result.fetchall(), columns=list(result.keys()))


def freeze_limits(
    store: Store,
    characteristic_id: int,
    *,
    center: float,
    sigma: float,
    first_batch: str,
    last_batch: str,
    n: int,
    method: str,
    why: str,
    chart: str = "individuals",
    lower: float | None = None,
    upper: float | None = None,
    exclusions: Mapping[str, str] | None = None,
    by: str | None = None,
) -> FrozenLimits:
    """Keep limits as a person decided them; they never move by themselves.

    Args:
        store: the store. characteristic_id: whose limits. chart: which chart.
        center, sigma, lower, upper: the limits in mPa·s.
        first_batch, last_batch, n: the batches that they were computed from.
        exclusions: batch to cause, of batches in that range that were left out.
        method: key of the way in which sigma was estimated. why: the reason, in words. by: who.

    Raises:
        IngestError: numbers that are no limits, no reason in words, an unknown characteristic or
            batch, or an excluded batch without its cause.
    """
    why = journal.require_why(why, "Freezing limits")
    _check_numbers(center, sigma, lower, upper, n)
    left_out = {
        str(batch): journal.require_why(cause, f"Leaving batch {batch} out of limits")
        for batch, cause in (exclusions or {}).items()
    }
    if not method.strip():
        raise IngestError("Frozen limits need the way in which sigma was estimated: name it.")
    with store.writing() as connection:
        subject = subject_of(connection, characteristic_id)
        for batch in (first_batch, last_batch, *left_out):
            require_batch(connection, characteristic_id, subject, batch)
        before = _frozen(connection, characteristic_id, chart)
        at = now()
        new: dict[str, Any] = {
            "chart": chart,
            "center": float(center),
            "sigma": float(sigma),
            "lower": _float(lower),
            "upper": _float(upper),
            "first_batch": first_batch,
            "last_batch": last_batch,
            "n": int(n),
            "exclusions": left_out,
            "method": method.strip(),
        }
        entry = journal.append(
            connection,
            by=by,
            what="limits frozen",
            subject=subject,
            old={name: getattr(before[-1], name) for name in new} if before else None,
            new=new,
            why=why,
            at=at,
        )
        frozen = FrozenLimits(
            id=next_id(connection, schema.FROZEN_LIMITS),
            characteristic_id=characteristic_id,
            at=at,
            who=entry.who,
            why=why,
            **new,
        )
        connection.execute(
            sa.insert(schema.FROZEN_LIMITS).values(
                {
                    **asdict(frozen),
                    "exclusions": journal.canonical(left_out),
                    "journal_id": entry.id,
                }
            )
        )
        next_revision(connection)
    return frozen


def frozen_limits(
    store: Store, characteristic_id: int | None = None, chart: str | None = None
) -> list[FrozenLimits]:
    """Frozen limits, oldest first: the last of a characteristic and chart is in force."""
    with store.reading() as connection:
        return _frozen(connection, characteristic_id, chart)


def _frozen(
    connection: sa.Connection, characteristic_id: int | None, chart: str | None
) -> list[FrozenLimits]:
    table = schema.FROZEN_LIMITS
    query = sa.select(*(column for column in table.c if column.name != "journal_id"))
    if characteristic_id is not None:
        query = query.where(table.c.characteristic_id == characteristic_id)
    if chart is not None:
        query = query.where(table.c.chart == chart)
    rows = connection.execute(query.order_by(table.c.id)).mappings()
    return [FrozenLimits(**{**row, "exclusions": json.loads(row["exclusions"])}) for row in rows]


def _check_numbers(
    center: float, sigma: float, lower: float | None, upper: float | None, n: int
) -> None:
    for name, value in (("center", center), ("lower", lower), ("upper", upper)):
        if value is not None and not math.isfinite(value):
            raise IngestError(f"The {name} of frozen limits must be a number, got {value}.")
    if not (math.isfinite(sigma) and sigma > 0):
        raise IngestError(f"The sigma of frozen limits must be above 0, got {sigma}.")
    if (lower is not None and lower >= center) or (upper is not None and upper <= center):
        raise IngestError(f"Frozen limits must lie on both sides of their center {center:g}.")
    if n < 2:
        raise IngestError(f"Frozen limits need at least 2 batches behind them, got {n}.")


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def subject_of(connection: sa.Connection, characteristic_id: int) -> str:
    """Product and condition of a characteristic, in words.

    Raises:
        IngestError: there is no such characteristic.
    """
    table = schema.CHARACTERISTICS
    row = connection.execute(
        sa.select(table.c.product, table.c.condition).where(table.c.id == characteristic_id)
    ).one_or_none()
    if row is None:
        raise IngestError(f"The store has no characteristic {characteristic_id}.")
    return f"{row.product}, {row.condition}"


def require_batch(
    connection: sa.Connection, characteristic_id: int, subject: str, batch: str
) -> None:
    """Refuse a batch that the characteristic does not have.

    A number that was used again is known with the year or month of the later use behind it.

    Raises:
        IngestError: no such batch.
    """
    table = schema.BATCHES
    later = _LATER_USE.fullmatch(batch)
    named = table.c.batch == batch
    if later:
        named = named | ((table.c.batch == later[1]) & (table.c.use > 0))
    found = connection.execute(
        sa.select(table.c.n).where(table.c.characteristic_id == characteristic_id, named)
    ).first()
    if found is None:
        raise IngestError(f"{subject} has no batch '{batch}': check its number.")

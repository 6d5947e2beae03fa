"""Dated specifications: what a product's viscosity has to lie between, from a date on."""

from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.opening import next_id, next_revision, now
from ingest.units import viscosity_unit


@dataclass(frozen=True, slots=True)
class Specification:
    """One dated specification in mPa·s.

    Attributes:
        product: the product. lower, upper, target: limits and aim, None where there is none.
        valid_from: first day that it holds for; None from the beginning.
        recorded_at: when it was recorded, ISO 8601 UTC.
    """

    product: str
    lower: float | None
    upper: float | None
    target: float | None
    valid_from: date | None
    recorded_at: str


def checked_specification(
    product: str,
    lower: float | None,
    upper: float | None,
    target: float | None,
    valid_from: date | None,
    unit: str,
    earlier: list[Specification],
    now: str,
) -> Specification:
    """A specification in mPa·s, looked at for sense.

    Raises:
        IngestError: no limit at all, limits in the wrong order, a unit without conversion, or a
            second specification for a product that does not say from when it holds.
    """
    if not product.strip():
        raise IngestError("A specification needs a product: name it.")
    if lower is None and upper is None:
        raise IngestError(f"{product}: a specification needs a lower limit, an upper one or both.")
    known = viscosity_unit(unit)
    if known.kind != "dynamic":
        raise IngestError(
            f"{product}: the unit '{unit}' cannot be converted to mPa·s: "
            "use one such as mPa.s, cP or Pa.s."
        )
    low, high, aim = (
        None if value is None else float(value) * known.factor for value in (lower, upper, target)
    )
    for name, value in (("lower", low), ("upper", high), ("target", aim)):
        if value is not None and not 0 < value < float("inf"):
            raise IngestError(f"{product}: the {name} limit must be a positive number.")
    if low is not None and high is not None and low >= high:
        raise IngestError(
            f"{product}: the lower limit {low:g} is not below the upper limit {high:g}."
        )
    if aim is not None and ((low is not None and aim < low) or (high is not None and aim > high)):
        raise IngestError(f"{product}: the target {aim:g} lies outside the limits.")
    if earlier and valid_from is None:
        raise IngestError(
            f"{product} has a specification already: say from which day the new one holds (--from)."
        )
    return Specification(product.strip(), low, high, aim, valid_from, now)


def specification_for(
    specifications: list[Specification], day: date | None
) -> Specification | None:
    """The specification in force on a day: the latest that had begun; of two on one day the last.

    A last one without any limit takes its day back: what held before holds on. Without a day (no
    time recorded) the newest one holds.
    """
    standing = {candidate.valid_from or date.min: candidate for candidate in specifications}
    found: Specification | None = None
    for start in sorted(standing):
        candidate = standing[start]
        taken_back = candidate.lower is None and candidate.upper is None
        if not taken_back and (day is None or start <= day):
            found = candidate
    return found


def add_specification(
    connection: sa.Connection,
    product: str,
    lower: float | None,
    upper: float | None,
    target: float | None,
    valid_from: date | None,
    unit: str,
    by: str | None,
    why: str,
) -> Specification:
    """Record a dated specification and its journal entry; see `Store.add_specification`."""
    earlier = specifications(connection, product)
    added = checked_specification(product, lower, upper, target, valid_from, unit, earlier, now())
    entry = journal.append(
        connection,
        by=by,
        what="specification added",
        subject=added.product,
        old=_spelled(earlier[-1]) if earlier else None,
        new=_spelled(added),
        why=why,
        at=added.recorded_at,
    )
    connection.execute(
        sa.insert(schema.SPECIFICATIONS).values(
            id=next_id(connection, schema.SPECIFICATIONS),
            **_spelled(added),
            product=added.product,
            recorded_at=added.recorded_at,
            revision=next_revision(connection),
            journal_id=entry.id,
        )
    )
    return added


def replace_specification(
    connection: sa.Connection,
    product: str,
    valid_from: date | None,
    lower: float | None,
    upper: float | None,
    target: float | None,
    by: str | None,
    why: str,
) -> Specification:
    """Put other limits in place of those that hold from a day; see `Store.replace_specification`.

    The row before is kept; of two that begin on one day the last recorded one stands. Without any
    limit the new row takes that day back: what held before it holds on.
    """
    earlier = specifications(connection, product)
    same_day = [one for one in earlier if one.valid_from == valid_from]
    if not same_day:
        day = f"from {valid_from.isoformat()}" if valid_from else "from the beginning"
        raise IngestError(f"{product} has no specification that holds {day}: add it instead.")
    if lower is None and upper is None:
        if target is not None:
            raise IngestError(f"{product}: a target without limits says nothing: give a limit.")
        after = Specification(product, None, None, None, valid_from, now())
    else:
        after = checked_specification(product, lower, upper, target, valid_from, "mPa.s", [], now())
    entry = journal.append(
        connection,
        by=by,
        what="specification changed",
        subject=product,
        old=_spelled(same_day[-1]),
        new=_spelled(after),
        why=why,
        at=after.recorded_at,
    )
    connection.execute(
        sa.insert(schema.SPECIFICATIONS).values(
            id=next_id(connection, schema.SPECIFICATIONS),
            **_spelled(after),
            product=product,
            recorded_at=after.recorded_at,
            revision=next_revision(connection),
            journal_id=entry.id,
        )
    )
    return after


def _spelled(one: Specification) -> dict[str, float | str | None]:
    return {
        "lower": one.lower,
        "upper": one.upper,
        "target": one.target,
        "valid_from": one.valid_from.isoformat() if one.valid_from else "",
    }


def specifications(connection: sa.Connection, product: str | None) -> list[Specification]:
    """The specifications of a product, or of all, in the order in which they were recorded."""
    query = sa.select(schema.SPECIFICATIONS).order_by(schema.SPECIFICATIONS.c.id)
    if product is not None:
        query = query.where(schema.SPECIFICATIONS.c.product == product)
    return [
        Specification(
            product=row["product"],
            lower=row["lower"],
            upper=row["upper"],
            target=row["target"],
            valid_from=date.fromisoformat(row["valid_from"]) if row["valid_from"] else None,
            recorded_at=row["recorded_at"],
        )
        for row in connection.execute(query).mappings()
    ]

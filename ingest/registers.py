"""Registers that people keep: products and their other names, methods, check standards."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from ingest import aliases, journal, schema
from ingest.errors import IngestError
from ingest.opening import next_id, next_revision

if TYPE_CHECKING:
    from ingest.store import Store


@dataclass(frozen=True, slots=True)
class Product:
    """A product, what it is, and the other names that it goes by in files."""

    name: str
    description: str
    aliases: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Method:
    """How a viscosity is to be measured.

    Attributes:
        name, version: which method. spindle, speed (rpm), set_temperature (°C), reading_time (s),
            guard: the measuring condition, "" or None where it is left open.
        temperature_tolerance: allowed distance from the set temperature, °C.
        torque_low, torque_high: the torque window in %. replicates: readings of a batch.
    """

    name: str
    version: str = ""
    spindle: str = ""
    speed: float | None = None
    set_temperature: float | None = None
    temperature_tolerance: float | None = None
    reading_time: float | None = None
    guard: str = ""
    torque_low: float = 10.0
    torque_high: float = 100.0
    replicates: int = 2


@dataclass(frozen=True, slots=True)
class CheckFluid:
    """A check standard: a lot with its certified value.

    Attributes:
        name, lot: as in the readings, and on the certificate.
        certified_value: mPa·s. expanded_uncertainty: mPa·s, coverage factor 2.
        temperature: °C that the value holds at. expires: last day of use, None without one.
    """

    name: str
    lot: str
    certified_value: float
    expanded_uncertainty: float
    temperature: float | None = None
    expires: date | None = None


def add_product(
    store: "Store",
    name: str,
    description: str = "",
    aliases: Iterable[str] = (),
    by: str | None = None,
    why: str = "",
) -> Product:
    """Register a product with the other names that files give it.

    Raises:
        IngestError: no name, or a name that is taken.
    """
    added = checked_product(name, description, aliases)
    with store.writing() as connection:
        for one in (added.name, *added.aliases):
            require_free(connection, one)
        entry = journal.append(
            connection,
            by=by,
            what="product added",
            subject=added.name,
            old=None,
            new=asdict(added),
            why=why,
        )
        number = next_id(connection, schema.PRODUCTS)
        connection.execute(
            sa.insert(schema.PRODUCTS).values(
                id=number, name=added.name, description=added.description, journal_id=entry.id
            )
        )
        insert_aliases(connection, number, added.aliases, entry.id)
        next_revision(connection)
    return added


def checked_product(name: str, description: str, aliases: Iterable[str]) -> Product:
    """A product looked at for sense.

    Raises:
        IngestError: no name, or one that is given twice.
    """
    one = Product(
        _name(name, "A product"), description.strip(), tuple(_name(a, "An alias") for a in aliases)
    )
    if len({one.name, *one.aliases}) <= len(one.aliases):
        raise IngestError(f"{one.name}: an alias is named twice or is the name itself.")
    return one


def add_alias(
    store: "Store", product: str, alias: str, by: str | None = None, why: str = ""
) -> Product:
    """Give a registered product one more name.

    Raises:
        IngestError: the product is not registered, or the name is taken.
    """
    alias = _name(alias, "An alias")
    with store.writing() as connection:
        known = {one.name: one for one in products_in(connection)}
        if product not in known:
            held = ", ".join(sorted(known)) or "none yet"
            raise IngestError(f"Product '{product}' is not registered; registered are: {held}.")
        require_free(connection, alias)
        before = known[product]
        after = Product(product, before.description, (*before.aliases, alias))
        entry = journal.append(
            connection,
            by=by,
            what="product alias added",
            subject=product,
            old=asdict(before),
            new=asdict(after),
            why=why,
        )
        number = connection.execute(
            sa.select(schema.PRODUCTS.c.id).where(schema.PRODUCTS.c.name == product)
        ).scalar_one()
        insert_aliases(connection, int(number), (alias,), entry.id)
        next_revision(connection)
    return after


def merge_product(
    store: "Store", alias: str, product: str, by: str | None = None, why: str = ""
) -> tuple[str, ...]:
    """Say that a name in files is a product's, which is registered if it is not yet.

    Returns:
        remarks, where readings are stored under that name already: they stay there.

    Raises:
        IngestError: no name, or one that is taken.
    """
    alias, product = _name(alias, "An alias"), _name(product, "A product")
    if alias == product:
        raise IngestError(f"'{alias}' is the product's own name: give another one.")
    with store.writing() as connection:
        require_free(connection, alias)
        aliases.add(connection, product, alias, by, why)
        next_revision(connection)
        return tuple(aliases.stays(connection, alias, product))


def remove_alias(
    store: "Store", alias: str, by: str | None = None, why: str = ""
) -> tuple[str, ...]:
    """Take another name of a product back. Rows that are stored stay where they are.

    Returns:
        what that means for imports in which the name was read as the product's.

    Raises:
        IngestError: it is no other name of any product.
    """
    with store.writing() as connection:
        product = aliases.remove(connection, alias, by, why)
        concerned = aliases.imports_with(connection, alias)
        next_revision(connection)
    if not concerned:
        return ()
    numbers = ", ".join(str(number) for number in concerned)
    return (
        f"Rows received as '{alias}' stay stored under '{product}' (import {numbers}): to bring "
        f"them to '{alias}', undo those imports and import their files again.",
    )


def products(store: "Store") -> list[Product]:
    """The registered products by name."""
    with store.reading() as connection:
        return products_in(connection)


def products_in(connection: sa.Connection) -> list[Product]:
    """The registered products by name, in an open transaction."""
    names: dict[int, list[str]] = {}
    aliases = schema.PRODUCT_ALIASES
    held = connection.execute(
        sa.select(aliases.c.product_id, aliases.c.alias).order_by(aliases.c.alias)
    )
    for number, alias in held:
        names.setdefault(number, []).append(alias)
    rows = connection.execute(sa.select(schema.PRODUCTS).order_by(schema.PRODUCTS.c.name))
    return [Product(row.name, row.description, tuple(names.get(row.id, ()))) for row in rows]


def insert_aliases(
    connection: sa.Connection, product_id: int, aliases: Iterable[str], journal_id: int
) -> None:
    """Write the aliases of a product under the journal entry that decided them."""
    rows = [
        {"alias": alias, "product_id": product_id, "journal_id": journal_id} for alias in aliases
    ]
    if rows:
        connection.execute(sa.insert(schema.PRODUCT_ALIASES), rows)


def require_free(connection: sa.Connection, name: str, besides: str | None = None) -> None:
    """Refuse a name that another product has; `besides` is the product that may keep its own."""
    for one in products_in(connection):
        if one.name == besides:
            continue
        if name == one.name or name in one.aliases:
            what = "the name" if name == one.name else "an alias"
            raise IngestError(f"'{name}' is {what} of product {one.name} already.")


def add_method(store: "Store", method: Method, by: str | None = None, why: str = "") -> Method:
    """Register a method or a new version of one; versions are never changed.

    Raises:
        IngestError: no name, a version that is taken, or numbers without sense.
    """
    method = checked_method(method)
    name = method.name
    with store.writing() as connection:
        known = {(one.name, one.version): one for one in methods_in(connection)}
        if (name, method.version) in known:
            shown = f" version {method.version}" if method.version else ""
            raise IngestError(f"Method {name}{shown} is registered: give a new version.")
        earlier = [one for one in known.values() if one.name == name]
        _insert(
            connection,
            schema.METHODS,
            asdict(method),
            by=by,
            what="method added",
            subject=f"{name} {method.version}".strip(),
            old=asdict(earlier[-1]) if earlier else None,
            why=why,
        )
    return method


def checked_method(method: Method) -> Method:
    """A method looked at for sense.

    Raises:
        IngestError: no name, or numbers without sense.
    """
    name = _name(method.name, "A method")
    for label, value in (
        ("speed", method.speed),
        ("reading time", method.reading_time),
        ("temperature tolerance", method.temperature_tolerance),
    ):
        if value is not None and not 0 < value < math.inf:
            raise IngestError(f"{name}: the {label} must be above 0, got {value}.")
    if not 0 <= method.torque_low < method.torque_high <= 100:
        raise IngestError(
            f"{name}: the torque window must lie within 0 to 100 %, low before high, "
            f"got {method.torque_low:g} to {method.torque_high:g}."
        )
    if not 1 <= method.replicates <= 100:
        raise IngestError(f"{name}: replicates must be 1 to 100, got {method.replicates}.")
    return replace(method, name=name, version=" ".join(method.version.split()))


def revise_method(
    store: "Store",
    name: str,
    changes: Mapping[str, Any],
    by: str | None = None,
    why: str = "",
) -> Method:
    """Add a version of a method that differs from the newest one in what is named.

    Args:
        store, name: the store and the method; a new method begins with the usual values.
        changes: attribute of `Method` -> value; without a version the next number is taken.

    Raises:
        IngestError: as `add_method`.
    """
    earlier = [one for one in methods(store) if one.name == " ".join(name.split())]
    base = earlier[-1] if earlier else Method(name)
    version = changes.get("version") or (str(len(earlier) + 1) if earlier else "")
    return add_method(store, replace(base, **{**changes, "version": version}), by, why)


def methods(store: "Store") -> list[Method]:
    """The registered methods, in the order in which they were added."""
    with store.reading() as connection:
        return methods_in(connection)


def methods_in(connection: sa.Connection) -> list[Method]:
    """The registered methods, in an open transaction."""
    names = list(Method.__dataclass_fields__)
    query = sa.select(*(schema.METHODS.c[name] for name in names)).order_by(schema.METHODS.c.id)
    return [Method(**row) for row in connection.execute(query).mappings()]


def add_check_standard(
    store: "Store", fluid: CheckFluid, by: str | None = None, why: str = ""
) -> CheckFluid:
    """Register a lot of a check standard with its certified value.

    Raises:
        IngestError: no name or lot, a lot that is taken, or numbers without sense.
    """
    fluid = checked_check_standard(fluid)
    name, lot = fluid.name, fluid.lot
    with store.writing() as connection:
        known = {(one.name, one.lot): one for one in check_standards_in(connection)}
        if (name, lot) in known:
            raise IngestError(f"{name} lot {lot} is registered already.")
        earlier = [one for one in known.values() if one.name == name]
        _insert(
            connection,
            schema.CHECK_STANDARDS,
            spelled(fluid),
            by=by,
            what="check standard added",
            subject=f"{name} lot {lot}",
            old=spelled(earlier[-1]) if earlier else None,
            why=why,
        )
    return fluid


def checked_check_standard(fluid: CheckFluid) -> CheckFluid:
    """A check standard looked at for sense.

    Raises:
        IngestError: no name or lot, or numbers without sense.
    """
    name, lot = _name(fluid.name, "A check standard"), _name(fluid.lot, f"{fluid.name}: the lot")
    for label, value in (
        ("certified value", fluid.certified_value),
        ("uncertainty", fluid.expanded_uncertainty),
    ):
        if not 0 < value < math.inf:
            raise IngestError(f"{name} lot {lot}: the {label} must be above 0 mPa·s, got {value}.")
    return replace(fluid, name=name, lot=lot)


def check_standards(store: "Store") -> list[CheckFluid]:
    """The registered check standards, in the order in which they were added."""
    with store.reading() as connection:
        return check_standards_in(connection)


def check_standards_in(connection: sa.Connection) -> list[CheckFluid]:
    """The registered check standards, in an open transaction."""
    table = schema.CHECK_STANDARDS
    names = list(CheckFluid.__dataclass_fields__)
    query = sa.select(*(table.c[name] for name in names)).order_by(table.c.id)
    found = []
    for row in connection.execute(query).mappings():
        expires = date.fromisoformat(row["expires"]) if row["expires"] else None
        found.append(CheckFluid(**{**row, "expires": expires}))
    return found


def spelled(fluid: CheckFluid) -> dict[str, Any]:
    """A check standard as the journal and the table write it."""
    return {**asdict(fluid), "expires": fluid.expires.isoformat() if fluid.expires else ""}


def _insert(
    connection: sa.Connection,
    table: sa.Table,
    values: dict[str, Any],
    *,
    by: str | None,
    what: str,
    subject: str,
    old: dict[str, Any] | None,
    why: str,
) -> None:
    entry = journal.append(
        connection, by=by, what=what, subject=subject, old=old, new=values, why=why
    )
    connection.execute(
        sa.insert(table).values(id=next_id(connection, table), **values, journal_id=entry.id)
    )
    next_revision(connection)


def _name(text: str, what: str) -> str:
    name = " ".join(text.replace("\0", " ").split())
    if not name:
        raise IngestError(f"{what} needs a name: give one.")
    return name

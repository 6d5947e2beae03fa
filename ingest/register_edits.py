"""Changing what stands in the registers: the old row and the new one go into the journal.

Nothing here is overwritten silently: every change is one journal entry that holds the row before
and the row after, in the transaction that changes it. Undoing a change is a further change.
"""

from dataclasses import asdict
from typing import Any

import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.opening import next_revision
from ingest.registers import (
    CheckFluid,
    Method,
    Product,
    check_standards_in,
    checked_check_standard,
    checked_method,
    checked_product,
    insert_aliases,
    methods_in,
    products_in,
    require_free,
    spelled,
)
from ingest.store import Store


def change_product(
    store: Store, name: str, after: Product | None, by: str | None = None, why: str = ""
) -> None:
    """Put another description, other aliases or another name in place of a product's.

    Args:
        store: the store. name: the product as registered. after: what is to stand; None takes the
            product out of the register (its readings stay).
        by: who; the login name if None. why: in words, may be empty.

    Raises:
        IngestError: not registered, or a name that is taken.
    """
    new = None if after is None else checked_product(after.name, after.description, after.aliases)
    with store.writing() as connection:
        before = next((one for one in products_in(connection) if one.name == name), None)
        if before is None:
            raise IngestError(f"Product '{name}' is not registered.")
        if new == before:
            return
        if new is not None:
            for one in (new.name, *new.aliases):
                require_free(connection, one, besides=name)
        entry = journal.append(
            connection,
            by=by,
            what="product removed" if new is None else "product changed",
            subject=name,
            old=asdict(before),
            new=None if new is None else asdict(new),
            why=why,
        )
        products, aliases = schema.PRODUCTS, schema.PRODUCT_ALIASES
        number = int(
            connection.execute(sa.select(products.c.id).where(products.c.name == name)).scalar_one()
        )
        connection.execute(sa.delete(aliases).where(aliases.c.product_id == number))
        if new is None:
            connection.execute(sa.delete(products).where(products.c.id == number))
        else:
            connection.execute(
                sa.update(products)
                .where(products.c.id == number)
                .values(name=new.name, description=new.description, journal_id=entry.id)
            )
            insert_aliases(connection, number, new.aliases, entry.id)
        next_revision(connection)


def change_method(
    store: Store,
    name: str,
    version: str,
    after: Method | None,
    by: str | None = None,
    why: str = "",
) -> None:
    """Correct a version of a method, or take it out of the register (None).

    A method that is to be followed differently from now on is a new version (`add_method`); this
    is for what was entered wrongly.

    Raises:
        IngestError: not registered, a version that is taken, or numbers without sense.
    """
    new = None if after is None else checked_method(after)
    with store.writing() as connection:
        held = {(one.name, one.version): one for one in methods_in(connection)}
        shown = f"{name} {version}".strip()
        if (name, version) not in held:
            raise IngestError(f"Method {shown} is not registered.")
        if new is not None and (new.name, new.version) in held.keys() - {(name, version)}:
            raise IngestError(
                f"Method {new.name} {new.version}".strip() + " is registered: give a new version."
            )
        before = held[name, version]
        if new == before:
            return
        table = schema.METHODS
        _change(
            connection,
            table,
            sa.and_(table.c.name == name, table.c.version == version),
            ("method", shown, by, why),
            asdict(before),
            None if new is None else asdict(new),
        )


def change_check_standard(
    store: Store,
    name: str,
    lot: str,
    after: CheckFluid | None,
    by: str | None = None,
    why: str = "",
) -> None:
    """Correct a lot of a check standard, or take it out of the register (None).

    Raises:
        IngestError: not registered, a lot that is taken, or numbers without sense.
    """
    new = None if after is None else checked_check_standard(after)
    with store.writing() as connection:
        held = {(one.name, one.lot): one for one in check_standards_in(connection)}
        shown = f"{name} lot {lot}"
        if (name, lot) not in held:
            raise IngestError(f"{shown} is not registered.")
        if new is not None and (new.name, new.lot) in held.keys() - {(name, lot)}:
            raise IngestError(f"{new.name} lot {new.lot} is registered already.")
        before = held[name, lot]
        if new == before:
            return
        table = schema.CHECK_STANDARDS
        _change(
            connection,
            table,
            sa.and_(table.c.name == name, table.c.lot == lot),
            ("check standard", shown, by, why),
            spelled(before),
            None if new is None else spelled(new),
        )


def _change(
    connection: sa.Connection,
    table: sa.Table,
    which: sa.ColumnElement[bool],
    said: tuple[str, str, str | None, str],
    old: dict[str, Any],
    new: dict[str, Any] | None,
) -> None:
    what, subject, by, why = said
    entry = journal.append(
        connection,
        by=by,
        what=f"{what} {'removed' if new is None else 'changed'}",
        subject=subject,
        old=old,
        new=new,
        why=why,
    )
    if new is None:
        connection.execute(sa.delete(table).where(which))
    else:
        connection.execute(sa.update(table).where(which).values(**new, journal_id=entry.id))
    next_revision(connection)

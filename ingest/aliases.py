"""Products under other names: P100 and "p 100" for P-100, proposed by spelling, merged by a person.

A confirmed name stands in the register of products and holds for later imports; the text that a
file had is kept beside the row. Rows that are stored already stay under the name that they have.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import sqlalchemy as sa

from ingest import journal, schema
from ingest.answers import ALIAS, Question
from ingest.errors import IngestError
from ingest.opening import next_id, storable


@dataclass(frozen=True, slots=True)
class Alias:
    """Another name of a product: the product, when it was said (ISO 8601 UTC) and by whom."""

    product: str
    at: str
    who: str

    @property
    def told(self) -> str:
        """Where it comes from, in words."""
        return f"the same product, as said on {self.at[:10]} by {self.who}"


@dataclass(frozen=True, slots=True)
class Merged:
    """What the product names of a file come to.

    Attributes:
        names: name in the file -> product, of the names that are another one's.
        told: name in the file -> why. questions: proposals that a person has to decide.
        notes: the proposals as remarks.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    told: Mapping[str, str] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()


def spelling(name: str) -> str:
    """A product's name without case, blanks and punctuation: "p 100" and P-100 are p100."""
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def shown(name: str) -> str:
    """A product's name as a person can see and type it: letters of control become "?"."""
    if name.isprintable():
        return name
    return "".join(letter if letter.isprintable() else "?" for letter in name)


@dataclass(frozen=True, slots=True)
class Renaming:
    """Which product a name stands for, as a person has said.

    Attributes:
        given: answers; `product_alias:P100` -> the product, or P100 itself.
        registered: confirmed other names.
    """

    given: Mapping[str, str] = field(default_factory=dict)
    registered: Mapping[str, Alias] = field(default_factory=dict)

    def of(self, name: str) -> tuple[str, str]:
        """The product, and why it is another name than this one; "" if it is none."""
        seen = shown(name)
        said = self.given.get(f"{ALIAS}{seen}", "")
        if said and said != seen:
            known = self.registered.get(said)
            return (known.product if known else said), "the same product, as answered"
        if not said and seen in self.registered:
            return self.registered[seen].product, self.registered[seen].told
        return name, ""


def merged(
    names: Mapping[str, int],
    given: Mapping[str, str],
    known: Iterable[str],
    registered: Mapping[str, Alias],
) -> Merged:
    """Decide about each product name of a file; what nobody has confirmed is only proposed.

    Args:
        names: product name in the file -> how many rows have it.
        given: answers; `product_alias:P100` -> the product, or P100 itself.
        known: products that the store knows. registered: confirmed other names.
    """
    held = set(known)
    by_spelling: dict[str, str] = {}
    for one in sorted(held - set(registered)):
        by_spelling.setdefault(spelling(one), one)
    for text, alias in registered.items():
        by_spelling.setdefault(spelling(text), alias.product)
    renaming = Renaming(given, registered)
    renamed: dict[str, str] = {}
    told: dict[str, str] = {}
    open_names: list[str] = []
    for name in names:
        seen = shown(name)
        product, why = renaming.of(name)
        if why:
            renamed[name], told[name] = product, why
        elif given.get(f"{ALIAS}{seen}"):
            by_spelling.setdefault(spelling(name), name)
        elif name not in held:
            open_names.append(name)
    asked, notes = [], []
    for name in sorted(open_names, key=lambda one: (-names[one], one)):  # the usual one first
        likely = shown(by_spelling.setdefault(spelling(name) or name, name))
        seen = shown(name)
        if likely == seen:
            continue
        rows = "1 row" if names[name] == 1 else f"{names[name]} rows"
        asked.append(
            Question(
                f"{ALIAS}{seen}",
                f"'{seen}' ({rows}) is written like '{likely}': is it the same product? "
                f"Answer {likely} if so, {seen} if it is a product of its own.",
                (likely, seen),
            )
        )
        notes.append(f"Product '{seen}' ({rows}) may be '{likely}' in another spelling.")
    return Merged(renamed, told, tuple(asked), tuple(notes))


def load(connection: sa.Connection) -> dict[str, Alias]:
    """The confirmed other names."""
    aliases, products, entries = schema.PRODUCT_ALIASES, schema.PRODUCTS, schema.JOURNAL
    rows = connection.execute(
        sa.select(aliases.c.alias, products.c.name, entries.c.at, entries.c.who)
        .join(products, products.c.id == aliases.c.product_id)
        .join(entries, entries.c.id == aliases.c.journal_id)
    )
    return {str(row.alias): Alias(row.name, row.at, row.who) for row in rows}


def confirm(
    connection: sa.Connection, given: Mapping[str, str], import_id: int, by: str | None = None
) -> tuple[str, ...]:
    """Keep what a person answered about product names, inside the transaction of the import.

    Returns:
        remarks, where rows of an earlier import stay under a name that is now another's.

    Raises:
        IngestError: the name is registered as a product of its own.
    """
    notes = []
    for answer, product in given.items():
        if not answer.startswith(ALIAS):
            continue
        name = answer.removeprefix(ALIAS)
        standing = load(connection)
        before = standing[name].product if name in standing else None
        if product != name and product in standing:
            product = standing[product].product
        if before == product or (before is None and product == name):
            continue
        why = f"answered with import {import_id}"
        if before is not None:
            remove(connection, name, by, why)
        if product != name:
            add(connection, product, name, by, why)
            notes += stays(connection, name, product)
    return tuple(notes)


def add(connection: sa.Connection, product: str, name: str, by: str | None, why: str) -> None:
    """Register a name of a product, and the product where it is not registered yet."""
    products, aliases = schema.PRODUCTS, schema.PRODUCT_ALIASES
    product, name = storable(product), storable(name)
    named = connection.execute(sa.select(products.c.id).where(products.c.name == name)).first()
    if named:
        raise IngestError(
            f"'{name}' is registered as a product of its own: it cannot be another name of "
            f"{product}."
        )
    number = connection.execute(
        sa.select(products.c.id).where(products.c.name == product)
    ).scalar_one_or_none()
    old = _names(connection, product) if number is not None else None
    entry = journal.append(
        connection,
        by=by,
        what="product alias added",
        subject=product,
        old=old,
        new=sorted({*(old or ()), name}),
        why=why,
    )
    if number is None:
        number = next_id(connection, products)
        connection.execute(
            sa.insert(products).values(id=number, name=product, description="", journal_id=entry.id)
        )
    connection.execute(
        sa.insert(aliases).values(alias=name, product_id=number, journal_id=entry.id)
    )


def remove(connection: sa.Connection, name: str, by: str | None, why: str) -> str:
    """Take a name of a product back; rows that are stored stay where they are.

    Returns:
        the product that it was a name of.

    Raises:
        IngestError: it is no other name of any product.
    """
    standing = load(connection)
    if name not in standing:
        known = ", ".join(sorted(standing)) or "none"
        raise IngestError(f"'{name}' is no other name of a product; known are: {known}.")
    product = standing[name].product
    old = _names(connection, product)
    journal.append(
        connection,
        by=by,
        what="product alias removed",
        subject=product,
        old=old,
        new=[one for one in old if one != name],
        why=why,
    )
    aliases = schema.PRODUCT_ALIASES
    connection.execute(sa.delete(aliases).where(aliases.c.alias == name))
    return product


def stays(connection: sa.Connection, name: str, product: str) -> list[str]:
    """A remark where the store holds readings under a name that is now said to be another's."""
    results, kinds = schema.RESULTS, schema.CHARACTERISTICS
    held = connection.execute(
        sa.select(sa.func.count(sa.distinct(results.c.import_id)))
        .join(kinds, kinds.c.id == results.c.characteristic_id)
        .where(kinds.c.product == name)
    ).scalar_one()
    if not held:
        return []
    imports = "1 import" if held == 1 else f"{held} imports"
    return [
        f"Readings of {imports} stay stored under '{name}': to bring them to '{product}', undo "
        "those imports and import their files again."
    ]


def imports_with(connection: sa.Connection, name: str) -> list[int]:
    """The imports, not undone, in which a name was read as another product's."""
    imports = schema.IMPORTS
    marked = sa.func.instr if connection.dialect.name == "sqlite" else sa.func.strpos
    rows = connection.execute(
        sa.select(imports.c.id)
        .where(
            marked(imports.c.answers, f'"{ALIAS}{name}"') > 0,
            imports.c.id.not_in(sa.select(schema.UNDONE_IMPORTS.c.import_id)),
        )
        .order_by(imports.c.id)
    )
    return [int(number) for number in rows.scalars()]


def _names(connection: sa.Connection, product: str) -> list[str]:
    return sorted(name for name, one in load(connection).items() if one.product == product)

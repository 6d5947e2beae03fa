"""What is remembered of each source: its answers, so that they are asked once, and its headings.

A source is a name that people give to where files come from (`--source`); files without one share
the source "". Answers and who gave them are journaled. An answer that a person gives wins over
what is remembered and replaces it; what a file says itself wins over it too.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import sqlalchemy as sa

from ingest import journal, layouts, schema
from ingest.answers import COLUMN, RENAMED, chosen_columns, column_field
from ingest.columns import BY_NAME, IGNORED
from ingest.errors import IngestError
from ingest.layouts import Layout
from ingest.opening import next_id, next_revision, storable

if TYPE_CHECKING:
    from ingest.store import Store

_OF_ANY_SOURCE = ("unit", "date_order", "decimal_mark", "time_zone", "MPa.s")
# Values that hold for all rows: only where a person has named the source that they hold for.
_OF_A_NAMED_SOURCE = (
    *("product", "instrument", "spindle", "speed", "set_temperature", "reading_time"),
    *("guard", "method", "line_name"),
    *("temperature_unit", "temperature_range", "check_by_name", "no_result"),
)


@dataclass(frozen=True, slots=True)
class Remembered:
    """An answer: its field and value, when it was given (ISO 8601 UTC) and by whom.

    What a column is stands under its heading: field "column:Los", value "batch".
    """

    field: str
    value: str
    at: str
    who: str

    @property
    def told(self) -> str:
        """Where it comes from, in words."""
        return f"as answered on {self.at[:10]} by {self.who}"


@dataclass(frozen=True, slots=True)
class Profile:
    """What is known of a source: its answers by field, and its layouts, the last seen first."""

    source: str = ""
    answers: Mapping[str, Remembered] = field(default_factory=dict)
    layouts: tuple[Layout, ...] = ()


def shown(source: str) -> str:
    """A source's name for people."""
    return source or "files without a named source"


def load(connection: sa.Connection, source: str) -> Profile:
    """What is remembered of one source."""
    answers, seen = schema.SOURCE_ANSWERS, schema.SOURCE_LAYOUTS
    source = storable(source)
    standing: dict[str, Remembered] = {}
    for row in connection.execute(
        sa.select(answers).where(answers.c.source == source).order_by(answers.c.id)
    ):
        standing.pop(row.field, None)
        if row.value is not None:
            standing[row.field] = Remembered(row.field, row.value, row.at, row.who)
    known = connection.execute(
        sa.select(seen.c.headings, seen.c.mapping, seen.c.sketch)
        .where(seen.c.source == source)
        .order_by(seen.c.import_id.desc(), seen.c.id.desc())
    )
    return Profile(source, standing, tuple(layouts.from_json(*row) for row in known))


def remembered(store: "Store") -> list[Profile]:
    """Everything that is remembered, by source."""
    with store.reading() as connection:
        names = connection.execute(
            sa.union(
                sa.select(schema.SOURCE_ANSWERS.c.source), sa.select(schema.SOURCE_LAYOUTS.c.source)
            )
        ).scalars()
        found = [load(connection, str(name)) for name in sorted(names)]
    return [one for one in found if one.answers or one.layouts]


def applying(
    profile: Profile, given: Mapping[str, str], headings: Sequence[str], fields: set[str]
) -> dict[str, Remembered]:
    """The remembered answers that hold for a file.

    Args:
        profile: of its source. given: what a person says of this file; it wins.
        headings: the labels of its columns. fields: the canonical columns that it has.
    """
    if not profile.source and not any(set(headings) == set(k.headings) for k in profile.layouts):
        return {}  # nobody has said that this file is like the others
    chosen = chosen_columns(given)
    found: dict[str, Remembered] = {}
    for name, one in profile.answers.items():  # the newest last: of two columns it is the one
        if name.startswith(COLUMN):
            label = name.removeprefix(COLUMN)
            if label not in headings or label in chosen or one.value in chosen.values():
                continue
            if one.value == IGNORED:
                found[name] = one
            else:
                found[column_field(one.value)] = replace(one, value=label)
        elif name not in given and not (name in BY_NAME and name != "unit" and name in fields):
            found[name] = one
    return found


def remember(
    connection: sa.Connection,
    source: str,
    given: Mapping[str, str],
    layout: Layout | None,
    import_id: int,
    by: str | None = None,
) -> None:
    """Keep what a person said of a source and the headings that it had, inside a transaction.

    Args:
        connection: the open transaction. source: whose file it was, "" where none is named.
        given: what a person answered for this file. layout: its headings.
        import_id: the import that succeeded with it. by: who, by default the login name.
    """
    before = load(connection, source)
    kept = (*_OF_ANY_SOURCE, *(_OF_A_NAMED_SOURCE if source else ()))
    new = {name: value for name, value in given.items() if name in kept}
    new |= {f"{COLUMN}{label}": meant for label, meant in chosen_columns(given).items()}
    held = {name: one.value for name, one in before.answers.items()}
    changed = {name: value for name, value in new.items() if held.get(name) != value}
    if changed:
        _write(
            connection,
            source,
            {name: held.get(name) for name in changed},
            changed,
            "source answers remembered",
            by,
            f"given with import {import_id}",
        )
    renamed = {k.removeprefix(RENAMED): v for k, v in given.items() if k.startswith(RENAMED)}
    if renamed and layout is not None:
        journal.append(
            connection,
            by=by,
            what="export of a source changed",
            subject=shown(source),
            old=list(before.layouts[0].headings) if before.layouts else None,
            new={"headings": list(layout.headings), "renamed": renamed},
            why=f"answered with import {import_id}",
        )
    if layout is not None and layout.headings:
        _see(connection, source, layout, import_id)


def forget(
    store: "Store",
    source: str,
    field: str | None = None,
    by: str | None = None,
    why: str = "",
) -> dict[str, str]:
    """Forget an answer of a source, or all of them and its headings too.

    Returns:
        what was forgotten: field -> value.

    Raises:
        IngestError: nothing of it is remembered.
    """
    with store.writing() as connection:
        profile = load(connection, source)
        held = {name: one.value for name, one in profile.answers.items()}
        old = held if field is None else {k: v for k, v in held.items() if k == field}
        if not old and not (field is None and profile.layouts):
            named = f"'{field}' is not remembered of" if field else "Nothing is remembered of"
            known = ", ".join(sorted(held)) or "no answer"
            raise IngestError(f"{named} {shown(source)}: remembered is {known}.")
        next_revision(connection)
        forgotten = dict.fromkeys(old, None)
        said: dict[str, object] = {**old}
        if field is None:
            said["headings"] = [list(layout.headings) for layout in profile.layouts]
        _write(connection, source, said, forgotten, "source answers forgotten", by, why)
        if field is None:
            seen = schema.SOURCE_LAYOUTS
            connection.execute(sa.delete(seen).where(seen.c.source == storable(source)))
    return old


def _write(
    connection: sa.Connection,
    source: str,
    old: Mapping[str, object],
    new: Mapping[str, str | None],
    what: str,
    by: str | None,
    why: str,
) -> None:
    entry = journal.append(
        connection, by=by, what=what, subject=shown(source), old=dict(old), new=dict(new), why=why
    )
    table = schema.SOURCE_ANSWERS
    free = next_id(connection, table)
    rows = [
        {
            "id": free + place,
            "source": storable(source),
            "field": storable(name),
            "value": None if value is None else storable(value),
            "at": entry.at,
            "who": entry.who,
            "journal_id": entry.id,
        }
        for place, (name, value) in enumerate(new.items())
    ]
    if rows:
        connection.execute(sa.insert(table), rows)


def _see(connection: sa.Connection, source: str, layout: Layout, import_id: int) -> None:
    """Keep the headings of a file as the last seen of their kind."""
    seen = schema.SOURCE_LAYOUTS
    kind = json.dumps(sorted(layout.headings), ensure_ascii=False)
    digest = hashlib.sha256(kind.encode("utf-8", "replace")).hexdigest()
    headings, mapping, sketch = (storable(text) for text in layouts.as_json(layout))
    values = {
        "headings": headings,
        "mapping": mapping,
        "sketch": sketch,
        "import_id": import_id,
    }
    same = sa.and_(seen.c.source == storable(source), seen.c.digest == digest)
    if not connection.execute(sa.update(seen).where(same).values(values)).rowcount:
        connection.execute(
            sa.insert(seen).values(
                id=next_id(connection, seen), source=storable(source), digest=digest, **values
            )
        )

"""What a site has decided for itself: reaction plans, uncertainties, due dates; the newest stands.

A setting is a name and a value that JSON can hold. None is ever changed: the newest row of a name
is in force, the journal holds who set it, when, and what it was before.
"""

import json
from typing import Any

import sqlalchemy as sa

from ingest import journal, schema
from ingest.errors import IngestError
from ingest.opening import next_id, next_revision
from ingest.store import Store


def set_setting(store: Store, name: str, value: Any, by: str | None = None, why: str = "") -> None:
    """Put a setting in force; None as the value takes it out of force.

    Args:
        store: the store. name: which setting. value: anything that JSON can hold. by: who; the
            login name if None. why: in words, may be empty.

    Raises:
        IngestError: no name, or a value that JSON cannot hold.
    """
    if not name.strip():
        raise IngestError("A setting needs a name.")
    try:
        written = journal.canonical(value)
    except (TypeError, ValueError):
        raise IngestError(
            f"The setting {name} cannot hold {value!r}: use text or numbers."
        ) from None
    with store.writing() as connection:
        before = _in_force(connection).get(name)
        entry = journal.append(
            connection, by=by, what="setting changed", subject=name, old=before, new=value, why=why
        )
        connection.execute(
            sa.insert(schema.SETTINGS).values(
                id=next_id(connection, schema.SETTINGS),
                name=name,
                value=written,
                journal_id=entry.id,
            )
        )
        next_revision(connection)


def settings(store: Store) -> dict[str, Any]:
    """The settings in force, by name."""
    with store.reading() as connection:
        return {name: value for name, value in _in_force(connection).items() if value is not None}


def _in_force(connection: sa.Connection) -> dict[str, Any]:
    table = schema.SETTINGS
    rows = connection.execute(sa.select(table.c.name, table.c.value).order_by(table.c.id))
    return {str(name): json.loads(value) for name, value in rows}

"""The journal: every decision once, in order, each entry chained to the one before it.

An entry's hash covers all it says and the hash of the entry before. Whoever changes, removes or
slips in an entry breaks the chain at that place, or has to write every later hash anew; the hash
of the newest entry is kept apart (and belongs into every backup), so a cut at the end shows too.
"""

import getpass
import hashlib
import json
from dataclasses import dataclass
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ingest import schema
from ingest.errors import IngestError
from ingest.opening import get_meta, next_id, now, set_meta, storable

_HEAD = "journal_head"


@dataclass(frozen=True, slots=True)
class Entry:
    """One decision.

    Attributes:
        id: 1, 2, 3 … without a gap. at: when, ISO 8601 UTC. who: the person, or the login name.
        what: the kind of decision. subject: what it is about. old, new: JSON. why: in words.
        previous: hash of the entry before, "" for the first. hash: SHA-256, see `hash_of`.
    """

    id: int
    at: str
    who: str
    what: str
    subject: str
    old: str
    new: str
    why: str
    previous: str
    hash: str


def login_name() -> str:
    """Who is at the keyboard, as the system knows it."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # a service without a login
        return "not known"


def append(
    connection: sa.Connection,
    *,
    by: str | None,
    what: str,
    subject: str,
    old: Any,
    new: Any,
    why: str = "",
    at: str | None = None,
) -> Entry:
    """Write an entry inside the transaction of the decision itself."""
    who = (by or "").strip() or login_name()
    known: dict[str, Any] = {
        "id": next_id(connection, schema.JOURNAL),
        "at": at or now(),
        "who": storable(who),
        "what": what,
        "subject": storable(subject),
        "old": canonical(old),
        "new": canonical(new),
        "why": storable(why),
        "previous": get_meta(connection, _HEAD) or "",
    }
    entry = Entry(**known, hash=hash_of(known))
    connection.execute(
        sa.insert(schema.JOURNAL).values({name: getattr(entry, name) for name in _FIELDS})
    )
    set_meta(connection, _HEAD, entry.hash)
    return entry


def require_why(why: str, decision: str) -> str:
    """A reason in words, trimmed.

    Raises:
        IngestError: there is none.
    """
    words = " ".join(why.split())
    if not any(letter.isalnum() for letter in words):
        raise IngestError(f"{decision} needs a cause in words: say why.")
    return words


def canonical(value: Any) -> str:
    """JSON in one way only: sorted keys, no blanks, characters as they are."""
    return storable(
        json.dumps(
            value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
        )
    )


def hash_of(entry: dict[str, Any]) -> str:
    """SHA-256 over the canonical JSON of an entry without its own hash."""
    content = canonical({name: entry[name] for name in _FIELDS if name != "hash"})
    return hashlib.sha256(content.encode()).hexdigest()


_FIELDS = tuple(column.name for column in schema.JOURNAL.columns)


def entries(connection: sa.Connection) -> list[Entry]:
    """All entries in order."""
    found = connection.execute(sa.select(schema.JOURNAL).order_by(schema.JOURNAL.c.id)).mappings()
    return [Entry(**row) for row in found]


def as_table(connection: sa.Connection) -> pd.DataFrame:
    """The journal as a table, oldest entry first."""
    return pd.DataFrame(
        [{name: getattr(entry, name) for name in _FIELDS} for entry in entries(connection)],
        columns=list(_FIELDS),
    )


def faults(connection: sa.Connection) -> list[str]:
    """What is wrong with the journal, a sentence each; none if the chain is whole.

    Found are changed, missing and inserted entries, and decisions in other tables whose entry is
    not there.
    """
    found: list[str] = []
    previous, expected = "", 1
    for entry in entries(connection):
        if entry.id != expected:
            missing = (
                f"entry {expected} is missing"
                if entry.id == expected + 1
                else f"entries {expected} to {entry.id - 1} are missing"
            )
            found.append(f"Journal: {missing}.")
        if entry.hash != hash_of({name: getattr(entry, name) for name in _FIELDS}):
            found.append(f"Journal: entry {entry.id} was changed after it was written.")
        if entry.id == expected and entry.previous != previous:
            found.append(
                f"Journal: entry {entry.id} does not follow entry {entry.id - 1}: one of them was "
                "put in or written anew."
                if entry.id > 1
                else "Journal: entry 1 is not the first that was written."
            )
        previous, expected = entry.hash, entry.id + 1
    if (get_meta(connection, _HEAD) or "") != previous:
        found.append(f"Journal: after entry {expected - 1} something is missing or was put in.")
    return found + _orphans(connection)


def _orphans(connection: sa.Connection) -> list[str]:
    """Decisions that name an entry which is not in the journal."""
    found = []
    for table in schema.METADATA.sorted_tables:
        if "journal_id" not in table.c:
            continue
        column = table.c.journal_id
        lost = connection.execute(
            sa.select(column)
            .where(column.is_not(None), column.not_in(sa.select(schema.JOURNAL.c.id)))
            .distinct()
            .order_by(column)
        ).scalars()
        found += [f"Journal: entry {number} of table {table.name} is missing." for number in lost]
    return found

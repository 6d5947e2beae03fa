"""Decisions of a meeting, minuted while it goes on: each an entry of the journal and nowhere else.

A minute is never changed. It is taken back by a further entry, which keeps what was said first.
"""

import json
from dataclasses import dataclass

from ingest import journal
from ingest.errors import IngestError
from ingest.opening import next_revision
from ingest.store import Store

MINUTED = "decision minuted"
TAKEN_BACK = "minuted decision taken back"
OF_MEETINGS = frozenset({MINUTED, TAKEN_BACK})
_SUBJECT = "review "


@dataclass(frozen=True, slots=True)
class Minute:
    """One decision of a meeting.

    Attributes:
        id: number of its journal entry. review: the period that the meeting was about.
        words: what was decided. products: whom it is about; empty for all.
        at, who: when (ISO 8601 UTC) and by whom it was minuted.
    """

    id: int
    review: str
    words: str
    products: tuple[str, ...]
    at: str
    who: str


def add_minute(
    store: Store,
    review: str,
    words: str,
    products: tuple[str, ...] = (),
    by: str | None = None,
) -> Minute:
    """Minute a decision of the meeting about a period.

    Args:
        store: the store. review: the period, such as 2026-W12. words: what was decided.
        products: whom it is about; empty for all. by: who; the login name if None.

    Raises:
        IngestError: no period, or nothing in words.
    """
    if not review.strip():
        raise IngestError("A minuted decision needs the period of its review, such as 2026-W12.")
    said = " ".join(words.split())
    if not any(letter.isalnum() for letter in said):
        raise IngestError("There is nothing to minute yet: say what was decided.")
    with store.writing() as connection:
        entry = journal.append(
            connection,
            by=by,
            what=MINUTED,
            subject=f"{_SUBJECT}{review.strip()}",
            old=None,
            new={"words": said, "products": list(products)},
            why=said,
        )
        next_revision(connection)
    return _minute(entry)


def take_back_minute(store: Store, number: int, why: str, by: str | None = None) -> None:
    """Take a minuted decision back: a further entry, the first one stays.

    Raises:
        IngestError: no such decision stands, or no cause in words.
    """
    cause = journal.require_why(why, "Taking a minuted decision back")
    with store.writing() as connection:
        held = {one.id: one for one in _standing(journal.entries(connection))}
        if number not in held:
            raise IngestError(f"There is no minuted decision {number} that stands: look again.")
        found = held[number]
        journal.append(
            connection,
            by=by,
            what=TAKEN_BACK,
            subject=f"{_SUBJECT}{found.review}",
            old={"words": found.words, "products": list(found.products)},
            new={"about": number},
            why=cause,
        )
        next_revision(connection)


def minutes(store: Store, review: str | None = None) -> list[Minute]:
    """The minuted decisions that stand, oldest first: of one review, or of all."""
    with store.reading() as connection:
        found = _standing(journal.entries(connection))
    return [one for one in found if review is None or one.review == review]


def _standing(entries: list[journal.Entry]) -> list[Minute]:
    gone = {json.loads(entry.new)["about"] for entry in entries if entry.what == TAKEN_BACK}
    return [_minute(entry) for entry in entries if entry.what == MINUTED and entry.id not in gone]


def _minute(entry: journal.Entry) -> Minute:
    new = json.loads(entry.new)
    return Minute(
        id=entry.id,
        review=entry.subject.removeprefix(_SUBJECT),
        words=str(new["words"]),
        products=tuple(str(name) for name in new["products"]),
        at=entry.at,
        who=entry.who,
    )

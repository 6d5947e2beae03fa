"""What the outbox comes to: which matters are known, seen and over; which messages are under way.

The rows of the outbox in order are folded into this; nothing else is asked. A matter that comes
again after it was over is told again, under a key of its own, where that is news: a check standard
out of order once more, an event that a person had closed and that goes on. An event that only
vanished for a while (its limits moved) and a source that was back for a moment are the same as
before.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from dashboard.watch.matters import EVENT, FILE, KINDS, OUTSIDE, SOURCE, Matter
from ingest import outbox

SAME_OUTAGE = timedelta(hours=1)
CLOSED, GONE = "closed", "gone"


@dataclass(slots=True)
class Known:
    """A matter as the outbox knows it.

    Attributes:
        key: of this occurrence. matter: as last seen. noticed_at: when it was noticed.
        over: why it does not wait any more, "" while it does; over_at: since when.
        seen: who has acknowledged it, "" nobody.
    """

    key: str
    matter: Matter
    noticed_at: datetime
    over: str = ""
    over_at: datetime | None = None
    seen: str = ""

    @property
    def waits(self) -> bool:
        """Whether it is there and nobody has acknowledged it."""
        return not self.over and not self.seen


@dataclass(slots=True)
class Message:
    """A message to one target, as it was written down.

    Attributes:
        id: its number. target: where it goes. composed_at: when it was written.
        matters: keys of what it tells, in order; of those that it tells again in `again`.
        subject, text, html: its words. tries: how often sending it was begun.
        claimed_until: when another watch may send it; None when nobody is at it.
        failed_at, error, sure: of the last failure; whether it surely did not arrive.
        sent_at: when it arrived; None before. ended: "" while it is under way or arrived, else
            what the outbox calls its end.
    """

    id: str
    target: str
    composed_at: datetime
    matters: tuple[str, ...]
    again: tuple[str, ...]
    subject: str
    text: str
    html: str
    tries: int = 0
    claimed_until: datetime | None = None
    failed_at: datetime | None = None
    error: str = ""
    sure: bool = True
    sent_at: datetime | None = None
    ended: str = ""

    @property
    def under_way(self) -> bool:
        """Whether it is still to arrive."""
        return self.sent_at is None and not self.ended


@dataclass(slots=True)
class Ledger:
    """The outbox folded, up to the row `last`; `failures` in a row, and the last, by target."""

    last: int = 0
    known: dict[str, Known] = field(default_factory=dict)
    messages: dict[str, Message] = field(default_factory=dict)
    failures: dict[str, tuple[int, datetime]] = field(default_factory=dict)

    def take(self, rows: Iterable[outbox.Notice]) -> None:
        """Fold further rows."""
        for row in rows:
            self.last = row.id
            if row.message:
                self._of_message(row)
            else:
                self._of_matter(row)

    def told(self, target: str) -> dict[str, Message]:
        """The newest message to a target that tells each matter, by its key."""
        found: dict[str, Message] = {}
        for message in self.messages.values():
            if message.target == target and message.ended != outbox.WITHDRAWN:
                found |= dict.fromkeys(message.matters, message)
        return found

    def under_way(self, target: str) -> Message | None:
        """The message to a target that is still to arrive: there is never more than one."""
        mine = (m for m in self.messages.values() if m.target == target and m.under_way)
        return next(mine, None)

    def is_first(self, target: str) -> bool:
        """Whether nothing ever arrived at a target."""
        return not any(m.target == target and m.sent_at for m in self.messages.values())

    def sent_since(self, target: str, since: datetime) -> list[datetime]:
        """When messages arrived at a target after a time, oldest first."""
        times = (m.sent_at for m in self.messages.values() if m.target == target)
        return sorted(at for at in times if at is not None and at > since)

    def find(self, matter: Matter, same: Callable[[Known], bool]) -> Known | None:
        """The newest occurrence of a matter."""
        mine = [
            one
            for one in self.known.values()
            if one.matter.identity == matter.identity and (matter.kind != EVENT or same(one))
        ]
        return max(mine, key=lambda one: one.noticed_at, default=None)

    def key_for(self, matter: Matter, taken: Iterable[str] = ()) -> str:
        """A key for a new occurrence, other than those that are taken."""
        base = matter.identity + (f"|{matter.first}" if matter.kind == EVENT else "")
        key, n = base, 1
        while key in self.known or key in taken:
            n += 1
            key = f"{base}|{n}"
        return key

    def _of_matter(self, row: outbox.Notice) -> None:
        at = datetime.fromisoformat(row.at)
        if row.what == outbox.NOTICED:
            self.known[row.matter] = Known(row.matter, matter_from(row.content), at)
            return
        one = self.known.get(row.matter)
        if one is None:
            return
        if row.what in (outbox.GROWN, outbox.BACK):
            one.matter, one.over, one.over_at = matter_from(row.content), "", None
        elif row.what == outbox.OVER:
            one.over, one.over_at = str(row.content.get("why", GONE)), at
        elif row.what == outbox.SEEN:
            one.seen = row.who

    def _of_message(self, row: outbox.Notice) -> None:
        at = datetime.fromisoformat(row.at)
        if row.what == outbox.COMPOSED:
            content = row.content
            self.messages[row.message] = Message(
                row.message,
                row.target,
                at,
                tuple(content["matters"]),
                tuple(content["again"]),
                content["subject"],
                content["text"],
                content["html"],
            )
            return
        one = self.messages[row.message]
        if row.what == outbox.CLAIMED:
            one.sure = one.sure and one.claimed_until is None  # else the one before died with it
            one.tries += 1
            one.claimed_until = datetime.fromisoformat(row.content["until"])
        elif row.what == outbox.SENT:
            one.sent_at, one.claimed_until = at, None
            self.failures.pop(one.target, None)
            one.text = one.html = ""  # not needed any more
        elif row.what == outbox.FAILED:
            one.failed_at, one.claimed_until = at, None
            self.failures[one.target] = (self.failures.get(one.target, (0, at))[0] + 1, at)
            one.error, one.sure = str(row.content["error"]), bool(row.content["sure"]) and one.sure
        elif row.what in (outbox.WITHDRAWN, outbox.LEFT):
            one.ended, one.claimed_until = row.what, None


def is_news(known: Known, now: datetime) -> bool:
    """Whether a matter that was over and is there again is told anew."""
    if known.over == CLOSED:
        return True
    if known.matter.kind in (EVENT, OUTSIDE):
        return False
    if known.matter.kind in (SOURCE, FILE) and known.over_at is not None:
        return now - known.over_at > SAME_OUTAGE
    return True


def matter_from(content: Mapping[str, Any]) -> Matter:
    """A matter from the JSON of its row."""
    return Matter(**{name: str(content.get(name, "")) for name in Matter.__slots__})


def in_order(known: Iterable[Known]) -> list[Known]:
    """Known matters in the order of a message: by kind, then by time."""
    place = {kind: i for i, kind in enumerate(KINDS)}
    return sorted(known, key=lambda one: (place.get(one.matter.kind, 99), one.noticed_at, one.key))

"""When to tell: quiet hours, the limit an hour, tries again later, and telling again.

To one target there is never more than one message under way. What comes up meanwhile waits and
goes into the next one, so a mail server that was dead for a week is followed by one message, not
by hundreds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from dashboard.watch.channel_description import Channel
from dashboard.watch.description import Watch
from dashboard.watch.ledger import CLOSED, Known, Ledger, Message

LONGEST_WAIT = timedelta(hours=1)
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Due:
    """What a message to a target would tell now: what is new, and what again."""

    new: tuple[Known, ...]
    again: tuple[Known, ...]

    def __bool__(self) -> bool:
        """Whether there is anything."""
        return bool(self.new or self.again)


def quiet_until(watch: Watch, now: datetime) -> datetime | None:
    """When the quiet that reigns now ends; None when it is not quiet."""
    local = now.astimezone(watch.zone)
    if not _is_quiet(watch, local):
        return None
    ends = {time(0), watch.quiet[1] if watch.quiet else time(0)}
    days = (local.date() + timedelta(days=n) for n in range(9))
    later = (datetime.combine(day, at, watch.zone) for day in days for at in sorted(ends))
    return next(one.astimezone(UTC) for one in later if one > local and not _is_quiet(watch, one))


def _is_quiet(watch: Watch, local: datetime) -> bool:
    if local.weekday() in watch.quiet_days:
        return True
    if watch.quiet is None:
        return False
    start, stop = watch.quiet
    at = local.time().replace(second=0, microsecond=0)
    return start <= at < stop if start < stop else at >= start or at < stop


def due(watch: Watch, ledger: Ledger, target: str, now: datetime) -> Due:
    """What is to be told to a target: what it was not told yet, and what stays open and unseen.

    What was over before it could be told is told all the same, unless a person has closed or
    acknowledged it: they know.
    """
    told = ledger.told(target)
    new, again = [], []
    for one in ledger.known.values():
        if one.seen or one.over == CLOSED:
            continue
        message = told.get(one.key)
        if message is None:
            new.append(one)
        elif not one.over and _is_old(watch, message, now):
            again.append(one)
    return Due(tuple(new), tuple(again))


def _is_old(watch: Watch, message: Message, now: datetime) -> bool:
    at, after = message.sent_at, watch.again_after
    return at is not None and after is not None and now - at >= after


def next_try(watch: Watch, ledger: Ledger, target: str) -> datetime | None:
    """When a target is tried again that failed: after 1, 2, 4 … times `retry`, at most an hour."""
    if target not in ledger.failures:
        return None
    n, failed_at = ledger.failures[target]
    wait = watch.retry * 2 ** min(n - 1, 20)
    shortest: timedelta = min(wait, max(LONGEST_WAIT, watch.retry))
    return failed_at + shortest


def free_at(channel: Channel, sent: Sequence[datetime], now: datetime) -> datetime | None:
    """When the limit an hour lets the next message through; None when it does now."""
    recent = [at for at in sent if now - at < HOUR]
    return recent[-channel.at_most] + HOUR if len(recent) >= channel.at_most else None

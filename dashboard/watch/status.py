"""How the watch goes: when it looked, what was sent, what waits; for people to read."""

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

import pandas as pd

import ingest
from dashboard import text
from dashboard.watch import timing
from dashboard.watch.description import Watch
from dashboard.watch.ledger import Known, Ledger, in_order
from dashboard.watch.matters import KINDS
from ingest import outbox

LATE = 3
"""Looks that may be missing before the watch is said not to run."""
OFTEN = timedelta(hours=26)
"""Longest time between two looks that is taken for granted where each is a run of its own."""
_ENDS = {"left": "nobody knows whether it arrived", "withdrawn": "told by a later message"}


@dataclass(frozen=True, slots=True)
class TargetStatus:
    """How it goes with one target: messages that arrived, what waits, the last error."""

    target: str
    sent: int
    last_sent: str
    waiting: int
    error: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Status:
    """How the watch goes.

    Attributes:
        runs: whether it looked as lately as it should. sentence: that in words.
        targets: one each. waiting: matters that nobody has acknowledged. messages: the newest.
    """

    runs: bool
    sentence: str
    targets: tuple[TargetStatus, ...]
    waiting: tuple[Known, ...]
    messages: pd.DataFrame

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "runs": self.runs,
            "sentence": self.sentence,
            "targets": [asdict(one) for one in self.targets],
            "waiting": [
                {"key": one.key, **{k: getattr(one.matter, k) for k in one.matter.__slots__}}
                for one in self.waiting
            ],
        }


def read_status(store: ingest.Store, watch: Watch | None, now: datetime) -> Status:
    """How the watch of a store goes.

    Args:
        store: the store. watch: as described, None where there is no description.
        now: the time.
    """
    ledger = Ledger()
    with store.reading() as connection:
        state = outbox.watch_state(connection)
        ledger.take(outbox.notices(connection))
    runs, said = _running(state, watch, now)
    described = [t for channel in watch.channels for t in channel.targets] if watch else []
    held = [message.target for message in ledger.messages.values()]
    targets = list(dict.fromkeys([*described, *held]))
    return Status(
        runs,
        said,
        tuple(_target(ledger, watch, one, now, one in described) for one in targets),
        tuple(in_order(one for one in ledger.known.values() if one.waits)),
        _messages(ledger),
    )


def waiting_table(known: tuple[Known, ...]) -> pd.DataFrame:
    """What waits, one row each."""
    return pd.DataFrame(
        {
            "Kind": [KINDS.get(one.matter.kind, one.matter.kind) for one in known],
            "What": [one.matter.sentence for one in known],
            "About": [one.matter.about for one in known],
            "Asked of": [one.matter.who for one in known],
            "Noticed, UTC": [text.moment(one.noticed_at) for one in known],
        }
    )


def _running(state: dict[str, Any], watch: Watch | None, now: datetime) -> tuple[bool, str]:
    if "looked_at" not in state:
        return False, "The watch has never looked at this store."
    at = datetime.fromisoformat(state["looked_at"])
    when = f"{text.moment(at)} UTC"
    if "stopped_at" in state:
        ended = text.moment(datetime.fromisoformat(state["stopped_at"]))
        return False, f"The watch was ended on {ended} UTC; it looked last on {when}."
    every = timedelta(seconds=float(state.get("every", 0)))
    if state.get("once") and now - at <= OFTEN:
        return True, f"The watch looks when a scheduler asks: last on {when}."
    if now - at <= max(LATE * every, timedelta(minutes=1)):
        return True, f"The watch runs: it looked last on {when}."
    return False, f"The watch does not run: it looked last on {when}. Start it again."


def _target(
    ledger: Ledger, watch: Watch | None, target: str, now: datetime, described: bool
) -> TargetStatus:
    sent = [m.sent_at for m in ledger.messages.values() if m.target == target and m.sent_at]
    under_way = ledger.under_way(target)
    waiting = len(timing.due(watch, ledger, target, now).new) if watch else 0
    waiting += len(under_way.matters) if under_way else 0
    error = under_way.error if under_way else ""
    last = text.moment(max(sent)) if sent else ""
    said = f"{target}: {text.count(len(sent), 'message')} arrived"
    said += f", the last on {last} UTC" if sent else ""
    said += f"; {text.count(waiting, 'thing')} to be told yet." if waiting else "; nothing waits."
    if error:
        said += f" {error}"
    if under_way and watch and (at := timing.next_try(watch, ledger, target)) is not None:
        said += f" It is tried again from {text.moment(at)} UTC."
    if waiting and watch and (quiet := timing.quiet_until(watch, now)) is not None:
        said += f" Quiet hours until {text.moment(quiet)} UTC."
    if not described:
        said += " It is not described any more."
    return TargetStatus(target, len(sent), last, waiting, error, said)


def _messages(ledger: Ledger, n: int = 30) -> pd.DataFrame:
    newest = list(ledger.messages.values())[::-1][:n]
    return pd.DataFrame(
        {
            "Written, UTC": [text.moment(one.composed_at) for one in newest],
            "To": [one.target for one in newest],
            "Subject": [one.subject for one in newest],
            "Things": [len(one.matters) for one in newest],
            "What became of it": [
                f"arrived {text.moment(one.sent_at)}"
                if one.sent_at
                else _ENDS.get(one.ended, one.error or "on its way")
                for one in newest
            ],
        }
    )

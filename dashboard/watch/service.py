"""The watch itself: pull, import, assess, write down what is new, send what is due; and again.

What is guaranteed. A matter is written down in the transaction that first sees it, and put into
one message a target in the transaction that writes the message; both under the store's write lock,
so neither a kill nor a second watch makes it lost or told in two messages. Before a message is sent
it is claimed for a while; when it has arrived that is written down. A watch that is killed between
the two leaves a message of which nobody knows: when its claim has run out it is sent again under
the same number, so that the receiver can tell (`if_in_doubt = "leave"`: it is not sent again, and
shown as such). Into a file nothing is written twice.
"""

import uuid
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import pandas as pd

import ingest
from dashboard.assessment import Assessment, assess_store, renewed
from dashboard.watch import channels, messages, timing
from dashboard.watch.channel_description import Channel
from dashboard.watch.description import Watch
from dashboard.watch.folders import Folders
from dashboard.watch.ledger import Ledger, Message
from dashboard.watch.matters import Looked, matters_of
from dashboard.watch.messages import Words
from dashboard.watch.noticing import Observed, add_row, moment, rows_of
from ingest import outbox
from ingest.opening import current_revision

FIRST_LOOK_BACK = timedelta(days=14)
"""How old an import with unread rows may be to be told when the watch begins."""
CLOCKS_APART = timedelta(minutes=10)
"""How far the clocks of two computers that watch one store may be apart."""
Say = Callable[[str], None]


@dataclass(slots=True)
class Running:
    """A watch at work.

    Attributes:
        store, watch: what is watched, and how. say: where a line of the log goes.
        clock: the time. stopping: whether it is to end, asked between two steps.
        show: where the progress of a long pull goes.
        ledger: the outbox, folded. folders: what was seen of them.
        judged: the newest assessment, and of which revision. number: of this watch.
    """

    store: ingest.Store
    watch: Watch
    say: Say
    clock: Callable[[], datetime] = field(default=lambda: datetime.now(UTC))
    stopping: Callable[[], bool] = field(default=lambda: False)
    show: Say = field(default=lambda _: None)
    ledger: Ledger = field(default_factory=Ledger)
    folders: Folders = field(default_factory=Folders)
    judged: tuple[int, list[Assessment]] | None = None
    number: str = field(default_factory=lambda: uuid.uuid4().hex)


@dataclass(frozen=True, slots=True)
class Cycle:
    """What one look came to: matters that wait, messages sent, and what failed, in sentences."""

    waiting: int
    noticed: int
    sent: int
    failed: tuple[str, ...]


def look(run: Running) -> Cycle:
    """Look once: bring in, assess, write down, send.

    Raises:
        IngestError: the store cannot be read or written at present.
    """
    try:
        return _look(run)
    except Exception:
        run.ledger = Ledger()  # what was not committed must not be believed
        raise


def _look(run: Running) -> Cycle:
    begin(run)
    looked = bring_in(run)
    noticed = notice(run, looked)
    sent, failed = 0, [why for why in (*looked.sources.values(), *looked.files.values()) if why]
    for channel in run.watch.channels:
        for target in channel.targets:
            if run.stopping():
                break
            arrived, why = deliver(run, channel, target)
            sent += arrived
            failed += [why] if why else []
    waiting = sum(one.waits for one in run.ledger.known.values())
    return Cycle(waiting, noticed, sent, tuple(failed))


def begin(run: Running) -> None:
    """Before the very first look: note how far the store is, in case that look does not end."""
    with run.store.reading() as connection:
        begun = bool(outbox.watch_state(connection))
    if begun:
        return
    with run.store.writing() as connection:
        if not outbox.watch_state(connection):
            state = {"begun_revision": current_revision(connection)}
            outbox.keep_watch_state(connection, state)


def bring_in(run: Running) -> Looked:
    """Pull every source and import what is new in every folder; no failure of one ends the rest."""
    failures: dict[str, str] = {}
    try:
        described = ingest.load_sources(ingest.sources_file(run.store.url))
        failures["sources.toml"] = ""
    except ingest.IngestError as error:
        described, failures["sources.toml"] = {}, str(error)
    wanted = run.watch.sources if run.watch.sources is not None else tuple(described)
    for name in wanted:
        if run.stopping():
            break
        if name not in described:
            if not failures["sources.toml"]:
                failures[name] = f"Source {name} is not described: see `viscosity-spc sources`."
            continue
        try:
            report = ingest.pull(run.store, described[name], progress=partial(_go_on, run, name))
            failures[name] = ""
            if report.imports:
                run.say(f"{name}: {report.new} new and {report.changed} changed rows.")
        except ingest.StoreError:
            raise
        except ingest.IngestError as error:
            failures[name] = str(error)
    unreadable, files = run.folders.bring_in(run.store, run.watch.folders, run.say, run.stopping)
    return Looked({**failures, **unreadable}, files)


class Ending(Exception):  # noqa: N818 - not an error: it ends a pull at a whole block
    """Raised when the watch is to end in the middle of a pull."""


def _go_on(run: Running, source: str, rows: int) -> None:
    run.show(f"{source}: {rows} rows")
    if run.stopping():
        raise Ending


def notice(run: Running, looked: Looked) -> int:
    """Assess, and write down what is new, what has grown and what is over; how many are new.

    The revision that was assessed is kept in the same transaction, so that the next look knows
    which batches are new even if this watch is killed now.
    """
    seen = observe(run, looked)
    with run.store.writing() as connection:
        run.ledger.take(outbox.notices(connection, run.ledger.last))
        held = outbox.watch_state(connection)
        if is_outdated(seen, held):
            return 0
        rows = rows_of(run.ledger, seen)
        for row in rows:
            add_row(connection, row, seen.at)
        state = {"begun_at": moment(seen.at), **held, **seen.state}
        state |= {"looked_at": moment(seen.at), "by": run.number, "file": str(run.watch.file)}
        state |= {"every": run.watch.every.total_seconds()}
        state |= {"once": run.folders.once}
        state.pop("stopped_at", None)
        outbox.keep_watch_state(connection, state)
    _refresh(run)
    return sum(row.what == outbox.NOTICED for row in rows)


def is_outdated(seen: Observed, held: Mapping[str, Any]) -> bool:
    """Whether another watch has written down a later look meanwhile.

    What this one did not see yet would be taken for over. A look that lies far ahead is no later
    one: the clock was set back.
    """
    if int(held.get("revision", 0)) > int(seen.state["revision"]):
        return True
    if "looked_at" not in held:
        return False
    ahead = datetime.fromisoformat(held["looked_at"]) - seen.at
    return timedelta(0) < ahead < CLOCKS_APART


def observe(run: Running, looked: Looked) -> Observed:
    """Judge the store as it is, without writing anything."""
    store, at = run.store, run.clock()
    with store.reading() as connection:
        state = outbox.watch_state(connection)
    revision, imports = store.revision(), store.imports()
    if run.judged is not None and run.judged[0] == revision:
        found = renewed(run.judged[1], at)
    else:
        found = assess_store(store, rules=run.watch.rules, now=at)
        run.judged = (revision, found)
    changed = _changed(store, state.get("revision", state.get("begun_revision")), revision)
    unread = _unread(imports, state, at)
    newest = max([int(state.get("import", 0)), *(int(n) for n in imports["id"])])
    undone = imports.loc[imports["undone"].astype(bool), "id"]
    settled = {f"import|{number}" for number in undone}
    settled |= {f"source|{name}" for name, why in looked.sources.items() if not why}
    settled |= {f"file|{name}" for name, why in looked.files.items() if not why}
    return Observed(
        at=at,
        matters=tuple(matters_of(found, ingest.settings(store), changed, unread, looked)),
        found=tuple(found),
        settled=frozenset(settled),
        state={"revision": revision, "import": newest},
    )


def preview(run: Running) -> list[tuple[str, Words, datetime | None]]:
    """What would be sent now, target by target, and until when it would wait; nothing is kept."""
    with run.store.reading() as connection:
        run.ledger.take(outbox.notices(connection, run.ledger.last))
        state = outbox.watch_state(connection)
    seen = observe(run, Looked({}, {}))
    run.ledger.take(
        outbox.Notice(
            run.ledger.last, moment(seen.at), row.what, row.matter, "", "", row.content, row.who
        )
        for row in rows_of(run.ledger, seen)
    )
    found = []
    for channel in run.watch.channels:
        for target in channel.targets:
            what = timing.due(run.watch, run.ledger, target, seen.at)
            if what:
                first = _is_first(run, target, what, {"begun_at": moment(seen.at), **state})
                words = messages.words_of(run.watch, what, seen.at, first)
                found.append((target, words, timing.quiet_until(run.watch, seen.at)))
    return found


def _changed(store: ingest.Store, begun: Any, revision: int) -> dict[int, set[str]]:
    """Batches that changed since the last look, by characteristic; none at the first one."""
    if begun is None or int(begun) >= revision:
        return {}
    rows = store.batches(since_revision=int(begun))
    found: dict[int, set[str]] = {}
    for number, batch in zip(rows["characteristic_id"], rows["batch"], strict=True):
        found.setdefault(int(number), set()).add(str(batch))
    return found


def _unread(imports: pd.DataFrame, state: Mapping[str, Any], at: datetime) -> pd.DataFrame:
    """Imports with rows that could not be read: those since the last look, or the newest ones."""
    rows = imports[(imports["not_parsed"] > 0) & ~imports["undone"].astype(bool)]
    if "import" in state:
        return rows[rows["id"] > int(state["import"])]
    return rows[rows["at"] >= pd.Timestamp(at - FIRST_LOOK_BACK)]


def stopped(run: Running) -> None:
    """Write down that the watch was ended on purpose."""
    with suppress(ingest.IngestError), run.store.writing() as connection:
        state = outbox.watch_state(connection)
        if state.get("by") == run.number:
            outbox.keep_watch_state(connection, state | {"stopped_at": moment(run.clock())})


def _refresh(run: Running) -> None:
    """Fold what was written, by this watch or another one."""
    with run.store.reading() as connection:
        run.ledger.take(outbox.notices(connection, run.ledger.last))


def deliver(run: Running, channel: Channel, target: str) -> tuple[int, str]:
    """Send a target what is due: how many messages arrived, and a sentence where one did not."""
    arrived = 0
    while not run.stopping():
        message = claim(run, channel, target)
        if message is None:
            return arrived, ""
        parcel = channels.Parcel(
            message.id,
            message.subject,
            message.text,
            message.html,
            message.composed_at,
            message.tries,
            run.watch.dashboard,
        )
        outcome = channels.send(channel, target, parcel)
        _record(run, target, message, outcome)
        if outcome.error:
            return arrived, outcome.error
        arrived += 1
    return arrived, ""


def claim(run: Running, channel: Channel, target: str) -> Message | None:
    """The message to send now, written down and claimed for this watch; None for nothing."""
    if run.ledger.under_way(target) is None and not timing.due(
        run.watch, run.ledger, target, run.clock()
    ):
        return None
    with run.store.writing() as connection:
        run.ledger.take(outbox.notices(connection, run.ledger.last))
        now = run.clock()
        if timing.quiet_until(run.watch, now) is not None:
            return None
        sent = run.ledger.sent_since(target, now - timing.HOUR)
        if timing.free_at(channel, sent, now) is not None:
            return None
        message = run.ledger.under_way(target)
        if message is not None:
            message = _go_on_with(run, channel, message, connection, now)
            if message is None and run.ledger.under_way(target) is not None:
                return None
        if message is None:
            message = _compose(run, target, connection, now)
        if message is None:
            return None
        until = moment(now + run.watch.claim)
        content = {"until": until, "by": run.number}
        outbox.add_notice(
            connection,
            outbox.CLAIMED,
            message=message.id,
            target=target,
            content=content,
            at=moment(now),
        )
        number, words = message.id, (message.subject, message.text, message.html)
    _refresh(run)
    fresh = run.ledger.messages[number]
    fresh.subject, fresh.text, fresh.html = words
    return fresh


def _go_on_with(
    run: Running, channel: Channel, message: Message, connection: Any, now: datetime
) -> Message | None:
    """What becomes of a message that is under way: the same again, or None to write another one."""

    def end(what: str) -> None:
        outbox.add_notice(
            connection, what, message=message.id, target=message.target, at=moment(now)
        )
        message.ended = what

    if message.claimed_until is not None:
        if now < message.claimed_until:
            return None  # somebody is just sending it
        if channel.in_doubt == "leave":
            run.say(f"{message.target}: nobody knows whether a message arrived; it is left.")
            end(outbox.LEFT)
            return None
        return message
    at = timing.next_try(run.watch, run.ledger, message.target)
    if at is not None and now < at:
        return None
    fresh = timing.due(run.watch, run.ledger, message.target, now)
    if message.failed_at is not None and message.sure and fresh:
        # it surely did not arrive: one message with all of it instead of two
        end(outbox.WITHDRAWN)
        return None
    return message


def _compose(run: Running, target: str, connection: Any, now: datetime) -> Message | None:
    what = timing.due(run.watch, run.ledger, target, now)
    if not what:
        return None
    first = _is_first(run, target, what, outbox.watch_state(connection))
    words = messages.words_of(run.watch, what, now, first)
    number = uuid.uuid4().hex
    content = {
        "matters": [one.key for one in (*what.new, *what.again)],
        "again": [one.key for one in what.again],
        "subject": words.subject,
        "text": words.text,
        "html": words.html,
    }
    outbox.add_notice(
        connection,
        outbox.COMPOSED,
        message=number,
        target=target,
        content=content,
        at=moment(now),
    )
    return Message(number, target, now, (), (), words.subject, words.text, words.html)


def _is_first(run: Running, target: str, what: timing.Due, state: Mapping[str, Any]) -> bool:
    """Whether a target is told for the first time, and of how things stood as the watch began."""
    begun = datetime.fromisoformat(state["begun_at"]) if "begun_at" in state else run.clock()
    return run.ledger.is_first(target) and any(one.noticed_at <= begun for one in what.new)


def _record(run: Running, target: str, message: Message, outcome: channels.Outcome) -> None:
    what = outbox.FAILED if outcome.error else outbox.SENT
    content = {"error": outcome.error, "sure": outcome.sure} if outcome.error else {}
    with run.store.writing() as connection:
        outbox.add_notice(
            connection,
            what,
            message=message.id,
            target=target,
            content=content,
            at=moment(run.clock()),
        )
    _refresh(run)

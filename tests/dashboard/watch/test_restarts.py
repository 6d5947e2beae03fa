"""Killed 20 times at random moments: every event in exactly one message to everybody.

The watch is a process of its own, ended by SIGKILL while it imports, judges, writes or sends; the
mail server and the webhook take their time to answer, so that it is often killed when a message
has arrived and nobody was told yet. What can be known is asserted without exception: no event is
lost, none stands in two messages, in the file no line stands twice. What nobody can know is that a
message just being sent has arrived: it comes again under the same number, at most once a kill, the
same to the byte, and the receiver tells by the number.
"""

import json
import multiprocessing
import os
import random
import signal
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import ingest
from dashboard.watch import service, timing
from dashboard.watch.description import load_watch
from dashboard.watch.service import Running
from ingest import outbox
from tests.dashboard.watch import restarted
from tests.dashboard.watch.bench import add_batches, make_plant
from tests.dashboard.watch.sinks import (
    Delivery,
    MailSink,
    WebhookSink,
    free_port,
    mail_server,
    webhook,
)

KILLS = 20
SEED = int(os.environ.get("VISCOSITY_SPC_SEED", "20260320"))
CLAIM = 0.4  # seconds

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="processes are forked and killed as POSIX does it"
)


def description(mail_port: int, address: str) -> str:
    return f"""
[watch]
every = "0.02 seconds"
retry = "0.05 seconds"
claim = "{CLAIM} seconds"
[watch.channels.team]
kind = "mail"
server = "127.0.0.1"
port = {mail_port}
security = "none"
from = "spc@plant.example"
to = ["qc@plant.example", "lead@plant.example"]
at_most = 1000
[watch.channels.room]
kind = "webhook"
address = "{address}"
markup = "none"
at_most = 1000
[watch.channels.book]
kind = "file"
path = "notices.jsonl"
at_most = 1000
"""


def test_each_event_once_across_20_kills(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VISCOSITY_SPC_SOURCES", str(tmp_path / "sources.toml"))
    chance = random.Random(SEED)
    slow = random.Random(SEED + 1)
    mails = MailSink(free_port(), delay=lambda: slow.uniform(0, 0.08))
    hooks = WebhookSink(delay=lambda: slow.uniform(0, 0.08))
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    make_plant(store)
    events = []
    in_the_act = 0
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload([restarted.__name__])
    file = tmp_path / "watch.toml"
    with mail_server(mails), webhook(hooks):
        file.write_text(description(mails.port, hooks.address))
        for kill in range(KILLS):
            names = [f"OUT-{kill:02d}-{i}" for i in range(chance.choice((1, 1, 2)))]
            at = datetime.now(UTC) - timedelta(hours=1)
            add_batches(store, [(name, 2300.0) for name in names], at)
            events += names
            before = len(outbox_of(store))
            watch = processes.Process(target=restarted.main, args=(store.url, str(file)))
            watch.start()
            if not kill:
                wait_until_begun(store)
            if kill % 2:  # while it sends
                in_the_act += wait_for_a_claim(store, before)
                time.sleep(chance.uniform(0, 0.2))
            else:  # whatever it does
                time.sleep(chance.uniform(0.05, 0.6))
            assert watch.is_alive(), "it ended by itself"
            watch.kill()
            watch.join()
        run = Running(store, load_watch(file), print)
        end = time.monotonic() + 20
        while not all_told(run):
            assert time.monotonic() < end, "something was not told"
            service.look(run)
            time.sleep(0.05)
    lines = (tmp_path / "notices.jsonl").read_text().splitlines()
    book = [json.loads(line) for line in lines]
    written = [Delivery(one["id"], one["text"], b"") for one in book]
    for_lead = [one for one in mails.got if one.to == "lead@plant.example"]
    for_qc = [one for one in mails.got if one.to == "qc@plant.example"]
    repeats = {}
    for name, got in (("qc", for_qc), ("lead", for_lead), ("room", hooks.got), ("book", written)):
        numbers = Counter(one.number for one in got)
        repeats[name] = sum(numbers.values()) - len(numbers)
        apart = {one.number: one for one in got}
        assert all(one.raw == apart[one.number].raw for one in got), "one number, two messages"
        told = Counter(event for one in apart.values() for event in events if says(one, event))
        assert told == dict.fromkeys(events, 1), name
    assert repeats["book"] == 0
    assert sum(repeats.values()) <= KILLS  # one message can be in the air when it is killed
    assert in_the_act >= KILLS // 4  # else it would not have been killed where it matters
    print(f"{len(events)} events, {KILLS} kills, repeated under the same number: {repeats}")
    store.close()
    in_one_message_each(store.url)


def outbox_of(store: ingest.Store) -> list[outbox.Notice]:
    with store.reading() as connection:
        return outbox.notices(connection)


def wait_for_a_claim(store: ingest.Store, before: int, seconds: float = 4.0) -> bool:
    """Whether a message was claimed, to be sent, behind so many rows of the outbox."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if any(row.what == "claimed" for row in outbox_of(store)[before:]):
            return True
        time.sleep(0.01)
    return False


def wait_until_begun(store: ingest.Store) -> None:
    """What is there when the watch begins is told as far as it is recent, as on the overview."""
    end = time.monotonic() + 20
    while time.monotonic() < end:
        with store.reading() as connection:
            if outbox.watch_state(connection):
                return
        time.sleep(0.01)


def says(one: Delivery, event: str) -> bool:
    return f"{event} is outside its specification" in one.text.replace("\r\n", "\n")


def all_told(run: Running) -> bool:
    with run.store.reading() as connection:
        state = outbox.watch_state(connection)
        run.ledger.take(outbox.notices(connection, run.ledger.last))
    now = datetime.now(UTC)
    targets = [target for channel in run.watch.channels for target in channel.targets]
    return state.get("revision") == run.store.revision() and not any(
        run.ledger.under_way(target) or timing.due(run.watch, run.ledger, target, now)
        for target in targets
    )


def in_one_message_each(url: str) -> None:
    """The outbox itself: every matter in exactly one message that was sent, for every target."""
    store = ingest.open_store(url)
    rows = outbox_of(store)
    store.close()
    sent = {row.message for row in rows if row.what == "sent"}
    noticed = {row.matter for row in rows if row.what == "noticed"}
    told: dict[str, Counter[str]] = {}
    for row in rows:
        if row.what == "composed" and row.message in sent:
            told.setdefault(row.target, Counter()).update(row.content["matters"])
    assert len(told) == 4
    assert all(counts == dict.fromkeys(noticed, 1) for counts in told.values())

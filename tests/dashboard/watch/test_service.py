"""What the watch tells, when, and that it tells it once; on a plant whose clock the test sets."""

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

import ingest
from dashboard.results import CAUTION
from dashboard.watch import channels, service
from dashboard.watch.matters import Looked
from ingest import outbox
from tests.dashboard.watch.bench import NOW, Bench, add_batches, make_plant, readings
from tests.dashboard.watch.sinks import MailSink, free_port, mail_server

BOOK = '[watch.channels.book]\nkind = "file"\npath = "notices.jsonl"\nat_most = 100\n'
OUT = "OUT-1 is outside its specification"


def book(bench: Bench) -> list[dict[str, str]]:
    path = bench.file.parent / "notices.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def outside(bench: Bench, name: str = "OUT-1", value: float = 2300.0) -> None:
    add_batches(bench.store, [(name, value)], bench.now)


def test_an_ordinary_record_is_told_nothing_of(bench: Bench) -> None:
    bench.describe(BOOK)
    assert bench.look() == service.Cycle(0, 0, 0, ())
    assert book(bench) == []


def test_a_new_event_is_told_once_with_plan_address_and_caution(bench: Bench) -> None:
    bench.describe('[watch]\ndashboard = "http://qc.example:8501/"\n' + BOOK)
    bench.look()
    outside(bench)
    assert bench.look().sent == 1
    for _ in range(3):
        assert bench.look().sent == 0
        bench.restart()
    (line,) = book(bench)
    assert line["text"].count(OUT) == 1
    assert line["text"].startswith("2 things came up.\n")
    assert "Hold the batch; the disposition is decided by the authorised person." in line["text"]
    assert "http://qc.example:8501/control-chart?characteristic=1&batch=OUT-1\n" in line["text"]
    assert CAUTION in line["text"]


def test_what_is_there_at_the_first_start_comes_in_one_message(bench: Bench) -> None:
    add_batches(bench.store, [(f"OUT-{i}", 2300.0 + i) for i in range(6)], NOW)
    bench.describe(BOOK)
    bench.look()
    (line,) = book(bench)
    assert line["subject"].startswith("The watch begins: ")
    assert all(f"OUT-{i} is outside" in line["text"] for i in range(6))


def test_the_sites_own_plan_goes_with_it(bench: Bench) -> None:
    plan = {"outside_specification": {"step": "Ring the shift leader.", "who": "shift"}}
    ingest.set_setting(bench.store, "reaction_plan", plan)
    bench.describe(BOOK)
    outside(bench)
    bench.look()
    assert "Asked of shift: Ring the shift leader." in book(bench)[0]["text"]


def test_an_event_that_grows_is_the_same_event(bench: Bench) -> None:
    bench.describe(BOOK)
    bench.look()
    for i in range(6):  # each further batch makes the same event longer
        add_batches(bench.store, [(f"HIGH-{i}", 2150.0)], bench.now)
        bench.look(timedelta(hours=3))
        known = bench.run.ledger.known.values()
        above = [one for one in known if one.matter.identity == "event|1|means|above"]
        assert [one.matter.last for one in above] == [f"HIGH-{i}"]
    told = [line for line in book(bench) if "above the centre" in line["text"]]
    assert len(told) == 1


def test_an_event_acknowledged_in_the_dashboard_is_not_told_again(bench: Bench) -> None:
    bench.describe('[watch]\nagain_after = "2 hours"\n' + BOOK)
    bench.look()
    add_batches(bench.store, [("HIGH-1", 2190.0)], bench.now)
    bench.look()
    assert len(book(bench)) == 1
    bench.look(timedelta(hours=2, minutes=1))
    assert len(book(bench)) == 2  # open and unseen: told again
    assert book(bench)[1]["subject"].startswith("Still open: P-1")
    ingest.record_event(bench.store, 1, "means", "HIGH-1", "HIGH-1", "acknowledged", by="Kim")
    for _ in range(3):
        bench.look(timedelta(hours=3))
    events = [line for line in book(bench)[2:] if "HIGH-1" in line["subject"]]
    assert events == []


def test_one_acknowledged_before_it_could_be_told_is_not_told(bench: Bench) -> None:
    bench.describe('[watch]\nquiet_hours = "12:00-14:00"\n' + BOOK)
    add_batches(bench.store, [("HIGH-1", 2190.0)], bench.now)
    bench.look()
    ingest.record_event(bench.store, 1, "means", "HIGH-1", "HIGH-1", "acknowledged", by="Kim")
    bench.look(timedelta(hours=3))
    assert book(bench) == []


def test_a_matter_without_a_chart_is_acknowledged_in_the_list(bench: Bench) -> None:
    bench.describe('[watch]\nagain_after = "2 hours"\n' + BOOK)
    outside(bench)
    bench.look()
    for known in list(bench.run.ledger.known.values()):
        ingest.see_matter(bench.store, known.key, "Kim")
    bench.look(timedelta(hours=2, minutes=1))
    assert len(book(bench)) == 1
    assert {one.seen for one in bench.run.ledger.known.values()} == {"Kim"}


def test_an_event_that_was_closed_and_goes_on_is_told_again(bench: Bench) -> None:
    bench.describe(BOOK)
    bench.look()
    add_batches(bench.store, [("HIGH-1", 2190.0)], bench.now)
    bench.look()
    ingest.record_event(bench.store, 1, "means", "HIGH-1", "HIGH-1", "acknowledged", by="Kim")
    ingest.record_event(bench.store, 1, "means", "HIGH-1", "HIGH-1", "closed", "Cleaned.", by="Kim")
    bench.look()
    assert len(book(bench)) == 1
    add_batches(bench.store, [("HIGH-2", 2190.0)], bench.now)
    bench.look()
    assert len(book(bench)) == 2
    assert "HIGH-1 to HIGH-2" in book(bench)[1]["text"]


def test_what_is_past_already_when_it_comes_in_is_told_all_the_same(bench: Bench) -> None:
    bench.describe(BOOK)
    bench.look()
    late = [("OUT-1", 2300.0)] + [(f"C{i:02d}", 2000.0 + (-1) ** i * 9) for i in range(12)]
    add_batches(bench.store, late, bench.now)  # 12 ordinary ones after it, in one go
    bench.look()
    (line,) = book(bench)
    assert OUT in line["text"]
    assert "Events on control charts" in line["text"]
    bench.look()
    assert len(book(bench)) == 1


def test_a_first_look_that_did_not_end_loses_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was new when the watch began is past when its first look is done at last."""

    def killed(*_: Any) -> Any:
        raise Killed

    bench.describe(BOOK)
    add_batches(bench.store, [("OUT-1", 2300.0)], bench.now)
    with monkeypatch.context() as patched:
        patched.setattr(service, "observe", killed)
        with pytest.raises(Killed):
            bench.look()
    late = [(f"C{i:02d}", 2000.0 + (-1) ** i * 9) for i in range(12)]
    add_batches(bench.store, late, bench.now + timedelta(hours=3))
    bench.restart()
    bench.look()
    (line,) = book(bench)
    assert OUT in line["text"]
    assert "Events on control charts" in line["text"]


def test_quiet_hours_gather_into_one_message(bench: Bench) -> None:
    bench.describe(
        '[watch]\ntime_zone = "Europe/Berlin"\nquiet_hours = "22:00-06:00"\n'
        'quiet_days = ["Saturday", "Sunday"]\n' + BOOK
    )
    bench.look()
    bench.now = NOW.replace(hour=21, minute=30)  # 22:30 in Berlin, on Friday
    for i in range(4):
        outside(bench, f"OUT-{i}", 2300.0 + i)
        bench.look(timedelta(hours=9))
    assert book(bench) == []
    bench.now = NOW.replace(day=23, hour=4, minute=58)  # Monday, 05:58 in Berlin
    bench.look(timedelta(minutes=1))
    assert book(bench) == []
    bench.look(timedelta(minutes=1))
    (line,) = book(bench)
    assert all(f"OUT-{i} is outside" in line["text"] for i in range(4))


def test_a_limit_an_hour_makes_the_rest_wait_for_one_message(bench: Bench) -> None:
    bench.describe(BOOK.replace("at_most = 100", "at_most = 2"))
    bench.look()
    for i in range(8):
        outside(bench, f"OUT-{i}", 2300.0 + i)
        bench.look(timedelta(minutes=5))
    assert len(book(bench)) == 2
    bench.look(timedelta(minutes=30))
    assert len(book(bench)) == 3
    said = " ".join(line["text"] for line in book(bench))
    assert all(said.count(f"OUT-{i} is outside") == 1 for i in range(8))


def test_a_dead_mail_server_loses_nothing_and_floods_nobody(bench: Bench) -> None:
    sink = MailSink(free_port())
    bench.describe(
        '[watch]\nretry = "1 minute"\n[watch.channels.team]\nkind = "mail"\nserver = "127.0.0.1"\n'
        f'port = {sink.port}\nsecurity = "none"\nfrom = "spc@plant.example"\n'
        'to = ["qc@plant.example"]\n' + BOOK
    )
    bench.look()
    failures = 0
    for i in range(40):  # nobody listens there
        outside(bench, f"OUT-{i:02d}", 2300.0 + i)
        failures += len(bench.look(timedelta(minutes=20)).failed)
        if i % 10 == 9:
            bench.restart()
    assert 10 <= failures < 40  # tried less and less often, at least each hour
    with mail_server(sink):
        bench.look(timedelta(hours=1, minutes=1))
        bench.look()
    (mail,) = sink.got
    assert all(mail.text.count(f"OUT-{i:02d} is outside") == 1 for i in range(40))
    with bench.store.reading() as connection:
        rows = outbox.notices(connection)
    told = [row for row in rows if row.what == "composed" and row.target.startswith("team")]
    gone = {row.message for row in rows if row.what == "withdrawn"}
    (kept,) = [row for row in told if row.message not in gone]
    every = {row.matter for row in rows if row.what == "noticed"}
    assert set(kept.content["matters"]) == every  # nothing is lost, the mail says how many more
    said = " ".join(line["text"] for line in book(bench))
    assert all(said.count(f"OUT-{i:02d} is outside") == 1 for i in range(40))  # not held up by it


def test_a_refused_address_does_not_disturb_the_others(bench: Bench) -> None:
    sink = MailSink(free_port(), refused={"gone@plant.example"})
    bench.describe(
        '[watch.channels.team]\nkind = "mail"\nserver = "127.0.0.1"\n'
        f'port = {sink.port}\nsecurity = "none"\nfrom = "spc@plant.example"\n'
        'to = ["gone@plant.example", "qc@plant.example"]\n'
    )
    outside(bench)
    with mail_server(sink):
        failed = bench.look().failed
        for _ in range(3):
            bench.look(timedelta(hours=2))
    assert failed == ("The mail server 127.0.0.1 refuses gone@plant.example (code 550).",)
    assert [one.to for one in sink.got] == ["qc@plant.example"]


class Killed(BaseException):
    """Stands for the end of the process: nothing behind it is run."""


@pytest.mark.parametrize("doubt", ["again", "leave"])
def test_killed_between_arrival_and_writing_it_down(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, doubt: str
) -> None:
    sent: list[str] = []

    def arrives_then_killed(_channel: Any, _target: str, parcel: channels.Parcel) -> Any:
        sent.append(parcel.id)
        raise Killed

    bench.describe(f'{BOOK}if_in_doubt = "{doubt}"\n')
    outside(bench)
    with monkeypatch.context() as patched:
        patched.setattr(channels, "send", arrives_then_killed)
        with pytest.raises(Killed):
            bench.look()
    bench.restart()
    bench.look(timedelta(minutes=1))
    assert book(bench) == []  # its claim still runs: another watch may just be sending it
    bench.look(timedelta(minutes=6))
    bench.look()
    assert [line["id"] for line in book(bench)] == (sent if doubt == "again" else [])


def test_a_message_in_doubt_is_not_put_into_another_one(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In doubt, then surely refused, then new things: the first may have arrived all the same."""
    outcomes = [Killed(), channels.Outcome("refused", sure=True), channels.Outcome()]
    parcels: list[channels.Parcel] = []

    def send(_channel: Any, _target: str, parcel: channels.Parcel) -> Any:
        parcels.append(parcel)
        outcome = outcomes.pop(0) if outcomes else channels.Outcome()
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome

    monkeypatch.setattr(channels, "send", send)
    bench.describe(BOOK)
    outside(bench)
    with pytest.raises(Killed):
        bench.look()
    bench.restart()
    bench.look(timedelta(minutes=6))
    outside(bench, "OUT-2", 2310.0)
    bench.restart()
    bench.look(timedelta(hours=1))
    assert [one.id for one in parcels[:3]] == [parcels[0].id] * 3
    assert [OUT in one.text for one in parcels] == [True, True, True, False]
    assert "OUT-2 is outside" in parcels[3].text


def test_two_watches_tell_each_thing_once(bench: Bench) -> None:
    other = Bench(bench.store, bench.file)
    bench.describe(BOOK)
    other.describe(BOOK)
    for i in range(4):
        outside(bench, f"OUT-{i}", 2300.0 + i)
        bench.look()
        other.now = bench.now
        other.look()
    said = " ".join(line["text"] for line in book(bench))
    assert all(said.count(f"OUT-{i} is outside") == 1 for i in range(4))


def test_watches_in_the_same_moment_tell_each_thing_once(any_url: str, tmp_path: Path) -> None:
    """On either database: three at once, while batches come in."""
    store = ingest.open_store(any_url)
    make_plant(store)
    file = tmp_path / "watch.toml"
    benches = [Bench(ingest.open_store(any_url), file).describe(BOOK) for _ in range(3)]

    def look_often(bench: Bench) -> None:
        for _ in range(8):
            bench.look(timedelta(seconds=1))

    with ThreadPoolExecutor(3) as pool:
        looking = [pool.submit(look_often, bench) for bench in benches]
        for i in range(5):
            add_batches(store, [(f"OUT-{i}", 2300.0 + i)], NOW)
        for one in looking:
            one.result()
    benches[0].now = NOW + timedelta(minutes=20)
    benches[0].look()
    benches[0].look()
    said = " ".join(line["text"] for line in book(benches[0]))
    assert [said.count(f"OUT-{i} is outside") for i in range(5)] == [1] * 5
    for bench in benches:
        bench.store.close()
    store.close()


def test_a_look_that_another_one_overtook_writes_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what it has not seen yet would be over, and told a second time when it is back."""
    other = Bench(bench.store, bench.file)
    bench.describe(BOOK)
    other.describe(BOOK)
    bench.look()
    late = service.observe(bench.run, Looked({}, {}))
    outside(bench)
    other.now = bench.now
    other.look(timedelta(seconds=1))
    with monkeypatch.context() as patched:
        patched.setattr(service, "observe", lambda *_: late)
        assert service.notice(bench.run, Looked({}, {})) == 0
    for _ in range(3):
        bench.look()
    assert {one.over for one in bench.run.ledger.known.values()} == {""}
    assert sum(line["text"].count(OUT) for line in book(bench)) == 1


def test_a_clock_that_was_set_back_does_not_stop_the_watch(bench: Bench) -> None:
    bench.describe(BOOK)
    bench.look()
    bench.now -= timedelta(hours=1)
    outside(bench)
    assert bench.look().sent == 1


def test_what_is_in_order_again_before_it_is_told_is_told_with_that(bench: Bench) -> None:
    sources = bench.file.parent / "sources.toml"
    sources.write_text("[sources")
    bench.describe('[watch]\nquiet_hours = "12:00-14:00"\n' + BOOK)
    bench.look()
    sources.unlink()
    bench.look()
    bench.look(timedelta(hours=3))
    (line,) = book(bench)
    assert "sources.toml is not a TOML file" in line["text"]
    assert "not so any more at 20 Mar 2026, 12:10 (UTC)" in line["text"]


def test_a_source_that_cannot_be_reached_is_told_once_an_outage(bench: Bench) -> None:
    sources = Path(bench.file.parent / "sources.toml")
    sources.write_text(
        '[sources.lims]\nurl = "sqlite:///gone.sqlite"\ntable = "t"\ntime_zone = "UTC"\n'
        'key = ["id"]\n[sources.lims.columns]\nbatch = "b"\nviscosity = "v"\ntested_at = "t"\n'
        'product = "p"\n[sources.lims.units]\nviscosity = "mPa.s"\n'
    )
    bench.describe('[watch]\nsources = ["lims"]\n' + BOOK)
    for _ in range(5):
        cycle = bench.look()
        assert "there is no file" in cycle.failed[0]
    (line,) = book(bench)
    assert "Sources that cannot be reached" in line["text"]
    assert "Source lims: there is no file" in line["text"]
    outside(bench)
    assert bench.look().sent == 1  # all else goes on


def test_a_folder_is_imported_from_and_refused_files_are_told(bench: Bench) -> None:
    folder = bench.file.parent / "in"
    folder.mkdir()
    bench.describe(f'[watch]\n[watch.folders.press]\npath = "in"\n{BOOK}')
    (folder / "good.csv").write_bytes(readings([("OUT-1", 2300.0)], bench.now))
    (folder / "asks.csv").write_bytes(b"batch,product,viscosity\nX1,P-1,2000\n")
    for _ in range(4):
        bench.look()
    bench.restart()
    for _ in range(3):
        bench.look()
    said = [line["text"] for line in book(bench)]
    assert sum(OUT in one for one in said) == 1
    assert sum("asks.csv was not imported" in one for one in said) == 1
    assert bench.store.imports()["source"].iloc[0] == "press"


def test_rows_that_could_not_be_read_are_told_once(bench: Bench) -> None:
    bench.describe(BOOK)
    bench.look()
    spoiled = readings([("D1", 2000.0), ("D2", 2001.0)], bench.now).replace(b"2001.0", b"2001;,")
    account = bench.store.add(ingest.read_bytes(spoiled, "<b>spoiled</b>.csv")).account
    assert sum(account.not_parsed.values()) == 1
    bench.look()
    bench.look()
    (line,) = book(bench)
    assert "<b>spoiled</b>.csv: 1 row could not be read." in line["text"]


def test_stale_data_are_told_once_and_again_after_fresh_ones(bench: Bench) -> None:
    bench.describe(BOOK)
    for _ in range(4):
        bench.look(timedelta(hours=20))
    assert ["No data since" in line["text"] for line in book(bench)] == [True]
    add_batches(bench.store, [("E1", 2003.0)], bench.now)
    bench.look()
    bench.look(timedelta(hours=40))
    assert ["No data since" in line["text"] for line in book(bench)] == [True, True]


def test_a_trial_run_keeps_and_sends_nothing(bench: Bench) -> None:
    bench.describe(BOOK)
    outside(bench)
    before = bench.store.revision()
    ((target, words, quiet),) = service.preview(bench.run)
    assert (target, quiet) == ("book", None)
    assert OUT in words.text
    with bench.store.reading() as connection:
        assert outbox.notices(connection) == []
        assert outbox.watch_state(connection) == {}
    assert bench.store.revision() == before
    assert book(bench) == []

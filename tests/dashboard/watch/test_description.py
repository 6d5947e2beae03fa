"""What a description of the watch may say, and the sentence for each fault in it."""

from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from dashboard.watch.channel_description import Mail, Webhook
from dashboard.watch.description import load_watch, watch_file
from dashboard.watch.timing import quiet_until
from ingest import IngestError
from ingest.passwords import Kept

BOOK = '[watch.channels.book]\nkind = "file"\npath = "n.jsonl"\n'
MAIL = (
    '[watch.channels.team]\nkind = "mail"\nserver = "mail.example"\nfrom = "a@plant.example"\n'
    'to = ["b@plant.example"]\n'
)
HOOK = '[watch.channels.room]\nkind = "webhook"\n'
BAD = {
    "not toml": ("[watch", "is not a TOML file"),
    "no channel": ("[watch]\n", "nobody is to be told"),
    "unknown": ("[watch]\ncolour = 1\n" + BOOK, "'colour' means nothing here"),
    "beside": ("[other]\n" + BOOK, "'other' means nothing here"),
    "time": ('[watch]\nevery = "often"\n' + BOOK, "every is to be a time"),
    "no time": ('[watch]\nevery = "0 seconds"\n' + BOOK, "every is to be a time"),
    "zone": ('[watch]\ntime_zone = "Here/There"\n' + BOOK, "is no time zone"),
    "hours": ('[watch]\nquiet_hours = "night"\n' + BOOK, "quiet_hours is to be such as"),
    "all hours": ('[watch]\nquiet_hours = "6:00-06:00"\n' + BOOK, "begin and end at the same"),
    "day": ('[watch]\nquiet_days = ["Someday"]\n' + BOOK, "write Monday to Sunday"),
    "dashboard": ('[watch]\ndashboard = "javascript:x"\n' + BOOK, "the address that people reach"),
    "kind": ('[watch.channels.x]\nkind = "pigeon"\n', "one of mail, webhook, service, file"),
    "password": (MAIL + 'user = "u"\npassword = "secret"\n', "never the password itself"),
    "plain": (
        MAIL + 'security = "none"\nuser = "u"\npassword = { environment = "X" }\n',
        "not sent without encryption",
    ),
    "user alone": (MAIL + 'user = "u"\n', "belong together"),
    "address": (MAIL.replace("b@plant.example", "b plant"), "are to be mail addresses"),
    "header": (MAIL.replace("b@plant", r"b@plant\r\nBcc: c@plant"), "to be a list of texts"),
    "web": (HOOK + 'address = "ftp://x"\n', "is to begin with https://"),
    "no web": (HOOK, "address is missing"),
    "service": ('[watch.channels.x]\nkind = "service"\naddress = "x://y"\n', "where it is kept"),
    "limit": (BOOK + "at_most = 0\n", "a whole number from 1"),
    "doubt": (BOOK + 'if_in_doubt = "ask"\n', 'to be "again" or "leave"'),
    "folder": ("[watch.folders.in]\n" + BOOK, "path is missing"),
}


def described(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "watch.toml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.parametrize("case", BAD)
def test_each_fault_is_one_sentence(tmp_path: Path, case: str) -> None:
    text, said = BAD[case]
    with pytest.raises(IngestError) as refused:
        load_watch(described(tmp_path, text))
    assert said in str(refused.value)
    assert "secret" not in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1


def test_the_description_in_the_module_is_one(tmp_path: Path) -> None:
    from dashboard.watch import description

    text = (description.__doc__ or "").partition("\n\n")[2]
    watch = load_watch(described(tmp_path, text))
    assert watch.every == timedelta(minutes=5)
    assert watch.quiet == (time(22), time(6))
    assert watch.quiet_days == {5, 6}
    assert [channel.kind for channel in watch.channels] == ["mail", "webhook", "file"]
    mail = watch.channels[0].way
    assert isinstance(mail, Mail)
    assert (mail.port, mail.password) == (587, Kept(environment="SPC_MAIL_PASSWORD"))
    assert watch.channels[0].targets == ("team: qc@plant.example",)
    hook = watch.channels[1].way
    assert isinstance(hook, Webhook)
    assert hook.kept == Kept(environment="SPC_ROOM_WEBHOOK")
    assert watch.folders[0].path == Path("/data/exports")


def test_where_it_is_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("VISCOSITY_SPC_WATCH", raising=False)
    store = f"sqlite:///{tmp_path / 'store.sqlite'}"
    assert watch_file(store) != tmp_path / "watch.toml"
    file = described(tmp_path, BOOK)
    assert watch_file(store) == file
    monkeypatch.setenv("VISCOSITY_SPC_WATCH", "/elsewhere/w.toml")
    assert watch_file(store) == Path("/elsewhere/w.toml")
    assert watch_file(store, "named.toml") == Path("named.toml")
    with pytest.raises(IngestError, match=r"There is no .*gone\.toml"):
        load_watch(tmp_path / "gone.toml")


@pytest.mark.parametrize(
    ("at", "until"),
    [  # by the calendar of 2026, Europe/Berlin: summer time from 29 March, 02:00, to 25 October
        ((3, 20, 20, 59), None),  # Friday, 21:59 in Berlin
        ((3, 20, 21, 0), (3, 23, 5, 0)),  # 22:00, then the weekend, until Monday 06:00
        ((3, 23, 4, 59), (3, 23, 5, 0)),
        ((3, 23, 5, 0), None),
        ((3, 28, 12, 0), (3, 30, 4, 0)),  # over the change of the clocks
        ((10, 24, 12, 0), (10, 26, 5, 0)),
    ],
)
def test_quiet_hours_are_those_of_the_site(
    tmp_path: Path, at: tuple[int, ...], until: tuple[int, ...] | None
) -> None:
    watch = load_watch(
        described(
            tmp_path,
            '[watch]\ntime_zone = "Europe/Berlin"\nquiet_hours = "22:00-06:00"\n'
            'quiet_days = ["saturday", "Sunday"]\n' + BOOK,
        )
    )
    found = quiet_until(watch, datetime(2026, *at, tzinfo=UTC))  # type: ignore[arg-type]
    wanted = datetime(2026, *until, tzinfo=UTC) if until else None  # type: ignore[arg-type]
    assert found == wanted

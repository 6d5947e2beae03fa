"""Every way to people: what arrives, under which number, and what is said where nothing does."""

import json
from datetime import UTC, datetime
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any

import pytest

from dashboard.watch.channel_description import Book, Channel, Mail, Service, Webhook
from dashboard.watch.channels import Outcome, Parcel, send
from dashboard.watch.messages import for_chat, one_line
from ingest.passwords import Kept
from tests.dashboard.watch.sinks import (
    MailSink,
    WebhookSink,
    free_port,
    mail_server,
    webhook,
)

AT = datetime(2026, 3, 20, 12, tzinfo=UTC)
NOT_KEPT = Kept()
PARCEL = Parcel("abc123", "P-1: B7 · 2300", "Text\n\nB7 · 2300 mPa·s", "<p>B7</p>", AT)


def mail(port: int, **more: Any) -> Channel:
    way = Mail("127.0.0.1", port, "none", "", Kept(), "spc@plant.example", ("qc@plant.example",))
    return Channel("team", "mail", 6, "again", way, **more)


def hook(
    address: str, kept: Kept = NOT_KEPT, markup: str = "angle", field: str = "text"
) -> Channel:
    return Channel("room", "webhook", 6, "again", Webhook(address, kept, field, markup))


def test_a_mail_holds_text_and_html_and_is_the_same_at_every_try() -> None:
    sink = MailSink(free_port())
    with mail_server(sink):
        for _ in range(2):
            assert send(mail(sink.port), "team: qc@plant.example", PARCEL) == Outcome()
    first, second = sink.got
    assert first.raw == second.raw
    letter = message_from_bytes(first.raw, policy=policy.default)
    assert letter["Message-ID"] == "<abc123@plant.example>"
    assert letter["Subject"] == "P-1: B7 · 2300"
    assert letter["To"] == "qc@plant.example"
    kinds = [part.get_content_type() for part in letter.walk()]
    assert kinds == ["multipart/alternative", "text/plain", "text/html"]
    assert letter.get_body(("html",)).get_content().strip() == "<p>B7</p>"
    assert all(byte < 128 for byte in first.raw)  # any server can carry it


def test_a_mail_that_surely_did_not_arrive_is_told_from_one_in_doubt() -> None:
    port = free_port()
    nobody = send(mail(port), "team: qc@plant.example", PARCEL)
    assert nobody.sure
    assert nobody.error == (
        f"The mail server 127.0.0.1:{port} does not answer as it should (Connection refused)."
    )
    sink = MailSink(free_port(), refuse="452 disk full")
    with mail_server(sink):
        full = send(mail(sink.port), "team: qc@plant.example", PARCEL)
    assert full == Outcome("The mail server 127.0.0.1 refuses the message (code 452).", sure=True)


def test_a_mail_server_that_hangs_up_after_the_words_leaves_doubt() -> None:
    class HangsUp(MailSink):
        async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
            await super().handle_DATA(server, session, envelope)
            server.transport.abort()
            return "250 OK"

    sink = HangsUp(free_port())
    with mail_server(sink):
        outcome = send(mail(sink.port), "team: qc@plant.example", PARCEL)
    assert len(sink.got) == 1  # it did arrive
    assert not outcome.sure
    assert "broke off" in outcome.error


def test_a_webhook_gets_one_field_and_the_number() -> None:
    sink = WebhookSink()
    with webhook(sink):
        assert send(hook(sink.address), "room", PARCEL) == Outcome()
        assert send(hook(sink.address, field="content"), "room", PARCEL) == Outcome()
    assert sink.bodies[0] == {"text": "P-1: B7 · 2300\n\nText\n\nB7 · 2300 mPa·s"}
    assert list(sink.bodies[1]) == ["content"]
    assert [one.number for one in sink.got] == ["abc123", "abc123"]


def test_a_webhook_that_refuses_is_told_without_its_secret(monkeypatch: Any) -> None:
    sink = WebhookSink(answer=503)
    with webhook(sink):
        monkeypatch.setenv("ROOM", sink.address + "&secret=hunter2")
        outcome = send(hook("", Kept(environment="ROOM")), "room", PARCEL)
    assert outcome.error == "The webhook of room at 127.0.0.1 answers with the code 503."
    monkeypatch.setenv("ROOM", "not an address hunter2")
    outcome = send(hook("", Kept(environment="ROOM")), "room", PARCEL)
    assert "https://" in outcome.error
    assert "hunter2" not in outcome.error
    monkeypatch.delenv("ROOM")
    outcome = send(hook("", Kept(environment="ROOM")), "room", PARCEL)
    assert outcome.error.endswith("environment variable ROOM, which is not set: set it.")
    assert outcome.sure


def test_another_service_is_reached_through_the_library(monkeypatch: Any) -> None:
    sink = WebhookSink()
    channel = Channel("pager", "service", 6, "again", Service(Kept(environment="PAGER")))
    with webhook(sink):
        monkeypatch.setenv("PAGER", sink.address.replace("http://", "json://"))
        assert send(channel, "pager", PARCEL) == Outcome()
    assert sink.bodies[0]["title"] == PARCEL.subject
    assert sink.bodies[0]["message"] == PARCEL.text
    monkeypatch.setenv("PAGER", "no-such-service://hunter2")
    outcome = send(channel, "pager", PARCEL)
    assert outcome.error.endswith("has an address that the notification library does not know.")


def test_a_file_gets_a_line_once_even_behind_one_that_was_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "notices.jsonl"
    channel = Channel("book", "file", 6, "again", Book(path))
    assert send(channel, "book", PARCEL) == Outcome()
    again = Parcel("abc123", "s", "t", "", AT, tries=2)
    assert send(channel, "book", again) == Outcome()
    assert len(path.read_text().splitlines()) == 1
    with path.open("a") as file:
        file.write('{"id": "cut", "te')
    cut = Parcel("cut", "s", "t", "", AT, tries=2)
    assert send(channel, "book", cut) == Outcome()
    lines = path.read_text().splitlines()
    assert [json.loads(lines[i])["id"] for i in (0, 2)] == ["abc123", "cut"]


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    channel = Channel("book", "file", 6, "again", Book(tmp_path / "none" / "x.jsonl"))
    outcome = send(channel, "book", PARCEL)
    assert outcome.error.endswith("x.jsonl cannot be written (No such file or directory).")


def test_names_cannot_call_anybody_or_draw_links_in_a_chat_room() -> None:
    name = "<!channel> [x](http://evil.example) & @everyone <http://evil.example|safe>"
    angle = for_chat(name, "angle")
    assert "<" not in angle
    assert "&lt;!channel&gt;" in angle
    assert "@everyone" not in angle
    marked = for_chat(name, "markdown")
    assert r"\[x\]\(http" in marked
    for said in (angle, marked):
        assert "http://" not in said
    assert "@everyone" not in marked
    assert for_chat(name, "none") == name
    own = "http://qc.example/control-chart?characteristic=1&batch=B1"
    assert for_chat(f"{name}\n{own}", "angle", "http://qc.example").endswith(f"\n{own}")


@pytest.mark.parametrize("sign", ["\r\n", "\x00", "\x1b[31m", "\u202e", "\u2028", "\x85"])
def test_a_line_of_a_message_is_one_line(sign: str) -> None:
    said = one_line(f"B1{sign}Bcc: all@plant.example")
    assert said.isprintable()
    assert len(said.splitlines()) == 1
    assert len(one_line("x" * 5000)) <= 600

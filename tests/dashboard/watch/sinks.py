"""A mail server and a webhook on this machine that keep what they get, and can be dead."""

import asyncio
import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller


@dataclass(frozen=True)
class Delivery:
    """One delivery: the number of the message, its text, and all of it as it came."""

    number: str
    text: str
    raw: bytes
    to: str = ""
    subject: str = ""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class MailSink:
    """`refuse` answers every mail with that code; `refused` answers so for these addresses."""

    port: int
    delay: Callable[[], float] = lambda: 0.0
    refuse: str = ""
    refused: set[str] = field(default_factory=set)
    got: list[Delivery] = field(default_factory=list)

    async def handle_RCPT(  # noqa: N802 - the names that the server calls
        self, _server: Any, _session: Any, envelope: Any, to: str, _o: Any
    ) -> str:
        if to in self.refused:
            return "550 no such person"
        envelope.rcpt_tos.append(to)
        return "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        if self.refuse:
            return self.refuse
        raw = bytes(envelope.content)
        letter: Any = message_from_bytes(raw, policy=policy.default)
        body = letter.get_body(("plain",)).get_content()
        self.got += [
            Delivery(letter["Message-ID"], body, raw, to, letter["Subject"])
            for to in envelope.rcpt_tos
        ]
        await asyncio.sleep(self.delay())  # it arrived, and nobody was told yet
        return "250 OK"


@contextmanager
def mail_server(sink: MailSink) -> Iterator[MailSink]:
    server = Controller(sink, hostname="127.0.0.1", port=sink.port, ready_timeout=20)
    server.start()
    try:
        yield sink
    finally:
        server.stop()


@dataclass
class WebhookSink:
    """`answer` is the code of every answer."""

    delay: Callable[[], float] = lambda: 0.0
    answer: int = 200
    address: str = ""
    got: list[Delivery] = field(default_factory=list)
    bodies: list[dict[str, Any]] = field(default_factory=list)


@contextmanager
def webhook(sink: WebhookSink) -> Iterator[WebhookSink]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            raw = self.rfile.read(int(self.headers["Content-Length"]))
            if sink.answer < 300:
                body = json.loads(raw)
                sink.bodies.append(body)
                sink.got.append(
                    Delivery(self.headers["Idempotency-Key"], body.get("text", ""), raw)
                )
            threading.Event().wait(sink.delay())
            with suppress(OSError):  # whoever sent it was killed meanwhile
                self.send_response(sink.answer)
                self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    sink.address = f"http://127.0.0.1:{server.server_address[1]}/hooks/room?key=a%2Fb"
    try:
        yield sink
    finally:
        server.shutdown()
        server.server_close()

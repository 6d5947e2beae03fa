"""Sending one message by one way, under its number, and saying what became of it.

What a number is worth: whoever receives two messages of one number received one twice. For mail it
is the Message-ID, for a webhook the header Idempotency-Key, in a file the field `id`; the file is
looked through before a message is written into it a second time.

Mail goes through Python's own `smtplib`, since the notification library gives a mail another
Message-ID at every try, and does not say whether a refused one was on its way already. Webhooks and
all other services go through the library.
"""

import json
import logging
import os
import re
import smtplib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from dashboard.watch.channel_description import (
    Book,
    Channel,
    Mail,
    Service,
    Webhook,
    web_address,
)
from dashboard.watch.messages import for_chat
from ingest import IngestError
from ingest.passwords import Kept, fetch

PATIENCE = 20.0  # seconds for each answer of a server
_CODE = re.compile(r"error=(\d{3})")


@dataclass(frozen=True, slots=True)
class Parcel:
    """A message ready to be sent.

    Attributes:
        id: its number. subject, text, html: its words. written: when. tries: which try this is.
        ours: address of the dashboard, that links of ours begin with.
    """

    id: str
    subject: str
    text: str
    html: str
    written: datetime
    tries: int = 1
    ours: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a try: "" in `error` where it arrived; `sure` that it did not, where not."""

    error: str = ""
    sure: bool = True


def send(channel: Channel, target: str, parcel: Parcel) -> Outcome:
    """Send a message to one target; no failure of the way there is raised."""
    way = channel.way
    try:
        if isinstance(way, Mail):
            return _mail(channel.name, way, target.rpartition(": ")[2], parcel)
        if isinstance(way, Webhook):
            return _webhook(channel.name, way, parcel)
        if isinstance(way, Service):
            return _service(channel.name, way, parcel)
        return _into_file(way, parcel)
    except IngestError as error:  # a password that is not where it is to be
        return Outcome(str(error))
    except Exception as error:  # noqa: BLE001 - one way that fails must not end all others
        return Outcome(
            f"{channel.name} failed in a way not foreseen ({type(error).__name__}).", False
        )


def _mail(name: str, way: Mail, address: str, parcel: Parcel) -> Outcome:
    """One mail to one address.

    Whatever happens before the words are handed over, it surely did not arrive; when the line
    breaks after that, nobody knows.
    """
    password = fetch(way.password, way.user, f"Channel {name}")
    letter = mail_of(way, address, parcel)
    handed_over = False
    try:
        with _connected(way) as server:
            if way.user:
                server.login(way.user, password)
            server.mail(way.sender)
            code, _ = server.rcpt(address)
            if code not in (250, 251):
                return Outcome(f"The mail server {way.server} refuses {address} (code {code}).")
            handed_over = True
            code, _ = server.data(letter.as_bytes())
            if code != 250:
                return Outcome(f"The mail server {way.server} refuses the message (code {code}).")
    except smtplib.SMTPAuthenticationError:
        return Outcome(f"The mail server {way.server} does not accept user {way.user}.")
    except smtplib.SMTPDataError as error:  # said no to DATA itself
        return Outcome(f"The mail server {way.server} refuses the message ({error.smtp_code}).")
    except (smtplib.SMTPException, OSError) as error:
        what = "broke off" if handed_over else "does not answer as it should"
        kind = getattr(error, "strerror", None) or type(error).__name__
        return Outcome(f"The mail server {way.server}:{way.port} {what} ({kind}).", not handed_over)
    return Outcome()


@contextmanager
def _connected(way: Mail) -> Iterator[smtplib.SMTP]:
    """A connection that says goodbye, and whose goodbye cannot undo what was accepted."""
    context = ssl.create_default_context()
    if way.security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(
            way.server, way.port, timeout=PATIENCE, context=context
        )
    else:
        server = smtplib.SMTP(way.server, way.port, timeout=PATIENCE)
    try:
        server.ehlo_or_helo_if_needed()
        if way.security == "starttls":
            server.starttls(context=context)
            server.ehlo()
        yield server
        with suppress(smtplib.SMTPException, OSError):
            server.putcmd("quit")  # its answer is not waited for: what arrived is to be noted now
    finally:
        server.close()


def mail_of(way: Mail, address: str, parcel: Parcel) -> EmailMessage:
    """The mail as it is sent, the same bytes at every try."""
    # lines that end as the protocol wants, and nothing that an old server could not carry
    letter = EmailMessage(policy=policy.SMTP.clone(cte_type="7bit"))
    letter["From"] = way.sender
    letter["To"] = address
    letter["Subject"] = parcel.subject
    letter["Date"] = format_datetime(parcel.written)
    letter["Message-ID"] = f"<{parcel.id}@{way.sender.rpartition('@')[2]}>"
    letter["Auto-Submitted"] = "auto-generated"  # RFC 3834: no absence note comes back
    letter.set_content(parcel.text)
    letter.add_alternative(parcel.html, subtype="html")
    letter.set_boundary(f"part-{parcel.id}")
    return letter


def _webhook(name: str, way: Webhook, parcel: Parcel) -> Outcome:
    address = way.address
    if way.kept != Kept():
        found = fetch(way.kept, "webhook", f"Channel {name}", "address").strip()
        address = web_address(found, f"Channel {name}")
    parts = urlsplit(address)
    asked: dict[str, Any] = {
        "schema": "jsons" if parts.scheme == "https" else "json",
        "host": parts.hostname,
        "port": parts.port,
        "user": unquote(parts.username) if parts.username else None,
        "password": unquote(parts.password) if parts.password else None,
        "fullpath": parts.path or "/",
        "params": dict(parse_qsl(parts.query, keep_blank_values=True)),
        "headers": {"Idempotency-Key": parcel.id},
        # the text in the field that is asked for, and nothing else
        "payload": {
            "message": way.field,
            "version": "",
            "title": "",
            "attachments": "",
            "type": "",
        },
        "cto": PATIENCE,
        "rto": PATIENCE,
    }
    said = for_chat(f"{parcel.subject}\n\n{parcel.text}", way.markup, parcel.ours)
    return _through_library(asked, said, "", f"The webhook of {name} at {parts.hostname}")


def _service(name: str, way: Service, parcel: Parcel) -> Outcome:
    address = fetch(way.kept, "service", f"Channel {name}", "address").strip()
    return _through_library(address, parcel.text, parcel.subject, f"The service of {name}")


def _through_library(asked: Any, body: str, title: str, whose: str) -> Outcome:
    import apprise  # slow to import

    with _last_warning() as heard:
        plugin = apprise.Apprise.instantiate(asked, suppress_exceptions=True)
        if plugin is None:
            return Outcome(f"{whose} has an address that the notification library does not know.")
        ways = apprise.Apprise()
        ways.add(plugin)
        arrived = ways.notify(body=body, title=title, body_format=apprise.NotifyFormat.TEXT)
    if arrived:
        return Outcome()
    code = _CODE.search(heard[-1]) if heard else None  # the rest may hold parts of a secret
    what = f"answers with the code {code[1]}" if code else "does not answer as it should"
    return Outcome(f"{whose} {what}.", sure=False)


@contextmanager
def _last_warning() -> Iterator[list[str]]:
    """What the library logs meanwhile, kept from the terminal: it may name addresses."""
    heard: list[str] = []

    class _Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            heard.append(record.getMessage())

    logger, keep = logging.getLogger("apprise"), _Keep(logging.WARNING)
    spread, logger.propagate = logger.propagate, False
    logger.addHandler(keep)
    try:
        yield heard
    finally:
        logger.removeHandler(keep)
        logger.propagate = spread


def _into_file(way: Book, parcel: Parcel) -> Outcome:
    """One line at the end of the file; not again what stands there already."""
    line = json.dumps(
        {
            "id": parcel.id,
            "written": parcel.written.isoformat(timespec="seconds"),
            "subject": parcel.subject,
            "text": parcel.text,
        },
        ensure_ascii=False,
    )
    try:
        torn = b""
        if way.path.exists():
            held = way.path.read_bytes() if parcel.tries > 1 else b""
            if any(_id_of(one) == parcel.id for one in held.splitlines()):
                return Outcome()
            torn = b"\n" if held and not held.endswith(b"\n") else b""
        with way.path.open("ab", buffering=0) as file:
            file.write(torn + line.encode() + b"\n")
            os.fsync(file.fileno())
    except OSError as error:
        return Outcome(f"{way.path} cannot be written ({error.strerror}).", sure=False)
    return Outcome()


def _id_of(line: bytes) -> str:
    try:
        return str(json.loads(line)["id"])
    except (ValueError, KeyError, TypeError):  # a line that was cut off
        return ""

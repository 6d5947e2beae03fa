"""Ways to people as the watch's file describes them: mail, webhook, another service, a file."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from ingest import IngestError
from ingest.passwords import Kept, where_kept
from ingest.toml_values import refuse_unknown, text_of, texts_of, whole

AT_MOST = 6
PORTS = {"starttls": 587, "tls": 465, "none": 25}
MARKUPS = ("angle", "markdown", "none")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_MAIL = re.compile(r"[^\s@<>,;:\"]+@[^\s@<>,;:\"]+")
_OF_ALL = {"kind", "at_most", "if_in_doubt"}
_KEYS = {
    "mail": {"server", "port", "security", "user", "password", "from", "to"},
    "webhook": {"address", "field", "markup"},
    "service": {"address"},
    "file": {"path"},
}


@dataclass(frozen=True, slots=True)
class Mail:
    """A mail server and the people; the password stands elsewhere."""

    server: str
    port: int
    security: str
    user: str
    password: Kept
    sender: str
    to: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Webhook:
    """An address that takes JSON with the text in one field, as chat rooms offer them.

    Attributes:
        address: as described; "" where it is a secret, kept at `kept`. field: of the text.
        markup: how names are kept from being obeyed: "angle" writes & < > as entities, "markdown"
            puts a backslash before what has a meaning, "none" leaves them.
    """

    address: str
    kept: Kept
    field: str
    markup: str


@dataclass(frozen=True, slots=True)
class Service:
    """Any address that the notification library knows; it holds secrets, so it stands elsewhere."""

    kept: Kept


@dataclass(frozen=True, slots=True)
class Book:
    """A file of lines, each a message as JSON."""

    path: Path


@dataclass(frozen=True, slots=True)
class Channel:
    """One way to people.

    Attributes:
        name, kind: as described. at_most: messages an hour to each address.
        in_doubt: what becomes of a message of which nobody knows whether it was sent, since the
            watch was killed just then: "again", under the same number, or "leave".
        way: how it is reached.
    """

    name: str
    kind: str
    at_most: int
    in_doubt: str
    way: Mail | Webhook | Service | Book

    @property
    def targets(self) -> tuple[str, ...]:
        """What each message is sent to on its own: every address of a mail channel is one."""
        if isinstance(self.way, Mail):
            return tuple(f"{self.name}: {address}" for address in self.way.to)
        return (self.name,)


def channel_of(name: str, given: Mapping[str, Any], path: Path, where: str) -> Channel:
    """A channel from its section."""
    where = f"{where}.channels.{name}"
    if not _NAME.fullmatch(name):
        raise IngestError(f"{where}: name it with letters, digits, dashes and underscores only.")
    kind = text_of(given, "kind", where)
    if kind not in _KEYS:
        raise IngestError(f"{where}: kind is to be one of {', '.join(_KEYS)}.")
    refuse_unknown(given, _OF_ALL | _KEYS[kind], where)
    doubt = text_of(given, "if_in_doubt", where) or "again"
    if doubt not in ("again", "leave"):
        raise IngestError(f'{where}: if_in_doubt is to be "again" or "leave".')
    if kind == "mail":
        way: Mail | Webhook | Service | Book = _mail(given, where)
    elif kind == "webhook":
        way = _webhook(given, where)
    elif kind == "service":
        way = Service(where_kept(given.get("address"), where, "address"))
        if way == Service(Kept()):
            raise IngestError(f"{where}: address is missing: say where it is kept.")
    else:
        named = text_of(given, "path", where)
        if not named:
            raise IngestError(f"{where}: path is missing: name the file.")
        way = Book(path.absolute().parent / named)
    return Channel(name, kind, whole(given, "at_most", where, AT_MOST, 10_000), doubt, way)


def _mail(given: Mapping[str, Any], where: str) -> Mail:
    server = text_of(given, "server", where)
    if not server:
        raise IngestError(f"{where}: server is missing: name the mail server.")
    security = text_of(given, "security", where) or "starttls"
    if security not in PORTS:
        raise IngestError(f"{where}: security is to be one of {', '.join(PORTS)}.")
    sender, to = text_of(given, "from", where), texts_of(given, "to", where)
    for address in (sender, *to):
        if not _MAIL.fullmatch(address) or not address.isascii():
            raise IngestError(
                f"{where}: from and to are to be mail addresses such as qc@plant.example; "
                f"{address!r} is none."
            )
    if not to:
        raise IngestError(f"{where}: to is missing: name who is to be told.")
    user, password = text_of(given, "user", where), where_kept(given.get("password"), where)
    if bool(user) != (password != Kept()):
        raise IngestError(f"{where}: user and password belong together: name both or neither.")
    if user and security == "none":
        raise IngestError(
            f'{where}: a password is not sent without encryption: set security = "starttls".'
        )
    port = whole(given, "port", where, PORTS[security], 65_535)
    return Mail(server, port, security, user, password, sender, to)


def _webhook(given: Mapping[str, Any], where: str) -> Webhook:
    held = given.get("address")
    plain = held.strip() if isinstance(held, str) else ""
    kept = Kept() if isinstance(held, str) else where_kept(held, where, "address")
    if not plain and kept == Kept():
        raise IngestError(f"{where}: address is missing: give it, or say where it is kept.")
    if plain:
        web_address(plain, where)
    markup = text_of(given, "markup", where) or "angle"
    if markup not in MARKUPS:
        raise IngestError(f"{where}: markup is to be one of {', '.join(MARKUPS)}.")
    return Webhook(plain, kept, text_of(given, "field", where) or "text", markup)


def web_address(address: str, where: str) -> str:
    """The address, if it is one of http or https; it is never shown in the refusal."""
    try:
        parts = urlsplit(address)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:  # a port that is no number
        good = False
    if not good or not address.isprintable() or " " in address:
        raise IngestError(f"{where}: the address is to begin with https:// or http:// and a host.")
    return address

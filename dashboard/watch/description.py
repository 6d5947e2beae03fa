"""What to watch and whom to tell, described in a TOML file without passwords.

[watch]
every = "5 minutes"
time_zone = "Europe/Berlin"                    # of quiet hours, and of times in messages
quiet_hours = "22:00-06:00"                    # what comes then is sent afterwards, in one message
quiet_days = ["Saturday", "Sunday"]
again_after = "24 hours"                       # what stays open and unseen is told again
dashboard = "http://qc-pc.example:8501"        # where people reach it: links lead there
sources = ["lims"]                             # of sources.toml; left out: all of them
rules = "three-sigma-ewma"

[watch.folders.press]                          # imported as `import --source press`
path = "/data/exports"
answers = { time_zone = "Europe/Berlin" }

[watch.channels.team]
kind = "mail"
server = "mail.example"
security = "starttls"                          # or "tls", "none"
user = "spc"
password = { environment = "SPC_MAIL_PASSWORD" }   # or { keyring = "spc mail" }
from = "spc@plant.example"
to = ["qc@plant.example"]
at_most = 6                                    # messages an hour to each address

[watch.channels.room]
kind = "webhook"
address = { environment = "SPC_ROOM_WEBHOOK" } # or the address itself where it is no secret

[watch.channels.book]
kind = "file"
path = "notices.jsonl"
"""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.rule_sets import DEFAULT_RULES, rule_set
from dashboard.watch.channel_description import Channel, channel_of
from ingest import IngestError
from ingest.toml_values import load_toml, place_of, refuse_unknown, section, span, text_of, texts_of

WATCH_FILE = "watch.toml"
_VARIABLE = "VISCOSITY_SPC_WATCH"
_KEYS = {
    *("every", "time_zone", "quiet_hours", "quiet_days", "again_after", "dashboard", "sources"),
    *("rules", "folders", "channels", "retry", "claim"),
}
_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_HOURS = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)\s*[-–]\s*([01]?\d|2[0-3]):([0-5]\d)")
_ADDRESS = re.compile(r"https?://[^\s/?#]+(/[^\s?#]*)?")


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder whose files are imported: its name as a source, its path, answers to questions."""

    name: str
    path: Path
    answers: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Watch:
    """What to watch and whom to tell.

    Attributes:
        file: where it is described. every: from one look to the next.
        sources: names of sources to pull; None for all that are described. folders: to be imported.
        zone: of quiet hours and of times in messages. quiet: from and until, None without.
        quiet_days: 0 for Monday to 6. again_after: None for never.
        dashboard: the address that people reach it at, "" not said. rules: key of the rule set.
        channels: ways to people. retry: after a first failure; doubled until an hour.
        claim: how long sending one message may take before another watch may send it.
    """

    file: Path
    every: timedelta
    sources: tuple[str, ...] | None
    folders: tuple[Folder, ...]
    zone: ZoneInfo
    quiet: tuple[time, time] | None
    quiet_days: frozenset[int]
    again_after: timedelta | None
    dashboard: str
    rules: str
    channels: tuple[Channel, ...]
    retry: timedelta
    claim: timedelta


def watch_file(store_url: str | None = None, config: str | os.PathLike[str] | None = None) -> Path:
    """Where the watch is described: a named file, else beside the store, else the user's own."""
    return place_of(WATCH_FILE, _VARIABLE, store_url, config)


def load_watch(file: str | os.PathLike[str]) -> Watch:
    """The watch that a file describes.

    Raises:
        IngestError: the file is not there, cannot be read, or says something that has no sense.
    """
    path = Path(file)
    try:
        content = load_toml(path)
    except FileNotFoundError:
        raise IngestError(
            f"There is no {path}: describe in it what to watch and whom to tell, or name another "
            "file with --config."
        ) from None
    refuse_unknown(content, {"watch"}, str(path))
    where = f"{path}, watch"
    given = section(content.get("watch", {}), where)
    refuse_unknown(given, _KEYS, where)
    channels = section(given.get("channels", {}), f"{where}.channels")
    if not channels:
        raise IngestError(
            f"{where}: nobody is to be told: write a section [watch.channels.NAME] with kind = "
            '"mail", "webhook", "service" or "file".'
        )
    folders = section(given.get("folders", {}), f"{where}.folders")
    again = given.get("again_after")
    sources = texts_of(given, "sources", where) if "sources" in given else None
    return Watch(
        file=path,
        every=span(given.get("every", "5 minutes"), "every", where),
        sources=sources,
        folders=tuple(_folder(name, one, path, where) for name, one in folders.items()),
        zone=_zone(text_of(given, "time_zone", where) or "UTC", where),
        quiet=_quiet(text_of(given, "quiet_hours", where), where),
        quiet_days=_quiet_days(texts_of(given, "quiet_days", where), where),
        again_after=None if again is None else span(again, "again_after", where),
        dashboard=_dashboard(text_of(given, "dashboard", where), where),
        rules=rule_set(text_of(given, "rules", where) or DEFAULT_RULES).key,
        channels=tuple(
            channel_of(name, section(one, f"{where}.channels.{name}"), path, where)
            for name, one in channels.items()
        ),
        retry=span(given.get("retry", "1 minute"), "retry", where),
        claim=span(given.get("claim", "5 minutes"), "claim", where),
    )


def _folder(name: str, given: Any, path: Path, where: str) -> Folder:
    where = f"{where}.folders.{name}"
    table = section(given, where)
    refuse_unknown(table, {"path", "answers"}, where)
    at = text_of(table, "path", where)
    if not at:
        raise IngestError(f"{where}: path is missing: name the folder.")
    answers = section(table.get("answers", {}), f"{where}.answers")
    if not all(isinstance(value, str | int | float) for value in answers.values()):
        raise IngestError(f"{where}: answers are to be texts, as --set takes them.")
    return Folder(
        name, path.absolute().parent / at, {key: str(value) for key, value in answers.items()}
    )


def _zone(name: str, where: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # KeyError: ZoneInfoNotFoundError
        raise IngestError(
            f"{where}: {name!r} is no time zone: name one such as Europe/Berlin or UTC."
        ) from None


def _quiet(said: str, where: str) -> tuple[time, time] | None:
    if not said:
        return None
    match = _HOURS.fullmatch(said)
    if match is None:
        raise IngestError(f'{where}: quiet_hours is to be such as "22:00-06:00".')
    hours = [int(part) for part in match.groups()]
    start, stop = time(hours[0], hours[1]), time(hours[2], hours[3])
    if start == stop:
        raise IngestError(
            f"{where}: quiet_hours begin and end at the same time: leave them out for none, or "
            "name quiet_days."
        )
    return start, stop


def _quiet_days(names: tuple[str, ...], where: str) -> frozenset[int]:
    found = set()
    for name in names:
        if name.lower() not in _DAYS:
            raise IngestError(f"{where}: quiet_days has {name!r}: write Monday to Sunday.")
        found.add(_DAYS.index(name.lower()))
    if len(found) == 7:
        raise IngestError(f"{where}: with seven quiet_days nobody would ever be told: leave one.")
    return frozenset(found)


def _dashboard(said: str, where: str) -> str:
    if said and not _ADDRESS.fullmatch(said):
        raise IngestError(
            f"{where}: dashboard is to be the address that people reach it at, such as "
            "http://qc-pc:8501."
        )
    return said.rstrip("/")

"""The words of a message: for mail as text and HTML, for a chat room, for a file.

Names in them come from files and databases. In HTML they are escaped, a subject is one line, and
for a chat room what its markup would obey is taken out of force.
"""

import html
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from dashboard import escaping, text
from dashboard.results import CAUTION
from dashboard.watch.description import Watch
from dashboard.watch.ledger import Known, in_order
from dashboard.watch.matters import EVENT, KINDS, OUTSIDE
from dashboard.watch.timing import Due

SHOWN = 40
"""Matters that one message tells with what is asked of whom; of more it says what, a line each."""
LISTED = 500
"""Further ones that get a line; of still more it says how many, and where they stand."""
LONGEST_CHAT = 20_000
"""Characters of a message to a chat room: rooms refuse longer ones, and would for ever."""
LONGEST_SUBJECT = 120
_LONGEST_LINE = 600
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]+")


@dataclass(frozen=True, slots=True)
class Words:
    """A message before it has a number: its subject, its text, its HTML."""

    subject: str
    text: str
    html: str


@dataclass(frozen=True, slots=True)
class _Part:
    """One matter in a message: lines of text, and the address it leads to."""

    lines: tuple[str, ...]
    address: str


def words_of(watch: Watch, due: Due, now: datetime, first: bool) -> Words:
    """Put what is due into words.

    Args:
        watch: as described. due: what is to be told. now: the time of writing.
        first: nothing was ever told to this target: this is how things stand as the watch begins.
    """
    new, again = in_order(due.new), in_order(due.again)
    opening = _opening(len(new), len(again), first)
    sections: list[tuple[str, list[_Part]]] = []
    briefly: list[_Part] = []
    for heading, known in (("", new), ("Still open, and nobody has acknowledged it", again)):
        shown = known[: max(SHOWN - sum(len(parts) for _, parts in sections), 0)]
        briefly += [_Part(_part(watch, one).lines[:1], "") for one in known[len(shown) :]]
        for kind in dict.fromkeys(one.matter.kind for one in shown):
            parts = [_part(watch, one) for one in shown if one.matter.kind == kind]
            name = KINDS.get(kind, kind)
            sections.append((f"{heading}: {name}" if heading else name, parts))
    if briefly:
        sections.append(("And also", briefly[:LISTED]))
    left = len(briefly[LISTED:])
    closing = [f"And {left} more: all of them stand on the Set-up page, under Watch."] * bool(left)
    closing += [_how(new + again), CAUTION, f"Written {_moment(watch, now)}."]
    page = _link(watch, "set-up?part=watch")
    subject = _subject(new, again, first)
    return Words(
        subject,
        _text(opening, sections, closing, page),
        _html(subject, opening, sections, closing, page),
    )


def for_chat(said: str, markup: str, ours: str = "") -> str:
    """Text as a chat room may take it: what its markup would obey is taken out of force.

    Args:
        said: the text. markup: of the room, see `Webhook`. ours: address of the dashboard; lines
            that begin with it are links that we wrote, all others are made none. What is too long
            for a room is cut at the end of a line, and that is said.
    """
    lines: list[str] = []
    left = LONGEST_CHAT
    for line in said.split("\n"):
        own = markup == "none" or (ours and line.startswith(f"{ours}/"))
        lines.append(line if own else _calm(line, markup))
        left -= len(lines[-1]) + 1
        if left < 0:
            lines[-1] = "… and more: all of it stands on the Set-up page, under Watch."
            lines += ["", CAUTION]
            break
    return "\n".join(lines)


def _calm(line: str, markup: str) -> str:
    calm = line.replace("@", "@\u200b")  # so that nobody is called who is not meant
    calm = calm.replace("://", ":\u200b//")  # nor led elsewhere by the name of a batch
    if markup == "angle":
        return calm.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return escaping.markdown(calm) if calm.strip() else calm


def one_line(said: str, longest: int = _LONGEST_LINE) -> str:
    """Text from data as one line, without characters of control, not without end."""
    line = " ".join(_UNSEEN.sub(" ", said).split())
    return line if len(line) <= longest else f"{line[: longest - 2]} …"


def _opening(new: int, again: int, first: bool) -> str:
    if first:
        return f"The watch begins. This is what stands open: {text.count(new, 'thing')}."
    parts = [f"{text.count(new, 'thing')} came up"] * bool(new)
    parts += [f"{text.count(again, 'thing')} stayed open"] * bool(again)
    return f"{text.sentence(text.joined(parts))}"


def _subject(new: Sequence[Known], again: Sequence[Known], first: bool) -> str:
    every = [*new, *again]
    if len(every) == 1:
        one = every[0].matter
        about = f"{one.about.split(',')[0]}: " if one.about and one.kind != "check standard" else ""
        still = "Still open: " if again else ""
        return one_line(f"{still}{about}{one.sentence.removesuffix('.')}", LONGEST_SUBJECT)
    if first:
        return f"The watch begins: {len(every)} things stand open"
    if not new:
        return f"Still open: {len(every)} things need a person"
    return f"{len(every)} things need a person"


def _part(watch: Watch, known: Known) -> _Part:
    one = known.matter
    lines = [f"{one.about}: {one.sentence}" if one.about else one.sentence]
    if one.step:
        lines.append(f"Asked of {one.who}: {one.step}")
    times = [f"noticed {_moment(watch, known.noticed_at)}"]
    if one.since:
        times.insert(0, f"since {_moment(watch, datetime.fromisoformat(one.since))}")
    if known.over and known.over_at is not None and one.kind not in (EVENT, OUTSIDE):
        times.append(f"not so any more at {_moment(watch, known.over_at)}")
    lines.append(text.sentence(", ".join(times)))
    return _Part(tuple(one_line(line) for line in lines), _link(watch, one.address))


def _how(known: Sequence[Known]) -> str:
    kinds = {one.matter.kind for one in known}
    on_chart = (
        "An event is acknowledged on its chart, with the button there" if EVENT in kinds else ""
    )
    listed = "the rest in the list under Set-up, Watch" if kinds - {EVENT} else ""
    if on_chart and listed:
        said = f"{on_chart}, {listed}"
    else:
        said = on_chart or "It is acknowledged in the list under Set-up, Watch"
    return f"{said}; then it is not told again."


def _link(watch: Watch, address: str) -> str:
    return f"{watch.dashboard}/{address}" if watch.dashboard else ""


def _moment(watch: Watch, at: datetime) -> str:
    return f"{text.moment(pd.Timestamp(at).tz_convert(watch.zone))} ({watch.zone.key})"


def _text(
    opening: str, sections: Sequence[tuple[str, Sequence[_Part]]], closing: Sequence[str], page: str
) -> str:
    lines = [opening]
    for heading, parts in sections:
        lines += ["", heading]
        for part in parts:
            lines += ["", *part.lines, *([part.address] if part.address else [])]
    lines += ["", *closing, *([page] if page else [])]
    return "\n".join(lines)


def _html(
    subject: str,
    opening: str,
    sections: Sequence[tuple[str, Sequence[_Part]]],
    closing: Sequence[str],
    page: str,
) -> str:
    safe = html.escape
    body = [f"<p>{safe(opening)}</p>"]
    for heading, parts in sections:
        body.append(f"<h2>{safe(heading)}</h2>")
        for part in parts:
            first, *rest = (safe(line) for line in part.lines)
            said = "<br>".join([f"<b>{first}</b>", *rest])
            link = f'<br><a href="{safe(part.address)}">Open it</a>' if part.address else ""
            body.append(f"<p>{said}{link}</p>")
    body += [f"<p>{safe(line)}</p>" for line in closing]
    body += [f'<p><a href="{safe(page)}">All that waits</a></p>'] if page else []
    return (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{safe(subject)}'
        f"</title></head><body>{''.join(body)}</body></html>"
    )

"""First item of the agenda: what changed in the period, with who and why."""

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

import ingest
from dashboard import changes, text
from dashboard.results import Assessment
from dashboard.review.facts import Facts
from dashboard.review.model import Block, Cell, Heading, Section, Table, Words
from dashboard.review.period import local_moment
from dashboard.setup_undo import SETTINGS
from ingest.event_records import KINDS
from ingest.minutes import OF_MEETINGS

TITLE = "What changed"
_ELSEWHERE = {*KINDS.values(), *OF_MEETINGS}
"""Told by the items on actions and on decisions."""
_KINDS = (
    ("limits", ("limits frozen",)),
    ("exclusions", ("batch left out of limits", "batch counted for limits again")),
    ("specifications", ("specification",)),
    ("methods", ("method",)),
    ("check standards", ("check standard",)),
    ("products", ("product",)),
    ("imports", ("import", "export of a source")),
    ("settings", ("setting",)),
)
_LONGEST = 240
"""Letters of an old or new value in the pack; the journal holds it whole."""


def section(facts: Facts) -> Section:
    """Decisions in the period, those after the cut-off, lots and instruments, imports."""
    mine = [one for one in facts.entries if one.what not in _ELSEWHERE and _concerns(one, facts)]
    during = [one for one in mine if facts.written_in_period(one.at)]
    since = [one for one in mine if facts.written_after(one.at)]
    appeared = _appeared(facts)
    problems, imports = _problems(facts), _imports(facts)
    blocks: list[Block] = [
        Words(_summary(during, appeared, problems), strong=True, brief=True),
        _decisions(
            "decisions",
            "Decisions in the period",
            during,
            facts,
            "The journal holds no decision of this period.",
        ),
    ]
    if since:
        blocks += [
            Heading("Decided after the cut-off"),
            Words(
                f"{text.count(len(since), 'decision')} recorded after the end of the period and "
                "counted here, as on the screens: limits, exclusions, specifications and settings "
                "stand as they are recorded at this revision of the store.",
            ),
            _decisions("decided-since", "Decided after the cut-off", since, facts),
        ]
    blocks += [
        Heading("Lots and instruments"),
        Table(
            "lots-and-instruments",
            "First used in the period",
            ("Product", "What", "First batch", "Made", "Before it"),
            tuple(appeared),
            "No batch of the period names a lot or an instrument that its product did not have "
            "before. Who decided, and why, is not in the readings.",
        ),
        Heading("Imports"),
        Table(
            "imports",
            "Imports in the period, or with readings of it",
            (
                "Number",
                "When",
                "File",
                "Source",
                "Rows read",
                "Used",
                "Set aside",
                "Not parsed",
                "Conflicts",
            ),
            tuple(imports),
            "No import was made in the period or holds readings of it.",
        ),
        Table(
            "import-problems",
            "Readings of the period that are not used",
            ("Product", "Reason", "Readings"),
            tuple(problems),
            "Every reading of the period is in use.",
            brief=3,
        ),
    ]
    return Section("changed", TITLE, 3, tuple(blocks))


def _summary(
    during: Sequence[ingest.Entry],
    appeared: Sequence[tuple[Cell, ...]],
    problems: Sequence[tuple[Cell, ...]],
) -> str:
    counted = Counter(_kind(one) for one in during)
    said = [f"{name}: {n}" for name, n in counted.items()]
    decided = (
        f"{text.count(len(during), 'decision')} ({', '.join(said)})" if during else "No decision"
    )
    new = Counter("lot" if str(row[1]).startswith("lot") else "instrument" for row in appeared)
    first = [text.count(n, f"new {name}") for name, n in sorted(new.items())]
    aside = sum(int(str(row[2])) for row in problems)
    unused = f"{text.count(aside, 'reading')} not used" if aside else "every reading is used"
    return text.sentence(
        "; ".join([decided, ", ".join(first) or "no new lot or instrument", unused])
    )


def _kind(entry: ingest.Entry) -> str:
    for name, begins in _KINDS:
        if entry.what.startswith(begins):
            return name
    return "others"


def _concerns(entry: ingest.Entry, facts: Facts) -> bool:
    """Whether a decision is about a chosen product, or about none in particular."""
    if not facts.chosen:
        return True
    every = set(facts.characteristics["product"])
    about = [
        name for name in every if entry.subject == name or entry.subject.startswith(f"{name}, ")
    ]
    return not about or any(name in facts.chosen for name in about)


def _decisions(
    key: str,
    title: str,
    entries: Sequence[ingest.Entry],
    facts: Facts,
    empty: str = "Nothing.",
) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for entry in entries:
        old, new = changes.in_words(entry.old, entry.new)
        rows.append(
            (
                entry.id,
                local_moment(pd.Timestamp(entry.at), facts.period.zone),
                f"{entry.what}: {SETTINGS.get(entry.subject, entry.subject)}",
                _short(old),
                _short(new),
                entry.who,
                entry.why or "no reason was asked for",
            )
        )
    columns = ("Entry", "When", "What", "Old", "New", "Who", "Why")
    return Table(key, title, columns, tuple(rows), empty)


def _short(words: str) -> str:
    return words if len(words) <= _LONGEST else f"{words[:_LONGEST]} … (whole in the journal)"


def _appeared(facts: Facts) -> list[tuple[Cell, ...]]:
    """Lots and instruments that a product has in the period for the first time."""
    rows: list[tuple[Cell, ...]] = []
    for one in facts.found:
        inside = facts.in_period(one.batches["at"]).to_numpy()
        if not inside.any():
            continue
        lots = facts.seen.lots(one.characteristic_id)
        names = one.batches["batch"].tolist()
        held = [lots.get(name, "") for name in names]
        rows += _first_uses(one, "lot", held, inside, facts)
        rows += _first_uses(one, "instrument", one.batches["instrument"].tolist(), inside, facts)
    return rows


def _first_uses(
    one: Assessment, what: str, values: Sequence[str], inside: np.ndarray, facts: Facts
) -> list[tuple[Cell, ...]]:
    rows: list[tuple[Cell, ...]] = []
    known: set[str] = set()
    before = ""
    for i, value in enumerate(values):
        if value and value not in known:
            if inside[i] and known:
                at = local_moment(one.batches["at"].iat[i], facts.period.zone)
                rows.append(
                    (
                        facts.name_of(one),
                        f"{what} {value}",
                        str(one.batches["batch"].iat[i]),
                        at,
                        before,
                    )
                )
            known.add(value)
        before = value or before
    return rows


def _imports(facts: Facts) -> list[tuple[Cell, ...]]:
    held = facts.seen.imports()
    mine = {int(number) for number in facts.rows["import_id"].unique()}
    rows: list[tuple[Cell, ...]] = []
    for row in held.iloc[::-1].itertuples():
        if int(row.id) in mine or facts.period.start <= row.at < facts.period.end:
            undone = " (undone)" if row.undone else ""
            rows.append(
                (
                    int(row.id),
                    local_moment(row.at, facts.period.zone),
                    f"{row.file}{undone}",
                    row.source or "not named",
                    int(row.rows_read),
                    int(row.used),
                    int(row.set_aside),
                    int(row.not_parsed),
                    int(row.conflicts),
                )
            )
    return rows


def _problems(facts: Facts) -> list[tuple[Cell, ...]]:
    """Readings of the period that are not used, by product and reason."""
    aside = facts.rows[facts.rows["reason"] != ""]
    counts = aside.groupby(["product", "reason"], sort=True).size()
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return [
        (str(product), ingest.REASONS.get(str(reason), str(reason)), int(n))
        for (product, reason), n in ordered
    ]

"""Sixth item of the agenda: actions with what came of them, and the decisions of the meeting."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

import ingest
from dashboard import reaction, text
from dashboard.review.facts import Facts
from dashboard.review.model import Block, Cell, Heading, Section, Table, Words
from dashboard.review.period import local_moment
from ingest.event_records import ACTION, ACTION_DONE, EFFECT

TITLE = "Actions and decisions"
MOST_TASKS = 25


@dataclass(frozen=True, slots=True)
class Action:
    """An action with what became of it.

    Attributes:
        record: the action as agreed. product: whose chart it is about.
        done: the record that says it is done; None while it is open.
        effects: what was found when its effect was checked.
        overdue: open, and its day was over at the cut-off.
    """

    record: ingest.EventRecord
    product: str
    done: ingest.EventRecord | None
    effects: tuple[ingest.EventRecord, ...]
    overdue: bool


def actions_of(facts: Facts) -> list[Action]:
    """Every action that stands, overdue ones first, then by the day they are due."""
    names = {one.characteristic_id: one.product for one in facts.found}
    mine = _records(facts, names)
    found = []
    for one in mine:
        if one.kind != ACTION:
            continue
        about = [other for other in mine if other.about == one.id]
        done = [other for other in about if other.kind == ACTION_DONE]
        effects = tuple(other for other in about if other.kind == EFFECT)
        late = not done and one.due is not None and facts.is_past(one.due)
        found.append(
            Action(one, names[one.characteristic_id], done[-1] if done else None, effects, late)
        )
    return sorted(
        found,
        key=lambda a: (a.done is not None, not a.overdue, a.record.due or date.max, a.record.id),
    )


def section(facts: Facts) -> Section:
    """Open, overdue and closed actions, what waits without one, and decisions to be minuted."""
    found = actions_of(facts)
    waiting = [one for one in found if one.done is None]
    closed = [one for one in found if one.done is not None]
    recent = [
        one
        for one in closed
        if not one.effects
        or any(facts.written_since(each.at) for each in (one.done, *one.effects) if each)
    ]
    minutes = [
        one
        for one in ingest.minutes(facts.store, facts.period.key)
        if not facts.chosen or not one.products or set(one.products) & set(facts.chosen)
    ]
    blocks: list[Block] = [
        Words(_headline(waiting, closed, facts), strong=True, brief=True),
        Table(
            "actions-open",
            "Open and overdue actions",
            ("State", "Due", "Action", "Owner", "Product and batches", "Agreed by"),
            tuple(_open(one, facts) for one in waiting),
            "No action is open.",
            brief=6,
        ),
        Table(
            "actions-closed",
            "Actions done, with their effect",
            ("Action", "Owner", "Product and batches", "Done", "Effect"),
            tuple(_closed(one, facts) for one in recent),
            "No action was done or checked since the period began, and none waits for its effect.",
        ),
        *_tasks(facts),
        *_recorded(facts),
        Heading("Decisions to be minuted", brief=True),
        Table(
            "minutes",
            "Decisions of the meeting",
            ("Entry", "Decision", "Products", "Minuted", "Who"),
            tuple(
                (
                    one.id,
                    one.words,
                    ", ".join(one.products) or "all",
                    local_moment(pd.Timestamp(one.at), facts.period.zone),
                    one.who,
                )
                for one in minutes
            ),
            "None is minuted yet: they are typed on the Review page during the meeting.",
            brief=8,
        ),
    ]
    return Section("actions", TITLE, 5, tuple(blocks))


def _headline(waiting: Sequence[Action], closed: Sequence[Action], facts: Facts) -> str:
    overdue = sum(one.overdue for one in waiting)
    unchecked = sum(not one.effects for one in closed)
    said = f"{text.count(len(waiting), 'action')} open, {overdue} overdue"
    if closed:
        said += f"; {len(closed)} done, {unchecked} of them without a check of their effect"
    without = sum(
        event.open and all(record.kind != ACTION for record in event.handling.records)
        for one in facts.found
        for event in one.events
    )
    if without:
        has = "has" if without == 1 else "have"
        said += f"; {text.count(without, 'open event')} {has} no action"
    return f"{said}."


def _about(one: ingest.EventRecord, product: str) -> str:
    ends = dict.fromkeys((one.first_batch, one.last_batch))
    return f"{product}, {text.stretch(list(ends))}"


def _open(one: Action, facts: Facts) -> tuple[Cell, ...]:
    record = one.record
    agreed = f"{record.who}, {local_moment(pd.Timestamp(record.at), facts.period.zone)}"
    due = text.date(pd.Timestamp(record.due)) if record.due is not None else text.MISSING
    state = "overdue" if one.overdue else "open"
    return state, due, record.words, record.owner, _about(record, one.product), agreed


def _closed(one: Action, facts: Facts) -> tuple[Cell, ...]:
    zone = facts.period.zone
    done = one.done
    said = "" if done is None else f"{done.who}, {local_moment(pd.Timestamp(done.at), zone)}"
    if done is not None and done.words:
        said += f": {done.words}"
    effect = "; ".join(
        f"{each.words} ({each.who}, {local_moment(pd.Timestamp(each.at), zone)})"
        for each in one.effects
    )
    record = one.record
    about = _about(record, one.product)
    return record.words, record.owner, about, said, effect or "not checked yet"


def _tasks(facts: Facts) -> list[Block]:
    """What waits at the cut-off, as the overview asks it."""
    tasks = reaction.tasks_of(facts.found, facts.settings)
    rows: list[tuple[Cell, ...]] = [
        (
            task.product,
            task.what,
            task.step,
            task.who,
            local_moment(task.since, facts.period.zone),
            task.handling,
        )
        for task in tasks[:MOST_TASKS]
    ]
    more = len(tasks) - len(rows)
    blocks: list[Block] = [
        Table(
            "asked",
            "Asked of people at the cut-off",
            ("Product", "What", "First step", "Who", "Since", "How far"),
            tuple(rows),
            "Nothing is asked of anybody.",
        )
    ]
    return [*blocks, *([Words(f"And {more} more: see the overview.")] if more > 0 else [])]


def _recorded(facts: Facts) -> list[Block]:
    """What people recorded about events since the period began, but for the actions above."""
    names = {one.characteristic_id: one.product for one in facts.found}
    kinds = {ACTION, ACTION_DONE, EFFECT}
    rows: list[tuple[Cell, ...]] = [
        (
            local_moment(pd.Timestamp(one.at), facts.period.zone),
            _about(one, names[one.characteristic_id]),
            f"{one.kind}: {one.words}" if one.words else one.kind,
            one.who,
        )
        for one in _records(facts, names)
        if one.kind not in kinds and facts.written_since(one.at)
    ]
    return [
        Table(
            "recorded",
            "Recorded about events since the period began",
            ("When", "Product and batches", "What", "Who"),
            tuple(rows),
            "Nobody recorded anything about an event since the period began.",
        )
    ]


def _records(facts: Facts, names: dict[int, str]) -> list[ingest.EventRecord]:
    every = ingest.standing(ingest.event_records(facts.store))
    return [one for one in every if one.characteristic_id in names]

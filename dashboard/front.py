"""What the overview says, top to bottom, for the products that a person wants to see.

Nothing is hidden in silence: what a filter leaves out is counted, and what of it needs a person.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from dashboard import sentences, text
from dashboard.drawing import as_specification
from dashboard.figures import Palette, trend
from dashboard.figures.trend import LAST
from dashboard.reaction import Task, tasks_of
from dashboard.results import BATCH_MEANS, Assessment
from dashboard.sentences import InstrumentLine
from dashboard.verdicts import OUTSIDE

NEWEST = 5
"""Batches that the overview names."""
CARDS = 10
"""Products on one page of cards."""
LOOKED_AT = 200
"""Newest batches of a product in which its instruments are looked for."""
UNCHECKED = pd.Timedelta(days=1)
"""A check standard is run on each day of use: common practice."""
PERIODS: dict[str, tuple[str, int]] = {
    "1": ("in the last day", 1),
    "7": ("in the last 7 days", 7),
    "30": ("in the last 30 days", 30),
    "365": ("in the last year", 365),
}
"""Value in the address to words and days."""
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, slots=True)
class Filters:
    """What a person wants to see; empty means all of them."""

    line: tuple[str, ...] = ()
    product: tuple[str, ...] = ()
    instrument: tuple[str, ...] = ()
    period: str = ""

    @property
    def words(self) -> str:
        """The filters in force: "line L1; instruments V1 and V2"; "" without any."""
        parts = [
            f"{name if len(chosen) == 1 else name + 's'} {text.joined(chosen, 'or')}"
            for name in ("line", "product", "instrument")
            if (chosen := getattr(self, name))
        ]
        if self.period:
            parts.append(f"with a batch {PERIODS[self.period][0]}")
        return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class Card:
    """A product that needs a person, and what is asked about it."""

    one: Assessment
    tasks: tuple[Task, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Front:
    """The overview.

    Attributes:
        headline: open events and all else that waits, or that all is quiet.
        which: the products of the open events; "" without any.
        filtered: what the filters leave out; "" without filters.
        instruments: one line an instrument.
        newest: the newest batches, one a product, the newest first.
        asked: of whom how much is asked, and since when; "" when nothing is.
        instrument_tasks: what is asked about an instrument, not about a product.
        cards: products that need a person, in the order of what is asked.
        rest: all others, one row each.
        n: products shown.
        false_alarms: expected a week while nothing is wrong; None where it cannot be said.
    """

    headline: str
    which: str
    filtered: str
    instruments: tuple[InstrumentLine, ...]
    newest: tuple[Assessment, ...]
    asked: str
    instrument_tasks: tuple[Task, ...]
    cards: tuple[Card, ...]
    rest: pd.DataFrame
    n: int
    false_alarms: float | None


def front(
    found: Sequence[Assessment],
    settings: Mapping[str, Any],
    now: pd.Timestamp,
    filters: Filters = Filters(),
    lines: Mapping[int, Sequence[str]] | None = None,
) -> Front:
    """Make the overview.

    Args:
        found: every product judged. settings: of the site. now: to tell ages by.
        filters: what to show. lines: production lines by characteristic, where a line is asked for.
    """
    shown = [one for one in found if _is_shown(one, filters, now, lines or {})]
    tasks = tasks_of(shown, settings)
    of_products = [task for task in tasks if task.key != "check_standard"]
    asked_of: dict[int, list[Task]] = {}
    for task in of_products:
        asked_of.setdefault(task.characteristic_id, []).append(task)
    rank = {number: place for place, number in enumerate(asked_of)}
    waiting = sorted(
        (one for one in shown if one.needs_a_person or one.characteristic_id in asked_of),
        key=lambda one: rank.get(one.characteristic_id, -1),  # without a task: in doubt, so first
    )
    weekly = [one.false_alarms_per_week for one in shown if one.false_alarms_per_week is not None]
    return Front(
        headline=sentences.headline(shown) if shown else "Nothing to show",
        which=_which(shown),
        filtered=_filtered(found, shown, filters),
        instruments=tuple(measuring_system(shown, now)),
        newest=tuple(_newest(shown)),
        asked=_asked(tasks),
        instrument_tasks=tuple(task for task in tasks if task.key == "check_standard"),
        cards=tuple(Card(one, tuple(asked_of.get(one.characteristic_id, ()))) for one in waiting),
        rest=quiet_table([one for one in shown if one not in waiting]),
        n=len(shown),
        false_alarms=sum(weekly) if weekly else None,
    )


def card_picture(one: Assessment, palette: Palette) -> dict[str, Any]:
    """The last batches, small: a Vega-Lite specification, made once and kept."""
    location = one.charts.location if one.charts else None
    drawn = trend(
        one.batches["mean"].to_numpy(),
        one.batches["batch"].tolist(),
        lower=float(location.lower[-1]) if location else None,
        center=float(location.center[-1]) if location else None,
        upper=float(location.upper[-1]) if location else None,
        signals=sorted({row.index for row in one.signals if row.chart == BATCH_MEANS}),
        stretches=[(event.start, event.stop) for event in one.open_events],
        palette=palette,
    )
    made = as_specification(drawn)
    values = made.pop("datasets")
    # the values where they are used: by name, each set would be a table of its own for the browser
    for layer in made["layer"]:
        if "name" in layer.get("data", {}):
            layer["data"] = {"values": values[layer["data"]["name"]]}
    return {**made, "description": picture_words(one)}


def picture_words(one: Assessment) -> str:
    """What the small picture shows, for those who do not see it."""
    means = one.batches["mean"].iloc[-LAST:]
    said = (
        f"{one.product}: the last {text.batches(len(means))}, means from "
        f"{text.number(means.min())} to {text.viscosity(means.max())}"
    )
    if one.charts is not None:
        location = one.charts.location
        low, high = text.number(location.lower[-1]), text.number(location.upper[-1])
        said += f", control limits {low} and {high}"
    told = " ".join(event.sentence for event in one.open_events)
    return f"{said}. {told}".strip()


def choices(
    found: Sequence[Assessment], lines: Mapping[int, Sequence[str]]
) -> dict[str, list[str]]:
    """What can be filtered by: the values of each filter that occur."""
    shown = {one.characteristic_id for one in found}  # check standards have no line
    named = {name for number in shown for name in lines.get(number, ())}
    return {
        "line": sorted(named - {""}) + [NOT_RECORDED] * ("" in named and len(named) > 1),
        "product": sorted({one.product for one in found}),
        "instrument": sorted({name for one in found for name in _instruments(one)}),
    }


def is_against(one: Assessment) -> bool:
    """Whether the newest batch is on the wrong side of its specification, or may be."""
    verdict = one.last_verdict
    return verdict is not None and verdict.zone in (OUTSIDE, "does not conform", "not decided")


def measuring_system(found: Sequence[Assessment], now: pd.Timestamp) -> list[InstrumentLine]:
    """One line an instrument, with the age of its last check where that is old.

    An instrument in use without a check for more than a day is not called in order.
    """
    checked: dict[str, pd.Timestamp] = {}
    used: dict[str, pd.Timestamp] = {}
    for one in found:
        for standard in one.check_standards:
            if standard.last_at is not None:
                name = standard.instrument or "instrument not recorded"
                checked[name] = max(standard.last_at, checked.get(name, standard.last_at))
        newest = one.batches[["instrument", "at"]].tail(LOOKED_AT).dropna(subset=["at"])
        for instrument, at in dict(zip(newest["instrument"], newest["at"], strict=True)).items():
            name = str(instrument) or "instrument not recorded"
            used[name] = max(at, used.get(name, at))
    return [
        _aged(line, checked.get(line.instrument), used.get(line.instrument), now)
        for line in sentences.measuring_system(found)
    ]


def _aged(
    line: InstrumentLine,
    checked: pd.Timestamp | None,
    used: pd.Timestamp | None,
    now: pd.Timestamp,
) -> InstrumentLine:
    if checked is None:
        return line
    days = int((now - checked) / pd.Timedelta(days=1))
    if days < 2:
        return line
    words = f"{line.words}, {days} days ago"
    if line.in_order and used is not None and used - checked > UNCHECKED:
        # what was in order then says nothing about the results since
        words = (
            f"not checked for {days} days while in use: in order at the last check, "
            f"{text.date(checked)}; newest batch {text.date(used)}"
        )
        return replace(line, words=words, in_order=None)
    return replace(line, words=words)


def quiet_table(found: Sequence[Assessment]) -> pd.DataFrame:
    """The products that need nobody, one row each, with the address of their chart."""
    return pd.DataFrame(
        {
            "Product": [one.product for one in found],
            "State": [", ".join(one.shown_states) for one in found],
            "Last batch": [one.last_batch or text.MISSING for one in found],
            "Mean, mPa·s": [
                float(text.number(float(one.batches["mean"].iat[-1])).replace("−", "-"))
                if one.n_batches
                else None
                for one in found
            ],
            "Made": [text.date(one.last_batch_at) for one in found],
            "Against specification": [
                one.last_verdict.zone if one.last_verdict else text.MISSING for one in found
            ],
            "Capability": [_capability(one) for one in found],
            "Batches": [one.n_batches for one in found],
            "Measuring condition": [one.condition for one in found],
            "Chart": [f"control-chart?characteristic={one.characteristic_id}" for one in found],
        }
    )


def pages(n: int) -> list[str]:
    """The pages that so many cards fill: "1–10", "11–20", "21–23"."""
    return [
        f"{first + 1}–{min(first + CARDS, n)}" if first + 1 < n else f"{n}"
        for first in range(0, n, CARDS)
    ]


def task_line(task: Task) -> str:
    """What is asked, of whom, since when, and how far it has come."""
    since = f", since {text.date(task.since)}" if task.since is not None else ""
    handled = "nobody has recorded anything yet" if task.handling == "new" else task.handling
    return f"{task.step} Asked of: {task.who}{since}; {handled}."


def _is_shown(
    one: Assessment, filters: Filters, now: pd.Timestamp, lines: Mapping[int, Sequence[str]]
) -> bool:
    if filters.product and one.product not in filters.product:
        return False
    if filters.instrument and not _instruments(one) & set(filters.instrument):
        return False
    if filters.line:
        mine = {name or NOT_RECORDED for name in lines.get(one.characteristic_id, ())}
        if not mine & set(filters.line):
            return False
    if filters.period:
        days = pd.Timedelta(days=PERIODS[filters.period][1])
        return one.last_batch_at is not None and now - one.last_batch_at <= days
    return True


def _instruments(one: Assessment) -> set[str]:
    return {str(name) for name in one.batches["instrument"].unique() if name}


def _which(shown: Sequence[Assessment]) -> str:
    names = list(dict.fromkeys(one.product for one in shown if one.open_events))
    more = len(names) - CARDS
    said = text.joined(names if more <= 0 else [*names[:CARDS], f"{more} more"])
    return f"Open events: {said}." if names else ""


def _filtered(found: Sequence[Assessment], shown: Sequence[Assessment], filters: Filters) -> str:
    if not filters.words:
        return ""
    seen = {one.characteristic_id for one in shown}
    out = [one for one in found if one.characteristic_id not in seen]
    said = f"Shown are {len(shown)} of {text.count(len(found), 'chart')}: {filters.words}."
    need = sum(one.needs_a_person for one in out)
    return f"{said} {need} of those not shown need a person." if need else said


def _newest(shown: Sequence[Assessment]) -> list[Assessment]:
    dated = [one for one in shown if one.last_batch_at is not None]
    dated.sort(key=lambda one: one.last_batch_at, reverse=True)
    undated = [one for one in shown if one.last_batch_at is None and one.n_batches]
    return [*dated, *undated][:NEWEST]


def _asked(tasks: Sequence[Task]) -> str:
    if not tasks:
        return ""
    whom: dict[str, int] = {}
    for task in tasks:
        whom[task.who] = whom.get(task.who, 0) + 1
    parts = [f"{who} {n}" for who, n in sorted(whom.items(), key=lambda item: -item[1])]
    times = [task.since for task in tasks if task.since is not None]
    since = f", the oldest since {text.date(min(times))}" if times else ""
    return f"{text.count(len(tasks), 'thing')} to do ({text.joined(parts)}){since}."


def _capability(one: Assessment) -> str:
    view = one.capability
    if view.result is None or view.withheld:
        return "none, see there"
    return f"Cpk {text.with_interval(view.result.cpk, view.result.cpk_interval)}"

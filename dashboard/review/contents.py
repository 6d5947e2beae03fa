"""Everything that a pack says, section by section in the order of the agenda."""

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from dashboard import sentences, text
from dashboard.results import AssessmentError
from dashboard.review import actions, capability, changed, measurement, outcomes, top_events
from dashboard.review.facts import Facts, facts_of
from dashboard.review.model import Contents, Section, brief
from dashboard.review.period import Period, local_moment
from dashboard.rule_sets import DEFAULT_RULES, RULE_SETS
from dashboard.verdicts import uncertainty_of

FULL, SUMMARY = "full", "summary"
AUDIENCES = {FULL: "full pack", SUMMARY: "one-page summary"}
AGENDA: tuple[tuple[str, Callable[[Facts], Section]], ...] = (
    (changed.TITLE, changed.section),
    (top_events.TITLE, top_events.section),
    (measurement.TITLE, measurement.section),
    (capability.TITLE, capability.section),
    (outcomes.TITLE, outcomes.section),
)
"""The sections in their order, before the actions; one more is one function and one line here."""
ATTEMPTS = 3
Progress = Callable[[int, int, str], None]


def contents_of(
    store: Any,
    period: Period,
    products: Sequence[str] = (),
    audience: str = FULL,
    rules: str = DEFAULT_RULES,
    progress: Progress | None = None,
) -> Contents:
    """Gather what a pack says.

    Args:
        store: an open store. period: of the review. products: names; empty for all.
        audience: a key of AUDIENCES. rules: key of a rule set.
        progress: called with sections done, sections in all, and what is done next.

    Raises:
        AssessmentError: an unknown audience, product or rule set.
    """
    if audience not in AUDIENCES:
        raise AssessmentError(f"audience must be one of {', '.join(AUDIENCES)}, got {audience!r}.")
    for _ in range(ATTEMPTS):
        revision = int(store.revision())
        if progress is not None:
            progress(0, len(AGENDA) + 1, "judging every product")
        facts = facts_of(store, period, products, rules, audience == FULL)
        contents = assembled(facts, opening(facts, progress), revision)
        if int(store.revision()) == revision:
            break  # nothing was written meanwhile: all of it is of one revision
    return contents


def opening(facts: Facts, progress: Progress | None = None) -> tuple[Section, ...]:
    """All sections but the last: nothing that is minuted in the meeting changes them."""
    sections = []
    for done, (title, make) in enumerate(AGENDA, 1):
        if progress is not None:
            progress(done, len(AGENDA) + 1, title)
        sections.append(make(facts))
    if progress is not None:
        progress(len(AGENDA) + 1, len(AGENDA) + 1, "done")
    return tuple(sections)


def assembled(facts: Facts, sections: Sequence[Section], revision: int) -> Contents:
    """The contents, with actions and minuted decisions as they are now.

    Args:
        facts: what the sections were made from. sections: as `opening` gives them.
        revision: of the store now.
    """
    period = facts.period
    contents = Contents(
        title="Viscosity review",
        period=period.label,
        period_key=period.key,
        borders=period.borders,
        audience=FULL if facts.full else SUMMARY,
        products=_products(facts),
        headline=sentences.headline(facts.found) if facts.found else "No batch before the cut-off",
        cut_off=f"{local_moment(period.end, period.zone)}, {period.zone}",
        cut_off_utc=period.end.isoformat().replace("+00:00", "Z"),
        revision=revision,
        needs_a_person=any(one.needs_a_person for one in facts.found),
        assumed=tuple(_assumed(facts)),
        sections=(*sections, actions.section(facts)),
    )
    return contents if facts.full else _summary(contents)


def _summary(contents: Contents) -> Contents:
    names = Contents.__dataclass_fields__
    held = {name: getattr(contents, name) for name in names}
    return Contents(**{**held, "sections": brief(contents)})


def _products(facts: Facts) -> str:
    if not facts.chosen:
        return f"all {len(facts.products)} products" if len(facts.products) != 1 else "1 product"
    return text.joined(list(facts.chosen))


def _assumed(facts: Facts) -> list[str]:
    """What a reader has to know before any number is used."""
    period = facts.period
    end = local_moment(period.end, period.zone)
    said = [
        f"Data: what was sampled (else tested) before {end}, {period.zone}, in all "
        f"{text.count(int(facts.characteristics['n_readings'].sum()), 'reading')} in use, check "
        "standards included. A batch counts when all its readings lie before that.",
        "Decisions (limits, exclusions, specifications, settings, actions): as recorded at this "
        "revision of the store.",
    ]
    if facts.newest is not None and facts.newest < pd.Timestamp(period.end):
        newest = local_moment(facts.newest, period.zone)
        said.append(f"The newest thing in the store is of {newest}: the period may go on.")
    chosen = RULE_SETS[facts.rules]
    said.append(f"Rules: {chosen.label}.")
    said.append(
        "Each batch is judged by the specification in force on its day. Control limits are not "
        "specification limits, and a process in control is not a batch that conforms."
    )
    said.append(_uncertainty(facts))
    left_out = sum(len(one.limits.left_out) for one in facts.found)
    if left_out:
        said.append(
            f"{text.batches(left_out)} left out of limits with a cause: plotted, not counted."
        )
    said.append(
        "Viscosity says nothing about other hazards. This tool is not validated until its user has "
        "validated it."
    )
    return said


def _uncertainty(facts: Facts) -> str:
    held = {name: uncertainty_of(facts.settings, name) for name in facts.products}
    known = {name: one for name, one in held.items() if one is not None}
    if not known:
        return "No measurement uncertainty is set: a batch is inside or outside, never undecided."
    sources = sorted(
        {
            f"{text.plain(one.standard_percent)} % standard uncertainty"
            f"{f', {one.source}' if one.source else ''}{f', of {one.date}' if one.date else ''}"
            for one in known.values()
        }
    )
    without = len(held) - len(known)
    rest = f" {text.count(without, 'product')} without one." if without else ""
    return f"Uncertainty: {'; '.join(sources)}; full guard band (two standard uncertainties).{rest}"

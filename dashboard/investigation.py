"""What the Investigation page says of one product, as plain frozen values with the words ready.

`contents` is all that a page, a report or a printed pack needs: it draws nothing, asks nothing of
the store that is not handed to it, and gives the same words for the same data and records.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

import ingest
import spc.drift
from dashboard import text
from dashboard.follow_up import CHANGE, checks_of, conclusions_of, effects_of, subjects_of
from dashboard.happened import Happened, happened
from dashboard.investigate import Investigated
from dashboard.investigation_results import Contents, Fact, FactorView, MovedRow
from dashboard.investigation_words import CLASSES, EXPLANATIONS, ROLES, SUSPECTS
from dashboard.results import CAUTION, Assessment, Event
from dashboard.text import signed

MOST_LEVELS = 8
"""Levels of a factor that a small picture shows; the table holds all of them."""
STRONG = 0.01
"""Adjusted p below which a factor is said to go with the level."""


def contents(
    one: Assessment,
    investigated: Investigated,
    records: Sequence[ingest.EventRecord],
    journal: pd.DataFrame,
    chosen: str = "",
) -> Contents:
    """Put into words what an investigation found, and what people recorded about it.

    A review pack calls `dashboard.investigate.investigate_product(store, one, sharing(every))` for
    `investigated`, `ingest.event_records(store, one.characteristic_id)` for `records` and
    `ingest.journal_table(store)[0]` for `journal`, prints `sentence`, `facts`, `evidence`,
    `happened`, `checks`, `conclusions` and `effects` as they are, `caution` below them, and draws
    `dashboard.investigation_panels.panels` where it wants the pictures. Operators are numbers
    unless `investigate_product` was asked for names.

    Args:
        one: the assessment of the product.
        investigated: its record and what was found in it.
        records: everything recorded about its events, taken back or not.
        journal: every decision of the store: at, who, what, subject, why.
        chosen: key of a subject; "" or an unknown one takes the change that was found, else the
            newest open event.
    """
    verdict = investigated.found.verdict
    subjects = subjects_of(one, investigated, records)
    subject = next((s for s in subjects if s.key == chosen), subjects[0] if subjects else None)
    near: tuple[Happened, ...] = ()
    is_timed = verdict.since_low is not None and verdict.since_high is not None
    if is_timed and verdict.cause_class != "data":
        near = happened(
            one, investigated.history, str(verdict.since_low), str(verdict.since_high), journal,
            one.check_standards,
        )  # fmt: skip
    handled = subject.event.handling.records if subject else ()
    facts = _facts(one, investigated, near, cannot := _cannot_tell(investigated))
    sentence = verdict.what
    apart = verdict.cause_class == "data" and subject is not None and subject.key != CHANGE
    if apart and subject is not None and verdict.since not in subject.event.batches:
        sentence, facts = _of_the_event_alone(subject.event, verdict)
    factors, multiplicity = _factors(investigated.found)
    pairing = investigated.found.pairing
    return Contents(
        characteristic_id=one.characteristic_id,
        product=one.product,
        condition=one.condition,
        last_batch=one.last_batch,
        n_batches=one.n_batches,
        sentence=sentence,
        facts=facts,
        cannot_tell=cannot,
        moved=_moved(investigated.found),
        explanations=tuple(
            sorted(
                ((EXPLANATIONS.get(k, k), p) for k, p in pairing.probabilities.items()),
                key=lambda pair: -pair[1],
            )
        )
        if pairing is not None and pairing.checks
        else (),
        evidence=verdict.evidence,
        factors=factors,
        multiplicity=multiplicity,
        happened=near,
        happened_note=_happened_note(verdict, near),
        checks=checks_of(investigated, handled) if subject else (),
        conclusions=conclusions_of(verdict, handled),
        effects=effects_of(one, investigated, handled),
        subject=subject,
        subjects=subjects,
        verdict=verdict,
        caution=CAUTION,
    )


def _facts(
    one: Assessment, investigated: Investigated, near: Sequence[Happened], cannot: str
) -> tuple[Fact, ...]:
    verdict = investigated.found.verdict
    facts = [Fact("What", verdict.what)]
    is_record = verdict.cause_class == "data"
    if verdict.since is not None:
        facts.append(Fact("Where" if is_record else "Since when", _since(one, verdict)))
    if verdict.size is not None:
        facts.append(Fact("How big", _size(one, verdict)))
    going_on = _if_it_goes_on(one, investigated)
    if going_on:
        facts.append(Fact("If it goes on", going_on))
    facts.append(Fact("Process or measurement", _which(verdict, cannot)))
    if verdict.since is not None and not is_record:
        inside = {item.what: item.batch for item in reversed(near) if item.inside}
        said = [f"{what} at {batch}" for what, batch in reversed(inside.items())]
        shown = "; ".join(said[:3]) + (f"; and {len(said) - 3} more" * (len(said) > 3))
        words = f"{text.sentence(shown)} Coinciding is not proof." if said else ""
        facts.append(Fact("Coincides with", words or "Nothing that is recorded."))
    if verdict.suspect != "none":
        facts.append(Fact("Check next", verdict.next_check))
    return tuple(facts)


def _of_the_event_alone(event: Event, verdict: spc.drift.Verdict) -> tuple[str, tuple[Fact, ...]]:
    """An event that nothing explains yet, beside a record that is wrong elsewhere."""
    n = text.batches(event.stop - event.start + 1)
    said = f"{event.sentence} No lasting change can be told yet from {n}."
    return said, (
        Fact("What", said),
        Fact(
            "Process or measurement", "Cannot be told yet: wait for more batches, or measure again."
        ),
        Fact("Besides", f"{verdict.what} It is no part of this event."),
    )


def _if_it_goes_on(one: Assessment, investigated: Investigated) -> str:
    """When a slow ramp would reach a limit of the specification; "" where there is none."""
    column, level = investigated.found.column, investigated.found.level
    held = one.capability.specification
    if column is None or level is None or held is None:
        return ""
    known = level[np.isfinite(level)]
    is_ramp = bool(((column > 0.0) & (column < 1.0)).any())
    slope = float(known[-1] - known[-2]) if len(known) > 1 else 0.0
    limit, name = (held.upper, "upper") if slope > 0 else (held.lower, "lower")
    if not is_ramp or slope == 0 or limit is None:
        return ""
    left = (limit - float(known[-1])) / slope
    word = f"the {name} limit of the specification, {text.plain(limit)} {text.UNIT}"
    if left <= 0:
        return f"The fitted level has already passed {word}."
    n = max(1, round(left))
    return f"The fitted level would reach {word}, within about {text.batches(n)}."


def _since(one: Assessment, verdict: spc.drift.Verdict) -> str:
    names = one.batches["batch"].tolist()
    at = dict(zip(names, one.batches["at"], strict=True))

    def day(name: str | None) -> str:
        said = text.date(at.get(name, pd.NaT)) if name is not None else text.MISSING
        return f"{name}" if said == text.MISSING else f"{name} ({said})"

    if verdict.since_low == verdict.since_high or verdict.since_low is None:
        return f"{day(verdict.since)}, known to the batch."
    return (
        f"Most likely {day(verdict.since)}; 95 % interval from {day(verdict.since_low)} to "
        f"{day(verdict.since_high)}."
    )


def _size(one: Assessment, verdict: spc.drift.Verdict) -> str:
    said = f"{signed(verdict.size)} {text.UNIT}"
    if verdict.cause_class == "data":
        return f"{said} from what its torque or its neighbours point to."
    if verdict.size_low is not None and verdict.size_high is not None:
        said += f" (95 % interval {signed(verdict.size_low)} to {signed(verdict.size_high)})"
    else:
        said += " (no interval can be given)"
    if verdict.size_percent is not None:
        said += f", {signed(verdict.size_percent)} % of the level before"
    held = one.capability.specification
    if held is not None and held.lower is not None and held.upper is not None and verdict.size:
        share = abs(verdict.size) / (held.upper - held.lower)
        said += f", {text.number(share, 2)} of the width of the specification"
    return f"{said}."


def _which(verdict: spc.drift.Verdict, cannot: str) -> str:
    if cannot:
        return f"Cannot tell. {cannot}"
    said = CLASSES[verdict.cause_class]
    if verdict.cause_class == "none":
        why = "" if verdict.suspect == "none" else f" ({SUSPECTS[verdict.suspect]})"
        return f"Neither{why}."
    if verdict.suspect in ("none", "unknown"):
        return f"{said}; no single suspect stands out."
    return f"{said}; suspect: {SUSPECTS[verdict.suspect]}."


def _cannot_tell(investigated: Investigated) -> str:
    """Why nobody can tell process from measurement here; "" where it can be told."""
    verdict, history = investigated.found.verdict, investigated.history
    if verdict.cause_class != "cannot_tell":
        return ""
    if not history.checks:
        return (
            "No check standard is recorded for its instruments, and without one nobody can: the "
            "batches alone look the same either way."
        )
    pairing = investigated.found.pairing
    if pairing is None or not pairing.checks:
        return (
            "No check standard covers it: too few runs before or after, or the change has no "
            "beginning that they could be compared around."
        )
    return (
        "The check standards do not decide it: the probability of a measurement fault is "
        f"{100 * pairing.measurement:.0f} %."
    )


def _moved(found: spc.drift.Investigation) -> tuple[MovedRow, ...]:
    if found.pairing is None:
        return ()
    rows = []
    for one in found.pairing.moved:
        low, high = one.percent_interval
        name = one.name.removeprefix("check standard ")
        rows.append(
            MovedRow(
                name[0].upper() + name[1:] if one.role == "target" else name,
                ROLES[one.role], one.percent, low, high, one.torque, one.n_before, one.n_after,
            )
        )  # fmt: skip
    return tuple(rows)


def _factors(found: spc.drift.Investigation) -> tuple[tuple[FactorView, ...], str]:
    if found.strata is None or not found.strata.factors:
        return (), "No factor with two levels or more is recorded, so nothing can be compared."
    views = tuple(_factor(one) for one in found.strata.factors)
    n = found.strata.comparisons
    said = (
        f"{text.count(n, 'comparison')} of a level with the rest; the adjusted p (Holm) allows for "
        "all of them, the intervals do not. "
        + (
            "A factor that stands out need not be the cause."
            if any(view.stands_out for view in views)
            else "None stands out: chance alone would give as much."
        )
    )
    return views, said


def _factor(one: spc.drift.Stratum) -> FactorView:
    stands_out = one.smallest_p < STRONG
    p = text.number(one.smallest_p, 2) if one.smallest_p < 1 else "1"
    if one.smallest_p < 1e-4:
        p = "below 0.0001"
    words = (
        f"takes up {100 * one.share:.0f} % of the variance between batches; smallest adjusted p {p}"
    )
    compared = [x for x in one.levels if np.isfinite(x.difference_percent)] or list(one.levels)
    shown = sorted(compared, key=lambda x: -_deviation(x))[:MOST_LEVELS]
    shown.sort(key=lambda x: -x.mean)
    notes = [text.sentence(note) for note in one.notes]
    if one.name == "lot":
        notes.append("Lots follow each other: what else changed with one looks the same here.")
    return FactorView(
        name=one.name,
        words=words,
        stands_out=stands_out,
        rows=tuple((f"{x.name} (n {x.n})", x.mean, x.low, x.high) for x in shown),
        more=len(one.levels) - len(shown),
        notes=tuple(notes),
        table=one.levels,
    )


def _deviation(level: spc.drift.Level) -> float:
    return -level.p if np.isfinite(level.p) else -2.0


def _happened_note(verdict: spc.drift.Verdict, near: Sequence[Happened]) -> str:
    if verdict.since is None:
        return "The change has no beginning in time, so nothing can coincide with it."
    if not near:
        return (
            "Nothing is recorded around the start: no lot, operator or instrument begins there, "
            "and the journal holds no service, method or limit of that time. What the site knows "
            "beyond that (shaft, filter, cleaning) should be compared by hand."
        )
    return (
        "What begins inside the interval may be the cause, what begins beside it may be recorded "
        "late; coinciding is not proof."
    )

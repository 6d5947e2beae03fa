"""What an investigation holds for people: frozen values with the words ready.

Nothing here computes anything; `dashboard.investigation` and `dashboard.follow_up` fill these in.
"""

from dataclasses import dataclass

import ingest
import spc.drift
from dashboard.happened import Happened
from dashboard.results import Event


@dataclass(frozen=True, slots=True)
class Subject:
    """What is investigated: the change that was found, or an event of the control chart.

    Attributes:
        key: CHANGE, or the kind of chart and the first batch of the event.
        label: for people.
        event: the stretch of batches that records are kept for, with what was recorded.
    """

    key: str
    label: str
    event: Event


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of the sentence card: "Since when", and the words."""

    name: str
    words: str


@dataclass(frozen=True, slots=True)
class MovedRow:
    """How far one series moved with the change: the product, a check standard, another product.

    Attributes:
        name: of the series. role: "this product", "check standard" or "other product".
        percent, low, high: change with its 95 % interval, in %.
        torque: usual torque in %; nan where not recorded.
        n_before, n_after: values outside and inside the change.
    """

    name: str
    role: str
    percent: float
    low: float
    high: float
    torque: float
    n_before: int
    n_after: int


@dataclass(frozen=True, slots=True)
class FactorView:
    """One factor that may divide the batches.

    Attributes:
        name: of the factor, "operator".
        words: what it takes up of the variance, and its smallest adjusted p, in a sentence.
        stands_out: the smallest adjusted p lies below 1 %.
        rows: level, mean, low and high of its 95 % interval, the most deviating levels first.
        more: levels that `rows` leaves out.
        notes: what cannot be told apart from what.
        table: every level: name, n, mean, low, high, difference in %, adjusted p.
    """

    name: str
    words: str
    stands_out: bool
    rows: tuple[tuple[str, float, float, float], ...]
    more: int
    notes: tuple[str, ...]
    table: tuple[spc.drift.Level, ...]


@dataclass(frozen=True, slots=True)
class Check:
    """One check on the list: what to try, and the records of it (what was found, who, when)."""

    what: str
    found: tuple[tuple[str, ingest.EventRecord], ...]


@dataclass(frozen=True, slots=True)
class Conclusion:
    """A cause that a person recorded.

    Attributes:
        cause_class: key of `investigation_words.CLASSES`; "" where recorded without one.
        words: what was found. record: who and when.
        differs: a sentence where the class is another one than the computed one; "" otherwise.
    """

    cause_class: str
    words: str
    record: ingest.EventRecord
    differs: str


@dataclass(frozen=True, slots=True)
class EffectView:
    """The batches after one action against the level before the change.

    Attributes:
        action: what was agreed. done: when it was recorded as done.
        first: first batch that counts as made after it; "" where there is none yet.
        effect: the numbers; None where there is nothing to compare with.
        words: the result in a sentence.
    """

    action: ingest.EventRecord
    done: ingest.EventRecord
    first: str
    effect: spc.drift.Effect | None
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """Everything that is said of one investigation; nothing in it needs a screen.

    Attributes:
        characteristic_id, product, condition, last_batch, n_batches: what was looked at.
        sentence: what happened, in one sentence.
        facts: the sentence card, line after line.
        cannot_tell: why process and measurement cannot be told apart; "" where they can.
        moved: how far each series moved, the product first; empty without a change in time.
        explanations: explanation to its probability, the likeliest first.
        evidence: sentences with the numbers for and against.
        factors: every factor, the one that stands out most first.
        multiplicity: what the adjusted p of the factors allow for.
        happened: what began or was decided around the start, in the order of time.
        happened_note: how to read it, or why there is nothing.
        checks: what to try, with what was found.
        conclusions: causes that people recorded and did not take back, oldest first.
        effects: actions that were done, each with the batches since then.
        subject: what records are kept for; None where there is nothing to record about.
        subjects: what can be chosen.
        verdict: the computed verdict.
        caution: the line that every verdict carries.
    """

    characteristic_id: int
    product: str
    condition: str
    last_batch: str
    n_batches: int
    sentence: str
    facts: tuple[Fact, ...]
    cannot_tell: str
    moved: tuple[MovedRow, ...]
    explanations: tuple[tuple[str, float], ...]
    evidence: tuple[str, ...]
    factors: tuple[FactorView, ...]
    multiplicity: str
    happened: tuple[Happened, ...]
    happened_note: str
    checks: tuple[Check, ...]
    conclusions: tuple[Conclusion, ...]
    effects: tuple[EffectView, ...]
    subject: Subject | None
    subjects: tuple[Subject, ...]
    verdict: spc.drift.Verdict
    caution: str

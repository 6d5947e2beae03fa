"""Fifth item of the agenda: right first time, adjustments, retests, results that are not decided.

Always a count with what it is a count of. A batch number of a product is one batch, at whatever
stage its samples were taken.
"""

from dataclasses import dataclass

from dashboard import text
from dashboard.capability_view import is_as_made, specifications_in_force
from dashboard.results import Assessment
from dashboard.review.facts import Facts
from dashboard.review.model import Block, Cell, Section, Table, Words
from dashboard.verdicts import uncertainty_of, verdict_of

TITLE = "Right first time"
NOT_DECIDED = "not decided"
RETEST = "retest"


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the batches of a product came out in the period.

    Attributes:
        product: which. made: batches with a reading in use, sampled as made.
        judged: of them, those with a specification in force. right: of the judged, inside it with
            neither an adjustment nor a retest.
        outside: of the judged, outside it. adjusted: batches with a sample after an adjustment.
        adjustments: such samples. retested: batches with a retest. retests: readings of them.
        uncertain: of the judged, those whose result is not decided; None where the site has set no
            measurement uncertainty.
    """

    product: str
    made: int
    judged: int
    right: int
    outside: int
    adjusted: int
    adjustments: int
    retested: int
    retests: int
    uncertain: int | None


def outcomes_of(facts: Facts) -> list[Outcome]:
    """The outcome of every product that has a batch or a reading in the period."""
    stages = facts.characteristics.set_index("id")["stage"]
    found = []
    for product in facts.products:
        mine = [one for one in facts.found if one.product == product]
        first = [one for one in mine if is_as_made(str(stages.get(one.characteristic_id, "")))]
        later = [one for one in mine if one not in first]
        one = _outcome(product, first, later, facts)
        if one.made or one.adjustments or one.retests:
            found.append(one)
    return found


def _outcome(
    product: str, first: list[Assessment], later: list[Assessment], facts: Facts
) -> Outcome:
    after = [str(name) for one in later for name in facts.of_period(one)["batch"]]
    rows = facts.rows[(facts.rows["product"] == product) & (facts.rows["reason"] == RETEST)]
    retested = set(rows["batch"].astype(str))
    uncertainty = uncertainty_of(facts.settings, product)
    judged: set[str] = set()
    outside: set[str] = set()
    uncertain: set[str] = set()
    made: set[str] = set()
    for one in first:
        batches = facts.of_period(one)
        made |= {str(name) for name in batches["batch"]}
        for row in batches.itertuples():
            if row.in_specification is None:
                continue
            judged.add(str(row.batch))
            if row.in_specification is False:
                outside.add(str(row.batch))
        if uncertainty is not None and len(batches):
            held = facts.seen.specifications(product)
            in_force = specifications_in_force(held, batches["at"])
            for place, row in enumerate(batches.itertuples()):
                verdict = verdict_of(float(row.mean), in_force.of(place), uncertainty)
                if verdict.zone == NOT_DECIDED:
                    uncertain.add(str(row.batch))
    touched = outside | set(after) | {name for name in judged if _number(name) in retested}
    return Outcome(
        product=product,
        made=len(made),
        judged=len(judged),
        right=len(judged - touched),
        outside=len(outside),
        adjusted=len(set(after)),
        adjustments=len(after),
        retested=len(retested),
        retests=len(rows),
        uncertain=None if uncertainty is None else len(uncertain),
    )


def _number(name: str) -> str:
    """The batch number behind a name that carries the year of its use."""
    return name.rpartition(" (")[0] if name.endswith(")") and " (" in name else name


def section(facts: Facts) -> Section:
    """Counts and what they are counts of, by product and in all."""
    found = outcomes_of(facts)
    blocks: list[Block] = [
        Words(_headline(found), strong=True, brief=True),
        Table(
            "outcomes",
            "Outcomes by product, batches made in the period",
            (
                "Product",
                "Batches",
                "Right first time",
                "Outside specification",
                "Batches adjusted",
                "Adjustments per batch",
                "Batches retested",
                "Retest readings",
                "Not decided",
            ),
            tuple(_row(one) for one in [*found, *_total(found)]),
            "No batch was made in the period.",
            brief=6,
        ),
        Words(
            "Right first time: inside the specification in force at the first sample, without an "
            "adjustment and without a retest. An adjustment is a sample of a later stage, so it is "
            "counted only where the readings name the stage. Not decided: the specification limit "
            "lies inside the uncertainty of the result.",
            quiet=True,
        ),
    ]
    return Section("outcomes", TITLE, 5, tuple(blocks))


def _headline(found: list[Outcome]) -> str:
    if not found:
        return "No batch was made in the period."
    (total,) = _total(found) or [found[0]]
    said = f"{_share(total.right, total.judged)} right first time"
    said += f"; {text.batches(total.adjusted)} adjusted, {text.batches(total.retested)} retested"
    if total.uncertain is None:
        return said + "; no measurement uncertainty is set, so no result can be called undecided."
    return f"{said}, {total.uncertain} not decided."


def _total(found: list[Outcome]) -> list[Outcome]:
    """All products together, where there are several."""
    if len(found) < 2:
        return []
    known = [one.uncertain for one in found if one.uncertain is not None]
    counts = {
        name: sum(getattr(one, name) for one in found)
        for name in (
            *("made", "judged", "right", "outside"),
            *("adjusted", "adjustments", "retested", "retests"),
        )
    }
    return [Outcome("all of these", **counts, uncertain=sum(known) if known else None)]


def _row(one: Outcome) -> tuple[Cell, ...]:
    per_batch = text.fixed(one.adjustments / one.made, 2) if one.made else text.MISSING
    return (
        one.product,
        one.made,
        _share(one.right, one.judged),
        f"{one.outside} of {one.judged}",
        f"{one.adjusted} of {one.made}",
        f"{per_batch} ({one.adjustments})",
        f"{one.retested} of {one.made}",
        one.retests,
        "no uncertainty set" if one.uncertain is None else f"{one.uncertain} of {one.judged}",
    )


def _share(n: int, of: int) -> str:
    if not of:
        return "no specification to judge by"
    return f"{n} of {of} ({text.percent(100 * n / of, 0)})"

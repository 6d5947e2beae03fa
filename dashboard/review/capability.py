"""Fourth item of the agenda: capability, where it is earned, and how it went on."""

from dashboard import capability_study, drawing, sentences, text
from dashboard.capability_study import Period
from dashboard.figures import interval_rows
from dashboard.figures.palette import LIGHT
from dashboard.results import Assessment
from dashboard.review.facts import Facts
from dashboard.review.model import Block, Cell, Figure, Section, Table, Words
from dashboard.review.top_events import WIDTH

TITLE = "Capability trend"
BLOCKS = "30"
"""Periods of the trend: blocks of so many batches, counted back from the newest one."""
LAST = 4


def section(facts: Facts) -> Section:
    """The index of each product with its interval or why there is none, and the last periods."""
    trends = {
        one.characteristic_id: capability_study.periods_of(one, BLOCKS) for one in facts.found
    }
    blocks: list[Block] = [
        Words(_headline(facts), strong=True, brief=True),
        Table(
            "capability",
            "Index by product",
            ("Product", "State", "Batches", "Index (95 % interval)", "Why not, or on what"),
            tuple((facts.name_of(one), *_row(one, facts.full)) for one in facts.found),
            "No product has a batch.",
            brief=6,
        ),
        *(_figure(facts) if facts.full else ()),
        Table(
            "capability-trend",
            f"Ppk in blocks of {BLOCKS} batches, the newest last",
            ("Product", "Block", "Batches", "Ppk (95 % interval)", "Beyond limits", "Mean, mPa·s"),
            tuple(
                row
                for one in facts.found
                for row in _trend(facts.name_of(one), trends[one.characteristic_id][0])
            ),
            "No product has a specification, so there is no index to follow.",
        ),
        Table(
            "capability-change",
            "The newest block against the one before it",
            ("Product", "Change"),
            tuple(
                (facts.name_of(one), trends[one.characteristic_id][1])
                for one in facts.found
                if len(trends[one.characteristic_id][0]) > 1
            ),
            "No product has two blocks to compare.",
        ),
        Words(
            "One definition for all blocks: the specification in force for the newest batch, the "
            "total spread, batches left out with a cause not counted. Ppk is performance: it says "
            "nothing about stability. Cpk stands only where the process was stable.",
            quiet=True,
        ),
    ]
    return Section("capability", TITLE, 5, tuple(blocks))


def _headline(facts: Facts) -> str:
    earned = [one for one in facts.found if one.capability.result and not one.capability.withheld]
    if not facts.found:
        return "No product to judge."
    said = (
        f"A capability index is earned by {len(earned)} of {text.count(len(facts.found), 'chart')}"
    )
    return (
        f"{said}: {text.joined([facts.name_of(one) for one in earned])}." if earned else f"{said}."
    )


def _row(one: Assessment, every: bool) -> tuple[Cell, ...]:
    """State, batches, index and why; `every` reason, or the first of them."""
    view, result = one.capability, one.capability.result
    if result is not None and not view.withheld:
        index = f"Cpk {text.with_interval(result.cpk, result.cpk_interval)}"
        ppk = text.with_interval(result.ppk, result.ppk_interval)
        why = f"Stable; {text.batches(result.n)}. Ppk {ppk}."
    elif result is not None:
        index = f"Ppk {text.with_interval(result.ppk, result.ppk_interval)}, performance only"
        why = _reasons(view.withheld, every)
    else:
        index = "none"
        why = _reasons(view.withheld, every)
    return ", ".join(one.shown_states), one.n_batches, index, why


def _reasons(reasons: tuple[str, ...], every: bool) -> str:
    said = [text.sentence(reason) for reason in reasons]
    more = 0 if every else len(said) - 1
    return f"{said[0]} And {text.count(more, 'more reason')}." if more > 0 else " ".join(said)


def _trend(name: str, periods: tuple[Period, ...]) -> list[tuple[Cell, ...]]:
    rows: list[tuple[Cell, ...]] = []
    for period in periods[-LAST:]:
        result = period.result
        index = (
            period.note if result is None else text.with_interval(result.ppk, result.ppk_interval)
        )
        mean = "–" if result is None else text.number(result.mean)
        rows.append((name, period.label, period.n, index, period.outside, mean))
    return rows


def _figure(facts: Facts) -> list[Block]:
    """Every Ppk with its interval, one line a product."""
    results = [(one, one.capability.result) for one in facts.found]
    shown = [(one, result) for one, result in results if result is not None]
    if not shown:
        return []
    drawn = interval_rows(
        [
            (
                facts.name_of(one),
                result.ppk,
                *(result.ppk_interval or (None, None)),
            )
            for one, result in shown
        ],
        title="Ppk, 95 % interval",
        description="; ".join(
            f"{facts.name_of(one)}: {sentences.capability(one)}" for one, _ in shown
        ),
        reference=capability_study.USUAL_CLAIM,
        reference_words=f"usual claim {text.plain(capability_study.USUAL_CLAIM)}",
        palette=LIGHT,
    )
    spec = drawing.still(drawn, WIDTH - 150, LIGHT)
    return [Figure("ppk", "Ppk by product", str(spec.get("description", "")), spec)]

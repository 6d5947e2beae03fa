"""Second item of the agenda: the events of the period, the weightiest first.

The weight of an event is its size ÷ the width of the specification × the batches that it covers:
what moved far against what is allowed, for many batches, comes first.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import ingest
from dashboard import chart_panels, drawing, investigation_panels, reaction, text
from dashboard.events import size_of
from dashboard.figures.palette import LIGHT
from dashboard.investigate import investigate_product
from dashboard.investigation import contents
from dashboard.results import DUPLICATES_RANGE, Assessment, Event
from dashboard.review.facts import Facts
from dashboard.review.model import Block, Cell, Figure, Heading, Section, Table, Words
from dashboard.review.period import local_moment
from dashboard.rule_sets import RULE_SETS, RuleSet

TITLE = "Top events"
WIDTH = 760  # pixels of a picture of the full pack
SHOWN = 60  # newest batches of a chart, more where its event began earlier
MOST_CHARTS = 12
MOST_TOLD = 12
_PANELS = {"product": "batch means and the change", "ranges": "ranges of the batches"}
MOST_DRAWN = 3
"""Products whose investigation is drawn: product and check standards on one axis."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """An event with what it is ranked by.

    Attributes:
        one: whose. event: which. size: mPa·s, as its sentence tells it.
        width: upper less lower limit of the specification in force at its last batch; None
            without two limits. affected: batches that it covers.
        weight: size ÷ width × affected; None without a width.
    """

    one: Assessment
    event: Event
    size: float
    width: float | None
    affected: int

    @property
    def weight(self) -> float | None:
        """What it is ranked by."""
        return None if not self.width else self.size / self.width * self.affected


def ranked_events(facts: Facts) -> list[Ranked]:
    """Events with a batch in the period, and open ones, the weightiest first.

    Those of products without two specification limits cannot be weighed and come last, the
    largest in sigma of the batch means first.
    """
    found = []
    for one in facts.found:
        if one.charts is None:
            continue
        inside = facts.in_period(one.batches["at"]).to_numpy()
        for event in one.events:
            if event.open or inside[event.start : event.stop + 1].any():
                size = size_of(event, one.charts, one.ewma)
                affected = event.stop - event.start + 1
                found.append(Ranked(one, event, size, _width(facts, one, event), affected))
    return sorted(found, key=_order)


def _order(one: Ranked) -> tuple[bool, float, str, int]:
    weight = one.weight
    if weight is None:
        charts = one.one.charts
        sigma = float(charts.location.sigma) if charts is not None else 0.0
        weight = one.size / sigma * one.affected if sigma > 0 else one.size
        return True, -weight, one.one.product, one.event.start
    return False, -weight, one.one.product, one.event.start


def _width(facts: Facts, one: Assessment, event: Event) -> float | None:
    at = one.batches["at"].iat[event.stop]
    day = None if at != at else at.date()
    held = ingest.specification_for(facts.seen.specifications(one.product), day)
    if held is None or held.lower is None or held.upper is None:
        return None
    return float(held.upper - held.lower)


def section(facts: Facts) -> Section:
    """The ranking beside what chance alone makes, then each event with its chart."""
    ranked = ranked_events(facts)
    blocks: list[Block] = [
        Words(_headline(facts, ranked), strong=True, brief=True),
        *_expected(facts),
        _ranking(facts, ranked),
        Words(
            "Weight: size ÷ width of the specification × batches covered; the size of an event on "
            "readings is its largest range. An event counts once, however many signals it has.",
            quiet=True,
        ),
        *(_charts(facts, ranked) if facts.full else ()),
    ]
    return Section("events", TITLE, 7, tuple(blocks))


def _headline(facts: Facts, ranked: list[Ranked]) -> str:
    if not ranked:
        return "No event in the period, and none is open from before."
    waiting = sum(one.event.open for one in ranked)
    products = len({one.one.product for one in ranked})
    return (
        f"{text.count(len(ranked), 'event')} of {text.count(products, 'product')}, "
        f"{waiting} of them open."
    )


def _expected(facts: Facts) -> list[Block]:
    """False alarms that chance alone makes at the volume of the period, by rule set."""
    points = 0
    usual = 0.0
    for one in facts.found:
        if one.charts is not None:
            n = len(facts.of_period(one))
            points += n
            usual += _rules(facts, one).false_alarms_per_week(n)
    words = (
        f"{text.count(points, 'batch', 'batches')} charted in the period: about "
        f"{text.number(usual, 2)} false {'alarm' if text.number(usual, 2) == '1' else 'alarms'} "
        "to be expected from the rules in use while nothing is wrong."
    )
    return [
        Words(words, brief=True),
        Table(
            "false-alarms",
            "False alarms to be expected at this volume",
            ("Rules", "Batches charted", "False alarms expected", "In use"),
            tuple(
                (
                    one.label,
                    points,
                    text.number(one.false_alarms_per_week(points), 2) if points else "0",
                    "yes" if one.key == facts.rules else "",
                )
                for one in _sets(facts)
            ),
        ),
    ]


def _sets(facts: Facts) -> list[RuleSet]:
    own = [] if facts.rules in list(RULE_SETS) else [RULE_SETS[facts.rules]]
    return [*RULE_SETS.values(), *own]


def _rules(facts: Facts, one: Assessment) -> RuleSet:
    """The rules that a product is judged by: with few batches the 3 sigma rule alone."""
    return RULE_SETS["three-sigma"] if one.stage == "provisional" else RULE_SETS[facts.rules]


def _ranking(facts: Facts, ranked: list[Ranked]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for place, one in enumerate(ranked, 1):
        weight = "no width" if one.weight is None else text.number(one.weight, 3)
        rows.append(
            (
                place,
                facts.name_of(one.one),
                one.event.sentence,
                local_moment(one.one.batches["at"].iat[one.event.start], facts.period.zone),
                text.number(one.size, 3),
                "–" if one.width is None else text.plain(one.width),
                one.affected,
                weight,
                f"{one.event.word}, {one.event.handling.word}",
            )
        )
    columns = ("Rank", "Product", "Event", "Since", "Size, mPa·s", "Specification width, mPa·s")
    return Table(
        "events",
        "Events by weight",
        (*columns, "Batches", "Weight", "State"),
        tuple(rows),
        "No event.",
        brief=5,
    )


def _charts(facts: Facts, ranked: list[Ranked]) -> list[Block]:
    """For each product with an event: what the investigation says, what is asked, its chart.

    This is the one place for what an investigation has to show in a pack.
    """
    blocks: list[Block] = []
    seen: dict[int, list[Ranked]] = {}
    for one in ranked:
        seen.setdefault(one.one.characteristic_id, []).append(one)
    told = list(seen.values())[:MOST_TOLD]
    plan = reaction.plan_of(facts.settings)
    for place, mine in enumerate(told):
        one = mine[0].one
        blocks.append(Heading(f"{one.product}, {one.condition}"))
        blocks += [Words(ranked_one.event.sentence) for ranked_one in mine[:3]]
        if len(mine) > 3:
            blocks.append(Words(f"And {len(mine) - 3} more, in the table above."))
        blocks += investigation(facts, one, place < MOST_DRAWN)
        blocks += _asked(plan, mine)
        if place < MOST_CHARTS:
            blocks.append(_chart(one, min(each.event.start for each in mine)))
    rest = len(seen) - len(told)
    if rest > 0:
        blocks.append(
            Words(f"{text.count(rest, 'more product')} with an event: see the table above.")
        )
    return blocks


def investigation(facts: Facts, one: Assessment, drawn: bool) -> list[Block]:
    """What the Investigation page says of a product, and what people recorded there."""
    investigated = investigate_product(
        facts.seen, one, facts.shared, characteristics=facts.characteristics
    )
    if investigated is None:
        return []
    records = ingest.event_records(facts.store, one.characteristic_id)
    about = contents(one, investigated, records, facts.journal)
    key = f"investigation-{one.characteristic_id}"
    rows: list[tuple[Cell, ...]] = [(fact.name, fact.words) for fact in about.facts]
    rows += [("Evidence", words) for words in about.evidence]
    for check in about.checks:
        tried = "; ".join(f"{said} ({record.who})" for said, record in check.found)
        rows.append(("Check", f"{text.sentence(check.what)} {tried or 'Not tried yet.'}"))
    for made in about.conclusions:
        said = f"{made.words} ({made.record.who}, {made.record.at[:10]})"
        rows.append(("Conclusion", f"{said} {made.differs}".strip()))
    rows += [("Effect", f"{view.action.words}: {view.words}") for view in about.effects]
    blocks: list[Block] = [
        Table(
            key, f"Investigation of {facts.name_of(one)}", ("About", "What is known"), tuple(rows)
        )
    ]
    if drawn:
        for panel in investigation_panels.panels(one, investigated, about, LIGHT):
            spec = drawing.still(panel.figure, WIDTH, LIGHT)
            said = str(spec.get("description", ""))
            title = f"{one.product}: {_PANELS.get(panel.key, said)}"
            blocks.append(Figure(f"{key}-{panel.key}", title, said, spec))
    return blocks


def _asked(plan: Mapping[str, reaction.Step], mine: list[Ranked]) -> list[Block]:
    """The site's reaction plan for the open events, once each."""
    keys = dict.fromkeys(reaction.step_key(each.event) for each in mine if each.event.open)
    return [Words(f"Reaction plan: {plan[key].step} Asked of: {plan[key].who}.") for key in keys]


def _chart(one: Assessment, first_event: int) -> Figure:
    """The chart that its events are seen on: the newest batches, from before the first event."""
    first = max(0, min(one.n_batches - SHOWN, first_event - 5))
    first = max(first, one.n_batches - 4 * SHOWN)
    options = chart_panels.PanelOptions(first=first, palette=LIGHT)
    means_only = all(event.chart != DUPLICATES_RANGE for event in one.open_events)
    panels = chart_panels.three_way(one, options)
    panel = panels[0]
    if not means_only:
        panel = next((each for each in panels if each.key == "duplicates"), panel)
    spec = drawing.still(panel.figure, WIDTH, LIGHT)
    description = str(spec.get("description", ""))
    title = f"{one.product}: batch {'means' if panel is panels[0] else 'ranges'}"
    shown = text.batches(one.n_batches - first)
    newest = f"{title}, {'the newest ' if first else ''}{shown}"
    return Figure(f"chart-{one.characteristic_id}", newest, description, spec)

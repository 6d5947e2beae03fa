"""Third item of the agenda: whether the measuring system can be trusted."""

from typing import Any

import numpy as np
import pandas as pd

from dashboard import agreement, drawing, measuring, sentences, tables_of_site, text
from dashboard.capability_view import measurement_share
from dashboard.figures import fluid_runs
from dashboard.figures.palette import LIGHT
from dashboard.measuring import CheckVerdicts, Due
from dashboard.results import Assessment
from dashboard.review.facts import Facts
from dashboard.review.model import Block, Cell, Figure, Heading, Section, Table, Words, table_of
from dashboard.review.top_events import WIDTH

TITLE = "Measuring system"
MOST_FIGURES = 8
BELOW, ABOVE = "below_range", "over_range"


def section(facts: Facts) -> Section:
    """Check standards, duplicates, torque, what is due, share of the tolerance."""
    verdicts = facts.verdicts
    known = {str(name) for one in facts.found for name in one.batches["instrument"].unique()}
    every = sorted({*known, *(v.standard.instrument for v in verdicts)})
    due = measuring.due_dates(verdicts, every, facts.settings, facts.today)
    checks = table_of(
        "check-standards",
        "Check standards, newest run",
        tables_of_site.check_verdicts(verdicts),
        "No check standard is recorded: a moved process and a moved measurement cannot be told "
        "apart.",
    )
    blocks: list[Block] = [
        Words(text.sentence(sentences.measuring_headline(verdicts)), strong=True, brief=True),
        *[Words(one.words, strong=True, brief=True) for one in due if one.overdue],
        Heading("Check standards"),
        checks,
        *(Words(line) for line in measuring.offsets(verdicts)),
        *[
            Words(f"{sentences.fluid_label(one)}: {' '.join(one.remarks)}")
            for one in verdicts
            if one.remarks
        ],
        *[_figure(i, one) for i, one in enumerate(verdicts[:MOST_FIGURES]) if facts.full],
        Heading("Duplicates"),
        _duplicates(facts),
        Words(
            "Limit: two readings of one batch differ by more about 1 time in 20. Share of the "
            "tolerance: 6 × s_r ÷ width of the specification; at most 30 % for a capability index.",
            quiet=True,
        ),
        Heading("Torque window"),
        *_torque(facts),
        Heading("What is due"),
        Table(
            "due",
            "Calibrations, checks and certificates",
            ("What", "State"),
            tuple((one.words, _state_of(one)) for one in due),
            "No instrument is named in the readings.",
        ),
    ]
    return Section("measuring", TITLE, 5, tuple(blocks))


def _state_of(one: Due) -> str:
    """Overdue, in time, or without a date that could pass."""
    if one.overdue:
        return "overdue"
    return "in time" if one.due is not None else "no date"


def _figure(number: int, one: CheckVerdicts) -> Figure:
    own = one.standard
    label = sentences.fluid_label(one)
    drawn = fluid_runs(
        own.values,
        own.times,
        title=f"{own.name}, {text.UNIT}",
        certified=one.fluid.certified_value if one.fluid else None,
        window=None if one.two is None else (one.two.tolerance.lower, one.two.tolerance.upper),
        center=own.center,
        own=None if own.lower is None or own.upper is None else (own.lower, own.upper),
        description=f"{label}, {text.count(own.n, 'run')}: {one.verdict}",
        height=170,
        palette=LIGHT,
    )
    spec = drawing.still(drawn, WIDTH, LIGHT)
    return Figure(f"fluid-{number}", label, str(spec.get("description", "")), spec)


def _duplicates(facts: Facts) -> Table:
    """Repeatability of each product against its limit, and its ranges in the period."""
    rows: list[tuple[Cell, ...]] = []
    for one in facts.found:
        result = one.repeatability
        if result is None:
            continue
        beyond, n = _beyond(facts, one)
        held = one.capability.specification
        share = None if held is None else measurement_share(held, result)
        rows.append(
            (
                one.product,
                text.number(result.s_r, 3),
                text.percent(result.cv_percent, 2) if result.cv_percent is not None else "–",
                text.number(result.limit, 3),
                int(result.n_groups),
                f"{beyond} of {n}",
                "–" if share is None else text.percent(share, 0),
                one.condition,
            )
        )
    return Table(
        "duplicates",
        "Repeatability by product",
        (
            "Product",
            "s_r, mPa·s",
            "Relative",
            "Limit, mPa·s",
            "Batches",
            "Ranges beyond limit in the period",
            "Share of the tolerance",
            "Measuring condition",
        ),
        tuple(rows),
        "No batch has two readings.",
    )


def _beyond(facts: Facts, one: Assessment) -> tuple[int, int]:
    """Ranges of the period beyond the limit of their chart, of those that there are."""
    inside = facts.in_period(one.batches["at"]).to_numpy()
    within = one.charts.within if one.charts is not None else None
    if within is None:
        return 0, int((inside & (one.batches["n"] > 1).to_numpy()).sum())
    known = inside & np.isfinite(within.values)
    return int((within.outside() & known).sum()), int(known.sum())


def _torque(facts: Facts) -> list[Block]:
    """Readings outside the torque window: in the period and over the whole record."""
    shares = [
        one
        for one in agreement.torque_shares(facts.seen)
        if not facts.chosen or one.product in facts.chosen
    ]
    during = _torque_in_period(facts.rows)
    n, low, high = (int(during[name].sum()) for name in ("n", "below", "above"))
    said = (
        f"In the period {low + high} of {text.count(n, 'reading')} outside the torque window: "
        f"{low} below, {high} above."
        if n
        else "No reading in the period."
    )
    table = table_of(
        "torque",
        "Outside the torque window, whole record",
        tables_of_site.torque_shares([one for one in shares if one.below or one.above]),
        "No reading lies outside the torque window.",
    )
    return [
        Words(said, brief=True),
        Words(f"Whole record: {sentences.torque_headline(shares)}"),
        table,
    ]


def _torque_in_period(rows: pd.DataFrame) -> pd.DataFrame:
    """By product: readings with a result or out of the window, and of them those outside."""
    counted: Any = rows[(rows["reason"] == "") | rows["reason"].isin((BELOW, ABOVE))]
    return pd.DataFrame(
        {
            "n": counted.groupby("product").size(),
            "below": (counted["reason"] == BELOW).groupby(counted["product"]).sum(),
            "above": (counted["reason"] == ABOVE).groupby(counted["product"]).sum(),
        }
    )

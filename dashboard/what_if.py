"""Other ways to have watched the same batches, side by side with the way in use."""

from collections.abc import Sequence

import numpy as np

from dashboard import text
from dashboard.chart_panels import Panel
from dashboard.figures import ENVELOPE_ABOVE, Palette, control_chart
from dashboard.replay import FEWEST_IN_A_BLOCK, MONTHLY, Replay, replay_recalculated, replay_rules
from dashboard.results import Assessment
from dashboard.rule_sets import RULE_SETS

IN_A_BLOCK = 20


def ways(one: Assessment) -> list[Replay]:
    """Every rule set under the limits in force; then, last, limits made anew every month."""
    found = [replay_rules(one, key) for key in RULE_SETS]
    found.append(_anew(one))
    return [way for way in found if way is not None]


def _anew(one: Assessment) -> Replay | None:
    """Limits made anew every month; every 20 batches where the record is one month, or undated."""
    monthly = replay_recalculated(one, MONTHLY)
    if monthly is not None and _blocks(monthly) < 2:
        return replay_recalculated(one, IN_A_BLOCK)
    return monthly


def _blocks(anew: Replay) -> int:
    return int(np.count_nonzero(np.diff(anew.location.center))) + 1


def run_length(rules: str) -> float:
    """Batches between false alarms of a rule set: one batch a week makes that many a week."""
    return 1.0 / RULE_SETS[rules].false_alarms_per_week(1.0)


def table(one: Assessment, found: Sequence[Replay]) -> dict[str, list[str]]:
    """One row a way: what it flags, and what it costs in false alarms."""
    keys = list(RULE_SETS)
    in_use = RULE_SETS[one.rule_set].label
    columns: dict[str, list[str]] = {
        "Way": [], "Batches flagged": [], "First": [], "False alarms a week": [], "Run length": []
    }  # fmt: skip
    for number, way in enumerate(found):
        label = f"{way.label} (in use)" if way.label == in_use else way.label
        weekly = way.false_alarms_per_week
        columns["Way"].append(text.sentence(label).rstrip("."))
        columns["Batches flagged"].append(f"{way.n_batches_flagged} of {one.n_batches}")
        columns["First"].append(way.first or "nothing found")
        columns["False alarms a week"].append(
            text.number(weekly, 2) if weekly is not None else text.MISSING
        )
        length = number < len(keys)
        columns["Run length"].append(
            f"{text.number(run_length(keys[number]), 3)} batches" if length else text.MISSING
        )
    return columns


def sentences(one: Assessment, found: Sequence[Replay]) -> list[str]:
    """What recalculating would have hidden, and what each rule saw first."""
    anew = found[-1]
    in_use = next((way for way in found if way.label == RULE_SETS[one.rule_set].label), None)
    said = []
    blocks = _blocks(anew)
    if blocks < 2:
        said.append(
            f"With fewer than {IN_A_BLOCK + FEWEST_IN_A_BLOCK} batches, limits made anew are "
            "limits made from all of them."
        )
    elif not anew.first:
        said.append(
            f"With {anew.label} ({blocks} times), nothing would have been found: each block is "
            "compared with itself, and a drift moves into the limits."
        )
    else:
        said.append(
            f"With {anew.label} ({blocks} times), {text.batches(anew.n_batches_flagged)} would "
            f"have been flagged, the first at {anew.first}."
        )
    if in_use is not None and in_use.first:
        firsts = [f"{rule} at {batch}" for rule, batch in in_use.first_by_rule.items()]
        said.append(f"The limits in force find first: {text.joined(firsts)}.")
    said.append(f"Blocks with fewer than {FEWEST_IN_A_BLOCK} batches join the one before.")
    return said


def panels(one: Assessment, anew: Replay, palette: Palette) -> list[Panel]:
    """The batch means with limits made anew."""
    chart = anew.location
    signals = [(row.index, "") for row in anew.signals]
    if chart.n > ENVELOPE_ABOVE:
        signals = signals[-400:]
    figure = control_chart(
        chart,
        one.batches["batch"].tolist(),
        title=f"Batch mean, {anew.label}",
        signals=signals,
        height=220,
        x_title="Batch, in production order",
        description=f"Batch means with {anew.label}: {text.batches(anew.n_batches_flagged)} "
        "flagged.",
        palette=palette,
    )
    return [Panel("what-if", figure, False)]

"""Conclusions where the level goes with a factor: an operator, a shift, a line, a weekday."""

import numpy as np

from spc.drift import places
from spc.drift.conclude import make
from spc.drift.findings import Finding, Series
from spc.drift.history import Factor, History
from spc.drift.sizes import step_size
from spc.drift.strata import confounded, stratify
from spc.drift.verdict import Verdict
from spc.drift.wording import between, joined, number, percent, signed
from spc.errors import SpcError
from spc.one_way import one_way


def by_factor(history: History, series: Series, finding: Finding) -> Verdict:
    """Tell of a level that goes with an operator, a shift, a line or a weekday."""
    inside = finding.shape.column > 0.5
    within = np.ones(len(inside), dtype=bool)
    factor = history.factor(finding.factor)
    size = step_size(history.means[series.kept], inside, within)
    from_start = finding.shape.kind == "level"
    place = None if from_start else places.of_finding(history, series, finding)
    evidence = [
        f"{finding.factor} {finding.level}: {int(inside.sum())} batches, "
        f"{percent(size.percent)} against the other {int((~inside).sum())} "
        f"({signed(size.low, 0)} to {signed(size.high, 0)} {history.unit})."
    ]
    if factor is not None:
        kept = [type(f)(f.name, f.codes[series.kept], f.levels) for f in history.factors]
        mine = next(f for f in kept if f.name == finding.factor)
        notes = confounded(mine, [f for f in kept if f is not mine])
        evidence += [note[0].upper() + note[1:] for note in notes]
        strata = stratify(history.means[series.kept], kept)
        own = next((s for s in strata.factors if s.name == finding.factor), None)
        if own is not None:
            means = "; ".join(f"{one.name} {number(one.mean)} (n {one.n})" for one in own.levels)
            evidence.append(f"Level by {finding.factor}: {means}.")
            shown = "below 0.0001" if own.smallest_p < 1e-4 else number(own.smallest_p, 2)
            evidence.append(f"Smallest adjusted p {shown} ({strata.method}).")
        evidence += _the_rest(history, series, mine, finding.level)
    since = "" if place is None else f" since {place.since}{between(place.low, place.high)}"
    if finding.factor == "operator":
        what = (
            f"Level differs by operator, {abs(size.percent):.1f} %{since}; the pattern fits "
            "reading time or preparation: observe technique."
        )
        return make(what, "preparation", "operator_or_reading_time", evidence, place, size)
    what = (
        f"Level differs by {finding.factor}: {finding.level} {percent(size.percent)} against the "
        f"rest{since}."
    )
    return make(what, "cannot_tell", "unknown", evidence, place, size)


def _the_rest(history: History, series: Series, factor: Factor, level: str) -> list[str]:
    """Whether the other levels differ among themselves: one-way analysis without the first."""
    values = history.means[series.kept]
    groups = [
        (name, values[factor.codes == code])
        for code, name in enumerate(factor.levels)
        if name != level and np.sum(factor.codes == code) >= 3
    ]
    if len(groups) < 2:
        return []
    labels = np.repeat(np.arange(len(groups)), [len(rows) for _, rows in groups])
    try:
        p = one_way(np.concatenate([rows for _, rows in groups]), labels).p
    except SpcError:
        return []
    if p is None:
        return []
    differ = "differ" if p < 0.01 else "do not differ"
    return [f"{joined([name for name, _ in groups])} {differ} among themselves (p {number(p, 2)})."]

"""X-bar charts on the subgroups a person names, and the warning when those mislead."""

import numpy as np
import pandas as pd

import spc
from dashboard import text
from dashboard.batches import BatchTable
from dashboard.results import AssessmentError, SubgroupView

NAMED = ("batch", "day", "shift")
LARGEST = 25
FEWEST_SUBGROUPS = 8
FIRST_SHIFT_HOUR = 6
SHIFT_HOURS = 8


def subgroup_choice(by: str | int) -> str:
    """Check what a person named as subgroup.

    Raises:
        AssessmentError: neither a named choice nor a whole number from 2 to 25.
    """
    chosen = str(by).strip().lower()
    if chosen in NAMED or (chosen.isdecimal() and 2 <= int(chosen) <= LARGEST):
        return chosen
    raise AssessmentError(
        f"subgroups must be batch, day, shift or a whole number of batches from 2 to {LARGEST}, "
        f"got {str(by)!r}."
    )


def subgroup_view(table: BatchTable, by: str) -> SubgroupView:
    """Chart subgroups: the readings of a batch, or the batch means of a day, a shift or N batches.

    A subgroup of one value has no range and is left out. Days and shifts are counted in UTC, as
    the store keeps time.

    Args:
        table: batches of one product at one measuring condition.
        by: a value that `subgroup_choice` has passed.
    """
    groups, labels, left_out = _grouped(table, by)
    said = f"{text.count(len(labels), 'subgroup')} by {_WORDS.get(by, f'{by} batches')}"
    if left_out:
        said += f"; {text.batches(left_out)} left out, as a subgroup needs two values"
    if len(labels) < FEWEST_SUBGROUPS:
        said += f"; limits need {FEWEST_SUBGROUPS}"
        return _without_charts(by, labels, text.sentence(said))
    charts, charts_s, check = spc.xbar_r(groups), spc.xbar_s(groups), spc.check_subgroups(groups)
    outside = int(charts.location.outside().sum())
    what, of_one = ("batches", "a batch") if by == "batch" else ("subgroups", "a subgroup")
    warning = None
    if not check.rational:
        warning = (
            f"Not a rational subgroup: {outside} of {len(labels)} {what} are outside. "
            f"Sigma between {what} is {text.fixed(check.ratio, 2)} times the sigma within "
            f"{of_one}, so these limits ask only whether {what} differ by more than that. "
            "Use the three-way chart to watch the process."
        )
    return SubgroupView(
        by=by,
        charts=charts,
        charts_s=charts_s,
        labels=labels,
        n_outside=outside,
        sigma_ratio=check.ratio,
        warning=warning,
        sentence=text.sentence(said),
    )


_WORDS = {
    "batch": "batch (its readings)",
    "day": "day (batch means)",
    "shift": "shift (batch means)",
}


def _without_charts(by: str, labels: tuple[str, ...], said: str) -> SubgroupView:
    return SubgroupView(by, None, None, labels, 0, None, None, said)


def _grouped(table: BatchTable, by: str) -> tuple[np.ndarray, tuple[str, ...], int]:
    """Give the values (groups, largest size; nan padded), labels and the batches left out."""
    frame = table.frame
    if by == "batch":
        keep = (frame["n"] > 1).to_numpy()
        return table.readings[keep], tuple(frame["batch"][keep]), int((~keep).sum())
    means = frame["mean"].to_numpy()
    if by.isdecimal():
        size = int(by)
        whole = len(means) // size * size
        groups = means[:whole].reshape(-1, size)
        names = frame["batch"].tolist()
        labels = [text.stretch(names[i : i + size]) for i in range(0, whole, size)]
        return groups, tuple(labels), len(means) - whole
    dated = frame["at"].notna().to_numpy()
    at = frame["at"][dated]
    if by == "day":
        labels = [text.date(moment) for moment in at]
    else:
        labels = _shift_labels(at, table.shift[dated])
    code, names = pd.factorize(np.array(labels, dtype=object))
    size = np.bincount(code, minlength=len(names))
    # Position inside the subgroup: batches of one day stand together in production order, but a
    # recorded shift can be typed wrongly, so this does not rely on it.
    order = np.argsort(code, kind="stable")
    position = np.empty(len(code), dtype=int)
    position[order] = np.arange(len(code)) - np.repeat(np.cumsum(size) - size, size)
    groups = np.full((len(names), max(1, size.max(initial=1))), np.nan)
    groups[code, position] = means[dated]
    keep = size > 1
    left_out = int((size == 1).sum() + (~dated).sum())
    return groups[keep], tuple(str(name) for name in names[keep]), left_out


def _shift_labels(at: pd.Series, recorded: np.ndarray) -> list[str]:
    """Name the shift of each batch: as recorded, else 8-hour blocks from 06:00."""
    since_first = at - pd.Timedelta(hours=FIRST_SHIFT_HOUR)  # the night belongs to the day before
    block = since_first.dt.hour // SHIFT_HOURS
    names = [
        shift or f"from {(FIRST_SHIFT_HOUR + SHIFT_HOURS * number) % 24:02d}:00"
        for shift, number in zip(recorded, block, strict=True)
    ]
    return [f"{text.date(day)}, {name}" for day, name in zip(since_first, names, strict=True)]

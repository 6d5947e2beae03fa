"""Limits explained: the sums with their numbers, where frozen ones come from, all older sets."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import escaping, text
from dashboard.decisions_view import drift_since
from dashboard.notes import FEWEST_PROVISIONAL
from dashboard.results import Assessment
from dashboard.sentences import limit_arithmetic

FEWEST = FEWEST_PROVISIONAL


def arithmetic(one: Assessment) -> list[tuple[str, str]]:
    """The limits in force for the newest batch with their numbers filled in."""
    if not one.limits.stretches:
        return _without_left_out(one) if one.limits.left_out else limit_arithmetic(one)
    frozen = one.limits.stretches[-1].frozen
    center, sigma = text.fixed(frozen.center, 2), text.fixed(frozen.sigma, 2)
    rows = []
    baseline = _baseline(one, frozen)
    if baseline is not None:
        mean_range = text.fixed(baseline * spc.control_chart_constants(2).d2, 2)
        d2 = text.fixed(spc.control_chart_constants(2).d2, 4)
        rows = [
            ("Mean moving range", f"of the baseline = {mean_range}"),
            ("Sigma", f"{mean_range} ÷ {d2} = {text.fixed(baseline, 2)}"),
        ]
    else:
        rows = [("Sigma", f"as frozen = {sigma}")]
    upper = text.fixed(frozen.center + 3 * frozen.sigma, 2)
    lower = text.fixed(frozen.center - 3 * frozen.sigma, 2)
    of = f"mean of {text.batches(frozen.n)}, {frozen.first_batch} to {frozen.last_batch}"
    return [
        ("Centre", f"{of} = {center}"),
        *rows,
        ("Upper limit", f"{center} + 3 × {sigma} = {upper}"),
        ("Lower limit", f"{center} − 3 × {sigma} = {lower}"),
        *[row for row in limit_arithmetic(one) if row[0].startswith("Range of duplicates")],
    ]  # fmt: skip


def _without_left_out(one: Assessment) -> list[tuple[str, str]]:
    """Estimated limits where some batches do not count: ranges to or from them do not, either."""
    assert one.charts is not None  # noqa: S101 - asked for only where there are charts
    location = one.charts.location
    kept = np.ones(one.n_batches, dtype=bool)
    kept[list(one.limits.left_out)] = False
    ranges = int((kept[1:] & kept[:-1]).sum())
    d2 = spc.control_chart_constants(2).d2
    center, sigma = float(location.center[-1]), float(location.sigma)
    middle, spread = text.fixed(center, 2), text.fixed(sigma, 2)
    return [
        ("Centre", f"mean of {text.batches(int(kept.sum()))} = {middle}"),
        ("Mean moving range", f"{ranges} differences of neighbours = {text.fixed(sigma * d2, 2)}"),
        ("Sigma", f"{text.fixed(sigma * d2, 2)} ÷ {text.fixed(d2, 4)} = {spread}"),
        ("Upper limit", f"{middle} + 3 × {spread} = {text.fixed(location.upper[-1], 2)}"),
        ("Lower limit", f"{middle} − 3 × {spread} = {text.fixed(location.lower[-1], 2)}"),
    ]


def _baseline(one: Assessment, frozen: ingest.FrozenLimits) -> float | None:
    """Sigma made anew from the baseline; None where it gives other limits than were frozen."""
    found = _again(one, frozen)
    return found.sigma if found is not None and _same(found, frozen) else None


def _again(one: Assessment, frozen: ingest.FrozenLimits) -> spc.FrozenLimits | None:
    names = one.batches["batch"].tolist()
    if frozen.first_batch not in names or frozen.last_batch not in names:
        return None
    start, stop = names.index(frozen.first_batch), names.index(frozen.last_batch) + 1
    left_out = [names.index(name) - start for name in frozen.exclusions if name in names]
    try:
        values = one.batches["mean"].to_numpy()[start:stop]
        return spc.freeze_limits(values, left_out=[i for i in left_out if 0 <= i < stop - start])
    except spc.SpcError:
        return None


def _same(found: spc.FrozenLimits, frozen: ingest.FrozenLimits) -> bool:
    near = 0.005 * frozen.sigma
    return abs(found.center - frozen.center) <= near and abs(found.sigma - frozen.sigma) <= near


def explanation(one: Assessment) -> list[str]:
    """Who froze the limits, when, why, without which batches, and what has drifted since."""
    said = []
    if not one.limits.stretches:
        without = len(one.limits.left_out)
        of = f"{without} left out with a cause" if without else "none left out"
        said.append(f"From all {text.batches(one.n_batches)} used, {of}; not frozen.")
    else:
        frozen = one.limits.stretches[-1].frozen
        when = text.moment(pd.Timestamp(frozen.at))
        said.append(f"Frozen by {frozen.who} on {when} (UTC): {frozen.why}")
        if frozen.exclusions:
            causes = [f"{name} ({cause})" for name, cause in frozen.exclusions.items()]
            said.append(f"Not counted in the baseline: {text.joined(causes)}.")
        again = _again(one, frozen)
        if again is not None and not _same(again, frozen):
            said.append(
                f"The baseline gives centre {text.fixed(again.center, 2)} and sigma "
                f"{text.fixed(again.sigma, 2)} if it is worked out today: its readings have "
                "changed, or the limits were made in another way. The frozen numbers stand."
            )
        drift = drift_since(one)
        said.append(drift.sentence if drift else "No batch has been made since the baseline.")
    return [
        *said,
        "Duplicates are not used for the limits of batches: they hold measurement error only. "
        "Worked with more digits than are printed.",
    ]


def left_out_now(one: Assessment) -> list[tuple[str, str]]:
    """Batches that do not count, with their cause."""
    names = one.batches["batch"].tolist()
    return [(names[i], cause) for i, cause in sorted(one.limits.left_out.items())]


def every_set(one: Assessment, held: Sequence[ingest.FrozenLimits]) -> dict[str, list[str]]:
    """Every set of limits ever frozen, the newest first, and where it holds now."""
    names = one.batches["batch"].tolist()
    holds = {
        stretch.frozen.id: f"{names[stretch.start]} to {names[stretch.stop - 1]}"
        for stretch in one.limits.stretches
        if stretch.stop > stretch.start
    }
    rows = list(reversed(held))
    return {
        "Frozen": [text.date(pd.Timestamp(row.at)) for row in rows],
        "By": [escaping.markdown(row.who) for row in rows],
        "Centre": [text.fixed(row.center, 1) for row in rows],
        "Limits": [
            f"{text.fixed(row.center - 3 * row.sigma, 1)} to "
            f"{text.fixed(row.center + 3 * row.sigma, 1)}"
            for row in rows
        ],
        "Sigma": [text.fixed(row.sigma, 1) for row in rows],
        "From": [f"{row.first_batch} to {row.last_batch} ({row.n})" for row in rows],
        "Holds for": [holds.get(row.id, "none: replaced") for row in rows],
        "Why": [escaping.markdown(row.why) for row in rows],
    }  # fmt: skip

"""What a careful reader should know before trusting a chart: one sentence each."""

from collections.abc import Sequence

import numpy as np

import ingest
import spc
from dashboard import text
from dashboard.batches import BatchTable
from dashboard.results import CheckStandard

FEWEST_PROVISIONAL = 8
FEWEST_TRIAL = 20
FEWEST_NORMAL = 30
NEXT_STAGE = {"no limits": FEWEST_PROVISIONAL, "provisional": FEWEST_TRIAL, "trial": FEWEST_NORMAL}
SIGNIFICANT = 0.01
"""Stricter than 0.05: the test runs on every product, and 1 in 20 would be told so by chance."""


def stage_of(n: int) -> str:
    """Name how far the limits may be trusted with n batches (common practice)."""
    if n < FEWEST_PROVISIONAL:
        return "no limits"
    if n < FEWEST_TRIAL:
        return "provisional"
    return "trial" if n < FEWEST_NORMAL else "normal"


def recording_step(values: np.ndarray) -> float | None:
    """Find the step that all values are multiples of; None when none coarser than 0.001 is found.

    Values recorded as 2.01 Pa·s are 2010 here and give 10, as they should.
    """
    scaled = np.abs(values[np.isfinite(values)]) * 1000.0
    whole = np.rint(scaled)
    if not len(whole) or np.any(np.abs(scaled - whole) > 1e-4):
        return None
    step = int(np.gcd.reduce(whole.astype(np.int64)))
    return step / 1000.0 if step else None


def neighbours_note(means: np.ndarray, signals: int) -> str:
    """Say when neighbouring batches resemble each other more than chance allows; "" otherwise.

    Source: lag-1 correlation against 1.96 over root n, the usual band for independent values.
    """
    if len(means) < FEWEST_TRIAL:
        return ""
    about = spc.describe(means)
    lag1, band = about.lag1, about.lag1_band
    if lag1 is None or abs(lag1) <= band:
        return ""
    found = f"(correlation {text.fixed(lag1, 2)}, chance stays within ±{text.fixed(band, 2)})"
    if lag1 < 0:
        return (
            f"Neighbouring batches alternate {found}: usual limits are too wide. "
            "Adjusting every batch by the last result does this."
        )
    said = (
        f"Neighbouring batches are alike {found}: usual limits are too tight, or the level moved."
    )
    return f"{said} Marked batches need not have causes of their own." if signals else said


def outside_note(outside: Sequence[str], names: Sequence[str]) -> str:
    """Name the batches outside the specification of their day; "" where there are none."""
    if not outside:
        return ""
    named = text.joined(list(outside[-3:]))
    which = named if len(outside) <= 3 else f"the newest of them {named}"
    are = "is" if len(outside) == 1 else "are"
    return (
        f"{len(outside)} of {text.batches(len(names))} {are} outside the specification of the day: "
        f"{which}."
    )


def past_check_note(standard: CheckStandard) -> str:
    """Remember a check standard that failed and is in order again; "" otherwise."""
    if standard.in_order is not True or not standard.outside:
        return ""
    when = [text.date(at) for at in standard.outside[-3:]]
    on = f" on {standard.instrument}" if standard.instrument else ""
    more = f"{len(standard.outside)} runs, the newest on " if len(standard.outside) > 3 else "on "
    return (
        f"Check standard {standard.name}{on} was outside its own limits {more}"
        f"{text.joined(when)}: results between the last good check before and the first after may "
        "be affected."
    )


def repeatability_note(
    repeatability: spc.Repeatability | None, order: spc.OrderEffect | None, single: int
) -> str:
    """Say what a repeatability rests on, and whether second readings differ from first ones."""
    if repeatability is None:
        return "No batch has two readings, so repeatability is not known."
    said = [f"From {text.batches(int(repeatability.n_groups))} with two or more readings."]
    if single:
        said.append(f"{text.batches(single)} with one reading not used.")
    if order is not None and order.p < SIGNIFICANT:
        size = text.percent(abs(order.mean_log_ratio_percent), 2)
        said.append(
            f"Second readings are {'lower' if order.mean_log_ratio_percent < 0 else 'higher'} than "
            f"first ones by {size} (p {_p(order.p)}), as when one beaker is read twice; this "
            "repeatability holds that effect too."
        )
    return " ".join(said)


def notes_of(
    table: BatchTable,
    stage: str,
    sigma: float | None,
    check_standards: Sequence[CheckStandard],
    n_set_aside: dict[str, int],
    first: Sequence[str],
) -> tuple[str, ...]:
    """Gather the notes of one characteristic, beginning with those given in `first`."""
    frame = table.frame
    found = list(first)
    if stage in ("provisional", "trial"):
        n = len(frame)
        rules = "; only the 3 sigma rule is used" if stage == "provisional" else ""
        found.append(
            f"{stage.capitalize()} limits from {text.batches(n)}{rules}. "
            f"{NEXT_STAGE[stage] - n} more for the next stage."
        )
    step = recording_step(table.readings.ravel())
    if sigma and step is not None and step > sigma:
        found.append(
            f"Values are recorded in steps of {text.viscosity(step, 3)}, coarser than sigma "
            f"({text.number(sigma, 3)}): limits from ranges are not to be trusted."
        )
    single = int(frame["single"].sum())
    if single:
        found.append(f"{text.batches(single)} with a single reading, shown hollow.")
    if table.far_apart:
        found.append(
            f"Readings of {text.joined(table.far_apart[:3])} lie more than 30 days apart: was the "
            "batch number used twice?"
        )
    if n_set_aside:
        total = sum(n_set_aside.values())
        reasons = [f"{n} × {_reason(key)}" for key, n in n_set_aside.items()]
        found.append(f"{text.count(total, 'reading')} set aside: {'; '.join(reasons)}.")
    if len(frame) and not check_standards:
        found.append(
            "No check standard is recorded for this instrument, so a moved process and a moved "
            "measurement cannot be told apart."
        )
    return tuple(note for note in found if note)


def _p(p: float) -> str:
    return "below 0.001" if p < 0.001 else text.fixed(p, 3)


def _reason(key: str) -> str:
    # The first letter stays as it is: in "MPa·s was written" it is the whole point.
    return ingest.REASONS.get(key, key.replace("_", " ")).rstrip(".")

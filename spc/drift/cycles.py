"""A level that comes and goes with the clock: by day, by week, by season."""

from dataclasses import dataclass

import numpy as np

from spc.drift.evidence import Background
from spc.intake import FloatArray

PERIODS = {"day": 1.0, "week": 7.0, "season": 365.25}
_ROUNDS = 1.5  # a cycle is looked for only where the record holds so many
_FEWEST = 20


@dataclass(frozen=True, slots=True)
class Cycle:
    """One period.

    Attributes:
        name: "day", "week" or "season".
        period: in days.
        log_odds: of the data with such a cycle against without.
        amplitude_percent: half the distance from the highest to the lowest, in %.
        peak: days after the start of the period at which it is highest, by the clock of `times`.
    """

    name: str
    period: float
    log_odds: float
    amplitude_percent: float
    peak: float


def find_cycles(times: FloatArray, background: Background, logs: FloatArray) -> list[Cycle]:
    """Weigh one sine wave of each period against none, the likeliest first.

    A period is left out where the record is shorter than one and a half of it or the values all
    lie at one moment of it. Two fixed times a day make a "day" the same thing as a shift.

    Args:
        times: shape (n,), days, finite.
        background: of the logs.
        logs: shape (n,).

    Source: harmonic regression, as in Box & Jenkins, Time Series Analysis, chapter 2.
    """
    found: list[Cycle] = []
    if len(times) < _FEWEST or not np.isfinite(times).all():
        return found
    for name, period in PERIODS.items():
        if np.ptp(times) < _ROUNDS * period:
            continue
        angle = 2.0 * np.pi * (times % period) / period
        waves = np.column_stack([np.sin(angle), np.cos(angle)])
        waves = waves - waves.mean(axis=0)
        width = np.linalg.svd(waves, compute_uv=False)
        if width[0] < 0.1 * np.sqrt(len(times)):
            continue
        if width[1] < 0.1 * width[0]:  # two times of day only: one direction is all there is
            waves = waves @ np.linalg.svd(waves, full_matrices=False)[2][:1].T
        odds = background.weigh_together(waves)
        solved = np.linalg.lstsq(np.column_stack([np.ones(len(logs)), waves]), logs, rcond=None)[0]
        fitted = waves @ solved[1:]
        found.append(
            Cycle(
                name,
                period,
                odds,
                100.0 * float(np.ptp(fitted)) / 2.0,
                float((times % period)[int(np.argmax(fitted))]),
            )
        )
    return sorted(found, key=lambda one: -one.log_odds)

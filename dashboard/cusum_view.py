"""Cumulative sums of the batch means: small lasting shifts, since when and how large, in words."""

from dataclasses import dataclass

import numpy as np

import spc
from dashboard import text
from dashboard.results import Assessment

DECISION = 5.0
"""Limit of the sums in sigma: with an allowance of 0.5 a false signal comes every 465 points
(D. C. Montgomery, Introduction to Statistical Quality Control, table of 9.1)."""


@dataclass(frozen=True, slots=True, eq=False)
class CusumView:
    """Both sums of one characteristic, and the shifts they found.

    Attributes:
        up, down: sums towards high and low values in sigma, their limit as the upper line.
        shifts: (start, signal, last) positions of each shift, in the order of their signals.
        sides: "up" or "down" of each. sentences: each in words.
        explanation: how the sums are made, with the numbers filled in.
    """

    up: spc.ControlChart
    down: spc.ControlChart
    shifts: tuple[tuple[int, int, int], ...]
    sides: tuple[str, ...]
    sentences: tuple[str, ...]
    explanation: str


def cusum_view(one: Assessment, shift: float = 1.0) -> CusumView | None:
    """Sum up what each batch mean is off its centre; anew where other limits begin.

    Args:
        one: the assessment; None is returned without limits or without any spread.
        shift: the shift to be found, in sigma; half of it is the allowance.
    """
    if one.charts is None or one.charts.location.sigma == 0:
        return None
    location, names = one.charts.location, one.batches["batch"].tolist()
    starts = [0, *one.limits.breaks]
    stops = [*starts[1:], location.n]
    sums: dict[str, list[np.ndarray]] = {"up": [], "down": []}
    found: list[tuple[int, int, int, str, str]] = []
    for start, stop in zip(starts, stops, strict=True):
        center, sigma = float(location.center[start]), float(location.standard_error[start])
        chart = spc.cusum(
            location.values[start:stop], center=center, sigma=sigma, k=shift / 2, h=DECISION
        )
        sums["up"].append(chart.c_plus)
        sums["down"].append(chart.c_minus)
        for one_shift in chart.shifts():
            begin, signal, last = (
                start + i for i in (one_shift.start, one_shift.signal, one_shift.last)
            )
            said = _sentence(one_shift, names[begin], names[signal], center, sigma)
            found.append((begin, signal, last, one_shift.side, said))
    up, down = (_chart(side, np.concatenate(parts)) for side, parts in sums.items())
    return CusumView(
        up=up,
        down=down,
        shifts=tuple((begin, signal, last) for begin, signal, last, _, _ in found),
        sides=tuple(side for *_, side, _ in found),
        sentences=tuple(said for *_, said in found),
        explanation=(
            f"Each sum grows by what a batch mean is off its centre beyond "
            f"{text.number(shift / 2, 2)} sigma, half of the shift of {text.number(shift, 2)} "
            f"sigma ({text.viscosity(shift * float(location.sigma), 3)}) that it looks for, never "
            f"below zero. A sum above {text.number(DECISION, 1)} is a signal; the shift "
            "began after the sum was last zero."
        ),
    )


def _chart(side: str, sums: np.ndarray) -> spc.ControlChart:
    zero = np.zeros(sums.size)
    return spc.ControlChart(
        name=f"cumulative sum {side}",
        values=sums,
        center=zero,
        lower=zero,
        upper=np.full(sums.size, DECISION),
        sigma=1.0,
        standard_error=np.ones(sums.size),
    )


def _sentence(shift: spc.Shift, start: str, signal: str, center: float, sigma: float) -> str:
    size = f"about {text.viscosity(abs(shift.size), 3)}"
    if center > 0:
        size += f" ({text.percent(100 * abs(shift.size) / center)}"
        size += f", {text.number(abs(shift.size) / sigma, 2)} sigma)"
    way = "higher" if shift.side == "up" else "lower"
    return f"Level {way} since {start} by {size}, noticed at {signal}."

"""The limits that each batch is judged by: estimated from the record, or frozen by a person."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

import ingest
import spc
from dashboard import text
from dashboard.batches import BatchTable


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Batches under one set of frozen limits: positions from `start` to before `stop`."""

    frozen: ingest.FrozenLimits
    start: int
    stop: int


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Charts with the limits in force at each batch.

    Attributes:
        charts: three-way chart set; None where no limits could be made.
        stretches: the frozen limits in force, oldest first; empty where they are estimated.
        left_out: positions of batches that do not count for limits, with the cause.
        sentence: where the limits come from, or why there are none.
    """

    charts: spc.ChartSet | None
    stretches: tuple[Stretch, ...]
    left_out: dict[int, str]
    sentence: str

    @property
    def breaks(self) -> tuple[int, ...]:
        """Positions at which another set of limits begins; runs do not cross them."""
        return tuple(one.start for one in self.stretches[1:])


def limits_of(
    table: BatchTable,
    frozen: Sequence[ingest.FrozenLimits],
    excluded: Mapping[str, str],
    enough: bool,
) -> Limits:
    """Make the charts of one characteristic.

    Args:
        table: its batches. frozen: its frozen limits, oldest decision first.
        excluded: batches that a person left out of limits, with the cause.
        enough: whether there are enough batches to estimate limits from.
    """
    n = len(table.frame)
    decided = bool(frozen or excluded)
    place = {name: i for i, name in enumerate(table.frame["batch"])} if decided else {}
    left_out = {place[name]: cause for name, cause in excluded.items() if name in place}
    stretches = _stretches(frozen, place, n)
    if not stretches and not enough:
        return Limits(None, (), left_out, "")
    try:
        charts = _frozen(table, stretches, left_out) if stretches else _estimated(table, left_out)
    except spc.SpcError as error:
        return Limits(None, (), left_out, f"No limits: {error}")
    said = _of_frozen(stretches[-1]) if stretches else _of_estimated(n, left_out)
    return Limits(charts, stretches, left_out, said)


def _stretches(
    frozen: Sequence[ingest.FrozenLimits], place: Mapping[str, int], n: int
) -> tuple[Stretch, ...]:
    """Which limits hold where: from the first batch of their baseline until newer ones begin.

    The oldest ones hold for what was made before their baseline, too. A later decision about the
    same beginning replaces the earlier one.
    """
    begins: dict[int, ingest.FrozenLimits] = {}
    for one in frozen:
        # Where the import of its first batch was undone, the limits stay in force all the same.
        start = place.get(one.first_batch, place.get(one.last_batch, 0))
        begins = {at: kept for at, kept in begins.items() if at < start}
        begins[start] = one
    starts = sorted(begins)
    stops = [*starts[1:], n][: len(starts)]
    return tuple(
        Stretch(begins[start], 0 if i == 0 else start, stop)
        for i, (start, stop) in enumerate(zip(starts, stops, strict=True))
    )


def _estimated(table: BatchTable, left_out: Mapping[int, str]) -> spc.ChartSet:
    if not left_out:
        return spc.three_way(table.readings)
    baseline = spc.freeze_limits(table.frame["mean"].to_numpy(), left_out=sorted(left_out))
    return spc.three_way(
        table.readings,
        center=baseline.center,
        sigma=baseline.sigma,
        sigma_within=_sigma_within(table, left_out),
    )


def _frozen(
    table: BatchTable, stretches: Sequence[Stretch], left_out: Mapping[int, str]
) -> spc.ChartSet:
    newest = stretches[-1].frozen
    charts = spc.three_way(
        table.readings,
        center=newest.center,
        sigma=newest.sigma,
        sigma_within=_sigma_within(table, left_out),
    )
    if len(stretches) == 1:
        return charts
    lengths = [one.stop - one.start for one in stretches]
    center = np.repeat([one.frozen.center for one in stretches], lengths)
    sigma = np.repeat([one.frozen.sigma for one in stretches], lengths)
    location = replace(
        charts.location,
        center=center,
        lower=center - 3 * sigma,
        upper=center + 3 * sigma,
        standard_error=sigma,
    )
    moving, scale = charts.dispersion, sigma / newest.sigma
    dispersion = replace(
        moving,
        center=moving.center * scale,
        lower=moving.lower * scale,
        upper=moving.upper * scale,
        standard_error=moving.standard_error * scale,
    )
    return replace(charts, location=location, dispersion=dispersion)


def _sigma_within(table: BatchTable, left_out: Mapping[int, str]) -> float | None:
    """Repeatability of the batches that count, from the range of their readings."""
    if not left_out:
        return None
    counts = np.ones(len(table.readings), dtype=bool)
    counts[list(left_out)] = False
    within = spc.three_way(table.readings[counts]).within
    return None if within is None else float(within.sigma)


def _of_frozen(stretch: Stretch) -> str:
    one = stretch.frozen
    without = f" without {text.batches(len(one.exclusions))}" if one.exclusions else ""
    return (
        f"Limits frozen on {one.at[:10]} by {one.who} from {one.first_batch} to {one.last_batch} "
        f"({text.batches(one.n)}{without}): {one.why}"
    )


def _of_estimated(n: int, left_out: Mapping[int, str]) -> str:
    without = f", {len(left_out)} left out with a cause" if left_out else ""
    return f"Limits estimated from all {text.batches(n)} of the record{without}; not frozen."

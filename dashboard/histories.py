"""Turns readings into what an investigation reads of each product: arrays, in one pass over all.

What they mean is decided in `spc.drift`.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboard.batches import production_time
from dashboard.check_standards import check_standards
from dashboard.grouping import Grouped, in_batches
from spc.drift import (
    CheckRuns,
    CheckScan,
    Factor,
    History,
    OtherProduct,
    SetAsideRow,
    scan_checks,
)

CONTRADICTS = ("torque_disagrees",)
"""Reasons for which a set-aside reading still says something: its parts contradict each other."""
MOST_OTHERS = 5
"""Other products looked at on one instrument, those with the most batches."""
MOST_OTHER_BATCHES = 400
NEAR_NAME = 0.25
"""A number in the name of a check standard is its certified value if it is so near its median."""
_EPOCH = np.datetime64("1970-01-01T00:00:00", "ns")
_DAY = np.timedelta64(1, "D")
_FACTOR_COLUMNS = {
    "instrument": "instrument",
    "operator": "operator",
    "lot": "lot",
    "shift": "shift",
    "line": "line_name",
}


def histories_of(readings: pd.DataFrame, characteristics: pd.DataFrame) -> dict[int, History]:
    """Turn readings, used and set aside, into what an investigation reads of each product.

    Times are days since 1970. Where no product reading has a time, the order of the file stands in
    for it, for products and check standards alike.

    Args:
        readings: as the store gives them, in production order.
        characteristics: as the store gives them.
    """
    about = characteristics.set_index("id")
    kept = readings[(readings["reason"] == "") | readings["reason"].isin(CONTRADICTS)]
    is_check = kept["characteristic_id"].map(about["sample_type"]) == "check"
    is_product = kept["characteristic_id"].map(about["sample_type"]) == "product"
    rows = kept[is_product]
    if rows.empty:
        return {}
    times = production_time(rows)
    if np.isnat(times).all():
        stand_in = pd.Series(pd.Timestamp(0, tz="UTC"), index=kept.index)
        stand_in = stand_in + pd.to_timedelta(np.arange(len(kept)), unit="h")
        kept = kept.assign(at=stand_in, sampled_at=pd.NaT)
        kept["sampled_at"] = pd.to_datetime(kept["sampled_at"], utc=True)
        rows = kept[is_product]
    pieces = _pieces(in_batches(rows))
    checks = _checks(kept[is_check & (kept["reason"] == "")], characteristics)
    factors = _torque_factors(pieces, about)
    others = _others(pieces, about)
    scans = {name: scan_checks(checks, name) for name in {one.instrument for one in checks}}
    return {
        number: _history(
            piece, str(about["condition"].get(number, "")), checks, scans, others, factors
        )
        for number, piece in pieces.items()
    }


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """The batches of one characteristic as arrays."""

    number: int
    names: tuple[str, ...]
    times: np.ndarray
    means: np.ndarray
    readings: np.ndarray
    torque: np.ndarray
    temperature: np.ndarray
    labels: dict[str, np.ndarray]
    remarks: tuple[str, ...]
    converted: tuple[int, ...]
    set_aside: tuple[SetAsideRow, ...]
    torque_factor: dict[str, float]


def _pieces(grouped: Grouped) -> dict[int, _Piece]:
    rows, first, n = grouped.rows, grouped.first, grouped.n
    used = (rows["reason"] == "").to_numpy()
    values = rows["viscosity"].to_numpy(dtype=float)
    batch = np.repeat(np.arange(len(first)), n)
    usable = used & np.isfinite(values) & (values > 0)
    torque = rows["torque"].to_numpy(dtype=float)
    temperature = rows["temperature"].to_numpy(dtype=float)
    means = _mean(values, batch, usable, len(first))
    torques = _mean(torque, batch, usable & (torque > 0), len(first))
    temperatures = _mean(temperature, batch, usable & np.isfinite(temperature), len(first))
    days = (grouped.earliest - _EPOCH) / _DAY
    days = np.where(np.isnat(grouped.earliest), np.nan, days)
    labels = {
        name: rows[column].fillna("").astype(str).to_numpy(dtype=object)[first]
        for name, column in _FACTOR_COLUMNS.items()
    }
    labels["weekday"] = _weekdays(grouped.earliest)
    comments = rows["comment"].fillna("").astype(str).to_numpy(dtype=object)
    units = _units(rows["received"])
    owner = rows["characteristic_id"].to_numpy()
    instrument = rows["instrument"].fillna("").astype(str).to_numpy(dtype=object)
    position = np.arange(len(rows)) - first[batch]
    edges = np.flatnonzero(np.diff(owner[first], prepend=owner[0] - 1))
    pieces = {}
    for start, stop in zip(edges, np.append(edges[1:], len(first)), strict=True):
        inside = slice(first[start], first[stop] if stop < len(first) else len(rows))
        mine = np.arange(len(rows))[inside]
        grid = np.full((stop - start, int(n[start:stop].max())), np.nan)
        good = mine[usable[mine]]
        grid[batch[good] - start, position[good]] = values[good]
        factor = _factors_of(values[good], torque[good], instrument[good])
        aside = mine[~used[mine]]
        unit = units[mine]
        usual = np.bincount(unit).argmax()
        with_comment = mine[comments[mine] != ""]
        remarks = [""] * (stop - start)
        for row in with_comment:
            remarks[batch[row] - start] = str(comments[row])
        number = int(owner[inside][0])
        pieces[number] = _Piece(
            number=number,
            names=tuple(str(name) for name in grouped.names[start:stop]),
            times=_filled(days[start:stop]),
            means=means[start:stop],
            readings=_left(grid),
            torque=torques[start:stop],
            temperature=temperatures[start:stop],
            labels={name: column[start:stop] for name, column in labels.items()},
            remarks=tuple(remarks) if len(with_comment) else (),
            converted=tuple(
                sorted({int(i) for i in batch[mine[used[mine] & (unit != usual)]] - start})
            ),
            set_aside=tuple(
                SetAsideRow(
                    int(batch[row] - start),
                    float(values[row]),
                    float(torque[row]),
                    factor.get(str(instrument[row]), float("nan")),
                )
                for row in aside
                if values[row] > 0
            ),
            torque_factor=factor,
        )
    return pieces


def _filled(days: np.ndarray) -> np.ndarray:
    """Give batches without a time one between their dated neighbours; a few, no more than half."""
    known = np.isfinite(days)
    if known.all() or known.sum() < max(2, len(days) / 2):
        return days
    place = np.arange(len(days))
    return np.maximum.accumulate(np.interp(place, place[known], days[known]))


def _left(grid: np.ndarray) -> np.ndarray:
    """Move the readings of each batch to the left, so that a set-aside one leaves no gap."""
    order = np.argsort(np.isnan(grid), axis=1, kind="stable")
    return np.take_along_axis(grid, order, axis=1)


def _mean(values: np.ndarray, batch: np.ndarray, counted: np.ndarray, n: int) -> np.ndarray:
    sums = np.bincount(batch[counted], weights=values[counted], minlength=n)
    counts = np.bincount(batch[counted], minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(counts > 0, sums / counts, np.nan)


def _weekdays(times: np.ndarray) -> np.ndarray:
    names = np.array(["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"])
    known = ~np.isnat(times)
    found = np.full(len(times), "", dtype=object)
    # 1 January 1970 was a Thursday.
    day = (times[known].astype("datetime64[D]").astype(np.int64) + 3) % 7
    found[known] = names[day]
    return found


def _units(received: pd.Series) -> np.ndarray:
    """A number for the unit text behind each received value."""
    texts = received.fillna("").astype(str).to_numpy(dtype=object)
    return pd.factorize(np.array([one.rpartition(" ")[2] for one in texts], dtype=object))[0]


def _factors_of(values: np.ndarray, torque: np.ndarray, instrument: np.ndarray) -> dict[str, float]:
    known = torque > 0
    if not known.any():
        return {}
    ratio = pd.Series(values[known] / torque[known]).groupby(instrument[known].astype(str))
    return {str(name): float(k) for name, k in ratio.median().items()}


def _torque_factors(
    pieces: Mapping[int, _Piece], about: pd.DataFrame
) -> dict[str, dict[str, float]]:
    """Torque factors by speed and then by spindle, as far as conditions name both."""
    found: dict[str, dict[str, float]] = {}
    for number, piece in pieces.items():
        spindle, speed = _spindle(str(about["condition"].get(number, "")))
        if spindle and piece.torque_factor:
            median = float(np.median(list(piece.torque_factor.values())))
            found.setdefault(speed, {})[spindle] = median
    return found


def _spindle(condition: str) -> tuple[str, str]:
    """Spindle and speed from the words of a condition, "S3 · 20 rpm"; "" where not named."""
    parts = [part.strip() for part in condition.split("·")]
    speed = next((part for part in parts if part.endswith("rpm")), "")
    first = parts[0] if parts else ""
    return ("" if re.fullmatch(r"[\d.,]+ .*", first) else first), speed


def _checks(used: pd.DataFrame, characteristics: pd.DataFrame) -> tuple[CheckRuns, ...]:
    if used.empty:
        return ()
    ratio = used["viscosity"] / used["torque"].where(used["torque"] > 0)
    labelled = used.assign(instrument=used["instrument"].fillna("").astype(str), ratio=ratio)
    usual = labelled.groupby(["characteristic_id", "instrument"])["ratio"].median()
    numbers = characteristics[characteristics["sample_type"] == "check"]
    by_name = {(str(row.product), str(row.condition)): int(row.id) for row in numbers.itertuples()}
    found = []
    for one in check_standards(used, characteristics):
        number = by_name.get((one.name, one.condition))
        # A run is a mean of readings: its torque follows from the factor of its instrument.
        factor = float(usual.get((number, one.instrument), np.nan))
        times = np.asarray(one.times)
        days = np.where(np.isnat(times), np.nan, (times - _EPOCH) / _DAY)
        found.append(
            CheckRuns(
                name=one.name,
                instrument=one.instrument,
                times=days,
                values=np.asarray(one.values, dtype=float),
                torque=np.asarray(one.values, dtype=float) / factor,
                temperature=np.full(len(one.values), np.nan),
                certified=_certified(one.name, np.asarray(one.values, dtype=float)),
            )
        )
    return tuple(found)


def _certified(name: str, values: np.ndarray) -> float:
    """The number in a check standard's name, where it is near what is read; nan otherwise."""
    middle = float(np.median(values))
    for text in re.findall(r"\d+(?:\.\d+)?", name):
        if abs(float(text) / middle - 1.0) <= NEAR_NAME:
            return float(text)
    return float("nan")


def _others(
    pieces: Mapping[int, _Piece], about: pd.DataFrame
) -> dict[str, list[tuple[int, OtherProduct]]]:
    """Products by instrument, those with the most batches first."""
    found: dict[str, list[tuple[int, OtherProduct]]] = {}
    for number, piece in pieces.items():
        known = np.isfinite(piece.means) & np.isfinite(piece.times)
        for instrument in np.unique(piece.labels["instrument"][known].astype(str)):
            mine = np.flatnonzero(known & (piece.labels["instrument"] == instrument))
            mine = mine[-MOST_OTHER_BATCHES:]
            name = f"{about['product'].get(number, '')}, {about['condition'].get(number, '')}"
            other = OtherProduct(
                name=name.strip(", "),
                instrument=str(instrument),
                times=piece.times[mine],
                values=piece.means[mine],
                torque=piece.torque[mine],
                lots=tuple(str(lot) for lot in piece.labels["lot"][mine]),
            )
            found.setdefault(str(instrument), []).append((number, other))
    for listed in found.values():
        listed.sort(key=lambda pair: -len(pair[1].values))
    return found


def _history(
    piece: _Piece,
    condition: str,
    checks: Sequence[CheckRuns],
    scans: Mapping[str, CheckScan | None],
    others: Mapping[str, list[tuple[int, OtherProduct]]],
    torque_factors: Mapping[str, dict[str, float]],
) -> History:
    instruments = sorted({str(name) for name in piece.labels["instrument"]})
    beside: list[OtherProduct] = []
    for instrument in instruments:
        mine = [other for number, other in others.get(instrument, []) if number != piece.number]
        beside += mine[:MOST_OTHERS]
    spindle, speed = _spindle(condition)
    return History(
        batches=piece.names,
        means=piece.means,
        readings=piece.readings,
        times=piece.times,
        torque=piece.torque,
        temperature=piece.temperature,
        factors=tuple(
            Factor.of(name, column.astype(str))
            for name, column in piece.labels.items()
            if (column != "").any()
        ),
        checks=tuple(one for one in checks if one.instrument in instruments),
        others=tuple(beside),
        set_aside=piece.set_aside,
        converted=piece.converted,
        remarks=piece.remarks,
        scans=scans,
        spindle=spindle,
        torque_factors=dict(torque_factors.get(speed, {})),
    )

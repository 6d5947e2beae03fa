"""A plant whose every cause is known: readings as the store gives them, and what is true of them.

Processes, instruments, spindles, baths, lots and operators are drawn at random from `Ranges`; one
of CAUSES (or two, or none) is put into the record of the first product. Nothing of `spc.drift` is
used here, so that what it finds can be held against the truth.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ingest.checks import Torques

CAUSES = (
    "spindle",
    "zero_offset",
    "gain",
    "temperature_bath",
    "raw_material_lot",
    "operator_or_reading_time",
    "units",
    "transcription",
    "wear_or_ageing",
    "aeration",
    "autocorrelation",
    "unstable_process",
)
CLASS_OF = {
    "spindle": "measurement",
    "zero_offset": "measurement",
    "gain": "measurement",
    "temperature_bath": "measurement",
    "raw_material_lot": "process",
    "operator_or_reading_time": "preparation",
    "units": "data",
    "transcription": "data",
    "wear_or_ageing": "process",
    "aeration": "preparation",
    "autocorrelation": "none",
    "unstable_process": "process",
    "none": "none",
}
ONLY_CHECKS_TELL = {
    "zero_offset", "gain", "temperature_bath",
    "raw_material_lot", "wear_or_ageing", "unstable_process",
}  # fmt: skip
FACTOR = 50.0  # mPa·s per 1 % torque, one spindle and speed for all
START = np.datetime64("2025-01-06T00:00:00", "s")


@dataclass(frozen=True)
class Ranges:
    """What a plant may look like; every pair is (low, high)."""

    n: tuple[int, int] = (25, 200)
    batch_sd: tuple[float, float] = (0.01, 0.05)
    repeatability: tuple[float, float] = (0.002, 0.015)
    neighbours: tuple[float, float] = (0.0, 0.3)
    instruments: tuple[int, int] = (1, 4)
    products: tuple[int, int] = (1, 6)
    shift: tuple[float, float] = (1.5, 4.0)
    place: tuple[float, float] = (0.25, 0.75)
    check_sd: tuple[float, float] = (0.003, 0.006)
    check_every: tuple[float, float] = (0.5, 3.0)  # days
    missing: float = 0.15  # chance that a column is not recorded
    without_checks: float = 0.2


@dataclass
class Truth:
    """What was put into a record.

    Attributes:
        causes: its causes, the strongest first; empty for none.
        shift: size in batch standard deviations (of batch means, repeatability included).
        since: first batch of the first cause that has a start; None without.
        percent: its size in percent.
        checked: check standards are run on the instruments.
    """

    causes: list[str] = field(default_factory=list)
    shift: float = 0.0
    since: str | None = None
    percent: float = 0.0
    checked: bool = True

    def classes(self) -> set[str]:
        """Classes that are right for this record."""
        if not self.causes:
            return {"none"}
        return {
            "cannot_tell" if cause in ONLY_CHECKS_TELL and not self.checked else CLASS_OF[cause]
            for cause in self.causes
        }

    def suspects(self) -> set[str]:
        """Suspects that are right for this record.

        Without check standards a fault of the measurement cannot be named: "unknown" is right too.
        """
        untold = not self.checked and bool(ONLY_CHECKS_TELL & set(self.causes))
        return (set(self.causes) or {"none"}) | ({"unknown"} if untold else set())


@dataclass
class Plant:
    """One simulated record: readings and characteristics as the store gives them."""

    readings: pd.DataFrame
    characteristics: pd.DataFrame
    truth: Truth


@dataclass
class _Product:
    times: np.ndarray  # days
    level: float
    instrument: np.ndarray
    operator: np.ndarray
    lot: np.ndarray
    sensitivity: float
    log: np.ndarray  # log of the true batch viscosity over the level
    spread: np.ndarray  # repeatability of each batch


def _alike(rng: np.random.Generator, n: int, phi: float) -> np.ndarray:
    noise = rng.normal(size=n)
    values = np.empty(n)
    values[0] = noise[0]
    for i in range(1, n):
        values[i] = phi * values[i - 1] + np.sqrt(1 - phi**2) * noise[i]
    return values


def simulate(rng: np.random.Generator, cause: str, ranges: Ranges = Ranges()) -> Plant:
    """Make the record of a plant with one cause: a name of CAUSES, "none", or two joined by "+"."""
    causes = [] if cause == "none" else cause.split("+")
    instruments = int(rng.integers(ranges.instruments[0], ranges.instruments[1] + 1))
    n_products = int(rng.integers(ranges.products[0], ranges.products[1] + 1))
    n = int(rng.integers(ranges.n[0], ranges.n[1] + 1))
    if instruments > 1:
        instruments = min(instruments, max(1, n // 20))
    sd = rng.uniform(*ranges.batch_sd)
    s_r = rng.uniform(*ranges.repeatability)
    phi = rng.uniform(*ranges.neighbours)
    operators = (
        int(rng.integers(2, 5)) if "operator_or_reading_time" in causes else int(rng.integers(1, 5))
    )
    lot_length = int(rng.integers(8, max(9, n // 3) + 1))
    products = [
        _product(rng, n, sd, s_r, phi, instruments, operators, lot_length)
        if i == 0
        else _product(
            rng, int(rng.integers(15, 120)), rng.uniform(*ranges.batch_sd),
            rng.uniform(*ranges.repeatability), rng.uniform(*ranges.neighbours),
            instruments, operators, lot_length,
        )
        for i in range(n_products)
    ]  # fmt: skip
    last = float(products[0].times[-1])
    for p in products:  # every record is open to the same day, the last of the first product
        p.times = p.times + round(last - float(p.times[-1]))
    began = min(float(p.times[0]) for p in products)
    fluids = _fluids(rng)
    sd_check = rng.uniform(*ranges.check_sd)
    every = rng.uniform(*ranges.check_every)
    checked = rng.random() >= ranges.without_checks
    checks = [
        (k, f, np.arange(np.floor(began) + 0.2, last + 0.3, every) + rng.uniform(-0.02, 0.02))
        for k in range(instruments)
        for f in range(len(fluids))
    ]
    logs = [rng.normal(scale=sd_check, size=len(times)) for _, _, times in checks]
    bias = rng.normal(scale=0.003, size=instruments)
    truth = Truth(checked=checked)
    edit = _Editor(rng, ranges, products, checks, logs, fluids, truth, np.hypot(sd, s_r / 2**0.5))
    for one in causes:
        edit.put(one)
    rows = _rows(rng, products, bias, edit)
    if checked:
        rows += _check_rows(rng, checks, logs, fluids, bias, edit)
    return Plant(*_as_store(rng, rows, ranges, edit), truth)


def _product(rng, n, sd, s_r, phi, instruments, operators, lot_length):
    a_day = rng.choice([1, 2, 3])
    times = (np.arange(n) // a_day) + np.array([0.27, 0.56, 0.85])[np.arange(n) % a_day]
    return _Product(
        times=times,
        level=FACTOR * rng.uniform(20, 75),
        instrument=rng.integers(0, instruments, size=n),
        operator=rng.integers(0, operators, size=n),
        lot=(np.arange(n) + int(rng.integers(0, lot_length))) // lot_length,
        sensitivity=float(np.exp(rng.normal(np.log(0.045), 0.5))),
        log=sd * _alike(rng, n, phi),
        spread=np.full(n, s_r),
    )


def _fluids(rng: np.random.Generator) -> list[tuple[float, float]]:
    """Certified value and temperature sensitivity of one or two check fluids."""
    low = (1000.0, rng.uniform(0.02, 0.07))
    return [low] if rng.random() < 0.4 else [low, (4000.0, rng.uniform(0.02, 0.07))]


class _Editor:
    """Puts causes into the truth and keeps what rows need when they are written."""

    def __init__(self, rng, ranges, products, checks, logs, fluids, truth, sd) -> None:
        self.rng, self.ranges, self.products = rng, ranges, products
        self.checks, self.logs, self.fluids = checks, logs, fluids
        self.truth, self.sd = truth, sd
        self.offset: list[tuple[int, np.ndarray]] = []
        self.faults: dict[tuple[int, int], str] = {}
        self.warm: tuple[int, float, float] | None = None
        self.extra_percent_fs = [np.zeros(len(p.times)) for p in products]
        self.check_fs = [np.zeros(len(t)) for _, _, t in checks]

    def put(self, cause: str) -> None:
        getattr(self, "_" + cause)()
        self.truth.causes.append(cause)

    def _size(self) -> float:
        d = float(self.rng.uniform(*self.ranges.shift))
        if not self.truth.causes:
            self.truth.shift = d
        return d * self.sd * float(self.rng.choice([-1, 1]))

    def _start(self, positions: np.ndarray) -> int:
        low, high = self.ranges.place
        rank = int(self.rng.uniform(low, high) * len(positions))
        rank = min(max(rank, 4), len(positions) - 5)
        return int(positions[rank])

    def _say(self, position: int, size: float) -> None:
        if self.truth.since is None:
            self.truth.since = f"B{position + 1:03}"
            self.truth.percent = 100 * float(np.expm1(size))

    def _instrument(self) -> int:
        counts = np.bincount(self.products[0].instrument)
        good = np.flatnonzero(counts >= min(12, counts.max()))
        return int(self.rng.choice(good))

    def _moment(self, k: int, ramp: bool):
        """A shape in time on one instrument that first touches a batch of the first product."""
        p = self.products[0]
        mine = np.flatnonzero(p.instrument == k)
        position = self._start(mine)
        rank = int(np.flatnonzero(mine == position)[0])
        before = float(p.times[mine[rank - 1]])
        start = self.rng.uniform(before + 1e-3, float(p.times[position]))
        end = float(p.times[-1])
        if ramp:
            start = before
            return position, lambda t: np.clip((t - start) / (end - start), 0, 1)
        return position, lambda t: (t >= start).astype(float)

    def _on_everything(self, k: int, shape, product_log, fluid_log) -> None:
        for p in self.products:
            p.log = p.log + (p.instrument == k) * product_log(p) * shape(p.times)
        for i, (kk, f, times) in enumerate(self.checks):
            if kk == k:
                self.logs[i] = self.logs[i] + fluid_log(f) * shape(times)

    def _gain(self) -> None:
        size, k = self._size(), self._instrument()
        position, shape = self._moment(k, ramp=self.rng.random() < 0.25)
        self._on_everything(k, shape, lambda p: size, lambda f: size)
        self._say(position, size)

    def _temperature_bath(self) -> None:
        size, k = self._size(), self._instrument()
        warmer = -size / self.products[0].sensitivity
        shared = self.rng.random() < 0.4  # one bath for all instruments
        if shared:
            self.products[0].instrument, kept = (
                np.zeros_like(self.products[0].instrument),
                self.products[0].instrument,
            )
            position, shape = self._moment(0, ramp=False)
            self.products[0].instrument = kept
        else:
            position, shape = self._moment(k, ramp=False)
        reached = range(max(kk for kk, _, _ in self.checks) + 1) if shared else [k]
        for one in reached:
            self._on_everything(
                one, shape, lambda p: -p.sensitivity * warmer, lambda f: -self.fluids[f][1] * warmer
            )
        self._say(position, size)

    def _zero_offset(self) -> None:
        size, k = self._size(), self._instrument()
        position, shape = self._moment(k, ramp=self.rng.random() < 0.6)
        p = self.products[0]
        fs = float(np.expm1(size)) * p.level / FACTOR  # % of full scale
        for q, extra in zip(self.products, self.extra_percent_fs, strict=True):
            extra += (q.instrument == k) * fs * shape(q.times)
        for i, (kk, _, times) in enumerate(self.checks):
            if kk == k:
                self.check_fs[i] = self.check_fs[i] + fs * shape(times)
        self._say(position, size)

    def _spindle(self) -> None:
        p, k = self.products[0], self._instrument()
        mine = np.flatnonzero(p.instrument == k)
        torque = p.level / FACTOR
        ratios = [r for r in (0.5, 0.4, 0.25, 2.0, 2.5) if 8 < torque * r < 90]
        ratio = float(self.rng.choice(ratios))
        position = self._start(mine)
        rank = int(np.flatnonzero(mine == position)[0])
        length = int(self.rng.integers(2, 11))
        hit = mine[rank:] if self.rng.random() < 0.3 else mine[rank : rank + length]
        p.log[hit] += np.log(ratio)
        self.truth.shift = abs(np.log(ratio)) / self.sd
        self._say(position, float(np.log(ratio)))

    def _raw_material_lot(self) -> None:
        p, size = self.products[0], self._size()
        borders = np.flatnonzero(np.diff(p.lot)) + 1
        low, high = self.ranges.place
        good = [b for b in borders if low <= b / len(p.lot) <= high] or list(borders)
        start = int(self.rng.choice(good))
        lot = p.lot[start]
        one = self.rng.random() < 0.4 and (p.lot > lot).sum() >= 5
        hit = p.lot == lot if one else p.lot >= lot
        p.log = p.log + size * hit
        self._say(start, size)

    def _operator_or_reading_time(self) -> None:
        p, size = self.products[0], self._size()
        who = int(self.rng.integers(0, p.operator.max() + 1))
        p.log = p.log + size * (p.operator == who)

    def _wear_or_ageing(self) -> None:
        p, size = self.products[0], self._size()
        n = len(p.times)
        position = self._start(np.arange(n))
        ramp = np.clip((np.arange(n) - position + 1) / (n - position), 0, None)
        p.log = p.log + size * ramp
        self._say(position, size)

    def _aeration(self) -> None:
        p = self.products[0]
        n = len(p.times)
        position = self._start(np.arange(n))
        length = n if self.rng.random() < 0.6 else int(self.rng.integers(8, 25))
        p.spread = p.spread.copy()
        p.spread[position : position + length] *= self.rng.uniform(3.0, 6.0)
        p.log[position : position + length] += self.rng.uniform(0, 1) * self.sd
        self.truth.shift = 3.0
        self._say(position, 0.0)

    def _autocorrelation(self) -> None:
        p = self.products[0]
        sd = float(np.std(p.log))
        p.log = sd * _alike(self.rng, len(p.log), self.rng.uniform(0.6, 0.85))
        self.truth.shift = 3.0

    def _unstable_process(self) -> None:
        p = self.products[0]
        n, at, level = len(p.log), 0, 0.0
        first = None
        while at < n:
            length = int(self.rng.integers(max(6, n // 10), max(8, n // 4) + 1))
            p.log[at : at + length] += level
            at += length
            if at < n - 3 and first is None:
                first = at
            level += self._size() if abs(level) < 4 * self.sd else -level
        self._say(first or 0, self.sd)

    def _units(self) -> None:
        for position in self.rng.choice(len(self.products[0].times), 2, replace=False):
            for replicate in (0, 1):
                self.faults[int(position), replicate] = "units"
        self.truth.shift = 3.0

    def _transcription(self) -> None:
        for position in self.rng.choice(
            len(self.products[0].times), int(self.rng.integers(1, 4)), replace=False
        ):
            kind = str(self.rng.choice(["ten", "swap"]))
            self.faults[int(position), int(self.rng.integers(0, 2))] = kind
        self.truth.shift = 3.0


def _reading(torque: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Torque to 0.1 % and viscosity to four figures, as a bench instrument shows them."""
    torque = np.maximum(torque, 0.2)
    viscosity = torque * FACTOR
    digits = np.maximum(0, 3 - np.floor(np.log10(viscosity))).astype(int)
    shown = np.array([round(float(v), int(d)) for v, d in zip(viscosity, digits, strict=True)])
    return np.round(torque, 1), shown


def _swapped(value: float) -> float:
    """Swap the two neighbouring digits that change the value most."""
    text = f"{value:.0f}"
    options = [
        float(text[:i] + text[i + 1] + text[i] + text[i + 2 :]) for i in range(len(text) - 1)
    ]
    return max(options, key=lambda v: abs(np.log(max(v, 1.0) / value)))


def _rows(rng, products, bias, edit) -> list[pd.DataFrame]:
    frames = []
    for number, p in enumerate(products):
        n = len(p.times)
        noise = rng.normal(size=(n, 2)) * p.spread[:, None]
        true = p.level / FACTOR * np.exp(p.log + bias[p.instrument])[:, None] * np.exp(noise)
        true = true + edit.extra_percent_fs[number][:, None]
        torque, shown = (x.reshape(n, 2) for x in _reading(true.ravel()))
        if number == 0:
            for (position, replicate), kind in edit.faults.items():
                value = shown[position, replicate]
                wrong = {"units": value / 1000, "ten": value * 10}.get(kind)
                shown[position, replicate] = _swapped(value) if wrong is None else wrong
        frames += [
            pd.DataFrame(
                {
                    "product": f"P-{number}",
                    "sample_type": "product",
                    "batch": [f"B{i + 1:03}" for i in range(n)],
                    "replicate": replicate + 1,
                    "days": p.times + replicate * 0.008,
                    "viscosity": shown[:, replicate],
                    "torque": torque[:, replicate],
                    "instrument": [f"V{k + 1}" for k in p.instrument],
                    "operator": [f"{chr(65 + o)}{chr(75 + o)}" for o in p.operator],
                    "lot": [f"R{x + 1}" for x in p.lot],
                    "shift": np.where((p.times % 1) < 0.5, "early", "late"),
                }
            )
            for replicate in (0, 1)
        ]
    return frames


def _check_rows(rng, checks, logs, fluids, bias, edit) -> list[pd.DataFrame]:
    frames = []
    for (k, f, times), log, fs in zip(checks, logs, edit.check_fs, strict=True):
        value = fluids[f][0]
        torque, shown = _reading(value / FACTOR * np.exp(log + bias[k]) + fs)
        frames.append(
            pd.DataFrame(
                {
                    "product": f"CHK-{value:.0f}",
                    "sample_type": "check",
                    "batch": f"CHK-{value:.0f}",
                    "replicate": 1,
                    "days": times,
                    "viscosity": shown,
                    "torque": torque,
                    "instrument": f"V{k + 1}",
                    "operator": "AK",
                    "lot": "",
                    "shift": "",
                }
            )
        )
    return frames


def _as_store(rng, frames, ranges, edit):
    """The tables of a store; columns that this plant does not record are empty."""
    rows = pd.concat(frames, ignore_index=True)
    keys, names = pd.factorize(rows["product"])
    rows["characteristic_id"] = keys + 1
    at = START + (rows["days"].to_numpy() * 86400).astype("timedelta64[s]")
    rows["at"] = pd.DatetimeIndex(at).tz_localize("UTC")
    rows["sampled_at"] = pd.Series(pd.NaT, index=rows.index, dtype="datetime64[ns, UTC]")
    rows["temperature"] = 25.0
    rows["speed"], rows["spindle"] = 20.0, "S3"
    rows["line_name"] = rows["comment"] = ""
    rows["received"] = "1 mPa.s"
    needs = {"operator": "operator_or_reading_time", "lot": "raw_material_lot"}
    for column in ("operator", "lot", "shift", "temperature", "torque", "instrument"):
        needed = needs.get(column) in edit.truth.causes
        if column == "torque":
            needed = bool({"zero_offset", "units", "transcription"} & set(edit.truth.causes))
        if column == "instrument":
            needed = rows["instrument"].nunique() > 1
        if not needed and rng.random() < ranges.missing:
            rows[column] = np.nan if column in ("temperature", "torque") else ""
    torques = Torques()
    torques.add(rows, np.ones(len(rows), dtype=bool))
    every = np.ones(len(rows), dtype=bool)
    flagged, _ = torques.disagreeing(rows, every, torques.factors())
    rows["reason"] = np.where(flagged, "torque_disagrees", "")
    rows = rows.sort_values("days", kind="stable").reset_index(drop=True)
    first = pd.Series(keys).drop_duplicates().index
    characteristics = pd.DataFrame(
        {
            "id": np.arange(len(names)) + 1,
            "product": names,
            "condition": "S3 · 20 rpm",
            "sample_type": [
                "check" if str(name).startswith("CHK") else "product" for name in names
            ],
            "n_readings": np.bincount(keys),
        }
    )
    assert len(first) == len(characteristics)
    return rows, characteristics

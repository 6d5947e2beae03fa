"""The product beside the check standards: which explanation fits how much each series moved."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spc.drift.evidence import log_sum
from spc.intake import FloatArray

MODEL_ERROR = 0.0015
"""No model of an instrument is exact: this much, as a fraction, is added to each error."""
MODEL_SHARE = 0.04
"""… and this share of the change itself: no ramp is quite straight, no factor quite constant."""
_RATIO_SPREAD = 0.9  # sd of ln(sensitivity of one material / of another), 2 to 12 % per degree
_WIDEST = 3.0  # no interval is told wider than a factor of 20
_LARGEST = 0.7  # widest change considered, ln 2: larger ones are ratios of torque factors


@dataclass(frozen=True, slots=True)
class Moved:
    """How much one series moved with the event.

    Attributes:
        name: the series, in words.
        role: "target" (the product itself), "check" or "other" (another product).
        change: change of the log of the value at full size.
        error: its standard error.
        torque: usual torque in %; nan where not recorded.
        n_before: values outside the changed stretch.
        n_after: values inside.
        shares_lot: another product made with the lots that are new in the event.
    """

    name: str
    role: str
    change: float
    error: float
    torque: float
    n_before: int
    n_after: int
    shares_lot: bool = False

    @property
    def percent(self) -> float:
        """The change in percent."""
        return 100.0 * float(np.expm1(self.change))

    @property
    def percent_interval(self) -> tuple[float, float]:
        """About 95 % interval of the percentage."""
        ends = np.array([-1.96, 1.96]) * self.error + self.change
        low, high = np.expm1(np.clip(ends, -_WIDEST, _WIDEST))
        return 100.0 * float(low), 100.0 * float(high)


@dataclass(frozen=True, slots=True, eq=False)
class Pairing:
    """Posterior of each explanation, from how far each series moved.

    Attributes:
        moved: the series, the product first.
        probabilities: explanation to posterior probability: "process" (the check standards stand
            still), "gain" (the same percentage), "zero_offset" (more at low torque), "temperature_
            bath" (each by a sensitivity of its own), "reference" (only check standards moved).
        offset_percent: the offset in % of full scale that fits best; nan without torque.
        gain_percent: the common percentage that fits best.
    """

    moved: tuple[Moved, ...]
    probabilities: dict[str, float]
    offset_percent: float
    gain_percent: float

    @property
    def checks(self) -> tuple[Moved, ...]:
        """The check standards among the series."""
        return tuple(one for one in self.moved if one.role == "check")

    @property
    def measurement(self) -> float:
        """Posterior probability that the measurement moved."""
        return 1.0 - self.probabilities["process"]

    @property
    def likeliest_fault(self) -> tuple[str, float]:
        """The likeliest measurement fault and its share among the measurement faults."""
        faults = {k: p for k, p in self.probabilities.items() if k != "process"}
        key = max(faults, key=lambda k: faults[k])
        return key, faults[key] / max(sum(faults.values()), 1e-300)


def pair(moved: Sequence[Moved], temperature_moved: float = 0.0) -> Pairing:
    """Weigh the explanations of an event by how much each series moved.

    Every explanation predicts the changes of all series from one unknown size, here the change of
    the product; the size is averaged over (all sizes alike beforehand). For a bath each material
    has an unknown sensitivity of the same sign, log-normal against the product's. A process change
    leaves check standards where they are; other products stand still or, sharing a raw material or
    a cause, move by anything. Beforehand process and measurement are alike, and so are the faults;
    a wrong reference value has a tenth of a fault's share.

    Args:
        moved: the product first, then the other series.
        temperature_moved: recorded sample temperature after less before, degrees; 0 if steady.

    Source: the classification table of measurement faults is trade practice; Bayes' theorem over
        it with numerically integrated sizes is our convention.
    """
    target = moved[0]
    rest = list(moved[1:])
    torque = _torques(moved)
    sizes = _sizes(moved, torque)
    own = _normal(target.change, sizes, target.error)
    log_other = {
        "process": [_stands_still(one) + np.zeros_like(sizes) for one in rest],
        "gain": [_log_normal(one.change, sizes, one.error) for one in rest],
        "temperature_bath": [_by_sensitivity(one, sizes) for one in rest],
    }
    if np.isfinite(torque).all():
        offset = np.expm1(sizes) * torque[0]
        log_other["zero_offset"] = [
            _log_normal(one.change, np.log(np.maximum(1.0 + offset / t, 1e-3)), one.error)
            for one, t in zip(rest, torque[1:], strict=True)
        ]
    steps = np.gradient(sizes)
    logs = {}
    for key, parts in log_other.items():
        total = np.sum(parts, axis=0) if parts else np.zeros_like(sizes)
        logs[key] = float(log_sum(np.log(own * steps + 1e-300) + total)) - np.log(2 * _LARGEST)
    faults = [key for key in logs if key != "process"]
    for key in faults:
        logs[key] -= np.log(len(faults))
    logs["reference"] = _reference(target, rest) - np.log(10.0 * len(faults))
    if abs(temperature_moved) >= 0.25:
        fits = temperature_moved * target.change < 0
        logs["temperature_bath"] += np.log(30.0) if fits else -np.log(3.0)
    top = max(logs.values())
    weights = {key: float(np.exp(value - top)) for key, value in logs.items()}
    whole = sum(weights.values())
    return Pairing(
        moved=tuple(moved),
        probabilities={key: value / whole for key, value in weights.items()},
        offset_percent=_best_offset(moved, torque),
        gain_percent=_best_gain(moved),
    )


def _torques(moved: Sequence[Moved]) -> FloatArray:
    return np.array([one.torque for one in moved])


def _sizes(moved: Sequence[Moved], torque: FloatArray) -> FloatArray:
    """Sizes of the product's change to integrate over, dense where any series points."""
    points = [np.linspace(-_LARGEST, _LARGEST, 281)]
    shifts = np.linspace(-5.0, 5.0, 41)
    for one, t in zip(moved, torque, strict=True):
        if one.role == "other":  # as wide as the product itself
            continue
        around = np.clip(one.change + shifts * one.error, -_WIDEST, _WIDEST)
        points.append(around)
        if np.isfinite(t) and np.isfinite(torque[0]) and torque[0] > 0:
            points.append(np.log(np.maximum(1.0 + np.expm1(around) * t / torque[0], 1e-3)))
    sizes = np.unique(np.concatenate(points))
    return sizes[np.abs(sizes) <= _LARGEST]


def _log_normal(value: float, mean: FloatArray, error: float) -> FloatArray:
    return np.asarray(-0.5 * ((value - mean) / error) ** 2 - np.log(error * np.sqrt(2 * np.pi)))


def _normal(value: float, mean: FloatArray, error: float) -> FloatArray:
    return np.exp(_log_normal(value, mean, error))


def _stands_still(one: Moved) -> float:
    still = float(_log_normal(one.change, np.zeros(1), one.error)[0])
    if one.role == "check":
        return still
    anything = -np.log(2 * _LARGEST)
    share = 0.5 if one.shares_lot else 0.2
    return float(np.logaddexp(np.log(1 - share) + still, np.log(share) + anything))


def _by_sensitivity(one: Moved, sizes: FloatArray) -> FloatArray:
    """Log likelihood of a change that is the product's times an unknown positive ratio."""
    logs = np.linspace(-2.5 * _RATIO_SPREAD, 2.5 * _RATIO_SPREAD, 121)
    prior = -0.5 * (logs / _RATIO_SPREAD) ** 2
    prior -= float(log_sum(prior))
    found = np.empty_like(sizes)
    # Smooth in the log of the size: taken at 120 sizes of each sign, interpolated between.
    grid = np.linspace(np.log(1e-4), np.log(_LARGEST), 120)
    for sign in (-1.0, 1.0):
        mine = sizes * sign > 0
        expected = sign * np.exp(grid[:, None] + logs[None, :])
        at = log_sum(_log_normal(one.change, expected, one.error) + prior, axis=1)
        found[mine] = np.interp(np.log(np.maximum(np.abs(sizes[mine]), 1e-4)), grid, at)
    found[sizes == 0] = _log_normal(one.change, np.zeros(1), one.error)[0]
    return found


def _reference(target: Moved, rest: Sequence[Moved]) -> float:
    """Log evidence that only check standards moved: products stand still, they by anything."""
    total = float(_log_normal(target.change, np.zeros(1), target.error)[0])
    for one in rest:
        if one.role == "check":
            total += -np.log(2 * _LARGEST)
        else:
            total += float(_log_normal(one.change, np.zeros(1), one.error)[0])
    return total


def _best_gain(moved: Sequence[Moved]) -> float:
    weight = np.array([1.0 / one.error**2 for one in moved])
    return 100.0 * float(np.expm1(weight @ np.array([one.change for one in moved]) / weight.sum()))


def _best_offset(moved: Sequence[Moved], torque: FloatArray) -> float:
    if not np.isfinite(torque).all():
        return float("nan")
    offset = np.expm1(np.array([one.change for one in moved])) * torque
    weight = 1.0 / (np.array([one.error for one in moved]) * torque) ** 2
    return float(weight @ offset / weight.sum())

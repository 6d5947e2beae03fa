"""The verdict of an investigation: what moved, since when, by how much, and in what."""

from dataclasses import dataclass, field

from spc.drift.findings import Finding
from spc.drift.pairing import Pairing
from spc.drift.spread import SpreadChange
from spc.drift.strata import Strata
from spc.intake import FloatArray

CAUSE_CLASSES = ("process", "measurement", "preparation", "data", "cannot_tell", "none")
SUSPECTS = (
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
    "none",
    "unknown",
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What an investigation ends in; a decision aid that names a suspect, never a proof.

    Attributes:
        what: one sentence: what happened, since when, how big.
        since: name of the first batch of it; None where it has no start.
        since_low: first batch of the 95 % set of starts.
        since_high: last batch of it.
        size: change of the level, in the unit of the values; None where there is none.
        size_low: lower end of its 95 % interval.
        size_high: upper end.
        size_percent: the size in percent of the level before.
        cause_class: one of CAUSE_CLASSES.
        suspect: one of SUSPECTS.
        evidence: sentences with the numbers that speak for and against.
        next_check: the experiment that would decide, one or two sentences.
    """

    what: str
    since: str | None
    since_low: str | None
    since_high: str | None
    size: float | None
    size_low: float | None
    size_high: float | None
    size_percent: float | None
    cause_class: str
    suspect: str
    evidence: tuple[str, ...]
    next_check: str


@dataclass(frozen=True, slots=True, eq=False)
class Investigation:
    """A verdict with what it rests on.

    Attributes:
        verdict: the verdict.
        findings: explanations of the batches alone, the likeliest first.
        pairing: the series around the event; None where there was none to pair.
        strata: every factor compared; None below 6 batches.
        spread: change of the spread within batches; None where it could not be looked for.
        neighbours: correlation of neighbouring batches, if nothing changed.
        column: the event in every batch of the history, 0 outside, 1 at full size, nan where it
            was not looked for (other instruments, lone values); None where it has no place.
        level: the level that is then fitted to each batch, nan likewise; None likewise.
    """

    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    pairing: Pairing | None = None
    strata: Strata | None = None
    spread: SpreadChange | None = None
    neighbours: float = 0.0
    column: FloatArray | None = None
    level: FloatArray | None = None
    notes: tuple[str, ...] = field(default_factory=tuple)


NEXT_CHECK = {
    "spindle": (
        "Look which spindle is mounted and which code is keyed in; measure retained samples of "
        "these batches again. Leave them out of limits only once this is confirmed."
    ),
    "zero_offset": (
        "Zero the instrument in air without spindle, then run two check fluids, one at low and one "
        "at high torque. Results since the last good check are affected, those at low torque most."
    ),
    "gain": (
        "Run two check fluids at low and high torque on this and on a second instrument; the same "
        "percentage on both speaks for the spring. Measure retained samples on the second one."
    ),
    "temperature_bath": (
        "Put an independent calibrated thermometer into a dummy beaker in the bath, beside the "
        "display, and read the sample at the end of a measurement."
    ),
    "raw_material_lot": (
        "Make one batch with the former lot and compare; coinciding is not proof."
    ),
    "operator_or_reading_time": (
        "Observe the technique step by step; read one sample at 30, 60 and 120 s. Compare how the "
        "method is carried out, not persons."
    ),
    "units": "Look at the source record of these rows and say which unit was meant.",
    "transcription": (
        "Look at the source record of these rows and decide which value was read; keep both."
    ),
    "wear_or_ageing": (
        "Look for what changes slowly: wear, filter, ageing stock, season. Measure a retained "
        "early sample again beside a new one."
    ),
    "aeration": (
        "Look for bubbles and how the sample is poured and rested; let one sample stand and "
        "read it again. Do not adjust the recipe on these results."
    ),
    "autocorrelation": (
        "Find what neighbouring batches share (tank heel, lot, season); then set limits from the "
        "total spread of a long quiet record."
    ),
    "unstable_process": (
        "Find what changed at each of the level changes before any capability is quoted."
    ),
    "none": "Nothing to check.",
    "unknown": (
        "Overlay the start with what happened then (lots, service, recipe, cleaning); measure "
        "retained samples from before and after side by side."
    ),
}
NO_CHECKS = (
    "Run a check standard, and measure retained samples from before and after side by side: "
    "without either nobody can tell the process from the measurement."
)

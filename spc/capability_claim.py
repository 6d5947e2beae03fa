"""How many batches a claim about capability needs, and what the measurement takes of an index."""

import math
from bisect import bisect_left
from dataclasses import dataclass

from scipy.special import ndtri

from spc.capability_gate import SMALLEST_N
from spc.errors import ArgumentError
from spc.intake import as_confidence, as_count, as_number, as_sigma

# Beyond this nobody waits for the proof.
_LARGEST_N = 10_000_000


@dataclass(frozen=True, slots=True)
class BatchesNeeded:
    """What is missing until an index may be shown, and until a claim is proved.

    Attributes:
        n: batches there are.
        more_for_index: batches still missing for any index (30 in all).
        n_for_proof: batches in all at which the same index would prove the claim; None where it
            never would since it is not above the claim.
        more_for_proof: batches still missing for that; None likewise.
        reason: why there is no number for the proof; empty where there is one.
    """

    n: int
    more_for_index: int
    n_for_proof: int | None
    more_for_proof: int | None
    reason: str


def batches_needed(
    index: float | None, n: int, claim: float = 1.33, confidence: float = 0.95
) -> BatchesNeeded:
    """Compute how many more batches are needed if the index stays where it is.

    Args:
        index: the observed Cpk or Ppk; None where none is earned yet.
        n: batches behind it, 0 or more.
        claim: the index to be proved.
        confidence: of the proof, one-sided.

    Raises:
        ArgumentError: claim not above 0, n negative.

    Source: smallest n whose one-sided lower limit after Bissell, index - z √(1 / (9 n) +
        index² / (2 (n - 1))), reaches the claim; A. F. Bissell, Applied Statistics 39 (1990) 331.

    Example:
        >>> batches_needed(1.45, 100).n_for_proof, batches_needed(None, 12).more_for_index
        (220, 18)
    """
    count = as_count(n, name="n", at_least=0)
    wanted = as_number(claim, name="claim", above=0)
    z = float(ndtri(as_confidence(confidence)))
    missing = max(0, SMALLEST_N - count)
    if index is None:
        return BatchesNeeded(count, missing, None, None, "there is no index yet")
    observed = as_number(index, name="index")
    if observed <= wanted:
        return BatchesNeeded(
            count,
            missing,
            None,
            None,
            f"{observed:.2f} is not above {wanted:g}: more batches prove nothing, less spread does",
        )
    needed = _smallest(observed, wanted, z)
    if needed is None:
        return BatchesNeeded(
            count,
            missing,
            None,
            None,
            f"{observed:.4g} is so little above {wanted:g} that more than ten million batches "
            "would be needed",
        )
    return BatchesNeeded(count, missing, needed, max(0, needed - count), "")


def _smallest(observed: float, claim: float, z: float) -> int | None:
    def proves(n: int) -> bool:
        half = z * math.sqrt(1 / (9 * n) + observed**2 / (2 * (n - 1)))
        return observed - half >= claim

    sizes = range(2, _LARGEST_N + 1)
    place = bisect_left(sizes, True, key=proves)
    return sizes[place] if place < len(sizes) else None


def observed_index(true_index: float, measurement_percent: float) -> float:
    """Return the index that a process shows through its measurement.

    Args:
        true_index: of the process itself, above 0.
        measurement_percent: 6 standard deviations of the measurement in percent of the tolerance
            (% gauge R&R of tolerance), 0 or more.

    Raises:
        ArgumentError: an index not above 0, a negative percentage.

    Source: variances add: 1 / Cp_observed² = 1 / Cp_true² + 1 / Cp_measurement², with
        Cp_measurement = 100 / measurement_percent.

    Example:
        >>> round(observed_index(1.33, 50), 2)
        1.11
    """
    true = as_number(true_index, name="true_index", above=0)
    share = _share(measurement_percent)
    return 1 / math.sqrt(1 / true**2 + share**2)


@dataclass(frozen=True, slots=True)
class MeasurementPart:
    """What the measurement takes of an observed index.

    Attributes:
        true_index: index of the process without the measurement's spread.
        measurement_index: tolerance over 6 standard deviations of the measurement; infinite for a
            measurement without spread.
        variance_percent: share of the observed variance that is measurement.
    """

    true_index: float
    measurement_index: float
    variance_percent: float


def measurement_part(observed: float, measurement_percent: float) -> MeasurementPart:
    """Split an observed Cp or Pp into process and measurement.

    Args:
        observed: Cp or Pp as computed from the values, above 0.
        measurement_percent: as in `observed_index`; of the same readings or means that the index
            is made from.

    Raises:
        ArgumentError: the measurement alone spreads as much as the observed values, or more.

    Source: as in `observed_index`.

    Example:
        >>> part = measurement_part(1.11, 50)
        >>> round(part.true_index, 2), round(part.variance_percent, 1)
        (1.33, 30.8)
    """
    index = as_number(observed, name="observed", above=0)
    share = _share(measurement_percent)
    part = (share * index) ** 2
    if part >= 1:
        raise ArgumentError(
            f"measurement_percent must be below {100 / index:.4g} for an observed index of "
            f"{index:g}, got {100 * share:g}: the measurement cannot spread more than the values; "
            "measure its repeatability again"
        )
    return MeasurementPart(
        true_index=index / math.sqrt(1 - part),
        measurement_index=1 / share if share > 0 else math.inf,
        variance_percent=100 * part,
    )


def _share(measurement_percent: float) -> float:
    return as_sigma(measurement_percent, name="measurement_percent") / 100

"""What must hold before a capability index is earned."""

import math

from spc.errors import ArgumentError
from spc.intake import as_count, as_number, as_sigma

# Fewer batches than this make no index: even at 30, an index of 1.33 means 0.97 to 1.69.
SMALLEST_N = 30
LARGEST_MEASUREMENT_PERCENT = 30.0
LARGEST_CENSORED_FRACTION = 0.10


def capability_gate(
    *,
    n: int,
    points_outside: int,
    n_points: int,
    lag1: float | None,
    lag1_band: float,
    measurement_percent_of_tolerance: float | None = None,
    censored_fraction: float = 0.0,
    open_events: int = 0,
    one_specification: bool = True,
) -> tuple[str, ...]:
    """Say why a capability index is not earned; empty where it is.

    Args:
        n: number of batches the index would stand on.
        points_outside: of them, beyond the control limits.
        n_points: plotted points that were judged.
        lag1: correlation of neighbours, None where it is undefined.
        lag1_band: half-width of the band for independent values.
        measurement_percent_of_tolerance: 6 s_r as a share of the tolerance, None if unknown.
        censored_fraction: share of results over or under range.
        open_events: signals in the window that nobody has closed.
        one_specification: False where the specification changed inside the window.

    Returns:
        Plain reasons, the most telling first.

    Raises:
        ArgumentError: a count below 0, or a number that is missing (nan) where it is judged.

    Source: practice around ISO 22514-2 (capability only for a stable process); n at least 30 and
        the borders 30 % and 10 % are conventions of the trade.

    Example:
        >>> capability_gate(n=12, points_outside=0, n_points=12, lag1=0.1, lag1_band=0.57)
        ('n = 12: 18 more batches for an index',)
    """
    n = as_count(n, name="n", at_least=0)
    n_points = as_count(n_points, name="n_points", at_least=0)
    points_outside = as_count(points_outside, name="points_outside", at_least=0)
    open_events = as_count(open_events, name="open_events", at_least=0)
    lag1 = None if lag1 is None else as_number(lag1, name="lag1")
    if math.isnan(lag1_band):  # infinite where no correlation can be judged
        raise ArgumentError("lag1_band must be a number, got nan")
    share = measurement_percent_of_tolerance
    if share is not None:
        share = as_sigma(share, name="measurement_percent_of_tolerance")
    censored_fraction = as_sigma(censored_fraction, name="censored_fraction")
    reasons = []
    if points_outside > 0:
        reasons.append(f"{points_outside} of {n_points} batches beyond the limits")
    if open_events > 0:
        events = "1 event" if open_events == 1 else f"{open_events} events"
        reasons.append(f"{events} nobody has closed")
    if lag1 is not None and abs(lag1) > lag1_band:
        how = "are alike" if lag1 > 0 else "alternate"
        number = f"{lag1:.2f}".replace("-", "−")
        reasons.append(
            f"neighbouring batches {how} (lag-1 correlation {number}, band ±{lag1_band:.2f})"
        )
    if n < SMALLEST_N:
        missing = SMALLEST_N - n
        batches = "batch" if missing == 1 else "batches"
        reasons.append(f"n = {n}: {missing} more {batches} for an index")
    if share is not None and share > LARGEST_MEASUREMENT_PERCENT:
        reasons.append(
            f"the measurement takes {share:.0f} % of the tolerance "
            f"(at most {LARGEST_MEASUREMENT_PERCENT:.0f} %)"
        )
    if censored_fraction > LARGEST_CENSORED_FRACTION:
        reasons.append(
            f"{100 * censored_fraction:.0f} % of the results are over or under range "
            f"(at most {100 * LARGEST_CENSORED_FRACTION:.0f} %)"
        )
    if not one_specification:
        reasons.append("the specification changed inside the window")
    return tuple(reasons)

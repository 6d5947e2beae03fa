"""Numbers and batches in plain sentences, for evidence and verdicts."""

import math
from collections.abc import Sequence

from spc.drift.pairing import Moved


def number(value: float, digits: int = 4) -> str:
    """Print to significant digits, never in powers of ten, the whole part in full."""
    if not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}".replace("-", "−")


def signed(value: float, decimals: int = 1) -> str:
    """Print with its sign: "+7.0", "−2.3"."""
    text = f"{abs(value):.{decimals}f}"
    if not text.strip("0."):
        return text
    return f"{'+' if value > 0 else '−'}{text}"


def percent(value: float, decimals: int = 1) -> str:
    """Print a change in percent with its sign: "+7.0 %"."""
    return f"{signed(value, decimals)} %"


def about(value: float) -> str:
    """Print a size in round words: "About 7 % higher"."""
    if not math.isfinite(value):
        return "A movement of unknown size"
    size = abs(value)
    shown = f"{size:.0f}" if size >= 4.95 else f"{size:.1f}"
    return f"About {shown} % {'higher' if value > 0 else 'lower'}"


def between(low: str, high: str) -> str:
    """Name an interval of batches: " (between B018 and B020)"; "" for a single one."""
    return f" (between {low} and {high})" if low != high else ""


def joined(parts: Sequence[str], most: int = 6) -> str:
    """Join names as a sentence does, the tail counted."""
    named = list(parts[:most])
    if len(parts) > most:
        return f"{', '.join(named)} and {len(parts) - most} more"
    if len(named) < 2:
        return "".join(named)
    return f"{', '.join(named[:-1])} and {named[-1]}"


def of_moved(one: Moved) -> str:
    """Say how far one series moved: "check standard CHK-1000 on V1: −2.3 % (−2.7 to −1.9)"."""
    low, high = one.percent_interval
    at = f", torque {one.torque:.0f} %" if math.isfinite(one.torque) else ""
    return f"{one.name}: {percent(one.percent)} ({signed(low)} to {signed(high)}{at})"

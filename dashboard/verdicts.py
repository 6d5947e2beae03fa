"""A batch against its specification: by its value alone, and with the uncertainty of measuring.

The uncertainty is the site's own, from the settings; without one there is no zone, only inside or
outside. What to do with a result that is not decided is the site's rule, never the tool's.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import ingest
import spc
from dashboard import text

UNCERTAINTY = "uncertainty"
"""Name of the setting: product (or EVERY_PRODUCT) to standard_percent, source and date."""
EVERY_PRODUCT = "*"
DECISION_RULE = "decision_rule"
"""Name of the setting: product to first day in force ("" from the beginning) to the rule."""
NO_SPECIFICATION = "no specification"
INSIDE = "inside"
OUTSIDE = "outside"


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainty of a result in percent of it, where it comes from, and from when."""

    standard_percent: float
    source: str
    date: str


@dataclass(frozen=True, slots=True)
class BatchVerdict:
    """Where a batch stands.

    Attributes:
        zone: "conforms", "not decided" or "does not conform" where the uncertainty is known, else
            INSIDE, OUTSIDE or NO_SPECIFICATION.
        probability: that the batch conforms; None without an uncertainty.
        standard_uncertainty: mPa·s; None likewise.
        specification: the one in force for this batch.
        sentence: all of it in words.
    """

    zone: str
    probability: float | None
    standard_uncertainty: float | None
    specification: ingest.Specification | None
    sentence: str


def uncertainty_of(settings: Mapping[str, Any], product: str) -> Uncertainty | None:
    """The uncertainty that the site has set for a product, else the one for every product."""
    held = settings.get(UNCERTAINTY) or {}
    chosen = held.get(product) or held.get(EVERY_PRODUCT)
    if not chosen:
        return None
    return Uncertainty(
        float(chosen["standard_percent"]),
        str(chosen.get("source", "")),
        str(chosen.get("date", "")),
    )


def verdict_of(
    value: float, specification: ingest.Specification | None, uncertainty: Uncertainty | None
) -> BatchVerdict:
    """Judge one batch mean in mPa·s by the specification in force for it."""
    if specification is None or (specification.lower is None and specification.upper is None):
        return BatchVerdict(NO_SPECIFICATION, None, None, specification, NO_SPECIFICATION)
    limits = limits_in_words(specification, value)
    inside = (specification.lower is None or value >= specification.lower) and (
        specification.upper is None or value <= specification.upper
    )
    where = INSIDE if inside else OUTSIDE
    if uncertainty is None or value <= 0:
        said = f"{where} specification {limits}; no measurement uncertainty is set"
        return BatchVerdict(where, None, None, specification, said)
    u = value * uncertainty.standard_percent / 100.0
    found = spc.guarded_verdict(value, u, specification.lower, specification.upper)
    probability = float(found.probability[0])
    zone = found.verdicts[0]
    told = f"{zone} by this measurement" if zone == "not decided" else zone
    return BatchVerdict(
        zone,
        probability,
        u,
        specification,
        f"{told}: {where} specification {limits}, probability that it conforms "
        f"{_probability(probability)} (expanded uncertainty {text.viscosity(2 * u, 3)})",
    )


def decision_rule_of(settings: Mapping[str, Any], one: ingest.Specification | None) -> str:
    """The decision rule that the site wrote beside a specification; "" where it wrote none."""
    if one is None:
        return ""
    held = (settings.get(DECISION_RULE) or {}).get(one.product) or {}
    return str(held.get(one.valid_from.isoformat() if one.valid_from else "", ""))


def limits_in_words(specification: ingest.Specification | None, beside: float | None = None) -> str:
    """The limits of a specification: "1800–2200", "at least 1800", "at most 2200".

    Where the value beside them would round onto a limit that it is not on, it is added in full.
    """
    if specification is None:
        return ""
    low, high = specification.lower, specification.upper
    if low is not None and high is not None:
        said = f"{text.plain(low)}–{text.plain(high)}"
    elif low is not None:
        said = f"at least {text.plain(low)}"
    else:
        said = f"at most {text.plain(high)}" if high is not None else ""
    ends = [end for end in (low, high) if end is not None and beside is not None]
    if any(end != beside and text.number(beside) == text.number(end) for end in ends):
        said += f" (unrounded {text.plain(beside)})"
    return said


def _probability(share: float) -> str:
    if share > 0.999:
        return "above 99.9 %"
    return "below 0.1 %" if share < 0.001 else text.percent(100 * share, 0 if share < 0.99 else 1)

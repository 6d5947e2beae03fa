"""An assessment as plain data for `viscosity-spc assess --json`.

Viscosities in mPa·s, times in ISO 8601 UTC, floats in full, missing numbers as null.
"""

import math
from typing import Any

import numpy as np
import pandas as pd

import spc
from dashboard.results import (
    CAUTION,
    Assessment,
    CapabilityView,
    CheckStandard,
    Event,
    SubgroupView,
)
from spc.drift import Verdict


def to_json(assessment: Assessment, verdict: Verdict | None = None) -> dict[str, Any]:
    """Turn an assessment, and its verdict if there is one, into dicts, lists, text and numbers."""
    charts, repeatability = assessment.charts, assessment.repeatability
    return {
        "product": assessment.product,
        "condition": assessment.condition,
        "n_batches": assessment.n_batches,
        "state": assessment.state,
        "state_reason": assessment.state_reason,
        "stage": assessment.stage,
        "last_batch": assessment.last_batch or None,
        "last_batch_at": time(assessment.last_batch_at),
        "last_batch_outside_specification": assessment.last_outside,
        "last_verdict": _last_verdict(assessment),
        "batches_outside_specification": list(assessment.outside_specification),
        "readings_undecided": assessment.undecided,
        "stale": assessment.stale,
        "individuals": _individuals(charts, assessment.n_batches),
        "limits": _limits(assessment),
        "subgroups": _subgroups(assessment.subgroups),
        "duplicates_range": _duplicates_range(charts),
        "repeatability": {
            "s_r": finite(repeatability.s_r) if repeatability else None,
            "cv_percent": finite(repeatability.cv_percent) if repeatability else None,
            "limit": finite(repeatability.limit) if repeatability else None,
            "n_pairs": int(repeatability.n_groups) if repeatability else 0,
            "unit": "mPa.s",
        },
        "signals": [
            {"batch": row.batch, "rule": row.rule, "chart": row.chart} for row in assessment.signals
        ],
        "events": [_event(event) for event in assessment.events],
        "capability": _capability(assessment.capability),
        "check_standard": [_check_standard(one) for one in assessment.check_standards],
        "set_aside": dict(assessment.n_set_aside),
        "notes": list(assessment.notes),
        "verdict": _verdict(verdict),
    }


def _verdict(one: Verdict | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "what": one.what,
        "since": one.since,
        "since_low": one.since_low,
        "since_high": one.since_high,
        "size": finite(one.size),
        "size_low": finite(one.size_low),
        "size_high": finite(one.size_high),
        "size_percent": finite(one.size_percent),
        "cause_class": one.cause_class,
        "suspect": one.suspect,
        "evidence": list(one.evidence),
        "next_check": one.next_check,
    }


def finite(value: float | np.floating[Any] | None) -> float | None:
    """Give a plain float; None for a missing or infinite number, which JSON cannot say."""
    return float(value) if value is not None and math.isfinite(value) else None


def time(at: pd.Timestamp | None) -> str | None:
    """Give a time as ISO 8601 in UTC, "2025-03-18T13:30:00Z"; None for a missing time."""
    if at is None or pd.isna(at):
        return None
    at = at.tz_localize("UTC") if at.tzinfo is None else at.tz_convert("UTC")
    return at.tz_localize(None).isoformat() + "Z"


def usual(line: np.ndarray) -> float | None:
    """Give the value a line has at most points: limits differ where subgroup sizes do."""
    values, counts = np.unique(line[np.isfinite(line)], return_counts=True)
    return finite(values[np.argmax(counts)]) if len(values) else None


def _individuals(charts: spc.ChartSet | None, n: int) -> dict[str, Any]:
    if charts is None:
        return dict.fromkeys(("center", "lower", "upper", "sigma", "mr_bar")) | {"n": n}
    return {  # the newest: frozen limits may have changed on the way
        "center": finite(charts.location.center[-1]),
        "lower": finite(charts.location.lower[-1]),
        "upper": finite(charts.location.upper[-1]),
        "sigma": finite(charts.location.standard_error[-1]),
        "mr_bar": finite(charts.dispersion.center[-1]),
        "n": n,
    }


def _last_verdict(assessment: Assessment) -> dict[str, Any] | None:
    verdict = assessment.last_verdict
    if verdict is None:
        return None
    return {
        "zone": verdict.zone,
        "probability": finite(verdict.probability),
        "standard_uncertainty": finite(verdict.standard_uncertainty),
        "sentence": verdict.sentence,
        "caution": CAUTION,
    }


def _limits(assessment: Assessment) -> dict[str, Any]:
    names = assessment.batches["batch"].tolist()
    stretches = assessment.limits.stretches
    return {
        "frozen": bool(stretches),
        "where_from": assessment.limits.sentence or None,
        "left_out": {names[i]: cause for i, cause in assessment.limits.left_out.items()},
        "history": [
            {
                "from_batch": names[one.start],
                "center": finite(one.frozen.center),
                "lower": finite(one.frozen.center - 3 * one.frozen.sigma),
                "upper": finite(one.frozen.center + 3 * one.frozen.sigma),
                "sigma": finite(one.frozen.sigma),
                "frozen_at": one.frozen.at,
                "who": one.frozen.who,
                "why": one.frozen.why,
            }
            for one in stretches
        ],
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "first_batch": event.batches[0],
        "last_batch": event.batches[-1],
        "chart": event.chart,
        "rules": list(event.rules),
        "sentence": event.sentence,
        "open": event.open,
        "handling": event.handling.word,
    }


def _duplicates_range(charts: spc.ChartSet | None) -> dict[str, Any]:
    within = charts.within if charts is not None else None
    if within is None:
        return {"r_bar": None, "upper": None}
    return {"r_bar": usual(within.center), "upper": usual(within.upper)}


def _subgroups(view: SubgroupView | None) -> dict[str, Any] | None:
    if view is None:
        return None
    location = view.charts.location if view.charts is not None else None
    dispersion = view.charts.dispersion if view.charts is not None else None
    return {
        "by": view.by,
        "n": len(view.labels),
        "center": usual(location.center) if location is not None else None,
        "lower": usual(location.lower) if location is not None else None,
        "upper": usual(location.upper) if location is not None else None,
        "r_bar": usual(dispersion.center) if dispersion is not None else None,
        "range_upper": usual(dispersion.upper) if dispersion is not None else None,
        "outside": view.n_outside if location is not None else None,
        "sigma_ratio": finite(view.sigma_ratio),
        "warning": view.warning,
        "account": view.sentence,
    }


def _capability(view: CapabilityView) -> dict[str, Any]:
    result = view.result
    earned = result is not None and not view.performance_only
    low, high = (result.ppk_interval or (None, None)) if result is not None else (None, None)
    return {
        "cp": finite(result.cp) if result is not None and earned else None,
        "cpk": finite(result.cpk) if result is not None and earned else None,
        "pp": finite(result.pp) if result is not None else None,
        "ppk": finite(result.ppk) if result is not None else None,
        "ppk_low": finite(low),
        "ppk_high": finite(high),
        "withheld": "; ".join(view.withheld) or None,
    }


def _check_standard(one: CheckStandard) -> dict[str, Any]:
    return {
        "name": one.name,
        "instrument": one.instrument,
        "condition": one.condition,
        "n": one.n,
        "center": finite(one.center),
        "lower": finite(one.lower),
        "upper": finite(one.upper),
        "last": finite(one.last),
        "last_at": time(one.last_at),
        "outside": [time(at) for at in one.outside],
        "in_order": one.in_order,
    }

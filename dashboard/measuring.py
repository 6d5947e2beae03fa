"""The measuring system by its check standards: two verdicts side by side, and what is due.

Verdict one asks the certificate: is the reading within what instrument and fluid allow? Verdict
two asks the instrument's own history. The first alone misses a movement that shifts every product.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.check_standards import check_standards, load_readings
from dashboard.results import CheckStandard

INSTRUMENT_TOLERANCE = "instrument_tolerance"
"""Setting: instrument, or EVERY, to {"percent_of_full_scale": …} or {"viscosity": mPa·s}."""
CALIBRATION = "calibration"
"""Setting: instrument to the day its calibration is due, ISO."""
CHECK_INTERVAL = "check_interval_days"
EVERY = "*"
SOON = 30  # days: said beforehand
FAR_OFF = 0.5  # °C between a run and the temperature of its certificate
LATELY = 5  # newest runs of each fluid that offset and gain are looked for in


@dataclass(frozen=True, slots=True, eq=False)
class CheckVerdicts:
    """A check standard on one instrument, by its certificate and by its own chart.

    Attributes:
        standard: the runs with their own chart.
        fluid: the certificate; None where none is entered for this name.
        tolerance: what instrument and certificate allow, in mPa·s; None where not known.
        two: both verdicts, one a run; None without a tolerance.
        verdict: both verdicts on the newest run, in words.
        first: the certificate's answer on the newest run: True, False, None.
        second: that of the instrument's own chart.
        made_of: how the tolerance was made, or why there is none.
        remarks: expired, another lot, another temperature: a sentence each.
        site_precision: standard deviation of the runs in percent of their mean; None below 8.
        full_scale: viscosity at 100 % torque; None where torque is not recorded.
    """

    standard: CheckStandard
    fluid: ingest.CheckFluid | None
    tolerance: float | None
    two: spc.TwoVerdicts | None
    verdict: str
    first: bool | None
    second: bool | None
    made_of: str
    remarks: tuple[str, ...]
    site_precision: float | None
    full_scale: float | None


@dataclass(frozen=True, slots=True)
class Due:
    """Something with a date: which, when, whether it is past, and all of it in words."""

    instrument: str
    what: str
    due: date | None
    overdue: bool
    words: str


def check_verdicts(store: Any, today: date) -> list[CheckVerdicts]:
    """Judge every check standard on every instrument, what stands outside first.

    Args:
        store: an open store. today: the day that expiry is judged by.
    """
    characteristics = store.characteristics()
    checks = characteristics[characteristics["sample_type"] == "check"]
    used = load_readings(store, checks["id"])
    if used.empty:
        return []
    names = characteristics.set_index("id")
    labelled = used.assign(
        product=used["characteristic_id"].map(names["product"]),
        condition=used["characteristic_id"].map(names["condition"]),
        instrument=used["instrument"].fillna("").astype(str),
    )
    groups = labelled.groupby(["product", "condition", "instrument"], dropna=False)
    rows = dict(iter(groups))  # a GroupBy itself has an attribute `keys` that misleads dict
    register, settings = ingest.check_standards(store), ingest.settings(store)
    found = [
        _verdicts(one, rows[one.name, one.condition, one.instrument], register, settings, today)
        for one in check_standards(used, characteristics)
    ]
    return sorted(found, key=lambda v: (v.second is not False, v.first is not False))


def _verdicts(
    one: CheckStandard,
    rows: pd.DataFrame,
    register: Sequence[ingest.CheckFluid],
    settings: Mapping[str, Any],
    today: date,
) -> CheckVerdicts:
    lot = str(rows["lot"].iloc[-1] or "")
    fluid, remarks = _certificate(one.name, lot, register)
    full_scale = _full_scale(rows)
    allowed, how = _instrument(one.instrument, full_scale, settings)
    tolerance, two, first = None, None, None
    if fluid is None:
        made_of = "No certificate is entered for it, so there is no tolerance to compare with."
    elif allowed is None:
        made_of = how
    else:
        verdict = spc.tolerance_verdict(
            one.values, fluid.certified_value, allowed, fluid.expanded_uncertainty
        )
        own = (one.lower, one.upper) if one.lower is not None else (None, None)
        two = spc.two_verdicts(verdict, *own)
        tolerance, first = allowed + fluid.expanded_uncertainty, bool(verdict.inside[-1])
        made_of = (
            f"Certified {text.number(fluid.certified_value)} ± ({how} + certificate "
            f"{text.number(fluid.expanded_uncertainty, 3)}) = {text.number(verdict.lower)} to "
            f"{text.number(verdict.upper)} {text.UNIT}."
        )
    if fluid is not None:
        remarks += _remarks(fluid, rows, today)
    said = two.phrases[-1] if two is not None else _own_words(one)
    precision = None
    if one.center is not None:
        precision = 100 * spc.describe(one.values).sd / one.center
    return CheckVerdicts(
        standard=one,
        fluid=fluid,
        tolerance=tolerance,
        two=two,
        verdict=said,
        first=first,
        second=one.in_order,
        made_of=made_of,
        remarks=remarks,
        site_precision=precision,
        full_scale=full_scale,
    )


def _own_words(one: CheckStandard) -> str:
    if one.in_order is None:
        return "no tolerance to compare with, no own control limits yet"
    side = "inside" if one.in_order else "outside"
    return f"no tolerance to compare with, {side} own control limits"


def _certificate(
    name: str, lot: str, register: Sequence[ingest.CheckFluid]
) -> tuple[ingest.CheckFluid | None, tuple[str, ...]]:
    """The certificate of the lot that the readings name, else the newest of that name."""
    mine = [fluid for fluid in register if fluid.name.casefold() == name.casefold()]
    if not mine:
        return None, ()
    same = [fluid for fluid in mine if fluid.lot.casefold() == lot.casefold()]
    if same:
        return same[-1], ()
    named = f"the readings name lot {lot}" if lot else "the readings name no lot"
    return mine[-1], (f"Certificate of lot {mine[-1].lot} taken; {named}.",)


def _full_scale(rows: pd.DataFrame) -> float | None:
    known = rows[(rows["torque"] > 0) & (rows["viscosity"] > 0)]
    try:
        return 100 * spc.torque_factor(known["viscosity"].to_numpy(), known["torque"].to_numpy())
    except spc.SpcError:
        return None


def _instrument(
    instrument: str, full_scale: float | None, settings: Mapping[str, Any]
) -> tuple[float | None, str]:
    """What the instrument may be off by, in mPa·s, and how that was made."""
    held = settings.get(INSTRUMENT_TOLERANCE) or {}
    chosen = held.get(instrument) or held.get(EVERY) or {}
    fixed, percent = chosen.get("viscosity"), chosen.get("percent_of_full_scale")
    if fixed:
        return float(fixed), f"instrument {text.number(float(fixed), 3)}"
    if not percent:
        return None, f"No tolerance is entered for {instrument or 'the instrument'}: see Set-up."
    if full_scale is None:
        return None, (
            "The full scale is not known, as torque is not recorded in five readings: enter a "
            "tolerance in mPa·s in Set-up."
        )
    allowed = float(percent) / 100 * full_scale
    shown = f"{text.plain(float(percent))} % of full scale {text.number(full_scale)}"
    return allowed, f"instrument {text.number(allowed, 3)}, {shown},"


def _remarks(fluid: ingest.CheckFluid, rows: pd.DataFrame, today: date) -> tuple[str, ...]:
    said = []
    if fluid.expires is not None and fluid.expires < today:
        said.append(f"Lot {fluid.lot} expired on {fluid.expires.isoformat()}.")
    measured = rows["temperature"].dropna()
    if fluid.temperature is not None and len(measured):
        at = float(measured.iloc[-1])
        if abs(at - fluid.temperature) > FAR_OFF:
            said.append(
                f"The certificate holds at {text.plain(fluid.temperature)} °C, the newest run was "
                f"at {text.plain(at)} °C: the two cannot be compared."
            )
    return tuple(said)


def due_dates(
    verdicts: Sequence[CheckVerdicts],
    instruments: Sequence[str],
    settings: Mapping[str, Any],
    today: date,
) -> list[Due]:
    """Calibrations, checks and certificates with a date, the overdue ones first."""
    found = []
    calibration = settings.get(CALIBRATION) or {}
    interval = settings.get(CHECK_INTERVAL)
    for instrument in sorted({*instruments, *calibration} - {""}):
        day = _day(calibration.get(instrument))
        found.append(_due(instrument, "calibration", day, today))
        last = max(
            (
                v.standard.last_at.date()
                for v in verdicts
                if v.standard.instrument == instrument and v.standard.last_at is not None
            ),
            default=None,
        )
        found.append(_check(instrument, last, interval, today))
    seen = set()
    for one in verdicts:
        fluid = one.fluid
        if fluid is None or fluid.expires is None or (fluid.name, fluid.lot) in seen:
            continue
        seen.add((fluid.name, fluid.lot))
        found.append(_due(f"{fluid.name} lot {fluid.lot}", "certificate", fluid.expires, today))
    return sorted(found, key=lambda one: (not one.overdue, one.due or date.max, one.instrument))


def _check(instrument: str, last: date | None, interval: Any, today: date) -> Due:
    what = "check"
    if last is None:
        return Due(instrument, what, None, False, f"{instrument}: no check standard was ever run.")
    said = f"{instrument}: last checked on {text.date(_stamp(last))}"
    if not interval:
        return Due(instrument, what, None, False, f"{said}; no interval is set.")
    due = last + pd.Timedelta(days=float(interval))
    late = (today - due).days
    if late > 0:
        return Due(instrument, what, due, True, f"{said}: the check is overdue by {_days(late)}.")
    when = "today" if late == 0 else f"in {_days(-late)}"
    return Due(instrument, what, due, False, f"{said}, next check due {when}.")


def _due(name: str, what: str, due: date | None, today: date) -> Due:
    if due is None:
        return Due(name, what, None, False, f"{name}: no date for the {what} is entered.")
    late = (today - due).days
    on = text.date(_stamp(due))
    if late > 0:
        return Due(name, what, due, True, f"{name}: {what} overdue by {_days(late)}, due on {on}.")
    soon = f", in {_days(-late)}" if -late <= SOON else ""
    return Due(name, what, due, False, f"{name}: {what} due on {on}{soon}.")


def _days(n: int) -> str:
    return text.count(n, "day")


def _stamp(day: date) -> pd.Timestamp:
    return pd.Timestamp(day)


def _day(written: Any) -> date | None:
    try:
        return date.fromisoformat(str(written)) if written else None
    except ValueError:  # set by another program
        return None


def offsets(verdicts: Sequence[CheckVerdicts]) -> list[str]:
    """For each instrument with two certified fluids at one full scale: an offset or a gain?"""
    said = []
    by_key: dict[tuple[str, str], list[CheckVerdicts]] = {}
    for one in verdicts:
        if one.fluid is not None:
            by_key.setdefault((one.standard.instrument, one.standard.condition), []).append(one)
    for (instrument, condition), mine in sorted(by_key.items()):
        if len({one.fluid.certified_value for one in mine if one.fluid}) < 2:
            continue
        certified = [
            one.fluid.certified_value
            for one in mine
            if one.fluid
            for _ in one.standard.values[-LATELY:]
        ]
        readings = np.concatenate([one.standard.values[-LATELY:] for one in mine if one.fluid])
        try:
            found = spc.offset_and_gain(certified, readings)
        except spc.SpcError:
            continue
        gain = f"gain {text.fixed(found.gain, 4)}"
        offset = f"offset {text.viscosity(found.offset, 3)}"
        full = mine[0].full_scale
        if full is not None:
            offset += f" ({text.percent(found.offset_percent_of(full), 2)} of full scale)"
        moved = found.moved
        shown = {
            None: "too few runs to tell",
            (): "neither is shown to be off",
        }.get(moved, f"shown to be off: {text.joined(list(moved or ()))}")
        said.append(
            f"{instrument or 'Instrument not recorded'}, {condition}, newest {LATELY} runs of each "
            f"fluid: {offset}, {gain}; {shown}."
        )
    return said

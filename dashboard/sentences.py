"""What the pages say in sentences, made from an assessment; no numbers are computed here."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import ingest
import spc
from dashboard import text
from dashboard.agreement import TorqueShare
from dashboard.capability_study import Study
from dashboard.measuring import CheckVerdicts
from dashboard.results import IN_DOUBT, NOT_ENOUGH, Assessment, CheckStandard, SubgroupView
from dashboard.rule_sets import DEFAULT_RULES, RULE_SETS, RuleSet


def headline(found: Sequence[Assessment]) -> str:
    """The first line of the overview: open events first, then doubt, then age, then quiet."""
    n_open = sum(len(one.open_events) for one in found)
    stale = [one for one in found if one.stale]
    parts = []
    if n_open:
        parts.append(text.count(n_open, "open event"))
    in_doubt = [one for one in found if one.state == IN_DOUBT]
    if in_doubt:
        parts.append(f"measurement in doubt for {text.count(len(in_doubt), 'product')}")
    outside = [one for one in found if one.last_outside]
    if outside:
        parts.append(f"last batch outside specification for {text.count(len(outside), 'product')}")
    doubled = [one for one in found if one.undecided]
    if doubled:
        parts.append(f"readings to decide about for {text.count(len(doubled), 'product')}")
    if stale:
        parts.append(_no_fresh_data(found, stale))
    if parts:
        said = "; ".join(parts)
        return said[0].upper() + said[1:]
    waiting = [one for one in found if one.state == NOT_ENOUGH]
    if len(waiting) == len(found):
        return "Not enough data yet"
    return "All quiet" + (f"; not enough data yet for {len(waiting)}" if waiting else "")


def undecided(one: Assessment) -> str:
    """Readings that are recorded in more than one way."""
    return (
        f"{text.count(one.undecided, 'reading')} recorded in more than one way: none of them is "
        "used until a person decides."
    )


def _no_fresh_data(found: Sequence[Assessment], stale: Sequence[Assessment]) -> str:
    if len(stale) < len(found):
        return f"no fresh data for {len(stale)} of {text.count(len(found), 'product')}"
    dates = [one.last_batch_at for one in stale if one.last_batch_at is not None]
    return f"no fresh data since {text.date(max(dates))}" if dates else "no fresh data"


def last_batch(one: Assessment) -> str:
    """The newest batch: name, value, date, and where it stands against its specification."""
    if not one.last_batch:
        return "No batch yet."
    row = one.batches.iloc[-1]
    when = f", {text.date(one.last_batch_at)}" if one.last_batch_at is not None else ""
    said = f"{one.last_batch}: {text.viscosity(float(row['mean']))}{when}"
    return f"{said}; {one.last_verdict.sentence}" if one.last_verdict is not None else said


def capability(one: Assessment, reasons: int | None = 1) -> str:
    """The index with its interval, or why there is none; `reasons` is how many to spell out."""
    view = one.capability
    if view.result is not None and not view.withheld:
        return f"Cpk {text.with_interval(view.result.cpk, view.result.cpk_interval)}"
    given = view.withheld if reasons is None else view.withheld[:reasons]
    said = f"No capability: {' '.join(text.sentence(reason) for reason in given)}".strip()
    more = len(view.withheld) - len(given)
    if more > 0:
        said += f" And {text.count(more, 'more reason', 'more reasons')}."
    if view.result is not None:
        ppk = text.with_interval(view.result.ppk, view.result.ppk_interval)
        said += f" Performance Ppk {ppk}."
    return said


STANDING = {
    "number": "an index that may be shown with its interval; {more} more until it can be compared",
    "preferred": "an index on enough batches to be compared; {more} more until it can be claimed",
    "claim": "an index on enough batches to be claimed, where its interval bears it out",
}


def capability_standing(one: Assessment, study: Study) -> str:
    """The first line of the page: what there is, and how far it carries."""
    standing, view = study.standing, one.capability
    if standing.standing == "no number":
        n = len(view.withheld)
        why = text.sentence(view.withheld[0]) if n else ""
        more = f" And {text.count(n - 1, 'more reason')}, below." if n > 1 else ""
        said = "No capability index." if view.result is None else "Performance only, no capability."
        return f"{said} {why}{more}".strip()
    more = standing.more_for_preferred or standing.more_for_claim
    return text.sentence(STANDING[standing.standing].format(more=text.batches(more)))


def left_out_of_capability(one: Assessment, study: Study) -> str:
    """That batches do not count, and what the index would be with them."""
    n = len(study.left_out)
    said = f"{text.batches(n)} left out with a cause {'does' if n == 1 else 'do'} not count here"
    if study.with_all is None:
        return f"{said}."
    with_them = text.with_interval(study.with_all.ppk, study.with_all.ppk_interval)
    return f"{said}; with {'it' if n == 1 else 'them'} Ppk would be {with_them}."


def capability_forms(one: Assessment, study: Study) -> list[str]:
    """What the other forms say beside the normal formula."""
    specification, result = one.capability.specification, one.capability.result
    said = []
    if specification is not None and None in (specification.lower, specification.upper):
        side = "lower" if specification.upper is None else "upper"
        said.append(
            f"There is {'a' if side == 'lower' else 'an'} {side} limit only: no Cp and no Pp, and "
            "the other limit is not made up."
        )
    if study.lognormal is not None and result is not None:
        said.append(
            f"Errors of viscosity multiply, so its shape leans to the right: by the quantiles of a "
            f"lognormal curve Ppk is {text.fixed(study.lognormal.ppk, 2)}, by the normal formula "
            f"{text.fixed(result.ppk, 2)}. Where the two differ, look at the normal plot before "
            "choosing; no other curve is tried."
        )
    if study.observed is None:
        said.append("Quantiles of the values themselves need 741 batches.")
    return said


def repeatability(one: Assessment) -> str:
    """Repeatability in one line: relative standard deviation and limit."""
    result = one.repeatability
    if result is None:
        return "no batch with two readings yet"
    relative = f" ({text.percent(result.cv_percent, 2)})" if result.cv_percent is not None else ""
    return (
        f"standard deviation {text.viscosity(result.s_r, 3)}{relative}; limit for two readings "
        f"{text.viscosity(result.limit, 3)}"
    )


def measuring_headline(found: Sequence[CheckVerdicts]) -> str:
    """The first line of the page: what stands outside, by the certificate or by the own chart."""
    if not found:
        return "No check standard is recorded"
    outside = [one for one in found if one.first is False or one.second is False]
    if not outside:
        judged = [one for one in found if one.first is not None or one.second is not None]
        if not judged:
            return "Too few check runs to tell"
        where = sorted({one.standard.instrument or "instrument not recorded" for one in judged})
        return f"In order by every check that can tell, on {text.joined(where)}"
    named = text.joined([fluid_label(one) for one in outside[:3]])
    more = f" and {len(outside) - 3} more" if len(outside) > 3 else ""
    return f"Measurement in doubt: {named}{more}"


def fluid_label(one: CheckVerdicts) -> str:
    """A check standard on an instrument."""
    on = one.standard.instrument or "instrument not recorded"
    return f"{one.standard.name} on {on} ({one.standard.condition})"


def two_verdicts(one: CheckVerdicts) -> str:
    """Both verdicts on the newest run, in words."""
    when = f" on {text.date(one.standard.last_at)}" if one.standard.last_at is not None else ""
    return f"{text.viscosity(one.standard.last)}{when}: {one.verdict}"


def site_precision(one: CheckVerdicts) -> list[str]:
    """The spread of the runs from day to day: what a result feels, wider than repeatability."""
    if one.site_precision is None:
        return []
    return [
        f"From day to day the runs spread by {text.percent(one.site_precision, 2)} (standard "
        f"deviation of {text.count(one.standard.n, 'run')}): two results of one sample on two "
        f"days differ by more than {text.percent(2.77 * one.site_precision, 1)} about 1 time in 20."
    ]


def order_effect(effect: spc.OrderEffect) -> str:
    """Whether second readings differ from first ones as a rule."""
    clear = "differ from first ones" if effect.p < 0.05 else "are not shown to differ from first"
    clear += "" if effect.p < 0.05 else " ones"
    return (
        f"Second readings {clear}: mean difference "
        f"{text.percent(effect.mean_log_ratio_percent, 2)} (t {text.fixed(effect.t, 1)}, "
        f"p {text.fixed(effect.p, 3)}, {text.batches(effect.n)})."
    )


def torque_headline(shares: Sequence[TorqueShare]) -> str:
    """The share of all readings outside the torque window."""
    n = sum(one.n for one in shares)
    outside = sum(one.below + one.above for one in shares)
    if not n:
        return "No reading yet."
    below = sum(one.below for one in shares)
    return (
        f"{text.percent(100 * outside / n, 2)} of {text.count(n, 'reading')} lie outside the "
        f"torque window: {below} below, {outside - below} above."
    )


def tolerances(found: Sequence[Assessment]) -> dict[str, float]:
    """The products with two limits, and how wide their specification is now."""
    widths = {}
    for one in found:
        held = one.capability.specification
        if held is not None and held.lower is not None and held.upper is not None:
            widths[f"{one.product}: {text.plain(held.upper - held.lower)} mPa·s"] = (
                held.upper - held.lower
            )
    return widths


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """What the check standards say of one instrument: `in_order` None where they cannot say."""

    instrument: str
    words: str
    in_order: bool | None


def measuring_system(found: Iterable[Assessment]) -> list[InstrumentLine]:
    """One line an instrument, those outside their own limits first."""
    standards: dict[tuple[str, str, str], CheckStandard] = {}
    instruments: set[str] = set()
    for one in found:
        instruments |= {str(name) for name in one.batches["instrument"].unique() if name}
        for standard in one.check_standards:
            standards[standard.instrument, standard.name, standard.condition] = standard
    instruments |= {instrument for instrument, _, _ in standards}
    lines = []
    for instrument in sorted(instruments):
        mine = [standard for key, standard in sorted(standards.items()) if key[0] == instrument]
        lines.append(_instrument_line(instrument, mine))
    return sorted(lines, key=lambda line: (line.in_order is not False, line.in_order is True))


def _instrument_line(instrument: str, mine: Sequence[CheckStandard]) -> InstrumentLine:
    name = instrument or "instrument not recorded"
    if not mine:
        return InstrumentLine(name, "no check standard recorded", None)
    outside = [one for one in mine if one.in_order is False]
    unsure = [one for one in mine if one.in_order is None]
    if outside:
        words = f"outside own limits: {text.joined([_run(one) for one in outside])}"
        return InstrumentLine(name, words, False)
    if len(unsure) == len(mine):
        return InstrumentLine(name, f"too few check runs for limits: {_run(unsure[0])}", None)
    checked = max((one.last_at for one in mine if one.last_at is not None), default=None)
    names = text.joined([one.name for one in mine if one.in_order])
    return InstrumentLine(name, f"in order: {names}, last checked {text.date(checked)}", True)


def _run(one: CheckStandard) -> str:
    return f"{one.name}, last {text.viscosity(one.last)} on {text.date(one.last_at)}"


def limit_arithmetic(one: Assessment) -> list[tuple[str, str]]:
    """The limits with their numbers filled in: what, and the sum that makes it."""
    if one.charts is None:
        return []
    location, moving, within = one.charts.location, one.charts.dispersion, one.charts.within
    factors = spc.control_chart_constants(2)
    centre, upper, lower = location.center[-1], location.upper[-1], location.lower[-1]
    mr_bar = moving.center[-1]

    def two(value: float) -> str:
        return text.fixed(value, 2)

    rows = [
        ("Centre", f"mean of {text.batches(one.n_batches)} = {two(centre)}"),
        ("Mean moving range", f"{one.n_batches - 1} differences of neighbours = {two(mr_bar)}"),
        ("Sigma", f"{two(mr_bar)} ÷ {text.fixed(factors.d2, 4)} = {two(location.sigma)}"),
        (
            "Upper limit",
            f"{two(centre)} + {text.fixed(factors.E2, 4)} × {two(mr_bar)} = {two(upper)}",
        ),
        (
            "Lower limit",
            f"{two(centre)} − {text.fixed(factors.E2, 4)} × {two(mr_bar)} = {two(lower)}",
        ),
        (
            "Moving range, upper limit",
            f"{text.fixed(factors.D4, 4)} × {two(mr_bar)} = {two(moving.upper[-1])}",
        ),
    ]
    pairs = within is not None and (one.batches["n"] <= 2).all()
    if within is not None and pairs and (one.batches["n"] == 2).any():
        row = int((one.batches["n"] == 2).to_numpy().nonzero()[0][-1])
        mean_range, limit = two(within.center[row]), two(within.upper[row])
        rows.append(
            (
                "Range of duplicates, upper limit",
                f"{text.fixed(factors.D4, 4)} × {mean_range} = {limit}",
            )
        )
    return rows


def subgroup_arithmetic(view: SubgroupView) -> list[tuple[str, str]]:
    """The limits of subgroup charts with their numbers filled in, where all are of one size."""
    charts = view.charts
    if charts is None:
        return [("Limits", view.sentence)]
    location, spread = charts.location, charts.dispersion
    centre, mean_range = text.fixed(location.center[-1], 2), text.fixed(spread.center[-1], 2)
    rows = [
        ("Centre", f"mean of {text.count(location.n, 'subgroup')} = {centre}"),
        ("Sigma inside a subgroup", text.fixed(location.sigma, 2)),
    ]
    sizes = {round((location.sigma / error) ** 2) for error in location.standard_error}
    if len(sizes) > 1:
        return [*rows, ("Limits", "centre ± 3 sigma ÷ √n, as subgroups differ in size")]
    size = sizes.pop()
    factors = spc.control_chart_constants(size)
    return [
        *rows,
        ("Mean range", f"{text.count(location.n, 'subgroup')} of {size} = {mean_range}"),
        *(
            (
                name,
                f"{centre} {sign} {text.fixed(factors.A2, 4)} × {mean_range} = "
                f"{text.fixed(limit, 2)}",
            )
            for name, sign, limit in (
                ("Upper limit", "+", location.upper[-1]),
                ("Lower limit", "−", location.lower[-1]),
            )
        ),
        (
            "Range, upper limit",
            f"{text.fixed(factors.D4, 4)} × {mean_range} = {text.fixed(spread.upper[-1], 2)}",
        ),
    ]


def rule_set_cost(chosen: RuleSet, found: Sequence[Assessment]) -> str:
    """How often a set of rules cries wolf: batches in between, and alarms a week at this plant."""
    rate = sum(one.batches_per_week or 0.0 for one in found)
    said = (
        f"While nothing is wrong, one false alarm in {text.number(chosen.run_length, 3)} batches "
        f"({chosen.label})."
    )
    if rate:
        usual = RULE_SETS[DEFAULT_RULES]
        said += (
            f" At {text.number(rate, 3)} batches a week that is "
            f"{text.number(chosen.false_alarms_per_week(rate), 2)} false alarms a week; the usual "
            f"set makes {text.number(usual.false_alarms_per_week(rate), 2)}."
        )
    return said


def journal(n: int, faults: Sequence[str]) -> str:
    """Whether the chain of entries is whole."""
    if not faults:
        return f"{text.count(n, 'entry', 'entries')}; the chain is whole, none was changed since."
    return " ".join(faults)


def account(numbers: ingest.RowAccount) -> str:
    """The row account as a sum that a person can check."""
    aside, lost = sum(numbers.set_aside.values()), sum(numbers.not_parsed.values())
    said = (
        f"{text.count(numbers.rows_read, 'row')} read = {numbers.used} used + {aside} set aside + "
        f"{lost} not parsed"
    )
    if numbers.duplicates:
        said += f" + {numbers.duplicates} already known"
    said += ". " + ("The account closes." if numbers.closes else "The account does NOT close.")
    if numbers.blank_lines:
        said += f" {text.count(numbers.blank_lines, 'blank line')} skipped."
    if numbers.conflicts:
        said += f" {text.count(numbers.conflicts, 'reading')} recorded with more than one value."
    return said

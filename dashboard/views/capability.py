"""Capability: the spread between the specification lines, and an index where it is earned."""

import streamlit as st

from dashboard import (
    cache,
    capability_study,
    escaping,
    sentences,
    state,
    tables_of_site,
    text,
    verdicts,
    widgets,
)
from dashboard.assessment import Assessment
from dashboard.capability_study import PERIODS, USUAL_CLAIM, Study
from dashboard.figures import (
    capability_histogram,
    interval_by_size,
    interval_trend,
    normal_figure,
)

words = escaping.markdown
MARKS = {
    True: ":material/check_small: holds:",
    False: ":orange[:material/error: **stands against it**]:",
    None: ":material/question_mark: not known:",
}


def main() -> None:
    """Choose a product, say what is known, draw it."""
    st.title("Capability", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    one = widgets.choose_characteristic(found)
    study = capability_study.study_of(one, cache.settings())
    st.markdown(f"**{words(sentences.capability_standing(one, study))}**")
    if one.capability.specification is None:
        st.page_link("views/setup.py", label="Add a specification", icon=":material/tune:")
    if one.capability.result is not None:
        numbers(one)
    left_out(one, study)
    if one.n_batches:
        shape(one, study)
    gate(one, study)
    if one.capability.result is not None:
        over_time(one, how_sure(one, study))
        other_forms(one, study)
    widgets.caution()


def numbers(one: Assessment) -> None:
    """Indices with their intervals; performance only where that is all that may be said."""
    view, result = one.capability, one.capability.result
    rows = [
        ("Ppk", "performance, total spread, nearer limit", result.ppk, result.ppk_interval),
        ("Pp", "performance, total spread, both limits", result.pp, result.pp_interval),
    ]
    if not view.performance_only:
        rows = [
            ("Cpk", "capability, short-term spread, nearer limit", result.cpk, result.cpk_interval),
            ("Cp", "capability, short-term spread, both limits", result.cp, result.cp_interval),
            *rows,
            ("Cpm", "as Pp, with the distance from the target", result.cpm, result.cpm_interval),
        ]
    given = [row for row in rows if row[2] is not None]
    what = "Performance of a process not shown to be stable" if view.withheld else "Stable process"
    st.markdown(
        f"{what}: {text.batches(result.n)}, specification "
        f"{words(verdicts.limits_in_words(view.specification))} {text.UNIT}"
    )
    for column, (name, what, value, bounds) in zip(st.columns(len(given)), given, strict=True):
        with column:
            st.metric(name, text.fixed(value, 2))
            if bounds is not None:
                percent = text.fixed(100 * result.confidence, 0)
                st.caption(f"{percent} % interval {text.interval(*bounds)}; {what}")


def left_out(one: Assessment, study: Study) -> None:
    """The batches that do not count, each with its cause, and the index with them."""
    if not study.left_out:
        return
    st.markdown(words(sentences.left_out_of_capability(one, study)))
    with st.expander(f"{text.batches(len(study.left_out))} left out"):
        st.dataframe(
            {"Batch": [b for b, _ in study.left_out], "Cause": [c for _, c in study.left_out]},
            hide_index=True,
            width="stretch",
        )


def shape(one: Assessment, study: Study) -> None:
    """Where the batch means lie: histogram and normal plot, and who has looked at them."""
    specification = one.capability.specification
    lines = {}
    if specification is not None:
        named = (("lower", specification.lower), ("target", specification.target))
        named += (("upper", specification.upper),)
        lines = {name: value for name, value in named if value is not None}
    plot = study.normal
    mean = plot.mean if plot else one.median
    sd = plot.sd if plot else 0.0
    left, right = st.columns(2)
    with left:
        st.markdown("**How the batch means are spread**")
        shown = study.means if len(study.means) else one.batches["mean"].to_numpy()
        widgets.figure(
            capability_histogram(shown, mean, sd, specification=lines, palette=widgets.palette()),
            "histogram",
        )
        st.caption(
            f"Bars: batch means. Curve: the normal density of mean {text.viscosity(mean)}, total "
            f"standard deviation {text.viscosity(sd, 3)}. Control limits are not specification "
            "limits."
        )
    with right:
        st.markdown("**Against a normal shape**")
        if plot is None:
            st.markdown("Without any spread there is no shape to look at.")
        else:
            names = one.batches["batch"].drop(index=list(one.limits.left_out)).tolist()
            widgets.figure(
                normal_figure(
                    plot.values,
                    plot.scores,
                    plot.mean,
                    plot.sd,
                    [names[i] for i in plot.order],
                    specification=lines,
                    palette=widgets.palette(),
                ),
                "normal",
            )
            st.caption(
                "On the line: a normal shape. Both ends bent to one side: skewed, then the "
                "quantile form below says more. Steps: coarse recording. One point off: a batch "
                "to look at."
            )
    looked(one, study)


def looked(one: Assessment, study: Study) -> None:
    """Who has looked at the shape, and the button for it."""
    if study.normal is None:
        return
    left, right = st.columns([2, 1], vertical_alignment="bottom")
    if study.seen:
        left.markdown(words(study.seen))
        if right.button("Take that back", key="seen.undo", type="tertiary"):
            capability_study.forget_seen(cache.store(), one, state.name() or "")
            st.rerun()
        return
    with left:
        widgets.your_name()
    if right.button(
        "I have looked at this distribution",
        key="seen",
        help="Recorded in the journal with your name, the date and the number of batches.",
    ):
        capability_study.record_seen(cache.store(), one, state.name() or "", cache.now())
        st.rerun()


def gate(one: Assessment, study: Study) -> None:
    """Every condition in words: it holds, it stands against an index, or nobody can tell."""
    st.subheader("What an index has to earn first", anchor=False)
    order = {False: 0, None: 1, True: 2}
    st.markdown(
        "  \n".join(
            f"{MARKS[condition.met]} {words(condition.words)}"
            for condition in sorted(study.conditions, key=lambda c: order[c.met])
        )
    )
    if one.capability.result is None and one.capability.specification is not None:
        st.markdown(words(capability_study.needed_words(one)))
    st.markdown(words(study.measurement_words))


def how_sure(one: Assessment, study: Study) -> float:
    """The interval against the number of batches, and what a claim would take; gives the claim."""
    result = one.capability.result
    st.subheader("How sure this number is", anchor=False)
    claim = st.number_input(
        "An index to be claimed",
        min_value=0.1,
        max_value=5.0,
        value=USUAL_CLAIM,
        step=0.01,
        key="claim",
        width=200,
        help="What a customer asks for, for example 1.33. Proved means: the lower end of the "
        "one-sided 95 % interval reaches it.",
    )
    st.markdown(words(capability_study.needed_words(one, claim)))
    widgets.figure(
        interval_by_size(
            study.by_size,
            result.ppk,
            result.n,
            title="Ppk, 95 % interval",
            description=f"Interval of Ppk {text.fixed(result.ppk, 2)} against the number of "
            f"batches; there are {result.n}: {text.interval(*result.ppk_interval)}",
            reference=claim,
            reference_words=f"claim {text.plain(claim)}",
            palette=widgets.palette(),
        ),
        "by-size",
    )
    st.caption(
        "The shaded band is the interval that this Ppk would have on that many batches; the "
        "upright line is what there is."
    )
    return claim


def over_time(one: Assessment, claim: float) -> None:
    """The index period by period, on one definition."""
    st.subheader("How it went on", anchor=False)
    by = st.segmented_control(
        "Periods",
        list(PERIODS),
        default="30",
        format_func=PERIODS.__getitem__,
        key="periods",
        required=True,
    )
    periods, said = capability_study.periods_of(one, by)
    st.markdown(f"**{words(said)}**")
    if any(period.result is not None for period in periods):
        widgets.figure(
            interval_trend(
                [
                    (p.label, p.result.ppk, *p.result.ppk_interval)
                    if p.result is not None
                    else (p.label, None, None, None)
                    for p in periods[-12:]
                ],
                title="Ppk, 95 % interval",
                description=said,
                reference=claim,
                reference_words=f"claim {text.plain(claim)}",
                palette=widgets.palette(),
            ),
            "trend",
        )
    if periods:
        widgets.table(tables_of_site.periods(periods), "periods", "capability-periods.csv")
    st.caption(
        "One definition for all periods: the specification in force now, the total spread, batches "
        "left out with a cause not counted. Ppk is performance: it says nothing about stability."
    )


def other_forms(one: Assessment, study: Study) -> None:
    """The normal formula beside the quantile forms; what a one-sided specification leaves."""
    st.subheader("Other forms", anchor=False)
    for line in sentences.capability_forms(one, study):
        st.markdown(words(line))
    widgets.table(tables_of_site.capability_forms(one, study), "forms", "capability-forms.csv")


main()

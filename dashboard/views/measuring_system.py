"""Measuring system: check standards, repeatability, instruments, torque, and a gauge study."""

import hashlib

import streamlit as st

import ingest
import spc
from dashboard import (
    agreement,
    cache,
    cache_measuring,
    chart_panels,
    escaping,
    gauge,
    measuring,
    sentences,
    state,
    tables,
    tables_of_site,
    text,
    widgets,
)
from dashboard.assessment import Assessment
from dashboard.figures import fluid_runs, gauge_figure, interval_rows, level_plot
from dashboard.measuring import CheckVerdicts
from dashboard.views import services

words = escaping.markdown
PARTS = {
    "checks": "Check standards",
    "repeatability": "Repeatability",
    "instruments": "Instruments",
    "torque": "Torque",
    "gauge": "Gauge study",
}


def main() -> None:
    """What is due and what stands outside first; then the part that was chosen."""
    st.title("Measuring system", anchor=False)
    found = widgets.all_assessments()
    verdicts = cache_measuring.check_verdicts()
    if not found and not verdicts:
        widgets.empty_store()
        return
    st.markdown(f"**{words(sentences.measuring_headline(verdicts))}**")
    part = state.part_of_page("part", list(PARTS))
    chosen = st.segmented_control(
        "What to look at",
        list(PARTS),
        default=part,
        format_func=PARTS.__getitem__,
        key="part",
        required=True,
        label_visibility="collapsed",
    )
    state.to_address("part")
    if chosen == "checks":
        checks(verdicts, found)
    elif chosen == "repeatability":
        repeatability(found)
    elif chosen == "instruments":
        instruments()
    elif chosen == "torque":
        torque(found)
    else:
        gauge_study(found)
    widgets.caution()


def checks(verdicts: list[CheckVerdicts], found: list[Assessment]) -> None:
    """Two verdicts side by side for every check standard, and what is due."""
    known = sorted({str(name) for one in found for name in one.batches["instrument"].unique()})
    every = sorted({*known, *(v.standard.instrument for v in verdicts)})
    due = measuring.due_dates(verdicts, every, cache.settings(), cache.now().date())
    late = [one for one in due if one.overdue]
    st.markdown(
        "  \n".join(f":orange[:material/event_busy: **{words(one.words)}**]" for one in late)
    )
    if not verdicts:
        st.markdown(
            "No check standard is recorded, so a moved process and a moved measurement cannot be "
            "told apart. Run a reference fluid on each instrument and import its readings with the "
            "sample type “check”."
        )
    else:
        st.markdown(
            "Two questions about the newest run. **Tolerance**: is it within what instrument and "
            "certificate allow? **Own chart**: is it where this instrument usually reads? A "
            "movement of 3\u00a0% passes the first and moves every product."
        )
        widgets.table(tables_of_site.check_verdicts(verdicts), "checks", "check-standards.csv")
        one_fluid(verdicts)
    for line in measuring.offsets(verdicts):
        st.markdown(words(line))
    st.subheader("What is due next", anchor=False)
    coming = [one for one in due if not one.overdue]
    st.markdown(
        "  \n".join(f":material/event: {words(one.words)}" for one in coming)
        or "Nothing else has a date."
    )
    services.section(every)
    st.page_link(
        "views/setup.py", label="Certificates, tolerances and dates", icon=":material/tune:"
    )


def one_fluid(verdicts: list[CheckVerdicts]) -> None:
    """One check standard on one instrument, drawn between both pairs of lines."""
    number = st.selectbox(
        "Check standard",
        range(len(verdicts)),
        format_func=lambda i: sentences.fluid_label(verdicts[i]),
        key="fluid",
    )
    one = verdicts[number]
    st.markdown(f"**{words(sentences.two_verdicts(one))}**")
    own = one.standard
    window = None if one.two is None else (one.two.tolerance.lower, one.two.tolerance.upper)
    widgets.figure(
        fluid_runs(
            own.values,
            own.times,
            title=f"{own.name}, {text.UNIT}",
            certified=one.fluid.certified_value if one.fluid else None,
            window=window,
            center=own.center,
            own=None if own.lower is None else (own.lower, own.upper),
            description=f"{text.count(own.n, 'run')}: {one.verdict}",
            palette=widgets.palette(),
        ),
        "fluid.figure",
    )
    for line in (one.made_of, *one.remarks, *sentences.site_precision(one)):
        st.markdown(words(line))


def repeatability(found: list[Assessment]) -> None:
    """How well two readings of one batch agree: one product, its people and instruments, all."""
    if not found:
        st.markdown("No product has a reading yet.")
        return
    one = widgets.choose_characteristic(found)
    if one.repeatability is not None:
        numbers(one)
    st.markdown(words(one.repeatability_note))
    if one.order_effect is not None:
        st.markdown(words(sentences.order_effect(one.order_effect)))
    options = chart_panels.PanelOptions(palette=widgets.palette())
    for panel in chart_panels.three_way(one, options):
        if panel.key == "duplicates":
            widgets.figure(panel.figure, "figure.duplicates-alone")
            st.caption("A ring marks a range beyond its limit.")
    every = cache.readings(one.characteristic_id)
    st.subheader("By instrument and by operator", anchor=False)
    names = st.toggle(
        "Show names of operators",
        key="operators.names",
        help="Off, everybody has a number. Comparing people may need the consent of your site; it "
        "is there to find what differs in technique, not who.",
    )
    for column in ("instrument", "operator"):
        rows = agreement.by_column(every, column, names)
        agreement_of(rows, column)
    across_levels()
    st.markdown("**By instrument, over all products**")
    agreement_of(cache_measuring.by_instrument(), "instrument", "all")


def agreement_of(rows: list[agreement.Agreement], what: str, key: str = "one") -> None:
    """Several repeatabilities with their intervals."""
    said = agreement.told(rows, what)
    st.markdown(words(said))
    if len(rows) < 2:
        return
    widgets.figure(
        interval_rows(
            [one.row for one in rows],
            title="Repeatability, % of the viscosity",
            description=said,
            palette=widgets.palette(),
        ),
        f"agreement.{key}.{what}",
    )
    widgets.table(
        tables_of_site.agreements(rows, what.capitalize()),
        f"agreement.{key}.{what}",
        f"by-{what}.csv",
    )


def numbers(one: Assessment) -> None:
    """Standard deviation, relative standard deviation and limit."""
    result = one.repeatability
    first, second, third = st.columns(3)
    with first:
        st.metric("Standard deviation s_r", text.viscosity(result.s_r))
        st.caption(f"95 % interval {text.interval(*result.interval, decimals=1)} {text.UNIT}")
    with second:
        st.metric("Relative", text.percent(result.cv_percent, 3))
        st.caption("the same as a share of the viscosity")
    with third:
        st.metric("Limit for two readings", text.viscosity(result.limit))
        st.caption("2.8 × s_r: two readings of one batch differ by more about 1 time in 20")


def across_levels() -> None:
    """Constant in mPa·s, or constant in percent? Looked at before anything is pooled."""
    st.subheader("Across products", anchor=False)
    found = cache_measuring.levels()
    st.markdown(words(found.sentence))
    if not found.levels:
        return
    widgets.figure(
        level_plot(
            [level.mean for level in found.levels],
            [level.s_r for level in found.levels],
            [level.product for level in found.levels],
            found.slope,
            description=found.sentence,
            palette=widgets.palette(),
        ),
        "levels",
    )
    widgets.table(tables_of_site.levels(found.levels), "levels", "repeatability.csv")


def instruments() -> None:
    """Whether two instruments may be pooled, by the batches that both have read."""
    found, said = cache_measuring.comparisons()
    st.markdown(words(said))
    if not found:
        return
    margin = cache.settings().get(agreement.MARGIN)
    pairs = list(dict.fromkeys((one.first, one.second) for one in found))
    for first, second in pairs:
        mine = [one for one in found if (one.first, one.second) == (first, second)]
        st.markdown(f"**{words(second)} against {words(first)}: {words(mine[0].verdict)}**")
        widgets.figure(
            interval_rows(
                [one.row for one in mine],
                title=f"Difference of {second} from {first}, %",
                description=f"{second} against {first}: {mine[0].verdict}",
                reference=0.0,
                band=(-float(margin), float(margin)) if margin else None,
                palette=widgets.palette(),
            ),
            f"pair.{first}.{second}",
        )
    widgets.table(tables_of_site.comparisons(found), "comparisons", "instruments.csv")
    st.caption(
        "“Not different” is not “equal”: only an interval that lies wholly inside the agreed "
        "margin (shaded) makes two instruments equivalent. The margin is set in Set-up."
    )
    if not margin:
        st.page_link("views/setup.py", label="Agree on a margin", icon=":material/tune:")


def torque(found: list[Assessment]) -> None:
    """Readings outside the torque window: all products, then one."""
    shares = cache_measuring.torque_shares()
    st.markdown(words(sentences.torque_headline(shares)))
    widgets.table(tables_of_site.torque_shares(shares), "torque", "torque.csv")
    st.caption(
        "Outside: torque under or over the window, or written as “less than” or “more than”. Such "
        "readings are set aside, never used and never dropped."
    )
    if not found:
        return
    one = widgets.choose_characteristic(found)
    every = cache.readings(one.characteristic_id)
    methods = ingest.methods(cache.store())
    st.markdown(words(agreement.torque_words(every, methods, one.condition)))


def gauge_study(found: list[Assessment]) -> None:
    """Upload, look, analyse; nothing of it is kept."""
    st.markdown(
        "A file with the columns **part**, **appraiser** and **value**, one reading a line: every "
        "appraiser reads every part equally often. It is analysed here and not kept."
    )
    file = st.file_uploader("Gauge study", key="gauge.file")
    if file is None:
        st.download_button(
            "An empty sheet to fill",
            "part,appraiser,value\n",
            file_name="gauge-study.csv",
            mime="text/csv",
            icon=":material/download:",
        )
        return
    raw = file.getvalue()
    digest = hashlib.sha256(raw).hexdigest()
    try:
        reading = ingest.read_gauge_study(raw, file.name, state.answers(digest))
    except ingest.IngestError as error:
        st.error(words(error))
        return
    if reading.questions:
        with st.form("gauge.questions"):
            for question in reading.questions:
                st.selectbox(words(question.text), question.choices, key=f"gauge.{question.field}")
            if st.form_submit_button("Read again"):
                state.answer_from_widgets(digest, "gauge", [q.field for q in reading.questions])
                st.rerun()
        return
    if reading.faults:
        said = "\n".join(f"- {words(fault)}" for fault in reading.faults[:10])
        more = len(reading.faults) - 10
        st.markdown(
            f"**Lines that were not used**\n{said}" + (f"\n- and {more} more" if more > 0 else "")
        )
    tolerance = tolerance_of(found)
    names = st.toggle("Show names of appraisers", key="gauge.names")
    try:
        view = gauge.view_of(reading, tolerance, names)
    except spc.SpcError as error:
        st.error(words(text.sentence(str(error))))
        return
    for line in view.sentences:
        st.markdown(words(line))
    widgets.figure(
        gauge_figure(view.rows, description=view.sentences[0], palette=widgets.palette()),
        "gauge.figure",
    )
    st.caption("Each mark is one reading; the flat line is the mean of its part.")
    widgets.figure(
        gauge_figure(
            gauge.away_from_parts(view.rows),
            title=f"Reading less the mean of its part, {text.UNIT}",
            description="The same readings less the mean of their part",
            height=240,
            palette=widgets.palette(),
        ),
        "gauge.away",
    )
    st.caption(
        "The measurement alone. One form above or below the others throughout: that appraiser "
        "reads differently. Wide apart within one form: poor repeatability."
    )
    widgets.table(view.table, "gauge.parts", "gauge-study-parts.csv")
    with st.expander("Analysis of variance, and how the file was read"):
        widgets.table(view.anova, "gauge.anova", "gauge-study-anova.csv")
        widgets.plain_table(tables.understood(reading.understood))


def tolerance_of(found: list[Assessment]) -> float | None:
    """Upper less lower limit: of a product, or as typed."""
    widths = sentences.tolerances(found)
    choices = ["none", "as typed", *widths]
    left, right = st.columns(2)
    with left:
        chosen = st.selectbox(
            "Tolerance of", choices, key="gauge.tolerance.of", format_func=str, index=0
        )
    if chosen == "as typed":
        with right:
            return st.number_input(
                f"Tolerance, {text.UNIT}", min_value=0.0, value=None, key="gauge.tolerance"
            )
    return widths.get(chosen)


main()

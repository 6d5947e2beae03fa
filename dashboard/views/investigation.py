"""Investigation: did the process move, or the measurement, since when, how far, and what next."""

import streamlit as st

import ingest
from dashboard import (
    cache,
    escaping,
    investigation,
    investigation_panels,
    investigation_tables,
    state,
    text,
    widgets,
)
from dashboard.assessment import Assessment
from dashboard.investigate import Investigated
from dashboard.investigation_results import Contents, FactorView
from dashboard.views import chart_parts as parts
from dashboard.views import investigation_record as record

words = escaping.markdown


def main() -> None:
    """The answer first, then what it rests on, then what people tried, found and decided."""
    st.title("Investigation", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    left, right = st.columns([3, 2])
    with left:
        one = widgets.choose_characteristic(found)
    names = state.shown_names()
    investigated = cache.investigated(one, names)
    if investigated is None:
        st.markdown(f"**{words(one.product)}** has no reading in use: there is nothing to look at.")
        widgets.caution()
        return
    records = ingest.event_records(cache.store(), one.characteristic_id)
    journal = cache.journal_and_faults()[0]
    about = investigation.contents(one, investigated, records, journal)
    if about.subjects:
        with right:
            chosen = choose_subject(about)
        about = investigation.contents(one, investigated, records, journal, chosen)
    card(one, about)
    pictures(one, investigated, about, names)
    factors(about)
    record.section(one, investigated, about)
    widgets.caution()


def choose_subject(about: Contents) -> str:
    """The change that was found, or an event of the control chart."""
    labels = {one.key: one.label for one in about.subjects}
    state.text_from_address(state.EVENT, list(labels))
    state.prepare(state.EVENT, list(labels), next(iter(labels)))
    st.selectbox(
        "Records are kept for",
        list(labels),
        format_func=labels.__getitem__,
        key=state.EVENT,
        help="What is tried, found and decided below is recorded for this stretch of batches. The "
        "search itself always looks at the whole record.",
    )
    state.to_address(state.EVENT)
    return str(state.keep(state.EVENT))


def card(one: Assessment, about: Contents) -> None:
    """The sentence card: what, since when, how big, process or measurement, what next."""
    with st.container(border=True, key="sentence-card"):
        first, *rest = about.facts
        st.markdown(f"**{words(first.words)}**")
        said = []
        for fact in rest:
            waits = fact.name == "Check next" and about.verdict.cause_class != "none"
            line = f"**{words(fact.name)}:** {words(fact.words)}"
            said.append(f":orange[:material/arrow_right:] {line}" if waits else line)
        st.markdown("\n\n".join(said))
        st.caption(
            f"From {text.batches(about.n_batches)} of {words(about.product)}, up to "
            f"{words(about.last_batch)}. {words(one.condition)}."
        )


def pictures(one: Assessment, investigated: Investigated, about: Contents, names: bool) -> None:
    """Product above, check standards below, on one axis; how far each moved beside them."""
    st.subheader("Process or measurement?", anchor=False)
    left, right = st.columns([3, 2], gap="medium")
    shown = (one.characteristic_id, one.rule_set, "investigation", names, state.ground())
    panels = parts.remembered(
        lambda: investigation_panels.panels(one, investigated, about, widgets.palette())
    )
    with left:
        for figure in cache.drawn(shown, panels):
            widgets.drawn_figure(figure, f"figure.{figure.key}")
        standards = any(panel.key.startswith("check") for panel in panels())
        st.caption(legend(about, standards))
        if panels():
            widgets.save(panels, f"{one.product} investigation", "investigation")
    with right:
        evidence(about)
        happened(about)


def legend(about: Contents, standards: bool) -> str:
    """How to read the panels."""
    said = []
    if about.verdict.since is not None:
        said.append(
            "The shaded stretch is where the change begins with 95\u00a0% probability, the dashed "
            "line its most likely start, the broad line the level fitted to the batches"
        )
    if standards:
        said.append(
            "squares are runs of check standards, with their median before and after, and how far "
            "they moved"
        )
    else:
        said.append("no check standard with dates is recorded for these instruments")
    joined = "; ".join(said)
    return f"{joined[:1].upper()}{joined[1:]}."


def evidence(about: Contents) -> None:
    """What speaks for and against."""
    if about.cannot_tell:
        st.markdown(
            f":orange[:material/question_mark: **Cannot tell process from measurement.**] "
            f"{words(about.cannot_tell)}"
        )
    figure = investigation_panels.moved_figure(about, widgets.palette())
    if figure is not None:
        widgets.figure(figure, "moved")
    likely = [(name, share) for name, share in about.explanations if share >= 0.005]
    if likely:
        said = ", ".join(f"{words(name)} {text.share(share)}" for name, share in likely)
        st.markdown(f"How well each explanation fits: {said}.")
    with st.expander("The numbers behind it", expanded=figure is None, key="evidence"):
        st.markdown("\n".join(f"- {words(line)}" for line in about.evidence))
        if len(about.moved) > 1:
            widgets.table(investigation_tables.moved(about), "moved.rows", "moved.csv")


def happened(about: Contents) -> None:
    """What coincides, in the order of time."""
    if about.verdict.cause_class in ("none", "data"):
        return
    st.markdown("**What happened around the start**")
    if about.happened:
        frame = investigation_tables.happened(about)
        widgets.plain_table(frame)
        widgets.download(frame, "happened", "around-the-start.csv")
    st.caption(words(about.happened_note))


def factors(about: Contents) -> None:
    """Every factor, ranked, with a small picture."""
    st.subheader("What the level goes with", anchor=False)
    st.markdown(words(about.multiplicity))
    if not about.factors:
        return
    st.caption(
        "Adjusted p: chance alone would give so large a difference anywhere among these "
        "comparisons no more often than this. Below 0.05 is rarely chance."
    )
    widgets.show_names()
    telling = [view for view in about.factors if view.stands_out]
    rest = [view for view in about.factors if not view.stands_out]
    side_by_side(telling)
    if rest:
        label = f"{text.count(len(rest), 'factor')} that do not stand out"
        with st.expander(label.replace("factor that do", "factor that does"), key="quiet-factors"):
            side_by_side(rest)
    with st.expander("All levels as a table", key="levels"):
        widgets.table(investigation_tables.factors(about), "factors", "factors.csv")


def side_by_side(views: list[FactorView]) -> None:
    """The pictures of factors in two columns, those that stand out most first."""
    places = st.columns(2, gap="medium") if views else []
    for number, view in enumerate(views):
        with places[number % 2], st.container(border=True, key=f"factor-{view.name}"):
            factor(view)


def factor(view: FactorView) -> None:
    """One factor: how much it takes up, its levels, what it cannot be told from."""
    mark = ":orange[:material/priority_high:] " if view.stands_out else ""
    st.markdown(f"{mark}**{words(view.name.capitalize())}** {words(view.words)}.")
    widgets.figure(
        investigation_panels.factor_figure(view, widgets.palette()), f"factor.{view.name}"
    )
    if view.more:
        st.caption(f"{view.more} more levels stand in the table below; these deviate most.")
    for note in view.notes:
        st.caption(f":material/info: {words(note)}")


main()

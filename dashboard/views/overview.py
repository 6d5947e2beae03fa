"""Overview: what needs a person, the measuring system, then every product."""

import altair as alt
import streamlit as st

from dashboard import cache, escaping, sentences, state, widgets
from dashboard.assessment import RULE_SETS, Assessment
from dashboard.figures import trend
from dashboard.results import BATCH_MEANS
from dashboard.text import date, fixed


def card(one: Assessment) -> None:
    """Everything about one product that fifteen seconds allow."""
    words = escaping.markdown
    with st.container(border=True, key=f"card-{one.characteristic_id}"):
        left, right = st.columns([3, 2], gap="medium")
        with left:
            with st.container(horizontal=True, vertical_alignment="center", gap="small"):
                st.subheader(words(one.product), anchor=False, width="content")
                widgets.states(one)
            st.caption(words(one.condition))
            said = [f"**{words(one.stale_sentence)}**"] if one.stale else []
            said += [
                f":orange[:material/arrow_right:] {words(e.sentence)}" for e in one.open_events
            ]
            if not one.open_events:
                said.append(words(one.state_reason))
            waiting = [f"{one.last_batch} is outside its specification."] * one.last_outside
            waiting += [sentences.undecided(one)] if one.undecided else []
            said += [f":orange[:material/arrow_right:] {words(line)}" for line in waiting]
            st.markdown("  \n".join(said))
            st.markdown(
                f"**Last batch** {words(sentences.last_batch(one))}  \n"
                f"**Capability** {words(sentences.capability(one))}  \n"
                f"**Repeatability** {words(sentences.repeatability(one))}"
            )
        with right:
            if len(one.batches):
                widgets.figure(picture(one), f"trend-{one.characteristic_id}")
            st.page_link(
                widgets.CHART_PAGE,
                label=f"Control chart of {words(one.product)}",
                icon=":material/show_chart:",
                query_params={state.CHARACTERISTIC: str(one.characteristic_id)},
            )


def picture(one: Assessment) -> alt.LayerChart:
    """The last batches, small."""
    location = one.charts.location if one.charts else None
    return trend(
        one.batches["mean"].to_numpy(),
        one.batches["batch"].tolist(),
        lower=float(location.lower[-1]) if location else None,
        center=float(location.center[-1]) if location else None,
        upper=float(location.upper[-1]) if location else None,
        signals=sorted({row.index for row in one.signals if row.chart == BATCH_MEANS}),
        stretches=[(event.start, event.stop) for event in one.open_events],
        palette=widgets.palette(),
    )


found = widgets.all_assessments()
if found:
    st.title(sentences.headline(found), anchor=False)
    widgets.measuring_system(found)
    for assessment in found:
        card(assessment)
    rules = RULE_SETS[state.load().rules]
    weekly = [one.false_alarms_per_week for one in found if one.false_alarms_per_week is not None]
    said = f"Rules in use: {rules.label}."
    if weekly:
        said += f" Expect {fixed(sum(weekly), 1)} false alarms a week while nothing is wrong."
    if cache.as_of() is not None:
        said += f" Judged as of {date(cache.as_of())}."
    st.caption(said)
    widgets.caution()
else:
    st.title("Overview", anchor=False)
    widgets.empty_store()

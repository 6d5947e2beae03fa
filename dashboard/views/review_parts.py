"""Decisions of the meeting, typed while it goes on; and the time zone of the periods."""

from functools import partial
from zoneinfo import available_timezones

import streamlit as st

import ingest
from dashboard import cache, escaping, state, widgets
from dashboard.review import period
from dashboard.review.period import Period

words = escaping.markdown


def minutes(about: Period, products: tuple[str, ...]) -> None:
    """Type a decision into the journal, or take one back."""
    said = state.said()
    if said:
        st.success(words(said))
    with st.container(key="minute-it"):
        with st.form("review.minute", clear_on_submit=True):
            st.text_area(
                "Decision to be minuted",
                key="review.decision",
                placeholder="What is decided, who does it, until when",
                help="Goes into the journal with your name and stands in the pack of this period.",
                max_chars=600,
            )
            widgets.your_name("review.name", in_form=True)
            if products:
                st.caption(f"About {words(', '.join(products))}, as chosen above.")
            sent = st.form_submit_button(
                "Minute this decision",
                icon=":material/edit_note:",
                on_click=partial(state.keep_name, "review.name"),
            )
        if sent:
            try:
                ingest.add_minute(
                    cache.store(), about.key, state.typed("review.decision"), products, state.name()
                )
            except ingest.IngestError as error:
                st.error(words(error))
            else:
                state.say_next("The decision is in the journal and in the pack.")
                st.rerun()
        taken_back(about)
        zone(about)


def taken_back(about: Period) -> None:
    """Take a minuted decision back: a further entry, the first one stays in the journal."""
    standing = {one.id: one for one in ingest.minutes(cache.store(), about.key)}
    if not standing:
        return
    with st.expander("Take a minuted decision back"):
        with st.form("review.take-back", clear_on_submit=True):
            number = st.selectbox(
                "Decision",
                list(standing),
                format_func=lambda one: f"{one}: {standing[one].words}",
                key="review.minute.number",
            )
            why = st.text_input("Why", key="review.minute.why", max_chars=300)
            sent = st.form_submit_button("Take it back")
        if sent:
            try:
                ingest.take_back_minute(cache.store(), number, why, state.name())
            except ingest.IngestError as error:
                st.error(words(error))
            else:
                state.say_next("The decision is taken back; the journal holds both entries.")
                st.rerun()


def zone(about: Period) -> None:
    """In which time zone periods begin and end, kept for the store."""
    with st.expander(f"Periods begin and end at midnight, {words(about.zone)}"):
        names = sorted(available_timezones() | {about.zone})
        with st.form("review.zone"):
            chosen = st.selectbox(
                "Time zone of the periods",
                names,
                index=names.index(about.zone),
                key=f"review.zone.{about.zone}",
                help="The zone of the site: a batch of Sunday evening belongs to its own week.",
            )
            if st.form_submit_button("Keep this for the store") and chosen != about.zone:
                ingest.set_setting(
                    cache.store(),
                    period.REPORTING_ZONE,
                    chosen,
                    by=state.name(),
                    why="chosen on the Review page",
                )
                st.rerun()

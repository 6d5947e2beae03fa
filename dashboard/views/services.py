"""What was done to the instruments: written down here, drawn above every chart they measure."""

from collections.abc import Sequence

import streamlit as st

import ingest
from dashboard import cache, escaping, state, tables_of_site, text, widgets
from dashboard.views.chart_decisions import keep, send

words = escaping.markdown


def section(instruments: Sequence[str]) -> None:
    """What was recorded, and a form for more."""
    st.subheader("Done to the instruments", anchor=False)
    found = ingest.services(cache.store())
    if found:
        widgets.table(tables_of_site.services(found), "services", "services.csv")
    else:
        st.markdown(
            "Nothing is recorded. A cleaning, calibration, repair, move, or a new spindle or bath "
            "that is written down here stands above the charts of that instrument, on its day."
        )
    with st.expander("Record a service, calibration or repair", icon=":material/build:"):
        _record([name for name in instruments if name])
    if found:
        with st.expander("Take one back", icon=":material/undo:"):
            _take_back(found)


def _record(instruments: Sequence[str]) -> None:
    with st.form("service", border=False):
        name = st.selectbox(
            "Instrument", instruments, accept_new_options=True, key="service.instrument"
        )
        on = st.date_input("Day it was done", state.today(), format="YYYY-MM-DD", key="service.on")
        said = st.text_input("What was done", key="service.words", max_chars=300)
        sent = send("service.name")
    if sent:
        keep(lambda: ingest.record_service(cache.store(), name or "", on, said, by=state.name()))


def _take_back(found: Sequence[ingest.Service]) -> None:
    with st.form("service.back", border=False):
        number = st.selectbox(
            "Which one",
            range(len(found)),
            format_func=lambda i: (
                f"{found[i].instrument}, {text.date(found[i].on)}: {found[i].words}"
            ),
            key="service.which",
        )
        why = st.text_input("Why is it taken back?", key="service.why", max_chars=300)
        sent = send("service.back.name", "Take back")
    if sent:
        keep(
            lambda: ingest.take_back_service(cache.store(), found[number].id, why, by=state.name())
        )

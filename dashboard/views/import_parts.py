"""Parts of the import page: the source, what is remembered of it, what changed, what to look at."""

import streamlit as st

import ingest
from dashboard import cache, escaping, state, tables, text, widgets

words = escaping.markdown


def choose_source() -> str:
    """Name where the files come from, and show what is remembered of it."""
    source = st.text_input(
        "Source",
        key="import.source",
        placeholder="such as: viscometer V1, or LIMS",
        help="A name for where these files come from. What you answer for one file is remembered "
        "for the next files of the same source; a changed export is noticed.",
    ).strip()
    profile = cache.site(source).profile
    if not profile.answers and not profile.layouts:
        return source
    with st.expander("What is remembered of this source", key="import.remembered"):
        if profile.answers:
            st.dataframe(tables.remembered(profile), hide_index=True, width="stretch")
            left, right = st.columns([3, 1], vertical_alignment="bottom")
            field = left.selectbox(
                "Answer", list(profile.answers), key="import.forget.field", index=None
            )
            if right.button("Forget it", key="import.forget.one", disabled=field is None):
                ingest.forget(cache.store(), source, field)
                st.rerun()
        for layout in profile.layouts:
            st.markdown(f"Columns: {words(', '.join(layout.headings))}")
        if st.button("Forget all of it", key="import.forget.all"):
            ingest.forget(cache.store(), source)
            st.rerun()
    return source


def change(reading: ingest.FileReading, key: str) -> None:
    """What is different from the last export of the source."""
    found = reading.change
    if found is None or not (found.new or found.gone or found.missing):
        return
    st.markdown("**The columns are not those of the last import from this source.**")
    if reading.questions:
        for note in reading.notes:
            st.markdown(f":material/info: {words(note)}")
    st.dataframe(
        tables.side_by_side(found.side_by_side()),
        hide_index=True,
        width="stretch",
        key=f"{key}.change",
    )


def columns(reading: ingest.FileReading, digest: str, key: str) -> None:
    """Say what a column is, or that it is nothing: the file is read again with that."""
    headings = reading.headings
    with st.expander("Say what a column is", key=f"{key}.columns"), st.form(f"{key}.columns.form"):
        left, right = st.columns(2)
        heading = left.selectbox("Column", headings, index=None, key=f"{key}.columns.heading")
        meaning = right.selectbox(
            "is",
            list(ingest.COLUMN_LABELS),
            format_func=lambda name: ingest.COLUMN_LABELS[name],
            index=None,
            key=f"{key}.columns.meaning",
        )
        if st.form_submit_button("Read again with that") and heading and meaning:
            said = {f"column:{heading}": meaning}
            state.answers_are(digest, ingest.said_later(state.answers(digest), said))
            st.rerun()


def remarks(reading: ingest.FileReading, key: str) -> None:
    """What checks found about rows that are used all the same."""
    if reading.remarks:
        number = text.count(sum(reading.account.remarks.values()), "remark")
        st.markdown(f"**{number}**: these rows are used; a person should look at them")
        widgets.table(tables.remarks(reading.remarks), f"{key}.remarks", "remarks.csv")

"""Batch: one batch traced from its rows to the decision; made to be printed and to be sent."""

from pathlib import Path

import streamlit as st

from dashboard import batch_trace, cache, escaping, state, tables, widgets

words = escaping.markdown
# fixed rules of ours, no data in them: what paper does not need, and where a page may end
STYLE = Path(__file__).with_name("batch.css")


def main() -> None:
    """Find a batch, and tell everything about it in the order in which an auditor asks."""
    st.html(STYLE)
    st.title("Batch", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    with st.container(key="choices"):
        search()
        left, right = st.columns(2)
        with left:
            one = widgets.choose_characteristic(found)
        names = batch_trace.batches_of(one, cache.readings(one.characteristic_id))
        if not names:
            st.info("No reading of this product is in the store.")
            return
        state.prepare_traced(one.characteristic_id, names)
        right.selectbox("Batch", names, key=state.TRACED, help="Type to search.")
        batch = state.keep_traced()
        show = st.toggle(
            "Show operators by name",
            key="trace.operators",
            help="Operators are numbered unless a question needs the person.",
        )
    traced = cache.traced(state.load().rules, one.characteristic_id, batch, show)
    st.subheader(f"{words(traced.product)}, batch {words(traced.batch)}", anchor=False)
    st.caption(words(traced.condition))
    st.markdown(f"**{words(traced.summary)}**")
    with st.container(horizontal=True, vertical_alignment="center", key="actions"):
        widgets.download(traced.as_table(), "trace", "batch-trace.csv")
        st.page_link(
            widgets.CHART_PAGE,
            label="Its control chart",
            icon=":material/show_chart:",
            query_params={state.CHARACTERISTIC: str(one.characteristic_id)},
        )
        st.caption(
            ":material/print: To print, use the browser's print command (Ctrl or ⌘ and P); the "
            "address of this page leads back to this batch."
        )
    for number, section in enumerate(traced.sections, 1):
        with st.container(key=f"step-{number}"):
            st.markdown(f"#### {number}. {words(section.title)}")
            for said in section.said:
                st.markdown(words(said))
            if section.table is not None:
                st.table(tables.as_text(section.table))
    widgets.caution()


def search() -> None:
    """Find a batch by its number alone, whatever its product."""
    wanted = st.text_input(
        "Find a batch by its number",
        key="trace.search",
        placeholder="all of the number, or a part of it",
    )
    if not wanted.strip():
        return
    hits = cache.find_batches(wanted)
    if hits.empty:
        st.markdown(f"No batch has {words(wanted)} in its number.")
        return
    with st.container(horizontal=True):
        for row in hits.head(12).itertuples():
            st.button(
                f"{words(row.batch)}: {words(row.product)}, {words(row.condition)}",
                key=f"hit-{row.characteristic_id}-{row.Index}",
                on_click=state.choose_traced,
                args=(int(row.characteristic_id), str(row.batch)),
            )
    if len(hits) > 12:
        st.caption("More batches have this in their number: type more of it.")


main()

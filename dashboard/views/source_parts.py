"""Databases as sources, on the Import page: what is described, when it was pulled, and a button."""

import streamlit as st

import ingest
from dashboard import cache, escaping, sentences, tables, widgets
from dashboard.sources import SourceRow, source_rows

words = escaping.markdown


def sources() -> None:
    """Every source with its last pull; nothing but a hint where none is described."""
    st.divider()
    st.subheader("Databases", anchor=False)
    file = ingest.sources_file(cache.store().url)
    try:
        rows = source_rows(cache.store(), file)
        described = ingest.load_sources(file)
    except ingest.IngestError as error:
        st.error(words(error))
        return
    if not rows:
        st.markdown(
            "Readings can be pulled from a database too, without ever writing to it. None is "
            f"described yet; the description belongs into {words(file)}."
        )
        return
    for row in rows:
        one_source(row, described.get(row.name))
    changes = ingest.source_changes(cache.store())
    if not changes.empty:
        st.markdown("**Changed in a database after the pull**: both are kept, a person decides")
        widgets.table(tables.source_changes(changes), "sources.changes", "source-changes.csv")


def one_source(row: SourceRow, source: ingest.SourceDescription | None) -> None:
    """One source: its last pull, and a button for the next."""
    st.markdown(f"**{words(row.name)}** · {words(row.address)}")
    told = st.empty()
    told.markdown(words(row.sentence))
    if source is None or not st.button("Pull now", key=f"source.{row.name}.pull"):
        return
    with st.status("Pulling …") as status:

        def seen(rows: int) -> None:
            status.update(label=f"Pulling … {rows} rows looked at")

        stopped = (
            f"The pull of {source.name} was stopped: what was pulled up to the last whole block is "
            "stored, and the next pull goes on from there."
        )
        try:
            with widgets.stoppable(f"source.{row.name}.stop", "Stop this pull", stopped):
                report, failed = ingest.pull(cache.store(), source, progress=seen), ""
            status.update(label="Pulled.", state="complete")
        except ingest.IngestError as error:
            report, failed = None, str(error)
            status.update(label="The pull ended early.", state="error")
    after = source_rows(cache.store(), ingest.sources_file(cache.store().url))
    told.markdown(words(next(one.sentence for one in after if one.name == row.name)))
    if report is None:
        st.error(words(failed))  # below the status, which folds away
        return
    if report.account.rows_read:
        st.markdown(f"**{words(sentences.account(report.account))}**")
    for change in report.changes:
        st.markdown(f":material/info: {words(change.sentence)}")
    for note in report.notes:
        st.markdown(f":material/info: {words(note)}")

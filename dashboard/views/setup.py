"""Set-up: what a site decides for itself, in tables; the journal of it; all of it as a file."""

from typing import Any

import pandas as pd
import streamlit as st

import ingest
from dashboard import (
    cache,
    cache_measuring,
    escaping,
    sentences,
    setup_files,
    setup_undo,
    site_setup,
    state,
    tables_of_site,
    widgets,
)
from dashboard.rule_sets import RULE_SETS
from dashboard.setup_checks import clean, faults_of, remarks_on
from dashboard.setup_rows import Row, SetUp
from dashboard.setup_tables import BY_KEY, TABLES, Table
from dashboard.site_setup import Change
from dashboard.views import setup_watch

words = escaping.markdown
USUAL = "usual"
FILE, JOURNAL, SOURCES, WATCH = "file", "journal", "sources", "watch"
PARTS = {
    **{table.key: table.title for table in TABLES},
    SOURCES: "Sources",
    WATCH: "Watch",
    FILE: "File",
    JOURNAL: "Journal",
}


def main() -> None:
    """Choose a part; each is a table, or what belongs to all of them."""
    st.title("Set-up", anchor=False)
    if said := state.said():
        st.success(words(said), icon=":material/check:")
    begin = state.part_of_page("part", list(PARTS))
    if begin == TABLES[0].key and "part" not in st.query_params:
        begin = "specifications"  # what a new site needs first
    part = st.pills(
        "Part of the set-up",
        list(PARTS),
        default=begin,
        format_func=PARTS.__getitem__,
        key="part",
        required=True,
        label_visibility="collapsed",
    )
    state.to_address("part")
    if part == SOURCES:
        sources()
    elif part == WATCH:
        setup_watch.section()
    elif part == FILE:
        as_file()
    elif part == JOURNAL:
        journal()
    else:
        edit(BY_KEY[part])
    if cache.store().characteristics().empty:
        st.divider()
        widgets.empty_store()
    st.caption(f"Store: {words(cache.store().url)}")


def edit(table: Table) -> None:
    """One table: edit it, see what changes, save."""
    st.subheader(table.title, anchor=False)
    st.markdown(table.about)
    setup = site_setup.read_setup(cache.store())
    held = setup[table.key]
    pending = state.pending_rows(table.key)
    key = state.editor_key(table.key)
    frame = tables_of_site.setup_rows(table, [*held, *pending])
    if frame.empty:
        st.markdown("Nothing is entered yet. Click into the empty line, or use the form below.")
    # in a form: a run in the middle of typing would take the cell away from under the hands
    with st.form(f"{key}.{len(pending)}.table", border=False):
        edited = st.data_editor(
            frame,
            column_config=columns(table),
            num_rows="dynamic" if table.grows else "fixed",
            hide_index=True,
            width="stretch",
            height="content" if len(frame) <= 30 else "auto",
            placeholder="",  # else an empty number shows as the word None
            key=f"{key}.{len(pending)}",
        )
        looked = st.form_submit_button("See what changes", icon=":material/preview:")
    if table.key == "reaction_plan":
        usual(table, frame)
    rows, wrong = clean(table, edited.to_dict("records"))
    if table.key == "rules":
        own_rules(rows)
    remarks(table, rows)
    after: SetUp = {table.key: rows}
    changes = site_setup.compare(setup, after)
    if looked and not changes:
        st.markdown("Nothing is changed.")
    review(changes, wrong + faults_of(table, rows), {**setup, **after}, table.key)
    if table.grows:
        form(table)
    if table.key == "products":
        as_seen()


def usual(table: Table, frame: pd.DataFrame) -> None:
    """The usual text of every case, where the site has not said otherwise."""
    shown = {table.field(key).heading: frame[key] for key in ("when", USUAL)}
    widgets.plain_table(pd.DataFrame(shown))


def columns(table: Table) -> dict[str, Any]:
    """How each column is edited."""
    kinds = {
        "text": st.column_config.TextColumn,
        "number": st.column_config.NumberColumn,
        "whole": st.column_config.NumberColumn,
        "date": st.column_config.DateColumn,
        "yes": st.column_config.CheckboxColumn,
    }
    more: dict[str, dict[str, Any]] = {"date": {"format": "YYYY-MM-DD"}, "whole": {"step": 1}}
    return {
        # a sentence does not fit into a cell that is edited: `usual` shows it whole, below
        one.key: None
        if one.key == USUAL
        else kinds[one.kind](
            one.heading, help=one.help or None, disabled=one.fixed, **more.get(one.kind, {})
        )
        for one in table.fields
    }


def review(changes: list[Change], faults: list[str], after: SetUp, part: str) -> None:
    """What would change, what stands against it, and the button that saves it."""
    for fault in faults:
        st.error(words(fault))
    if not changes:
        return
    with st.container(border=True):
        st.markdown(f"**What will change: {words(site_setup.count_words(changes))}**")
        st.markdown("\n".join(f"- {words(one.sentence)}" for one in changes[:40]))
        if len(changes) > 40:
            st.markdown(f"- and {len(changes) - 40} more")
        left, right = st.columns(2)
        with left:
            widgets.your_name(f"name.{part}")
        with right:
            why = st.text_input("Why", key=f"why.{part}", placeholder="for the journal")
        first, second = st.columns(2)
        if first.button(
            "Save", key=f"save.{part}", type="primary", disabled=bool(faults), width="stretch"
        ):
            done = site_setup.save(cache.store(), changes, after, state.name(), why)
            if done.stopped:
                st.error(words(f"{done.n} of {len(changes)} saved, then: {done.stopped}"))
                return
            anew(part, f"Saved: {site_setup.count_words(changes)}.")
        if second.button("Put aside", key=f"aside.{part}", width="stretch"):
            anew(part, "")


def anew(part: str, said: str) -> None:
    """Begin with what is in the store, and say what was done."""
    state.begin_anew(part)
    state.say_next(said)
    st.rerun()


def form(table: Table) -> None:
    """The same line in a form: for phones, keyboards and screen readers."""
    with (
        st.expander("Add a line in a form", key=f"form.{table.key}.open"),
        st.form(f"form.{table.key}", border=False, clear_on_submit=True),
    ):
        row: Row = {}
        for one in table.fields:
            key = f"form.{table.key}.{one.key}"
            hint = one.help or None
            if one.kind in ("number", "whole"):
                row[one.key] = st.number_input(
                    one.heading,
                    value=None,
                    step=1 if one.kind == "whole" else None,
                    key=key,
                    help=hint,
                )
            elif one.kind == "date":
                row[one.key] = st.date_input(
                    one.heading, value=None, format="YYYY-MM-DD", key=key, help=hint
                )
            else:
                row[one.key] = st.text_input(one.heading, key=key, help=hint)
        if st.form_submit_button("Put into the table"):
            state.add_pending(table.key, row)
            st.rerun()


def remarks(table: Table, rows: tuple[Row, ...]) -> None:
    """Names that no reading has: often a slip of the keyboard."""
    named = cache.store().characteristics()
    known = {
        "product": set(named.loc[named["sample_type"] == "product", "product"]),
        "check standard": set(named.loc[named["sample_type"] == "check", "product"]),
    }
    if table.key == "instruments":
        known["instrument"] = {
            str(name) for one in widgets.all_assessments() for name in one.batches["instrument"]
        } | {one.standard.instrument for one in cache_measuring.check_verdicts()}
    for said in remarks_on(table, rows, known):
        st.markdown(f":material/info: {words(said)}")


def own_rules(rows: tuple[Row, ...]) -> None:
    """What the chosen rules cost, before they are saved."""
    key = site_setup.own_key(rows)
    if key is None:
        st.markdown("Choose at least one rule; then it is said how often they cry wolf.")
        return
    for rule in RULE_SETS[key].rules:
        st.caption(f"**{words(rule.phrase)}**: {words(rule.definition)} ({words(rule.source)})")
    with st.spinner("Working out the run length …"):
        st.markdown(words(sentences.rule_set_cost(RULE_SETS[key], widgets.all_assessments())))


def as_seen() -> None:
    """Products at their measuring conditions, as the readings name them."""
    named = cache.store().characteristics()
    named = named[named["sample_type"] != "other"]  # have no chart
    st.subheader("As seen in the readings", anchor=False)
    if named.empty:
        st.markdown("No reading yet.")
        st.page_link(widgets.IMPORT_PAGE, label="Import a file", icon=":material/upload_file:")
        return
    st.markdown("Each line is one chart. Nothing is pooled across lines.")
    widgets.table(tables_of_site.characteristics(named), "characteristics", "characteristics.csv")


def sources() -> None:
    """Where readings come from."""
    st.subheader("Sources", anchor=False)
    frame = tables_of_site.sources(cache.store().imports())
    if frame.empty:
        st.markdown("No file has been imported yet.")
        st.page_link(widgets.IMPORT_PAGE, label="Import a file", icon=":material/upload_file:")
        return
    widgets.table(frame, "sources", "sources.csv")


def as_file() -> None:
    """The whole set-up out and in: a file is compared first, and applied only then."""
    st.subheader("As a file", anchor=False)
    setup = site_setup.read_setup(cache.store())
    st.markdown("All tables at once, to keep beside the procedure or to bring to another site.")
    left, right = st.columns(2)
    left.download_button(
        "Download as TOML",
        setup_files.to_toml(setup),
        file_name="viscosity-spc-set-up.toml",
        mime="application/toml",
        icon=":material/download:",
        on_click="ignore",
        width="stretch",
    )
    right.download_button(
        "Download as Excel",
        setup_files.to_excel(setup),
        file_name="viscosity-spc-set-up.xlsx",
        mime="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        icon=":material/download:",
        on_click="ignore",
        width="stretch",
    )
    file = st.file_uploader("Bring in a set-up", type=["toml", "xlsx"], key="setup.file")
    if file is None:
        return
    try:
        given, wrong = setup_files.read_setup_file(file.getvalue(), file.name)
    except ingest.IngestError as error:
        st.error(words(error))
        return
    after = site_setup.whole(setup, given)
    changes = site_setup.compare(setup, {key: after[key] for key in given})
    faults = wrong + [said for key in given for said in faults_of(BY_KEY[key], given[key])]
    if not changes and not faults:
        st.markdown("This file says what is in the store already.")
    review(changes, faults, after, FILE)


def journal() -> None:
    """Every decision, its chain followed, and a way to set a change of the set-up back."""
    st.subheader("Journal", anchor=False)
    entries, faults = cache.journal_and_faults()
    said = sentences.journal(len(entries), faults)
    (st.error if faults else st.markdown)(words(said))
    if entries.empty:
        return
    widgets.table(tables_of_site.journal(entries), "journal", "journal.csv")
    if st.button("Check batches and imports as well", key="verify", icon=":material/rule:"):
        with st.spinner("Making every batch again from its readings …"):
            found = ingest.verify(cache.store())
        for line in found:
            st.error(words(line))
        if not found:
            st.markdown("Journal, batches and accounts all agree.")
    changes = setup_undo.changes_of(entries)
    if changes.empty:
        return
    st.subheader("Set a change back", anchor=False)
    rows = {int(row["id"]): row for row in changes.to_dict("records")}
    chosen = st.selectbox(
        "Change",
        list(rows),
        format_func=lambda number: setup_undo.sentence(rows[number]),
        key="undo.entry",
    )
    left, right = st.columns(2)
    with left:
        widgets.your_name("name.undo")
    with right:
        why = st.text_input("Why", key="why.undo", placeholder="for the journal")
    if st.button("Put the value before in its place", key="undo"):
        try:
            setup_undo.undo(cache.store(), rows[chosen], state.name(), why)
        except ingest.IngestError as error:
            st.error(words(error))
        else:
            anew(JOURNAL, f"Entry {chosen} is set back by a new entry.")


main()

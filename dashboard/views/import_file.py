"""Import: what a file says, what has to be asked, where every row goes, then keep it."""

import hashlib

import pandas as pd
import streamlit as st

import ingest
from dashboard import cache, escaping, sentences, state, tables, text, widgets
from dashboard.how_read import ON_THE_PAGE, how_it_was_read
from dashboard.views import import_parts, source_parts

words = escaping.markdown
FIRST_ROWS = 8
MANY_ROWS = 20_000  # that take longer to import than a person waits without a word
MORE = {
    "time_zone": "Time zone of its clock, such as Europe/Berlin",
    "instrument": "Instrument",
    "spindle": "Spindle",
    "speed": "Speed, rpm",
}


def main() -> None:
    """Upload, look, answer, import; earlier imports below."""
    st.title("Import", anchor=False)
    st.markdown(
        "Files as the lab exports them: text with commas, semicolons or tabs in any usual "
        "encoding, Excel (.xlsx), Parquet, also compressed. Headings in English, German, French "
        "or Spanish. Nothing is kept before you press the button."
    )
    if said := state.said():
        st.warning(words(said), icon=":material/stop_circle:")
    source = import_parts.choose_source()
    files = st.file_uploader("Files of readings", accept_multiple_files=True, key="import.files")
    for number, file in enumerate(files):
        st.divider()
        st.subheader(words(file.name), anchor=False)
        key, raw = f"import.{number}", file.getvalue()
        digest = hashlib.sha256(raw).hexdigest()
        try:
            one_file(raw, digest, file.name, source, key)
        except ingest.IngestError as error:
            st.error(words(error))
            if state.answers(digest):
                st.button(
                    "Forget what was said about this file",
                    key=f"{key}.forget",
                    on_click=state.forget_answers,
                    args=(digest,),
                )
    source_parts.sources()
    earlier_imports()


def one_file(raw: bytes, digest: str, name: str, source: str, key: str) -> None:
    """Everything about one file."""
    said = state.answers(digest)
    reading = cache.read(digest, name, tuple(sorted(said.items())), source, raw)
    if reading.questions:
        import_parts.change(reading, key)
        questions(reading, digest, key)
        understood(reading)
        import_parts.columns(reading, digest, key)
        return
    account = cache.preview(reading)
    st.markdown(f"**{words(sentences.account(account))}**")
    for line in how_it_was_read(reading.understood, ON_THE_PAGE):
        st.caption(words(line))
    done = st.container()
    if account.duplicates == account.rows_read and account.rows_read:
        done.info("Every row of this file is in the store already. Importing it changes nothing.")
    if done.button("Import into the store", key=f"{key}.import"):
        report = add(reading, source, key)
        done.markdown(f":material/check: Imported. {words(sentences.account(report.account))}")
        for note in report.notes:
            if note not in reading.notes:
                st.markdown(f":material/info: {words(note)}")
        st.page_link("views/overview.py", label="See the overview", icon=":material/list:")
    for note in reading.notes:
        st.markdown(f":material/info: {words(note)}")
    import_parts.change(reading, key)
    import_parts.remarks(reading, key)
    understood(reading)
    say_more(reading, digest, key)
    import_parts.columns(reading, digest, key)
    rows_without_use(reading, key)
    first = reading.first_rows(FIRST_ROWS)
    if not first.empty:
        with st.expander("First rows as they were read", key=f"{key}.first"):
            st.dataframe(tables.first_rows(first), hide_index=True)


def add(reading: ingest.FileReading, source: str, key: str) -> ingest.ImportReport:
    """Import a file; a large one tells how far it is, and can be stopped."""
    if reading.account.rows_read < MANY_ROWS:
        with st.spinner("Importing …"):
            return cache.store().add(reading, source)
    bar = st.progress(0.0, "Importing …")

    def seen(done: int, of: int) -> None:
        bar.progress(min(done / max(of, 1), 1.0), f"Importing … {done} of {of} rows")

    stopped = (
        f"The import of {reading.name} was stopped, and the store is as it was before. Had all of "
        "it been written already, it stands below under earlier imports."
    )
    with widgets.stoppable(f"{key}.stop", "Stop this import", stopped):
        report = cache.store().add(reading, source, progress=seen)
    bar.empty()
    return report


def questions(reading: ingest.FileReading, digest: str, key: str) -> None:
    """What the file does not say: asked in one form, read again with the answers."""
    st.markdown("**The file leaves something open. Nothing of it is imported before it is said.**")
    with st.form(f"{key}.questions"):
        given = {}
        for question in reading.questions:
            # a label goes to screen readers as it stands, with the strokes that escape it: so the
            # question is a text, and the label, which is not drawn, is the same without strokes
            st.markdown(words(question.text))
            label, field = question.text, f"{key}.{question.field}"
            if question.choices:
                given[question.field] = st.selectbox(
                    label,
                    question.choices,
                    index=None,
                    key=field,
                    placeholder="choose",
                    label_visibility="collapsed",
                )
            else:
                given[question.field] = st.text_input(
                    label, key=field, label_visibility="collapsed"
                )
        if st.form_submit_button("Read again"):
            state.answer(digest, {name: value for name, value in given.items() if value})
            st.rerun()


def say_more(reading: ingest.FileReading, digest: str, key: str) -> None:
    """What a person may add where the file is silent: it is read again with that."""
    with st.expander("Say more about this file", key=f"{key}.more"), st.form(f"{key}.more.form"):
        st.markdown("A column of the file always comes first; these fill what it does not say.")
        given = {}
        for column, (field, label) in zip(st.columns(len(MORE)), MORE.items(), strict=True):
            given[field] = column.text_input(
                label, value=reading.answers.get(field, ""), key=f"{key}.more.{field}"
            )
        if st.form_submit_button("Read again"):
            state.answer(digest, {name: value for name, value in given.items() if value})
            st.rerun()


def understood(reading: ingest.FileReading) -> None:
    """What was decided about the file, and why."""
    st.markdown("What was understood, and why")
    widgets.plain_table(tables.understood(reading.understood))


def rows_without_use(reading: ingest.FileReading, key: str) -> None:
    """Rows set aside and rows not parsed, each with line, reason and text."""
    aside = reading.set_aside
    if len(aside):
        st.markdown(f"**{text.count(len(aside), 'row')} set aside**: kept, shown, not used")
        frame = tables.set_aside(aside)
        widgets.table(frame, f"{key}.aside", "set-aside.csv")
    if reading.not_parsed:
        st.markdown(f"**{text.count(len(reading.not_parsed), 'row')} not parsed**: kept as text")
        frame = tables.not_parsed(reading.not_parsed)
        widgets.table(frame, f"{key}.lost", "not-parsed.csv")


def earlier_imports() -> None:
    """What came in before, newest first."""
    imports = cache.store().imports()
    st.divider()
    st.subheader("Earlier imports", anchor=False)
    if imports.empty:
        st.markdown(
            "None yet. The overview of an empty store offers an invented plant to look around in."
        )
        return
    widgets.table(tables.imports(imports), "imports", "imports.csv")
    take_out(imports)


def take_out(imports: pd.DataFrame) -> None:
    """Undo of an import: its rows stay in the store, marked, and are used for nothing."""
    standing = imports[~imports["undone"]]
    if standing.empty:
        return
    names = {
        int(row.id): f"{row.file}, {text.moment(row.at)} UTC, {text.count(row.rows_read, 'row')}"
        for row in standing.itertuples()
    }
    with (
        st.expander("Take an import out again", key="undo", icon=":material/undo:"),
        st.form("undo.form", border=False),
    ):
        st.markdown(
            "Its rows stay in the store, marked, and are used for nothing; the journal keeps who "
            "and why. The way back is to import the file again."
        )
        number = st.selectbox("Import", list(names), format_func=names.__getitem__, key="undo.id")
        why = st.text_input("Why", key="undo.why")
        widgets.your_name("undo.name", in_form=True)
        if st.form_submit_button("Take it out", on_click=state.keep_name, args=("undo.name",)):
            try:
                with st.spinner("Taking the import out …"):
                    ingest.undo_import(cache.store(), number, why, state.name())
            except ingest.IngestError as error:
                st.error(words(error))
            else:
                st.rerun()


main()

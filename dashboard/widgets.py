"""Groups of elements that several pages draw. Each input takes its key from `state`."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any

import altair as alt
import pandas as pd
import streamlit as st

import ingest
from dashboard import cache, drawing, escaping, sentences, state
from dashboard import plain_table as plain
from dashboard.assessment import CAUTION, RULE_SETS, Assessment
from dashboard.catalog import STATE_FORMS
from dashboard.chart_panels import Panel
from dashboard.drawing import Drawn
from dashboard.figures import Palette, palette_for
from dashboard.rule_sets import own_key_of

IMPORT_PAGE = "views/import_file.py"
CHART_PAGE = "views/control_chart.py"
BATCH_PAGE = "views/batch.py"
INVESTIGATION_PAGE = "views/investigation.py"


def caution() -> None:
    """The line at the foot of every page that carries a verdict."""
    st.caption(CAUTION)


def empty_store() -> None:
    """What a page shows before anything was imported: where to begin."""
    new = cache.store_is_new()
    held = "The store holds no readings." if new else "No reading of a product is in use."
    st.markdown(f"**Nothing here yet.** {held}")
    st.markdown(
        "Bring in a lab's own export (CSV or text, as it is): the import shows what it understood "
        "and why, before anything is kept."
    )
    st.page_link(IMPORT_PAGE, label="Import a file", icon=":material/upload_file:")
    if new:
        st.markdown(
            "To look around first, fill this store with an invented plant. Its files can be taken "
            "out again on the import page; nothing else is in this store yet."
        )
        if st.button(
            "Fill this store with the invented plant", key="demo.fill", icon=":material/factory:"
        ):
            bar = st.progress(0.0, "Importing the invented plant …")
            for done, all_of_it, name in cache.fill_with_demo():
                bar.progress(done / all_of_it, f"Imported {escaping.markdown(name)}")
            st.rerun()
    st.markdown("Or leave this store alone, and start the plant in one of its own:")
    st.code("viscosity-spc demo", language=None)


def states(one: Assessment) -> None:
    """The state words, each with a form of its own."""
    for word in one.shown_states:
        icon, color = STATE_FORMS[word]
        st.badge(word, icon=icon, color=color)


def measuring_system(lines: Sequence[sentences.InstrumentLine]) -> None:
    """One line an instrument: in order, outside own limits, or nothing to tell by."""
    if not lines:
        return
    said = ["**Measuring system**"]
    for line in lines:
        mark = {True: ":material/check_small:", False: ":orange[:material/error:]"}.get(
            line.in_order, ":material/more_horiz:"
        )
        words = escaping.markdown(line.words)
        words = f":orange[**{words}**]" if line.in_order is False else words
        said.append(f"{mark} **{escaping.markdown(line.instrument)}** {words}")
    st.markdown("  \n".join(said))


def picture(specification: dict[str, Any], key: str) -> None:
    """A small picture that was made before: a Vega-Lite specification with its own words."""
    st.vega_lite_chart(None, specification, width="stretch", theme=None, key=key)


def still_figure(specification: dict[str, Any], key: str) -> None:
    """A figure of a pack, made as plain data with its description, in the colours of the page."""
    drawn = drawing.on_screen(specification, palette())
    st.vega_lite_chart(spec=drawn, width="stretch", theme=None, key=key)


def figure(drawn: alt.LayerChart, key: str) -> None:
    """Draw a figure at full width, in its own colours; its description is what readers hear."""
    panel = Panel(key, drawn, selectable=False)
    drawn_figure(drawing.drawn(panel), key)
    save(lambda: [panel], key.replace(".", " "), key, "Save the figure")


def save(
    make: Callable[[], list[Panel]], name: str, key: str, label: str = "Save the chart"
) -> None:
    """Figures as one picture for a report; made when the button is pressed."""
    ground = palette()
    file = "".join(letter if letter.isalnum() or letter in " -." else "_" for letter in name)
    with st.popover(label, icon=":material/download:", type="tertiary"):
        st.caption("All of it, as it is shown. Nothing leaves this computer.")
        for kind, mime in (("svg", "image/svg+xml"), ("png", "image/png")):
            st.download_button(
                f"Save as {kind.upper()}",
                lambda kind=kind: drawing.picture(make(), kind, ground),
                file_name=f"{file}.{kind}",
                mime=mime,
                key=f"{key}.save.{kind}",
                on_click="ignore",
            )


def choose_characteristic(found: Sequence[Assessment]) -> Assessment:
    """Choose a product at one measuring condition; the choice stays while pages change."""
    by_id = {one.characteristic_id: one for one in found}
    state.from_address(state.CHARACTERISTIC, list(by_id))
    state.prepare(state.CHARACTERISTIC, list(by_id), found[0].characteristic_id)
    st.selectbox(
        "Product and measuring condition",
        list(by_id),
        format_func=lambda key: f"{by_id[key].product} – {by_id[key].condition}",
        key=state.CHARACTERISTIC,
    )
    state.to_address(state.CHARACTERISTIC)
    return by_id[state.keep(state.CHARACTERISTIC)]


def one_of(label: str, options: Sequence[str], key: str) -> str:
    """Choose one of a few words; the first is taken at first."""
    return st.segmented_control(label, options, default=options[0], key=key, required=True)


def palette() -> Palette:
    """Colours of figures for the ground that the page has now."""
    return palette_for(state.ground())


def show_names() -> None:
    """Operators by number or by name, where people are compared."""
    st.toggle(
        "Show names of operators",
        key=state.NAMES,
        help="Off, everybody has a number. Comparing people may need the consent of your site; it "
        "is there to find what differs in technique, not who.",
    )


def choose_rules() -> str:
    """Choose the rules that make signals, here and on the overview."""
    own = own_key_of(cache.settings())
    offered = [*RULE_SETS, *([own] if own else [])]
    state.prepare(state.RULES, offered, state.load().rules)
    st.selectbox(
        "Rules",
        offered,
        format_func=lambda key: RULE_SETS[key].label,
        key=state.RULES,
        help="\n\n".join(f"**{one.label}**: {one.explanation}" for one in RULE_SETS.values()),
    )
    return str(state.keep(state.RULES))


def drawn_figure(
    one: Drawn,
    key: str,
    spec: dict[str, Any] | None = None,
    on_select: Callable[[], None] | None = None,
) -> None:
    """Send a figure that is ready; `spec` where a table of it was exchanged."""
    st.vega_lite_chart(
        spec=spec if spec is not None else {**one.spec, "datasets": dict(one.spec["datasets"])},
        width="stretch",
        theme=None,
        key=key,
        on_select=on_select if on_select is not None else "ignore",
        alt=one.description or None,
    )


def your_name(key: str = state.NAME, in_form: bool = False) -> None:
    """Who decides: asked once, remembered while the browser's page is open.

    Args:
        key: where a page asks in several places, each needs its own.
        in_form: the form's button keeps the name, by `state.keep_name`.
    """
    state.prepare_name(key)
    st.text_input(
        "Your name",
        key=key,
        placeholder="as it shall stand in the journal",
        help="Stands beside every decision you record. Left empty, the login name of the computer "
        "that runs this is written.",
        max_chars=60,
        on_change=None if in_form else partial(state.keep_name, key),
    )


def table(frame: pd.DataFrame, key: str, file_name: str) -> None:
    """A table that can be searched, and taken away as a harmless CSV."""
    st.dataframe(frame, hide_index=True, width="stretch", placeholder="–", key=f"{key}.table")
    download(frame, key, file_name)


def plain_table(frame: pd.DataFrame) -> None:
    """A table to be read: every word is shown, on a phone a row is a card."""
    st.html(plain.of_frame(frame))


def download(frame: pd.DataFrame, key: str, file_name: str) -> None:
    """A button that gives a table as a CSV that no spreadsheet takes for formulas."""
    st.download_button(
        "Download as CSV",
        escaping.csv_bytes(frame),
        file_name=file_name,
        mime="text/csv",
        key=f"{key}.download",
        icon=":material/download:",
        on_click="ignore",
    )


def all_assessments() -> list[Assessment]:
    """Every product judged by the rules in use."""
    return cache.assessments(state.load().rules)


@contextmanager
def stoppable(key: str, label: str, stopped: str) -> Iterator[None]:
    """Long work with a button that stops it, on any page that shows `state.said`.

    Whatever is pressed meanwhile begins a new run beside this one, which then ends at its next sign
    of progress, from inside of the work: what stands in a transaction is put back. A run that is
    ended so cannot say anything any more, hence the sentence is laid ready before.

    Args:
        key: of the button. label: its words. stopped: the sentence for the new run.
    """
    state.say_next(stopped)
    place = st.empty()
    place.button(label, key=key, icon=":material/stop_circle:")
    try:
        yield
    except ingest.IngestError:
        state.said()
        raise
    state.said()
    place.empty()

"""Overview: what waits, the measuring system, the newest batches, what is asked; then the rest."""

from typing import Any

import streamlit as st

from dashboard import cache, escaping, front, sentences, state, widgets
from dashboard.assessment import RULE_SETS, Assessment
from dashboard.text import date, fixed, viscosity

words = escaping.markdown
FILTERS = ("line", "product", "instrument", "period")
LABELS = {"line": "Line", "product": "Product", "instrument": "Instrument"}


def main() -> None:
    """Answer in the order in which a shift asks, without a click."""
    found = widgets.all_assessments()
    if not found:
        st.title("Overview", anchor=False)
        widgets.empty_store()
        return
    state.filters_from_address(FILTERS)
    chosen = state.filters(FILTERS)
    period = next((value for value in chosen["period"] if value in front.PERIODS), "")
    many = {name: tuple(chosen[name]) for name in LABELS}
    page = cache.overview(state.load().rules, front.Filters(**many, period=period))
    st.title(words(page.headline), anchor=False)
    if page.which:
        st.markdown(words(page.which))
    if page.filtered:
        st.markdown(f":material/filter_alt: {words(page.filtered)}")
        st.button(
            "Show everything", key="filter.forget", on_click=state.forget_filters, args=(FILTERS,)
        )
    widgets.measuring_system(page.instruments)
    newest(page.newest)
    filters(found)
    asked(page)
    rest(page)
    footer(page)


def newest(batches: tuple[Assessment, ...]) -> None:
    """The newest batches with where they stand against their specification."""
    if not batches:
        return
    st.markdown("**Last batches**")
    for one in batches:
        value = viscosity(float(one.batches["mean"].iat[-1]))
        with st.container(horizontal=True, gap="small", vertical_alignment="center"):
            st.page_link(
                widgets.BATCH_PAGE,
                label=f"**{words(one.product)}** {words(one.last_batch)}",
                help="Trace this batch from its readings to the decision",
                icon=":material/search:",
                query_params={
                    state.CHARACTERISTIC: str(one.characteristic_id),
                    state.BATCH: one.last_batch,
                },
                width="content",
            )
            verdict = one.last_verdict.sentence if one.last_verdict is not None else ""
            said = f"{value}, {date(one.last_batch_at)}: {verdict}"
            against = front.is_against(one)
            st.markdown(
                f":orange[:material/error: **{words(said)}**]" if against else words(said),
                width="content",
            )


def asked(page: front.Front) -> None:
    """What is asked of whom since when: a card for each product that needs a person."""
    st.subheader("Asked of people", anchor=False)
    if not page.cards and not page.instrument_tasks:
        st.markdown("Nothing is asked of anybody.")
        return
    st.markdown(words(page.asked))
    for task in page.instrument_tasks:
        st.markdown(
            f":orange[:material/arrow_right: **{words(task.what)}**]  \n"
            f"{words(front.task_line(task))}"
        )
    pages = front.pages(len(page.cards))
    shown = 0
    if len(pages) > 1:
        state.prepare(state.CARDS_PAGE, pages, pages[0])
        st.segmented_control(
            f"Products that need a person, {len(page.cards)} in all",
            pages,
            key=state.CARDS_PAGE,
            required=True,
        )
        shown = pages.index(state.keep(state.CARDS_PAGE))
    cards = page.cards[shown * front.CARDS : (shown + 1) * front.CARDS]
    for one, picture in zip(cards, cache.pictures(cards, state.ground()), strict=True):
        card(one, picture)


def card(about: front.Card, picture: dict[str, Any]) -> None:
    """One product: what is asked, its state, its last batches as a small picture."""
    one = about.one
    with st.container(border=True, key=f"card-{one.characteristic_id}"):
        left, right = st.columns([3, 2], gap="medium")
        with left:
            with st.container(horizontal=True, vertical_alignment="center", gap="small"):
                st.subheader(words(one.product), anchor=False, width="content")
                widgets.states(one)
            st.caption(words(one.condition))
            said = [f"**{words(one.stale_sentence)}**"] if one.stale else []
            for task in about.tasks:
                said.append(f":orange[:material/arrow_right: **{words(task.what)}**]")
                said.append(words(front.task_line(task)))
            if not one.open_events:
                said.append(words(one.state_reason))
            said += [
                f"**Last batch** {words(sentences.last_batch(one))}",
                f"**Capability** {words(sentences.capability(one))}",
                f"**Repeatability** {words(sentences.repeatability(one))}",
            ]
            st.markdown("  \n".join(said))
        with right:
            if len(one.batches):
                widgets.picture(picture, f"trend-{one.characteristic_id}")
            st.page_link(
                widgets.CHART_PAGE,
                label=f"Control chart of {words(one.product)}",
                icon=":material/show_chart:",
                query_params={state.CHARACTERISTIC: str(one.characteristic_id)},
            )
            st.page_link(
                widgets.INVESTIGATION_PAGE,
                label=f"Investigate {words(one.product)}",
                icon=":material/troubleshoot:",
                query_params={state.CHARACTERISTIC: str(one.characteristic_id)},
            )


def filters(found: list[Assessment]) -> None:
    """What to show; every choice goes into the address, so that the view can be sent."""
    # opened by a click: what can be chosen has to be looked up in every reading
    box = st.expander(
        "Show only some", key="filter", on_change="rerun", icon=":material/filter_alt:"
    )
    if not box.open:
        return
    offered = front.choices(found, cache.production_lines())
    with box:
        columns = st.columns(4)
        for column, (name, label) in zip(columns, LABELS.items(), strict=False):
            column.multiselect(
                label,
                offered[name],
                key=state.prepare_filter(name, offered[name]),
                placeholder="all",
                on_change=state.keep_filter,
                args=(name,),
            )
        columns[3].selectbox(
            "With a batch",
            list(front.PERIODS),
            index=None,
            format_func=lambda key: front.PERIODS[key][0],
            key=state.prepare_filter("period", list(front.PERIODS), one=True),
            placeholder="at any time",
            on_change=state.keep_filter,
            args=("period",),
        )
        st.caption("The address of this page holds the choice: send it, and others see the same.")


def rest(page: front.Front) -> None:
    """The products that need nobody, as a table to search and to take away."""
    if page.rest.empty:
        return
    st.subheader("All others", anchor=False)
    st.dataframe(
        page.rest,
        hide_index=True,
        width="stretch",
        placeholder="–",
        key="rest.table",
        column_config={"Chart": st.column_config.LinkColumn("Chart", display_text="open")},
    )
    widgets.download(page.rest.drop(columns="Chart"), "rest", "products.csv")


def footer(page: front.Front) -> None:
    """By which rules this was judged, what they cost, as of when, and who decides."""
    rules = RULE_SETS[state.load().rules]
    said = f"Rules in use: {rules.label}."
    if page.false_alarms is not None:
        said += f" Expect {fixed(page.false_alarms, 1)} false alarms a week while nothing is wrong."
    if cache.as_of() is not None:
        said += f" Judged as of {date(cache.as_of())}."
    st.caption(said)
    widgets.caution()


main()

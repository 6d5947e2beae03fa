"""Review: the agenda of the meeting, its pack as a file, and the decisions that are minuted."""

from datetime import date
from functools import partial
from pathlib import Path

import streamlit as st

from dashboard import cache, cache_review, escaping, state, text, widgets
from dashboard.results import AssessmentError
from dashboard.review import making, period, table_views
from dashboard.review.contents import AUDIENCES, FULL
from dashboard.review.model import Block, Contents, Figure, Heading, Section, Table, Words, checksum
from dashboard.review.period import KINDS, Period
from dashboard.views import review_parts

words = escaping.markdown
# fixed rules of ours, no data in them: what paper does not need
STYLE = Path(__file__).with_name("review.css")
MOST_ROWS = 60
CHOICES = ("period", "products", "audience")


def main() -> None:
    """Choose what the review is about, then show it in the order of the agenda."""
    st.html(STYLE)
    st.title("Review", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    state.filters_from_address(CHOICES)
    chosen = state.filters(CHOICES)
    try:
        about = current(chosen["period"])
    except AssessmentError as error:
        st.warning(words(error))
        about = current([])
    with st.container(key="choices"):
        choose_period(about)
        known = sorted({one.product for one in found})
        left, right = st.columns([2, 1])
        with left:
            st.multiselect(
                "Products",
                known,
                key=state.prepare_filter("products", known),
                placeholder="all products",
                on_change=partial(state.keep_filter, "products"),
            )
        with right:
            state.set_default_filter("audience", FULL)
            st.segmented_control(
                "For whom",
                list(AUDIENCES),
                key=state.prepare_filter("audience", list(AUDIENCES), one=True),
                format_func=AUDIENCES.__getitem__,
                on_change=partial(state.keep_filter, "audience"),
                required=True,
            )
    products = tuple(name for name in chosen["products"] if name in known)
    audience = next((one for one in chosen["audience"] if one in AUDIENCES), FULL)
    contents = cache_review.contents_of(about, products, audience, state.load().rules)
    head(contents)
    files(contents)
    for number, section in enumerate(contents.sections, 1):
        agenda_item(number, section)
    review_parts.minutes(about, products)
    with st.container(key="agenda-assumed"):
        st.subheader("What was assumed", anchor=False)
        st.markdown("\n".join(f"- {words(said)}" for said in contents.assumed))
    widgets.caution()


def current(named: list[str]) -> Period:
    """The period in force: as chosen or in the address, else the week of the newest batch."""
    zone = period.known_zone(str(cache.settings().get(period.REPORTING_ZONE) or "UTC"))
    if named:
        return period.parse(named[0], zone)
    return period.week_of(cache_review.default_day(zone), zone)


def choose_period(about: Period) -> None:
    """A week, a month, a quarter or one's own days; one earlier, one later."""
    kind = st.segmented_control(
        "Period",
        list(KINDS),
        default=about.kind,
        format_func=KINDS.__getitem__,
        key=f"review.kind.{about.key}",
        required=True,
    )
    if kind != about.kind:
        newest = cache_review.default_day(about.zone)
        day = min(max(newest, about.first), about.last)
        other = period.of_kind(kind, day, about.zone)
        if kind == "own":
            other = period.days_of(about.first, about.last, about.zone)
        state.set_filter("period", other.key)
        st.rerun()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        for step, label, icon in ((-1, "Earlier", "chevron_left"), (1, "Later", "chevron_right")):
            st.button(
                label,
                key=f"review.{label}",
                icon=f":material/{icon}:",
                on_click=partial(state.set_filter, "period", period.neighbour(about, step).key),
            )
        if about.kind == "own":
            days = st.date_input(
                "From and to, both included",
                (about.first, about.last),
                key=f"review.days.{about.key}",
                width=260,
            )
            if len(days) == 2 and (days[0], days[1]) != (about.first, about.last):
                own = period.days_of(days[0], days[1], about.zone)
                state.set_filter("period", own.key)
                st.rerun()
        else:
            day = st.date_input(
                f"The {about.kind} of", about.last, key=f"review.day.{about.key}", width=160
            )
            if isinstance(day, date) and not about.first <= day <= about.last:
                state.set_filter("period", period.of_kind(about.kind, day, about.zone).key)
                st.rerun()


def head(contents: Contents) -> None:
    """What it is about, what counts, and the first line of the overview at the cut-off."""
    st.subheader(words(contents.period[0].upper() + contents.period[1:]), anchor=False)
    st.markdown(f"**{words(contents.headline)}**")
    st.caption(
        f"{words(contents.products)} · {words(contents.borders)} · data cut-off "
        f"{words(contents.cut_off)} · store revision {contents.revision} · contents sha256 "
        f"{checksum(contents)}"
    )


def files(contents: Contents) -> None:
    """Make the pack as a file, with progress, then take it away."""
    made = checksum(contents)
    with st.container(horizontal=True, vertical_alignment="bottom", key="actions"):
        paper = st.segmented_control(
            "Paper of the PDF",
            list(making.PAPERS),
            default=making.PAPERS[0],
            format_func={"a4": "A4", "letter": "Letter"}.__getitem__,
            key="review.paper",
            required=True,
        )
        wanted = ""
        for ending, (name, _) in making.MAKERS.items():
            kind = paper if ending == ".pdf" else making.PAPERS[0]
            raw = cache_review.pack_file(made, ending, kind)
            if raw is None:
                if st.button(
                    f"Make {name}", key=f"review.make{ending}", icon=":material/description:"
                ):
                    wanted = ending
            else:
                st.download_button(
                    f"Download {name}",
                    raw,
                    file_name=making.name_of(contents, ending),
                    key=f"review.download{ending}",
                    icon=":material/download:",
                    on_click="ignore",
                )
    if wanted:
        bar = st.progress(0.0, "Drawing …")

        def show(done: int, of: int, what: str) -> None:
            bar.progress(done / max(of, 1), f"Drawing {done} of {of}: {words(what)}")

        kind = paper if wanted == ".pdf" else making.PAPERS[0]
        cache_review.make_pack_file(contents, wanted, kind, show)
        st.rerun()


def agenda_item(number: int, section: Section) -> None:
    """One item of the agenda."""
    with st.container(key=f"agenda-{section.key}"):
        minutes = text.count(section.minutes, "minute")
        st.subheader(f"{number}. {words(section.title)}", anchor=False, help=minutes)
        for block in section.blocks:
            show(block)


def show(block: Block) -> None:
    """A sentence, a heading, a table or a figure."""
    if isinstance(block, Words):
        if block.quiet:
            st.caption(words(block.text))
        else:
            st.markdown(f"**{words(block.text)}**" if block.strong else words(block.text))
    elif isinstance(block, Heading):
        st.markdown(f"##### {words(block.text)}")
    elif isinstance(block, Figure):
        st.caption(words(block.title))
        widgets.still_figure(block.spec, f"review.{block.key}")
    elif isinstance(block, Table) and block.rows:
        st.caption(words(block.title))
        if len(block.rows) > MOST_ROWS:  # searched rather than read
            st.dataframe(table_views.plain(block), hide_index=True, width="stretch")
        else:
            st.html(table_views.as_html(block))
    elif isinstance(block, Table):
        st.markdown(f":gray[{words(block.title)}:] {words(block.empty)}")


main()

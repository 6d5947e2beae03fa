"""The watch, on the Set-up page: whether it runs, what it sent, what waits to be acknowledged."""

from datetime import UTC, datetime
from urllib.parse import parse_qsl

import streamlit as st

import ingest
from dashboard import cache, escaping, state, widgets
from dashboard.watch import status
from dashboard.watch.description import Watch, load_watch, watch_file
from dashboard.watch.ledger import Known
from dashboard.watch.matters import EVENT, KINDS

words = escaping.markdown
SHOWN = 30


def section() -> None:
    """How the watch goes, what waits, the newest messages."""
    st.subheader("Watch", anchor=False)
    st.markdown(
        "Between meetings nobody has to look: the command `viscosity-spc watch` looks, and tells "
        "people once of each thing that needs them."
    )
    described = _described()
    found = status.read_status(cache.store(), described, datetime.now(UTC))
    mark = ":material/visibility:" if found.runs else ":material/visibility_off:"
    st.markdown(f"{mark} **{words(found.sentence)}**")
    for target in found.targets:
        st.markdown(f"- {words(target.sentence)}")
    _waiting(found.waiting)
    if not found.messages.empty:
        st.subheader("Newest messages", anchor=False)
        widgets.table(found.messages, "watch.messages", "messages.csv")
    widgets.caution()


def _described() -> Watch | None:
    """The watch beside the store, if one is described; a fault in it is said."""
    file = watch_file(cache.store().url)
    if not file.is_file():
        st.markdown(
            f"None is described in {words(file)}. A description kept elsewhere is named to the "
            "command with `--config`."
        )
        return None
    try:
        return load_watch(file)
    except ingest.IngestError as error:
        st.error(words(error))
        return None


def _waiting(waiting: tuple[Known, ...]) -> None:
    st.subheader("Waiting to be acknowledged", anchor=False)
    if not waiting:
        st.markdown("Nothing that the watch has noticed waits.")
        return
    widgets.your_name("name.watch")
    for one in waiting[:SHOWN]:
        _one(one)
    if len(waiting) > SHOWN:
        widgets.table(status.waiting_table(waiting), "watch.waiting", "waiting.csv")


def _one(known: Known) -> None:
    matter = known.matter
    with st.container(border=True, key=f"watch-{known.key.encode().hex()[:60]}"):
        st.caption(words(KINDS.get(matter.kind, matter.kind)))
        about = f"{matter.about}: " if matter.about else ""
        st.markdown(f"**{words(about + matter.sentence)}**")
        st.caption(f"Asked of {words(matter.who)}: {words(matter.step)}")
        with st.container(horizontal=True, gap="small"):
            page, _, query = matter.address.partition("?")
            if page == "control-chart":
                st.page_link(
                    widgets.CHART_PAGE,
                    label="See it on the chart",
                    icon=":material/show_chart:",
                    query_params=dict(parse_qsl(query)),
                )
            if st.button(
                "I have seen it",
                key=f"watch.seen.{known.key}",
                icon=":material/visibility:",
                help="It is not told again. An event of a chart is acknowledged here or there.",
            ):
                _see(known)


def _see(known: Known) -> None:
    """Acknowledge; an event of a chart on its chart as well."""
    store, matter = cache.store(), known.matter
    try:
        ingest.see_matter(store, known.key, state.name())
        if matter.kind == EVENT:
            _, number, chart, _ = matter.identity.split("|")
            ingest.record_event(
                store,
                int(number),
                chart,
                matter.first,
                matter.last,
                "acknowledged",
                by=state.name(),
            )
    except ingest.IngestError as error:
        st.error(words(error))
        return
    state.say_next("Acknowledged: it is not told again.")
    st.rerun()

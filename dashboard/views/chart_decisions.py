"""Deciding on the spot: about events, and about a batch; every decision can be taken back."""

from collections.abc import Callable
from datetime import timedelta
from functools import partial

import streamlit as st

import ingest
from dashboard import cache, decisions_view, escaping, reaction, state, tables, text, widgets
from dashboard.assessment import Assessment, Event
from dashboard.decisions_view import record_sentence
from dashboard.handling import kind_of_chart
from dashboard.results import DUPLICATES_RANGE

words = escaping.markdown
SHOWN_PAST = 6
USUAL_DAYS = 14

ASKED = {
    "cause": ("Record the cause", "What was found to be the cause?"),
    "remark": ("Remark", "What should others know?"),
    "closed": ("Close the event", "Why can it be closed? What showed that the effect is gone?"),
    "opened again": ("Open the event again", "Why is it open again?"),
    "action": ("Agree an action", "What will be done?"),
    "effect": ("Effect checked", "What did the batches since then show?"),
    "taken back": ("Take back", "Why is it taken back? The record stays in the journal."),
}


def events(one: Assessment) -> None:
    """Signals that belong together, each told once, with what was done about it and what can be."""
    st.subheader("Events", anchor=False)
    if one.events:
        _cards(one)
    else:
        st.markdown("No events on this chart.")
    for note in (note for note in one.notes if note not in one.state_reason):
        st.markdown(f":material/info: {words(note)}")


def _cards(one: Assessment) -> None:
    plan = reaction.plan_of(cache.settings())
    waiting = [event for event in one.events if event.open]
    others = [event for event in one.events if not event.open]
    if waiting:
        widgets.your_name()
    for event in waiting:
        _card(one, event, plan)
    handled = [event for event in others if event.handling.records]
    rest = [event for event in others if not event.handling.records]
    for event in handled[:SHOWN_PAST]:
        _card(one, event, plan)
    if not waiting and handled:
        widgets.your_name()
    rest += handled[SHOWN_PAST:]
    if rest:
        label = f"{text.count(len(rest), 'earlier event')} that nobody has recorded anything about"
        with st.expander(label, key="past", expanded=not waiting and not handled):
            _earlier(one, rest, plan, named=bool(waiting or handled))


def _earlier(
    one: Assessment, rest: list[Event], plan: dict[str, reaction.Step], named: bool
) -> None:
    """Choose one of the earlier events; all of them stand in the list."""
    if len(rest) > 1:
        number = st.selectbox(
            "Event", range(len(rest)), format_func=lambda i: rest[i].sentence, key="past.event"
        )
    else:
        number = 0
    if not named:
        widgets.your_name()
    _card(one, rest[number], plan)


def _card(one: Assessment, event: Event, plan: dict[str, reaction.Step]) -> None:
    key = f"event.{kind_of_chart(event.chart)}.{event.start}"
    records = event.handling.records
    with st.container(border=True, key=_plain(key)):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            st.badge(event.word, color="orange" if event.open else "gray")
            if records:
                st.badge(event.handling.word, color="gray")
        st.markdown(words(event.sentence))
        if event.open:
            step = plan[_step(event)]
            st.caption(f"Asked of {words(step.who)}: {words(step.step)}")
        # each part in a place of its own: what comes or goes must not push the rest about
        with st.container():
            for record in records:
                record_line(one, event, record, key)
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            _buttons(one, event, key)
        with st.container(horizontal=True, gap="small"):
            _next(one, event, key)


def record_line(
    one: Assessment, event: Event, record: ingest.EventRecord, key: str, said: str = ""
) -> None:
    """One record on a line, and the way to take it back."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        told = words(said or record_sentence(record))
        st.markdown(f":material/edit_note: {told}", width="stretch")
        if st.button(
            "Take back",
            key=f"{key}.back.{record.id}",
            type="tertiary",
            help="A mistake? The record is taken back by a further entry; both stay in the "
            "journal.",
        ):
            ask(one, event, "taken back", record.id)


def _buttons(one: Assessment, event: Event, key: str) -> None:
    """What can be done next."""
    first = next((r.index for r in one.signals if event.start <= r.index <= event.stop), event.stop)
    st.button(
        "Show it on the chart",
        icon=":material/my_location:",
        key=f"{key}.show",
        on_click=partial(state.show_event, event.start, event.stop, first, one.n_batches),
    )
    st.page_link(
        widgets.INVESTIGATION_PAGE,
        label="Investigate",
        icon=":material/troubleshoot:",
        query_params={
            state.CHARACTERISTIC: str(one.characteristic_id),
            state.EVENT: f"{kind_of_chart(event.chart)}.{event.batches[0]}",
        },
        width="content",
    )
    closed = event.handling.closed
    for kind, label in (("cause", "Cause"), ("action", "Action"), ("remark", "Remark")):
        if st.button(label, key=f"{key}.{kind}", disabled=closed and kind != "remark"):
            ask(one, event, kind)
    kind, label = ("opened again", "Open again") if closed else ("closed", "Close")
    if st.button(label, key=f"{key}.{kind}"):
        ask(one, event, kind)


def _next(one: Assessment, event: Event, key: str) -> None:
    """What waits: to be seen, done or checked."""
    if event.handling.closed:
        return
    records = event.handling.records
    if not event.handling.of("acknowledged") and st.button(
        "I have seen it", key=f"{key}.acknowledged", icon=":material/visibility:"
    ):
        keep(lambda: say(one, event, "acknowledged"))
    for action in decisions_view.open_actions(records):
        label = f"Done: {text.short(action.words)}"
        if st.button(words(label), key=f"{key}.done.{action.id}", icon=":material/task_alt:"):
            keep(partial(say, one, event, "action done", about=action.id))
    for action in decisions_view.unchecked_actions(records):
        label = f"Effect of: {text.short(action.words)}"
        if st.button(words(label), key=f"{key}.effect.{action.id}", icon=":material/rule:"):
            ask(one, event, "effect", action.id)


def ask(one: Assessment, event: Event, kind: str, about: int | None = None) -> None:
    """A dialog for what is recorded in words."""
    title, question = ASKED[kind]

    @st.dialog(title, icon=":material/edit_note:")
    def dialog() -> None:
        st.markdown(words(event.sentence))
        with st.form(f"ask.{_plain(kind)}", border=False):
            said = st.text_area(question, key="ask.words", max_chars=2000)
            owner, due = "", None
            if kind == "action":
                owner = st.text_input("Owner", key="ask.owner", max_chars=60)
                usual = state.today() + timedelta(days=USUAL_DAYS)
                due = st.date_input("Done until", usual, key="ask.due", format="YYYY-MM-DD")
            sent = send("ask.name")
        if sent:
            keep(lambda: say(one, event, kind, said, owner=owner, due=due, about=about))

    dialog()


def say(one: Assessment, event: Event, kind: str, said: str = "", **more: object) -> None:
    """Record something about an event, in the name of who sits here."""
    ingest.record_event(
        cache.store(),
        one.characteristic_id,
        kind_of_chart(event.chart),
        event.batches[0],
        event.batches[-1],
        kind,
        said,
        by=state.name(),
        **more,  # type: ignore[arg-type]
    )


def of_batch(one: Assessment, position: int, name: str) -> None:
    """Set a batch aside from the limits, or count it again; what was decided about it before."""
    cause = one.limits.left_out.get(position)
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        if cause is not None:
            st.markdown(f":gray-badge[left out of limits] {words(cause)}", width="stretch")
            if st.button("Count it again", key="batch.include"):
                _about_batch(one, name, include=True)
        elif st.button(
            "Set this batch aside from the limits",
            key="batch.exclude",
            help="It stays on the chart, hollow and crossed, with the cause. Estimated limits are "
            "then made without it; frozen limits stay until they are frozen anew.",
        ):
            _about_batch(one, name, include=False)
    history = decisions_view.history_of_batch(cache.store(), one, name)
    if history:
        st.markdown("**Decided or recorded about this batch**")
        st.table(tables.as_text(tables.told(history)))
    else:
        st.caption("Nothing was decided or recorded about this batch.")


def _about_batch(one: Assessment, name: str, include: bool) -> None:
    title = f"Count {name} again" if include else f"Set {name} aside from the limits"

    @st.dialog(words(title))
    def dialog() -> None:
        with st.form("batch.decide", border=False):
            why = st.text_area(
                "Why does it count again?" if include else "What is the cause?",
                key="batch.why",
                max_chars=2000,
                help="A cause that was found, not that the value looks odd.",
            )
            sent = send("batch.name")
        if sent:
            decide = ingest.include_batch if include else ingest.exclude_batch
            keep(lambda: decide(cache.store(), one.characteristic_id, name, why, by=state.name()))

    dialog()


def keep(decide: Callable[[], object]) -> None:
    """Decide and draw the whole page anew, or say in one sentence why it was refused."""
    try:
        decide()
    except ingest.IngestError as error:
        st.error(words(error))
        return
    st.rerun()


def send(key: str, label: str = "Record") -> bool:
    """The end of a form: who says it, and the button."""
    widgets.your_name(key, in_form=True)
    return st.form_submit_button(label, type="primary", on_click=partial(state.keep_name, key))


def _step(event: Event) -> str:
    if event.chart == DUPLICATES_RANGE:
        return "duplicates_range"
    return "beyond_3_sigma" if set(event.rules) == {"beyond_3_sigma"} else "slow_shift"


def _plain(key: str) -> str:
    return "".join(letter if letter.isalnum() else "-" for letter in key)

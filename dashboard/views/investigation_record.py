"""What people try, find, conclude and do about a change; everything can be taken back."""

from datetime import timedelta
from functools import partial

import pandas as pd
import streamlit as st

import ingest
from dashboard import decisions_view, escaping, follow_up, state, text
from dashboard.assessment import Assessment
from dashboard.investigate import Investigated
from dashboard.investigation_results import Check, Contents, EffectView, Subject
from dashboard.investigation_words import CLASSES, conclusion_words, tried_words
from dashboard.views.chart_decisions import USUAL_DAYS, ask, keep, record_line, say, send

words = escaping.markdown


def section(one: Assessment, investigated: Investigated, about: Contents) -> None:
    """The checklist, the conclusion, actions and their effect."""
    if about.subject is None:
        st.subheader("What was tried and found", anchor=False)
        st.markdown("Nothing has moved and the chart has no event, so there is nothing to try.")
        return
    subject = about.subject
    st.subheader("What was tried and found", anchor=False)
    st.markdown(words(follow_up.waits(subject.event.handling.records)))
    for number, check in enumerate(about.checks):
        _check(one, subject, check, number)
    if st.button("Record another check", icon=":material/add:", key="tried.other"):
        _tried(one, subject, "")
    st.subheader("Conclusion", anchor=False)
    _conclusions(one, subject, about)
    st.subheader("Action and effect", anchor=False)
    _actions(one, investigated, subject, about)
    _others(one, subject)


def _check(one: Assessment, subject: Subject, check: Check, number: int) -> None:
    done = bool(check.found)
    with st.container(key=f"check-{number}"):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            mark = ":material/check_box:" if done else ":material/check_box_outline_blank:"
            st.markdown(f"{mark} {words(check.what)}", width="stretch")
            label = "Found something more" if done else "Record what was found"
            if st.button(label, key=f"tried.{number}", type="tertiary"):
                _tried(one, subject, check.what)
        for found, record in check.found:
            said = f"Found: {found} ({record.who}, {_when(record)})"
            record_line(one, subject.event, record, f"tried.{number}", said)


def _tried(one: Assessment, subject: Subject, what: str) -> None:
    """A dialog for what a check has shown."""

    @st.dialog("What was found", icon=":material/edit_note:")
    def dialog() -> None:
        with st.form("tried", border=False):
            check = what
            if what:
                st.markdown(f"**{words(what)}**")
            else:
                check = st.text_input("What was tried?", key="tried.what", max_chars=300)
            found = st.text_area(
                "What did it show? Numbers help whoever reads this in a year.",
                key="tried.found",
                max_chars=2000,
            )
            sent = send("tried.name")
        if sent and not found.strip():
            st.error("Say in words what the check showed: an empty record helps nobody.")
        elif sent:
            said = tried_words(check.strip() or follow_up.ELSE, found)
            keep(lambda: say(one, subject.event, ingest.TRIED, said))

    dialog()


def _conclusions(one: Assessment, subject: Subject, about: Contents) -> None:
    for made in about.conclusions:
        chosen = CLASSES.get(made.cause_class, "Without a class")
        said = f"{chosen}: {made.words} ({made.record.who}, {_when(made.record)})"
        record_line(one, subject.event, made.record, "conclusion", said)
        if made.differs:
            st.caption(words(made.differs))
    label = "Record another conclusion" if about.conclusions else "Write the conclusion"
    with st.expander(label, expanded=not about.conclusions, key="conclude"):
        st.caption(
            "The computed suspicion: "
            f"{words(CLASSES[about.verdict.cause_class])}. What a person found out decides, and "
            "may differ from it."
        )
        with st.form("conclusion", border=False):
            chosen = st.selectbox(
                "What was it?",
                list(CLASSES),
                index=None,
                format_func=CLASSES.__getitem__,
                placeholder="choose what was found out",
                key="conclusion.class",
            )
            found = st.text_area(
                "In words: cause and proof", key="conclusion.words", max_chars=2000
            )
            sent = send("conclusion.name")
        if sent and chosen is None:
            st.error("Choose what it was: “Cannot be told” is an answer, too.")
        elif sent and not found.strip():
            st.error("A conclusion needs words: what was the cause, and what showed it?")
        elif sent:
            said = conclusion_words(str(chosen), found)
            keep(lambda: say(one, subject.event, "cause", said))


def _actions(
    one: Assessment, investigated: Investigated, subject: Subject, about: Contents
) -> None:
    records = subject.event.handling.records
    effects = {view.action.id: view for view in about.effects}
    for record in (r for r in records if r.kind in ("action", "action done", "effect")):
        record_line(one, subject.event, record, "action")
        if record.id in effects:
            _effect(one, investigated, subject, effects[record.id], records)
    with st.container(horizontal=True, gap="small"):
        if st.button("Agree an action", icon=":material/add_task:", key="action.new"):
            _action(one, subject)
        for action in decisions_view.open_actions(records):
            label = f"Done: {text.short(action.words)}"
            if st.button(words(label), key=f"done.{action.id}", icon=":material/task_alt:"):
                keep(partial(say, one, subject.event, "action done", about=action.id))
    if not any(record.kind == "action" for record in records):
        st.caption(
            "Once an action is recorded as done, the next 8 to 15 batches are compared with the "
            "level before the change."
        )


def _action(one: Assessment, subject: Subject) -> None:
    @st.dialog("Agree an action", icon=":material/add_task:")
    def dialog() -> None:
        with st.form("action", border=False):
            what = st.text_area("What will be done?", key="action.words", max_chars=2000)
            owner = st.text_input("Owner", key="action.owner", max_chars=60)
            usual = state.today() + timedelta(days=USUAL_DAYS)
            due = st.date_input("Done until", usual, key="action.due", format="YYYY-MM-DD")
            sent = send("action.name")
        if sent:
            keep(lambda: say(one, subject.event, "action", what, owner=owner, due=due))

    dialog()


def _effect(
    one: Assessment,
    investigated: Investigated,
    subject: Subject,
    view: EffectView,
    records: tuple[ingest.EventRecord, ...],
) -> None:
    """The batches since an action, and where they begin: a person may know better."""
    names = one.batches["batch"].tolist()[subject.event.start + 1 :]
    with st.container(border=True, key=f"effect-{view.action.id}"):
        chosen = st.selectbox(
            "First batch made after it",
            names[::-1],
            index=names[::-1].index(view.first) if view.first in names else None,
            placeholder="none yet; choose one if it was done before it was recorded",
            key=f"effect.first.{view.action.id}",
        )
        if chosen and chosen != view.first:
            view = follow_up.effect_of(one, investigated, view.action, view.done, str(chosen))
        st.markdown(f"**Effect:** {words(view.words)}")
        checked = any(r.kind == "effect" and r.about == view.action.id for r in records)
        ready = view.effect is not None and view.effect.state != "too few"
        if ready and st.button(
            "Record this again" if checked else "Record the effect",
            key=f"effect.{view.action.id}",
            icon=":material/rule:",
        ):
            _record_effect(one, subject, view)


def _record_effect(one: Assessment, subject: Subject, view: EffectView) -> None:
    @st.dialog("Effect checked", icon=":material/rule:")
    def dialog() -> None:
        with st.form("effect", border=False):
            said = st.text_area(
                "What did the batches since then show?",
                text.sentence(view.words),
                key=f"effect.words.{view.action.id}.{view.first}",
                max_chars=2000,
            )
            sent = send("effect.name")
        if sent:
            keep(lambda: say(one, subject.event, "effect", said, about=view.action.id))

    dialog()


def _others(one: Assessment, subject: Subject) -> None:
    """Everything else that was recorded about it, and a remark."""
    shown = ("tried", "cause", "action", "action done", "effect")
    rest = [r for r in subject.event.handling.records if r.kind not in shown]
    if rest:
        st.markdown("**Also recorded**")
    for record in rest:
        record_line(one, subject.event, record, "other")
    if st.button("Remark", key="remark.new", icon=":material/edit_note:"):
        ask(one, subject.event, "remark")


def _when(record: ingest.EventRecord) -> str:
    return text.moment(pd.Timestamp(record.at))

"""Limits: why they are what they are, freezing them, and what other ways would have seen."""

from functools import partial

import streamlit as st

import ingest
from dashboard import (
    cache,
    chart_panels,
    decisions_view,
    escaping,
    limits_view,
    sentences,
    state,
    text,
    what_if,
    widgets,
)
from dashboard.assessment import RULE_SETS, Assessment
from dashboard.rule_sets import EWMA_WEIGHT, EWMA_WIDTH

words = escaping.markdown
MOST_OPTIONS = 300


def section(one: Assessment, subgroups: bool) -> None:
    """Three things that open on demand."""
    st.subheader("Limits", anchor=False)
    why_these_limits(one, subgroups)
    if subgroups:
        return
    freeze(one)
    others(one)


def why_these_limits(one: Assessment, subgroups: bool) -> None:
    """The arithmetic with its numbers, the rules in full, and their price in false alarms."""
    with st.expander("Why these limits?", key="why"):
        if subgroups and one.subgroups is not None:
            st.table(_sums(sentences.subgroup_arithmetic(one.subgroups)))
        elif one.charts is not None:
            st.table(_sums(limits_view.arithmetic(one)))
            for said in limits_view.explanation(one):
                st.markdown(words(said))
            _left_out(one)
            _sets(one)
        else:
            st.markdown(words(one.state_reason))
        chosen = RULE_SETS[one.rule_set]
        for rule in chosen.rules:
            said = f"**{words(rule.phrase)}**: {words(rule.definition)}"
            st.markdown(f"{said} *{words(rule.source)}*")
        if chosen.with_ewma:
            st.markdown(
                f"**moving average beyond its control limits**: each point is {EWMA_WEIGHT} of the "
                f"newest mean and {text.number(1 - EWMA_WEIGHT, 1)} of the point before; limits at "
                f"{EWMA_WIDTH} of its own standard deviations."
            )
        st.markdown(words(chosen.explanation))
        if one.false_alarms_per_week is not None:
            weekly = text.number(one.false_alarms_per_week, 2)
            st.markdown(f"Expected false alarms here while nothing is wrong: {weekly} a week.")


def _left_out(one: Assessment) -> None:
    rows = limits_view.left_out_now(one)
    if rows:
        st.markdown("**Left out of limits at present**")
        st.table({"Batch": [a for a, _ in rows], "Cause": [words(b) for _, b in rows]})


def _sets(one: Assessment) -> None:
    """Every set of limits ever frozen, the newest first."""
    held = cache.frozen_limits(one.characteristic_id)
    if held:
        st.markdown("**Every set of limits that was frozen**")
        sets = limits_view.every_set(one, held)
        if state.narrow():  # one set below the other has no room for its reason
            names = list(sets)[1:]
            sets = {"": names} | {
                f"{when} ({number})": [sets[name][number - 1] for name in names]
                for number, when in enumerate(sets["Frozen"], 1)
            }
        st.table(sets)


@st.fragment
def freeze(one: Assessment) -> None:
    """Opened by a click: what freezing would change is worked out for nobody else."""
    box = st.expander("Freeze limits", key="freeze", icon=":material/lock:", on_change="rerun")
    if box.open:
        with box:
            _freeze(one)


def _freeze(one: Assessment) -> None:
    """Choose a baseline, look at what would change, say why, freeze."""
    if one.n_batches < limits_view.FEWEST:
        st.markdown(
            f"Limits need {limits_view.FEWEST} batches; there are {one.n_batches}. Wait for more."
        )
        return
    st.markdown(
        "Frozen limits stay until a person freezes others: the batches that follow are judged by "
        "them and do not move them. Choose a stretch in which nothing was wrong."
    )
    names = one.batches["batch"].tolist()
    start, stop = decisions_view.default_baseline(one)
    left, right = st.columns(2)
    with left:
        first = _batch("First batch of the baseline", one, names, start, "freeze.first")
    with right:
        last = _batch("Last batch of the baseline", one, names, stop, "freeze.last")
    try:
        preview = decisions_view.freeze_preview(cache.store(), one, first, last)
    except ingest.IngestError as error:
        st.error(words(error))
        return
    st.markdown("**What freezing would change** (nothing is changed yet)")
    columns = ("", "Now, mPa·s", "Then, mPa·s", "Change")
    rows = decisions_view.preview_rows(preview)
    st.table({name: [row[i] for row in rows] for i, name in enumerate(columns)})
    for said in decisions_view.preview_sentences(preview, one.n_batches):
        st.markdown(words(said))
    with st.form("freeze.form", border=False):
        why = st.text_area("Why these limits, from this stretch?", key="freeze.why", max_chars=2000)
        widgets.your_name("freeze.name", in_form=True)
        sent = st.form_submit_button(
            "Freeze these limits",
            type="primary",
            on_click=partial(state.keep_name, "freeze.name"),
        )
    st.caption(
        "Frozen limits are never taken away or changed: to correct them, freeze others from the "
        "same first batch."
    )
    if sent:
        try:
            decisions_view.freeze(cache.store(), one, preview, why, state.name())
        except ingest.IngestError as error:
            st.error(words(error))
            return
        st.rerun()


def _batch(label: str, one: Assessment, names: list[str], default: int, key: str) -> str:
    """Choose a batch from the list, or type its number where the list is too long to send."""
    dates = one.batches["at"]
    low = max(0, min(default - MOST_OPTIONS // 2, len(names) - MOST_OPTIONS))
    offered = names[low : low + MOST_OPTIONS]
    place = {name: i for i, name in enumerate(offered, low)}

    def shown(name: str) -> str:
        return f"{name}, {text.date(dates.iat[place[name]])}" if name in place else name

    chosen = st.selectbox(
        label,
        offered,
        index=default - low,
        format_func=shown,
        key=f"{key}.{one.characteristic_id}",
        accept_new_options=len(names) > len(offered),
    )
    return str(chosen)


@st.fragment
def others(one: Assessment) -> None:
    """Opened by a click, like the part before."""
    label = "What if: other rules, or limits made anew"
    box = st.expander(label, key="what-if", on_change="rerun")
    if box.open:
        with box:
            _others(one)


def _others(one: Assessment) -> None:
    """The same batches under other rules, and with limits made anew each month."""
    if one.charts is None:
        st.markdown("There are no control limits yet, so nothing can be replayed.")
        return
    ways = what_if.ways(one)
    st.table(what_if.table(one, ways))
    st.caption(
        "Run length: batches from one false alarm to the next while nothing is wrong. False alarms "
        "a week: at the rate at which this product is made."
    )
    anew = ways[-1]
    for said in what_if.sentences(one, ways):
        st.markdown(words(said))
    key = (one.characteristic_id, one.rule_set, "what-if", state.ground())

    def make() -> list[chart_panels.Panel]:
        return what_if.panels(one, anew, widgets.palette())

    for figure in cache.drawn(key, make):
        widgets.drawn_figure(figure, f"figure.{figure.key}")
    widgets.save(make, f"{one.product} what if", "what-if")


def _sums(rows: list[tuple[str, str]]) -> dict[str, list[str]]:
    return {"": [name for name, _ in rows], "Worked, mPa·s": [worked for _, worked in rows]}

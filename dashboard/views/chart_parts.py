"""Parts of the control chart page: its choices, its legend, and what stands below the panels."""

import streamlit as st

from dashboard import cache, chart_panels, escaping, sentences, state, tables, text, widgets
from dashboard.assessment import RULE_SETS, Assessment, SubgroupView
from dashboard.catalog import CHARTS, SUBGROUPS, ChartRow
from dashboard.results import DUPLICATES_RANGE
from dashboard.rule_sets import EWMA_WEIGHT, EWMA_WIDTH

words = escaping.markdown
LAST = {"all": None, "last 30": 30, "last 60": 60, "last 200": 200, "last 1000": 1000}


def choose_chart() -> ChartRow:
    """Which panels."""
    rows = {row.key: row for row in CHARTS}
    state.prepare(state.CHART, list(rows), CHARTS[0].key)
    st.selectbox(
        "Chart",
        list(rows),
        format_func=lambda key: rows[key].label,
        key=state.CHART,
        help="\n\n".join(f"**{row.label}**: {row.when}" for row in CHARTS),
    )
    return rows[state.keep(state.CHART)]


def choose_subgroups(when: str) -> str | None:
    """What one subgroup is: a person says so, it is never guessed."""
    state.prepare(state.SUBGROUPS, [None, *SUBGROUPS], None)
    st.selectbox(
        "One subgroup is",
        list(SUBGROUPS),
        index=None,
        format_func=SUBGROUPS.__getitem__,
        placeholder="choose what belongs together",
        key=state.SUBGROUPS,
        help=when,
    )
    return state.keep(state.SUBGROUPS)


def choose_options(one: Assessment) -> chart_panels.PanelOptions:
    """What to draw beside the points."""
    readings = cache.readings(one.characteristic_id)
    aside = readings[readings["reason"] != ""]
    by_time, last, specification, show_aside = False, "all", False, False
    with st.container(horizontal=True, vertical_alignment="bottom", gap="medium"):
        if chart_panels.can_go_by_time(one):
            along = ["production order", "time"]
            by_time = widgets.one_of("Along", along, "along") == "time"
        if one.n_batches > 30:
            fitting = [name for name, n in LAST.items() if n is None or n < one.n_batches]
            last = widgets.one_of("Batches", fitting, "last")
        if one.capability.specification is not None:
            specification = st.toggle("Specification lines", key="specification")
        if len(aside):
            label = f"{text.count(len(aside), 'reading')} set aside"
            show_aside = st.toggle(label, value=True, key="aside")
    return chart_panels.PanelOptions(
        by_time=by_time,
        specification=specification,
        aside=aside if show_aside else None,
        last=LAST[last],
        chosen=st.session_state.get(state.BATCH),
        palette=widgets.palette(),
    )


def about_subgroups(view: SubgroupView) -> None:
    """What was charted, and the warning where these subgroups mislead."""
    st.markdown(words(view.sentence))
    if view.warning:
        st.markdown(f":orange[:material/warning: **{words(view.warning)}**]")


def legend(one: Assessment, options: chart_panels.PanelOptions) -> str:
    """How to read the marks that occur."""
    parts = ["Control limits are solid lines with their value at the right"]
    if one.stage == "provisional":
        parts = [f"Provisional limits, dashed, from {text.batches(one.n_batches)}"]
    elif one.charts is None:
        parts = ["The line is the median; there are no limits yet"]
    parts.append("the dotted upright line marks the batch whose readings are shown below")
    if one.signals:
        parts.append("a ring is a signal, the shaded stretch made it")
    if one.charts is not None and _beyond_quietly(one):
        parts.append("a thin grey ring lies beyond its limit and is no signal by these rules")
    if one.batches["single"].any():
        parts.append("a hollow point is a batch with a single reading")
    if options.aside is not None:
        parts.append("diamonds and arrows are readings set aside, used for nothing")
    if options.specification:
        since = in_force_since(one)
        parts.append(f"blue dash-dot lines are the specification{since}, not control limits")
    return "; ".join(parts) + "."


def in_force_since(one: Assessment) -> str:
    """From when the drawn specification holds: batches before it were judged by another."""
    specification = one.capability.specification
    if specification is None or specification.valid_from is None:
        return ""
    return f" in force since {text.date(specification.valid_from)}"


def _beyond_quietly(one: Assessment) -> bool:
    charts = (one.charts.dispersion, one.charts.within)
    beyond = sum(int(chart.outside().sum()) for chart in charts if chart is not None)
    return beyond > sum(row.chart == DUPLICATES_RANGE for row in one.signals)


def readings_of_batch(one: Assessment) -> None:
    """The readings behind a point: click it, or choose the batch here."""
    st.subheader("Readings of a batch", anchor=False)
    names = one.batches["batch"].tolist()
    dates = [text.date(at) for at in one.batches["at"]]
    left, right = st.columns([2, 1], vertical_alignment="bottom")
    with left:
        st.selectbox(
            "Batch (or click a point above)",
            range(one.n_batches - 1, -1, -1),
            format_func=lambda i: f"{names[i]}, {dates[i]}",
            key=state.BATCH,
        )
    with right:
        show = st.toggle("Show operators by name", key="operators")
    chosen = names[state.keep(state.BATCH)]
    frame = tables.readings(cache.readings(one.characteristic_id), show, chosen)
    # few rows, so a plain table: all of it is text of the page, also on a phone
    st.table(tables.as_text(frame))
    widgets.download(frame, "readings", "readings-of-a-batch.csv")


def events(one: Assessment) -> None:
    """Signals that belong together, each told once; then what else a careful reader should know."""
    st.subheader("Events", anchor=False)
    if not one.events:
        st.markdown("No events on this chart.")
    for event in one.events:
        mark = ":orange-badge[open]" if event.open else ":gray-badge[past]"
        st.markdown(f"{mark} {words(event.sentence)}")
    for note in (note for note in one.notes if note not in one.state_reason):
        st.markdown(f":material/info: {words(note)}")


def why_these_limits(one: Assessment, subgroups: bool) -> None:
    """The arithmetic with its numbers, the rules in full, and their price in false alarms."""
    with st.expander("Why these limits?", key="why"):
        if subgroups and one.subgroups is not None:
            st.table(_sums(sentences.subgroup_arithmetic(one.subgroups)))
        elif one.charts is not None:
            st.table(_sums(sentences.limit_arithmetic(one)))
            st.markdown(
                f"From all {text.batches(one.n_batches)} used, none left out; not frozen. "
                "Duplicates are not used for the limits of batches: they hold measurement error "
                "only. Worked with more digits than are printed."
            )
        else:
            st.markdown(words(one.state_reason))
        chosen = RULE_SETS[one.rule_set]
        for rule in chosen.rules:
            said = f"**{words(rule.phrase)}**: {words(rule.definition)}"
            st.markdown(f"{said} *{words(rule.source)}*")
        if chosen.with_ewma:
            st.markdown(
                f"**moving average beyond its limits**: each point is {EWMA_WEIGHT} of the newest "
                f"mean and {1 - EWMA_WEIGHT} of the point before; limits at {EWMA_WIDTH} of its "
                "own standard deviations."
            )
        st.markdown(words(chosen.explanation))
        if one.false_alarms_per_week is not None:
            weekly = text.number(one.false_alarms_per_week, 2)
            st.markdown(f"Expected false alarms here while nothing is wrong: {weekly} a week.")


def _sums(rows: list[tuple[str, str]]) -> dict[str, list[str]]:
    return {"": [name for name, _ in rows], "Worked, mPa·s": [worked for _, worked in rows]}

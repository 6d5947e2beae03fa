"""Parts of the control chart page: what it lets one choose, and how its figures are saved."""

from collections.abc import Callable
from functools import cache as once

import streamlit as st

from dashboard import cache, chart_panels, escaping, state, text, widgets
from dashboard.assessment import Assessment, SubgroupView
from dashboard.capability_view import specifications_in_force
from dashboard.catalog import CHARTS, SUBGROUPS, ChartRow

words = escaping.markdown


def choose_product() -> tuple[str, int]:
    """Choose a product at one measuring condition: its name and number.

    Only the chosen one is judged: the others need not be for this page.
    """
    rows = cache.characteristics()
    labels = {
        int(row.id): f"{row.product} – {row.condition}" for row in rows.itertuples(index=False)
    }
    names = {int(row.id): str(row.product) for row in rows.itertuples(index=False)}
    key = state.CHARACTERISTIC
    state.from_address(key, list(labels))
    if state.is_open(key):  # nothing chosen yet: what needs a person first
        first = widgets.all_assessments()[0].characteristic_id
    else:
        first = next(iter(labels))
    state.prepare(key, list(labels), first)
    st.selectbox(
        "Product and measuring condition", list(labels), format_func=labels.__getitem__, key=key
    )
    state.to_address(key)
    chosen = int(state.keep(key))
    return names[chosen], chosen


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


def options_of(one: Assessment) -> chart_panels.PanelOptions:
    """Options of the whole record, without anything beside the points."""
    beside = cache.beside(one.characteristic_id, one.product)
    in_force = specifications_in_force(beside.specifications, one.batches["at"])
    return chart_panels.PanelOptions(in_force=in_force, palette=widgets.palette())


def about_subgroups(view: SubgroupView) -> None:
    """What was charted, and the warning where these subgroups mislead."""
    st.markdown(words(view.sentence))
    if view.warning:
        st.markdown(f":orange[:material/warning: **{words(view.warning)}**]")


def legend(one: Assessment, options: chart_panels.PanelOptions) -> str:
    """How to read the marks that occur."""
    said = ["Control limits are solid lines with their value at the right"]
    if one.stage == "provisional" and not one.limits.stretches:
        said = [f"Provisional control limits, dashed, from {text.batches(one.n_batches)}"]
    elif one.charts is None:
        said = ["The line is the median; there are no control limits yet"]
    if len(one.limits.stretches) > 1:
        said.append("they step where others were frozen, and older ones stay for older batches")
    said.append("the dotted upright line marks the batch whose readings are shown below")
    if one.signals:
        said.append("a ring is a signal, the shaded stretch made it")
    if one.charts is not None and one.lone_ranges:
        said.append(
            "a thin grey ring lies beyond its control limit and is no signal by these rules"
        )
    if one.limits.left_out:
        said.append("a hollow, crossed point is a batch left out of the limits, with its cause")
    if one.batches["single"].any():
        said.append("a hollow point is a batch with a single reading")
    if options.aside is not None and len(options.aside):
        said.append("diamonds and arrows are readings set aside, used for nothing")
    if options.specification:
        said.append(
            "blue dash-dot lines are the specification in force at the time, not control limits"
        )
    return "; ".join(said) + "."


def remembered(
    make: Callable[[], list[chart_panels.Panel]],
) -> Callable[[], list[chart_panels.Panel]]:
    """Panels that are made when they are first asked for, and once."""
    return once(make)

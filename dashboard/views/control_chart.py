"""Control chart: one product, its panels, the readings behind a point, its events, its limits."""

from functools import partial

import streamlit as st

from dashboard import cache, chart_panels, escaping, state, widgets
from dashboard.assessment import Assessment
from dashboard.catalog import ChartRow
from dashboard.views import chart_parts as parts

words = escaping.markdown


def main() -> None:
    """Choose, draw, explain."""
    st.title("Control chart", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    first, second, third = st.columns(3)
    with first:
        chosen = widgets.choose_characteristic(found)
    with second:
        rules = widgets.choose_rules()
    with third:
        chart = parts.choose_chart()
    subgroups = parts.choose_subgroups(chart.when) if chart.needs_subgroups else None
    one = next(
        one
        for one in cache.assessments(rules, chosen.product, subgroups)
        if one.characteristic_id == chosen.characteristic_id
    )
    with st.container(horizontal=True, vertical_alignment="center"):
        widgets.states(one)
    st.markdown(words(one.state_reason))
    if one.stale:
        st.markdown(f"**{words(one.stale_sentence)}**")
    if chart.needs_subgroups:
        of_subgroups(one, chart)
    else:
        of_batches(one, chart)
    parts.events(one)
    parts.why_these_limits(one, chart.needs_subgroups)
    widgets.caution()


def of_subgroups(one: Assessment, chart: ChartRow) -> None:
    """Charts on what a person named as subgroup; nothing before that."""
    if one.subgroups is None:
        st.info("Say first what one subgroup is. Until then there is nothing to chart.")
        return
    parts.about_subgroups(one.subgroups)
    options = chart_panels.PanelOptions(palette=widgets.palette())
    for panel in chart.panels(one, options):
        widgets.figure(panel.figure, f"figure.{panel.key}")
    st.caption(
        "Control limits are solid lines with their value at the right; a ring lies beyond. State "
        "and events are those of the batch means, not of these subgroups."
    )


def of_batches(one: Assessment, chart: ChartRow) -> None:
    """The panels, the check standards below them, and the readings of the chosen batch."""
    if not one.n_batches:
        return
    state.prepare_batch(one.characteristic_id, one.n_batches)
    options = parts.choose_options(one)
    start = max(one.n_batches - options.last, 0) if options.last else 0
    for panel in [*chart.panels(one, options), *chart_panels.strips(one, options)]:
        key = f"figure.{panel.key}"
        click = partial(state.choose_clicked_batch, key, start) if panel.selectable else None
        widgets.figure(panel.figure, key, on_select=click)
    st.caption(parts.legend(one, options))
    parts.readings_of_batch(one)


main()

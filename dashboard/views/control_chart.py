"""Control chart: one product, its panels, the readings behind a point, decisions, its limits."""

import streamlit as st

from dashboard import cache, escaping, state, widgets
from dashboard.assessment import Assessment
from dashboard.catalog import ChartRow
from dashboard.views import chart_batches, chart_decisions, chart_limits, chart_products, screen
from dashboard.views import chart_parts as parts

words = escaping.markdown


def main() -> None:
    """Choose, draw, decide, explain."""
    st.title("Control chart", anchor=False)
    screen.measure()
    if cache.characteristics().empty:
        widgets.empty_store()
        return
    first, second, third = st.columns(3)
    with first:
        product, number = parts.choose_product()
    with second:
        chart = parts.choose_chart()
    with third:
        rules = widgets.choose_rules()
    if chart.several_products:
        chart_products.page(chart, number)
        widgets.caution()
        return
    subgroups = parts.choose_subgroups(chart.when) if chart.needs_subgroups else None
    one = next(
        one
        for one in cache.assessments(rules, product, subgroups)
        if one.characteristic_id == number
    )
    header(one)
    if chart.needs_subgroups:
        of_subgroups(one, chart)
    elif one.n_batches:
        chart_batches.section(one, chart)
    chart_decisions.events(one)
    chart_limits.section(one, chart.needs_subgroups)
    widgets.caution()


def header(one: Assessment) -> None:
    """The state in a word and in sentences; how old the data are."""
    with st.container(horizontal=True, vertical_alignment="center"):
        widgets.states(one)
    st.markdown(words(one.state_reason))
    if one.stale:
        st.markdown(f"**{words(one.stale_sentence)}**")


def of_subgroups(one: Assessment, chart: ChartRow) -> None:
    """Charts on what a person named as subgroup; nothing before that."""
    if one.subgroups is None:
        st.info("Say first what one subgroup is. Until then there is nothing to chart.")
        return
    parts.about_subgroups(one.subgroups)
    ground = state.ground()
    options = parts.options_of(one)
    panels = parts.remembered(lambda: chart.panels(one, options))
    shown = (one.characteristic_id, one.rule_set, chart.key, one.subgroups.by, ground)
    for figure in cache.drawn(shown, panels):
        widgets.drawn_figure(figure, f"figure.{figure.key}")
    st.caption(
        "Control limits are solid lines with their value at the right; a ring lies beyond. State "
        "and events are those of the batch means, not of these subgroups."
    )
    widgets.save(panels, f"{one.product} {chart.key}", "subgroups")


main()

"""Several products with few batches each on one chart."""

import streamlit as st

from dashboard import cache, chart_panels, escaping, short_run_view, state, tables, widgets
from dashboard.catalog import ChartRow
from dashboard.views import chart_parts as parts

words = escaping.markdown


def page(chart: ChartRow, number: int) -> None:
    """Choose products, and chart their batches by the distance from their target."""
    rows = cache.characteristics()
    specifications = cache.specifications()
    among = short_run_view.candidates(rows, specifications)
    st.markdown(words(chart.when))
    if not among:
        st.info("No product has a target yet. Give one with its specification under Set-up.")
        return
    labels = {
        int(row.id): f"{row.product} – {row.condition}" for row in rows.itertuples(index=False)
    }
    chosen = st.multiselect(
        "Products on this chart",
        among,
        default=short_run_view.proposed(rows, among, number),
        format_func=labels.__getitem__,
        key="products",
        help="Products of one process and one method whose results scatter by about the same "
        "percentage. Only products with a target are offered.",
    )
    products = {int(row.id): str(row.product) for row in rows.itertuples(index=False)}
    rules = state.load().rules
    found = [
        one
        for product in dict.fromkeys(products[key] for key in chosen)
        for one in cache.assessments(rules, product)
        if one.characteristic_id in chosen
    ]
    if not found:
        st.info("Choose at least one product.")
        return
    view = short_run_view.short_run_view(found, specifications)
    if view.warning:
        st.markdown(f":orange[:material/warning: **{words(view.warning)}**]")
    for sentence in view.sentences:
        st.markdown(words(sentence))
    options = chart_panels.PanelOptions(palette=widgets.palette())
    panels = parts.remembered(lambda: chart.panels(view, options))
    shown = (chart.key, tuple(chosen), rules, state.ground())
    for figure in cache.drawn(shown, panels):
        widgets.drawn_figure(figure, f"figure.{figure.key}")
    if view.charts is not None:
        st.caption(
            "Each batch by the natural logarithm of its mean over the target of its day: 0 is on "
            "target, 0.05 about 5 % above. A ring lies beyond the control limits."
        )
        widgets.save(panels, "several products", "several")
        widgets.table(tables.off_target(view.batches), "off-target", "off-target.csv")

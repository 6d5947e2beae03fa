"""Repeatability: how well two readings of one batch agree, and how that goes with the level."""

import streamlit as st

from dashboard import cache, chart_panels, escaping, text, widgets
from dashboard.assessment import Assessment
from dashboard.figures import level_plot

words = escaping.markdown


def main() -> None:
    """One product, then all of them."""
    st.title("Repeatability", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    one = widgets.choose_characteristic(found)
    if one.repeatability is not None:
        numbers(one)
    st.markdown(words(one.repeatability_note))
    order_effect(one)
    options = chart_panels.PanelOptions(palette=widgets.palette())
    for panel in chart_panels.three_way(one, options):
        if panel.key == "duplicates":
            widgets.figure(panel.figure, "figure.duplicates-alone")
            st.caption("A ring marks a range beyond its limit.")
    across_levels()
    widgets.caution()


def numbers(one: Assessment) -> None:
    """Standard deviation, relative standard deviation and limit."""
    result = one.repeatability
    first, second, third = st.columns(3)
    with first:
        st.metric("Standard deviation s_r", text.viscosity(result.s_r))
        st.caption(f"95 % interval {text.interval(*result.interval, decimals=1)} {text.UNIT}")
    with second:
        st.metric("Relative", text.percent(result.cv_percent, 3))
        st.caption("the same as a share of the viscosity")
    with third:
        st.metric("Limit for two readings", text.viscosity(result.limit))
        st.caption("2.8 × s_r: two readings of one batch differ by more about 1 time in 20")


def order_effect(one: Assessment) -> None:
    """Whether second readings differ from first ones as a rule."""
    effect = one.order_effect
    if effect is None:
        return
    clear = "differ from first ones" if effect.p < 0.05 else "do not differ from first ones"
    st.markdown(
        f"Second readings {clear}: mean difference "
        f"{text.percent(effect.mean_log_ratio_percent, 2)} (t {text.fixed(effect.t, 1)}, "
        f"p {text.fixed(effect.p, 3)}, {text.batches(effect.n)})."
    )


def across_levels() -> None:
    """Constant in mPa·s, or constant in percent? Looked at before anything is pooled."""
    st.subheader("Across products", anchor=False)
    found = cache.levels()
    st.markdown(words(found.sentence))
    if not found.levels:
        return
    widgets.figure(
        level_plot(
            [level.mean for level in found.levels],
            [level.s_r for level in found.levels],
            [level.product for level in found.levels],
            found.slope,
            description=found.sentence,
            palette=widgets.palette(),
        ),
        "levels",
    )
    st.dataframe(
        {
            "Product": [level.product for level in found.levels],
            "Measuring condition": [level.condition for level in found.levels],
            "Mean, mPa·s": [text.number(level.mean) for level in found.levels],
            "s_r, mPa·s": [text.number(level.s_r, 3) for level in found.levels],
            "Relative": [text.percent(level.cv_percent, 3) for level in found.levels],
            "Batches": [level.n_groups for level in found.levels],
        },
        hide_index=True,
        width="stretch",
        key="levels.table",
    )


main()

"""The panels over batches with what stands above and below them, and the batch that was chosen."""

from functools import partial

import streamlit as st

from dashboard import (
    cache,
    chart_panels,
    cusum_view,
    drawing,
    escaping,
    ribbon_view,
    state,
    tables,
    text,
    widgets,
)
from dashboard.assessment import Assessment
from dashboard.capability_view import specifications_in_force
from dashboard.catalog import ChartRow
from dashboard.figures import navigator
from dashboard.figures.scale import positions
from dashboard.verdicts import decision_rule_of, uncertainty_of, verdict_of
from dashboard.views import chart_decisions
from dashboard.views import chart_parts as parts

words = escaping.markdown
MOST_OPTIONS = 300


@st.fragment
def section(one: Assessment, chart: ChartRow) -> None:
    """Draws itself anew when a point is chosen or another stretch, without the rest of the page."""
    names = one.batches["batch"].tolist()
    unknown = state.prepare_batch(one.characteristic_id, names)
    state.batch_from_address(names)
    first, stop = go_along(one)
    options = choose_options(one, chart, first, stop)
    beside = cache.beside(one.characteristic_id, one.product)

    def make() -> list[chart_panels.Panel]:
        return [
            *ribbon_view.ribbon(one, options, beside.lots, beside.imports, beside.journal),
            *chart.panels(one, options),
            *ribbon_view.strips(one, options),
        ]

    panels = parts.remembered(make)
    shown = (
        one.characteristic_id, one.rule_set, chart.key, first, stop, options.by_time,
        options.specification, options.aside is not None, options.shift, state.ground(),
    )  # fmt: skip
    x = one.batches["at"] if options.by_time else None
    chosen = state.batch()
    places = positions(x, one.n_batches)
    place = places[chosen] if options.by_time else chosen - first + 1
    inside = place if first <= chosen < stop else None
    for figure in cache.drawn(shown, panels):
        key = f"figure.{figure.key}"
        click = partial(state.choose_clicked_batch, key, first) if figure.selectable else None
        widgets.drawn_figure(figure, key, drawing.with_chosen(figure, inside), click)
    st.caption(parts.legend(one, options))
    with st.container(horizontal=True, gap="small"):
        widgets.save(panels, f"{one.product} {chart.key}", "chart")
        with st.popover("Table of these batches", icon=":material/table_rows:"):
            frame = tables.batches(one, first, stop)
            widgets.table(frame, "batches", "batches.csv")
    if chart.key == "cusum":
        about_sums(one, options.shift)
    batch(one, names, first, stop, unknown)


def go_along(one: Assessment) -> tuple[int, int]:
    """Which part of the record is drawn: by words, by buttons, or by drawing across all of it."""
    n = one.n_batches
    if n <= 30:
        return 0, n
    first, stop = state.prepare_window(n)
    fitting = [name for name, count in state.LAST.items() if count is None or count < n]
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
        st.segmented_control(
            "Batches", fitting, key=state.STRETCH_CHOICE, on_change=state.keep_stretch
        )
        for label, icon, call, blocked in (
            ("Earlier", ":material/chevron_left:", partial(state.move, -0.5, n), first == 0),
            ("Later", ":material/chevron_right:", partial(state.move, 0.5, n), stop == n),
            ("Closer", ":material/zoom_in:", partial(state.zoom, 0.5, n), stop - first <= 8),
            ("Wider", ":material/zoom_out:", partial(state.zoom, 2.0, n), stop - first == n),
        ):
            st.button(label, icon=icon, on_click=call, disabled=blocked, key=f"along.{label}")
    means = one.batches["mean"].to_numpy()
    signals = [row.index for row in one.signals]
    key = (one.characteristic_id, one.rule_set, "navigator", state.ground())

    def make() -> list[chart_panels.Panel]:
        figure = navigator(means, signals=signals, palette=widgets.palette())
        return [chart_panels.Panel("navigator", figure, True)]

    (figure,) = cache.drawn(key, make)
    spec = drawing.with_window(figure, first - 0.5, stop - 0.5)
    call = partial(state.choose_drawn_stretch, "figure.navigator", n)
    widgets.drawn_figure(figure, "figure.navigator", spec, call)
    names = one.batches["batch"]
    st.caption(
        f"The whole record of {text.batches(n)}; shown are {words(names.iat[first])} to "
        f"{words(names.iat[stop - 1])} ({stop - first}). Draw across the strip to go elsewhere."
    )
    return first, stop


def choose_options(
    one: Assessment, chart: ChartRow, first: int, stop: int
) -> chart_panels.PanelOptions:
    """What to draw beside the points."""
    beside = cache.beside(one.characteristic_id, one.product)
    in_force = specifications_in_force(beside.specifications, one.batches["at"])
    by_time, specification, show_aside, shift = False, False, False, 1.0
    with st.container(horizontal=True, vertical_alignment="bottom", gap="medium"):
        if chart_panels.can_go_by_time(one):
            along = ["production order", "time"]
            by_time = widgets.one_of("Along", along, "along") == "time"
        if beside.specifications:
            specification = st.toggle("Specification lines", key="specification")
        if len(beside.aside):
            label = f"{text.count(len(beside.aside), 'reading')} set aside"
            show_aside = st.toggle(label, value=True, key="aside")
        if chart.key == "cusum":
            shift = st.slider("Shift to look for, in sigma", 0.5, 3.0, 1.0, 0.25, key="shift")
    return chart_panels.PanelOptions(
        by_time=by_time,
        in_force=in_force,
        specification=specification,
        aside=beside.aside if show_aside else None,
        first=first,
        stop=stop,
        shift=shift,
        palette=widgets.palette(),
    )


def about_sums(one: Assessment, shift: float) -> None:
    """What the cumulative sums found, in words."""
    view = cusum_view.cusum_view(one, shift)
    if view is None:
        return
    for sentence in reversed(view.sentences[-8:]):
        st.markdown(f":orange-badge[shift] {words(sentence)}")
    if not view.sentences:
        st.markdown("No shift found by cumulative sums.")
    st.caption(words(view.explanation))


def batch(one: Assessment, names: list[str], first: int, stop: int, unknown: str) -> None:
    """The readings behind a point, where it stands, what was decided; decide here."""
    st.subheader("Batch", anchor=False)
    dates = [text.date(at) for at in one.batches["at"].iloc[first:stop]]
    within = [*range(stop - 1, max(first, stop - MOST_OPTIONS) - 1, -1)]
    chosen = state.batch()
    offered = within if chosen in within else [chosen, *within]

    def label(i: int | str) -> str:
        if isinstance(i, str):
            return i
        return f"{names[i]}, {dates[i - first]}" if first <= i < stop else names[i]

    left, right = st.columns([2, 1], vertical_alignment="bottom")
    with left:
        st.selectbox(
            "Batch (click a point above, choose here, or type any batch of the record)",
            offered,
            format_func=label,
            key=state.BATCH,
            accept_new_options=True,
        )
    with right:
        show = st.toggle("Show operators by name", key="operators")
    if unknown:
        st.warning(f"{words(one.product)} has no batch {words(unknown)}: check its number.")
    state.keep(state.BATCH)
    row, name = one.batches.iloc[chosen], names[chosen]
    beside = cache.beside(one.characteristic_id, one.product)
    in_force = specifications_in_force(beside.specifications, one.batches["at"])
    uncertainty = uncertainty_of(cache.settings(), one.product)
    verdict = verdict_of(float(row["mean"]), in_force.of(chosen), uncertainty)
    mean = text.viscosity(float(row["mean"]))
    st.markdown(f"**{words(name)}**: {mean}; {words(verdict.sentence)}")
    rule = decision_rule_of(cache.settings(), verdict.specification)
    if rule:
        st.markdown(f"Decision rule of the site: {words(rule)}")
    for event in one.events:
        if event.start <= chosen <= event.stop:
            st.markdown(f":orange-badge[{event.word}] {words(event.sentence)}")
    readings = cache.readings_of_batch(one.characteristic_id, name)
    frame = tables.readings_of_batch(readings, beside.operators, show)
    # few rows, so a plain table: all of it is text of the page
    if state.narrow():
        differing, alike = tables.parted(frame)
        st.table(tables.as_text(differing).T)
        if alike:
            st.markdown(f"All of them: {words(alike)}.")
    else:
        st.table(tables.as_text(frame))
    chart_decisions.of_batch(one, chosen, name)
    widgets.download(frame, "readings", "readings-of-a-batch.csv")

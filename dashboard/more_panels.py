"""Panels of the charts beside the usual three: cumulative sums, and several products on one."""

from typing import Any

import numpy as np

from dashboard import text
from dashboard.chart_panels import Cut, Panel, PanelOptions, means_panel, shared_options, told
from dashboard.chart_panels import x_title as axis_title
from dashboard.cusum_view import cusum_view
from dashboard.figures import control_chart
from dashboard.results import Assessment
from dashboard.short_run_view import ShortRunView


def cumulative_sums(one: Assessment, options: PanelOptions) -> list[Panel]:
    """Batch means, and below them what they add up to on either side of the centre."""
    panels = [means_panel(one, options)]
    view = cusum_view(one, options.shift)
    if view is None:
        return panels
    cut, shared = Cut(one, options), shared_options(one, options)
    n = len(shared["labels"])
    for side, chart, title in (
        ("up", view.up, "Sum above the centre"),
        ("down", view.down, "Sum below the centre"),
    ):
        mine = [shift for shift, held in zip(view.shifts, view.sides, strict=True) if held == side]
        inside = [
            (max(begin - options.first, 0), min(last - options.first, n - 1))
            for begin, _, last in mine
            if last >= options.first and begin - options.first < n
        ]
        noticed = [
            (signal - options.first, "noticed")
            for _, signal, _ in mine
            if 0 <= signal - options.first < n
        ]
        drawn = cut.chart(chart)
        bottom = side == "down"
        panels.append(
            Panel(
                f"sum-{side}",
                control_chart(
                    drawn,
                    title=title,
                    unit="sigma",
                    zero=True,
                    signals=noticed,
                    stretches=inside,
                    show_x=bottom,
                    x_title=axis_title(options) if bottom else None,
                    height=150 if bottom else 130,
                    description=told(title, drawn, noticed, "sigma"),
                    **shared,
                ),
                True,
            )
        )
    return panels


def short_run(view: ShortRunView, options: PanelOptions) -> list[Panel]:
    """ln(result ÷ target) of several products in production order, and its moving range."""
    if view.charts is None:
        return []
    frame = view.batches
    shared: dict[str, Any] = {
        "labels": frame["batch"].tolist(),
        "palette": options.palette,
        "unit": "",
        "details": {
            "Product": frame["product"].tolist(),
            "Mean": [text.viscosity(value) for value in frame["mean"]],
            "Target": [text.viscosity(value) for value in frame["target"]],
            "Off target": [f"{text.fixed(value, 1)} %" for value in frame["percent"]],
            "Sampled": [text.moment(at) for at in frame["at"]],
        },
    }
    location, moving = view.charts.location, view.charts.dispersion
    beyond = [(i, "beyond 3 sigma") for i in view.outside]
    # where another product begins, the next few batches are of that one
    names = frame["product"].to_numpy()
    changes = int(np.count_nonzero(names[1:] != names[:-1]))
    said = f"{told('ln of mean over target', location, beyond, '')} {changes} changes of product."
    return [
        Panel(
            "short-run",
            control_chart(
                location,
                title="ln(batch mean ÷ target)",
                signals=beyond,
                height=300,
                show_x=False,
                description=said,
                **shared,
            ),
            False,
        ),
        Panel(
            "short-run-moving-range",
            control_chart(
                moving,
                title="Moving range of the above",
                zero=True,
                remarks=[int(i) for i in np.flatnonzero(moving.outside())],
                height=130,
                x_title="Batch of any of these products, in production order",
                description=told("Moving range", moving, unit=""),
                **shared,
            ),
            False,
        ),
    ]

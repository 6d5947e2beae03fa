"""From an assessment to the panels of its chart: one function a row of `catalog.CHARTS`."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import text
from dashboard.figures import check_strip, control_chart, run_plot
from dashboard.figures.palette import LIGHT, Palette
from dashboard.figures.scale import seconds
from dashboard.figures.strip import order_positions
from dashboard.results import (
    BATCH_MEANS,
    DUPLICATES_RANGE,
    EWMA,
    Assessment,
    CheckStandard,
    SubgroupView,
)

ORDER_TITLE = "Batch, in production order"
TIME_TITLE = "Time of sampling (UTC)"


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One figure of a chart.

    Attributes:
        key: stable name, also of its widget.
        figure: to be drawn at full width.
        selectable: a click on a point chooses its batch.
    """

    key: str
    figure: alt.LayerChart
    selectable: bool


@dataclass(frozen=True, slots=True, eq=False)
class PanelOptions:
    """What a person chose to see.

    Attributes:
        by_time: along time instead of production order; only where every batch has a time.
        specification: draw the specification lines.
        aside: readings set aside, as the store gives them; None hides them.
        last: only the newest batches; None for all.
        chosen: position of the batch whose readings are shown; None marks none.
        palette: colours of the ground.
    """

    by_time: bool = False
    specification: bool = False
    aside: pd.DataFrame | None = None
    last: int | None = None
    chosen: int | None = None
    palette: Palette = LIGHT


def can_go_by_time(one: Assessment) -> bool:
    """Whether every batch has a time, and they are in its order."""
    at = one.batches["at"]
    return bool(len(at) and at.notna().all() and at.is_monotonic_increasing)


def three_way(one: Assessment, options: PanelOptions) -> list[Panel]:
    """Batch means with whiskers, moving average where the rules have it, moving range, duplicates.

    Below 8 batches there are no limits: the means alone, with their median.
    """
    first = max(one.n_batches - options.last, 0) if options.last else 0
    shown = one.batches.iloc[first:]
    shared: dict[str, Any] = {
        "labels": shown["batch"].tolist(),
        "x": shown["at"] if options.by_time else None,
        "selectable": True,
        "chosen": None if options.chosen is None else options.chosen - first,
        "palette": options.palette,
        "details": {
            "Readings": [_readings(row) for row in shown.itertuples()],
            "Sampled": [text.moment(at) for at in shown["at"]],
            "Instrument": [name or text.MISSING for name in shown["instrument"]],
        },
    }
    means: dict[str, Any] = {
        "title": "Batch mean",
        "whiskers": (shown["low"].to_numpy(), shown["high"].to_numpy()),
        "hollow": shown["single"].to_numpy(),
        "specification": _specification(one.capability.specification, options),
        "aside": _aside(one, options, first),
        "height": 300,
    }
    if one.charts is None:
        said = f"{text.batches(len(shown))} with their median and no limits."
        return [
            Panel(
                "means",
                run_plot(
                    shown["mean"].to_numpy(),
                    x_title=_x_title(options),
                    description=said,
                    **means,
                    **shared,
                ),
                True,
            )
        ]
    provisional = one.stage == "provisional"
    cut = _Cut(one, first)
    charts = one.charts
    panels = [
        Panel(
            "means",
            control_chart(
                cut.chart(charts.location),
                signals=cut.signals(BATCH_MEANS),
                stretches=cut.stretches(BATCH_MEANS),
                provisional=provisional,
                show_x=False,
                description=_told("Batch means", charts.location, cut.signals(BATCH_MEANS)),
                **means,
                **shared,
            ),
            True,
        )
    ]
    if one.ewma is not None:
        panels.append(
            Panel(
                "ewma",
                control_chart(
                    cut.chart(one.ewma),
                    title="Moving average of means (weight 0.2)",
                    signals=cut.signals(EWMA, phrase=""),  # every ring here says the same
                    stretches=cut.stretches(EWMA),
                    provisional=provisional,
                    show_x=False,
                    height=130,
                    description=_told("Moving average", one.ewma, cut.signals(EWMA)),
                    **shared,
                ),
                True,
            )
        )
    last = "moving-range" if charts.within is None else "duplicates"
    panels.append(
        Panel(
            "moving-range",
            control_chart(
                cut.chart(charts.dispersion),
                title="Moving range of means",
                zero=True,
                remarks=cut.beyond(charts.dispersion),
                provisional=provisional,
                show_x=last == "moving-range",
                x_title=_x_title(options) if last == "moving-range" else None,
                height=110,
                description=_told("Moving range", charts.dispersion),
                **shared,
            ),
            True,
        )
    )
    if charts.within is not None:
        panels.append(
            Panel(
                "duplicates",
                control_chart(
                    cut.chart(charts.within),
                    title="Range of readings in a batch",
                    zero=True,
                    provisional=provisional,
                    signals=cut.signals(DUPLICATES_RANGE),
                    remarks=cut.beyond(charts.within),
                    stretches=cut.stretches(DUPLICATES_RANGE),
                    x_title=_x_title(options),
                    height=130,
                    description=_told(
                        "Range of readings", charts.within, cut.signals(DUPLICATES_RANGE)
                    ),
                    **shared,
                ),
                True,
            )
        )
    return panels


def xbar_r(one: Assessment, options: PanelOptions) -> list[Panel]:
    """Subgroup means and ranges, over what a person named as subgroup."""
    view = one.subgroups
    return _subgroups(view, view.charts if view else None, "Range in a subgroup", options)


def xbar_s(one: Assessment, options: PanelOptions) -> list[Panel]:
    """Subgroup means and standard deviations."""
    view = one.subgroups
    return _subgroups(
        view, view.charts_s if view else None, "Standard deviation in a subgroup", options
    )


def strips(one: Assessment, options: PanelOptions) -> list[Panel]:
    """The check standards of this product's instruments, on the axis of the chart above."""
    first = max(one.n_batches - options.last, 0) if options.last else 0
    shown = one.batches.iloc[first:]
    if not shown["at"].notna().any():
        return []
    return [
        Panel(
            f"check-{number}",
            check_strip(
                standard.values,
                standard.times,
                shown["at"],
                shown["batch"].tolist(),
                title=_standard_name(standard),
                center=standard.center,
                lower=standard.lower,
                upper=standard.upper,
                by_time=options.by_time,
                palette=options.palette,
            ),
            False,
        )
        for number, standard in enumerate(one.check_standards)
    ]


class _Cut:
    """The newest part of every chart of an assessment, with its signals counted from 0 again."""

    def __init__(self, one: Assessment, first: int) -> None:
        self._one = one
        self._first = first

    def chart(self, chart: spc.ControlChart) -> spc.ControlChart:
        part = slice(self._first, None)
        return replace(
            chart,
            values=chart.values[part],
            center=chart.center[part],
            lower=chart.lower[part],
            upper=chart.upper[part],
            standard_error=chart.standard_error[part],
        )

    def signals(self, chart: str, phrase: str | None = None) -> list[tuple[int, str]]:
        return [
            (row.index - self._first, row.phrase if phrase is None else phrase)
            for row in self._one.signals
            if row.chart == chart and row.index >= self._first
        ]

    def beyond(self, chart: spc.ControlChart) -> list[int]:
        return [int(i) for i in np.flatnonzero(self.chart(chart).outside())]

    def stretches(self, chart: str) -> list[tuple[int, int]]:
        """Events of a chart. One that the moving average alone saw is shown on the means, too."""
        belongs = {
            BATCH_MEANS: lambda event: event.chart in (BATCH_MEANS, EWMA),
            EWMA: lambda event: "ewma" in event.rules,
            DUPLICATES_RANGE: lambda event: event.chart == DUPLICATES_RANGE,
        }[chart]
        return [
            (max(event.start - self._first, 0), event.stop - self._first)
            for event in self._one.events
            if belongs(event) and event.stop >= self._first
        ]


def _subgroups(
    view: SubgroupView | None, charts: spc.ChartSet | None, spread: str, options: PanelOptions
) -> list[Panel]:
    if view is None or charts is None:
        return []
    beyond = [(int(i), "beyond 3 sigma") for i in np.flatnonzero(charts.location.outside())]
    shared: dict[str, Any] = {"labels": view.labels, "palette": options.palette}
    location = control_chart(
        charts.location,
        title="Subgroup mean",
        signals=beyond,
        height=300,
        show_x=False,
        description=_told("Subgroup means", charts.location, beyond),
        **shared,
    )
    dispersion = control_chart(
        charts.dispersion,
        title=spread,
        zero=True,
        height=140,
        x_title="Subgroup, in production order",
        description=_told(spread, charts.dispersion),
        **shared,
    )
    return [
        Panel("subgroups", location, False),
        Panel("subgroup-spread", dispersion, False),
    ]


def _specification(
    specification: ingest.Specification | None, options: PanelOptions
) -> dict[str, float]:
    if not options.specification or specification is None:
        return {}
    named = {
        "lower": specification.lower,
        "target": specification.target,
        "upper": specification.upper,
    }
    return {name: float(value) for name, value in named.items() if value is not None}


def _aside(one: Assessment, options: PanelOptions, first: int) -> pd.DataFrame | None:
    """Readings set aside, at their batch or between its neighbours, with the reason in words."""
    if options.aside is None or options.aside.empty:
        return None
    rows, batches = options.aside, one.batches.iloc[first:].reset_index(drop=True)
    when = rows["sampled_at"].fillna(rows["at"])
    if options.by_time:
        place = pd.Series(seconds(when), index=rows.index)
        inside = when.between(batches["at"].min(), batches["at"].max())
    else:
        order = pd.Series(np.arange(1, len(batches) + 1), index=batches["batch"])
        order = order[~order.index.duplicated()]
        between = pd.Series(order_positions(when, batches["at"]), index=rows.index)
        place = rows["batch"].map(order).astype(float).fillna(between)
        inside = place.notna()
    frame = pd.DataFrame(
        {
            "x": place,
            "value": rows["viscosity"].astype(float),
            "reason": rows["reason"],
            "words": [
                f"{batch}: {received}. {ingest.REASONS.get(reason, reason)}"
                for batch, received, reason in zip(
                    rows["batch"], rows["received"], rows["reason"], strict=True
                )
            ],
        }
    )
    return frame[inside.to_numpy(dtype=bool)]


def _readings(row: Any) -> str:
    if row.n == 1:
        return "1 reading"
    if row.n == 2:
        return f"{text.number(row.low)} and {text.number(row.high)}"
    return f"{row.n} readings, {text.number(row.low)} to {text.number(row.high)}"


def _x_title(options: PanelOptions) -> str:
    return TIME_TITLE if options.by_time else ORDER_TITLE


def _standard_name(standard: CheckStandard) -> str:
    on = f" on {standard.instrument}" if standard.instrument else ""
    return f"{standard.name}{on}"


def _told(what: str, chart: spc.ControlChart, signals: Sequence[tuple[int, str]] = ()) -> str:
    """The panel as a sentence, for those who do not see it."""
    values = np.asarray(chart.values)
    said = (
        f"{what}: {values.size} points, newest {text.viscosity(float(values[-1]))}, centre "
        f"{text.number(float(chart.center[-1]))}, upper limit {text.number(float(chart.upper[-1]))}"
    )
    if float(chart.lower[-1]) != 0:
        said += f", lower limit {text.number(float(chart.lower[-1]))}"
    return f"{said}; {text.count(len(signals), 'signal') if signals else 'no signals'}."

"""From an assessment to the panels of its chart: one function a row of `catalog.CHARTS`."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

import ingest
import spc
from dashboard import events, text
from dashboard.capability_view import InForce
from dashboard.figures import ENVELOPE_ABOVE, control_chart, run_plot
from dashboard.figures.palette import LIGHT, Palette
from dashboard.figures.scale import seconds
from dashboard.figures.strip import order_positions
from dashboard.results import (
    BATCH_MEANS,
    DUPLICATES_RANGE,
    EWMA,
    Assessment,
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
        in_force: the specification of each batch; None where it does not matter.
        specification: draw its lines.
        aside: readings set aside, as the store gives them; None hides them.
        first, stop: positions of the batches to draw, `stop` exclusive and None for all of them.
        chosen: position of the batch whose readings are shown; None marks none.
        shift: size of the shift that cumulative sums look for, in sigma.
        palette: colours of the ground.
    """

    by_time: bool = False
    in_force: InForce | None = None
    specification: bool = False
    aside: pd.DataFrame | None = None
    first: int = 0
    stop: int | None = None
    chosen: int | None = None
    shift: float = 1.0
    palette: Palette = LIGHT

    @property
    def part(self) -> slice:
        """The batches to draw."""
        return slice(self.first, self.stop)


def can_go_by_time(one: Assessment) -> bool:
    """Whether every batch has a time, and they are in its order."""
    at = one.batches["at"]
    return bool(len(at) and at.notna().all() and at.is_monotonic_increasing)


def three_way(one: Assessment, options: PanelOptions) -> list[Panel]:
    """Batch means with whiskers, moving average where the rules have it, moving range, duplicates.

    Below 8 batches there are no limits: the means alone, with their median.
    """
    panels = [means_panel(one, options)]
    if one.charts is None:
        return panels
    provisional = one.stage == "provisional"
    cut, charts, shared = Cut(one, options), one.charts, shared_options(one, options)
    if one.ewma is not None:
        panels.append(ewma_panel(one, options, 130))
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
                x_title=x_title(options) if last == "moving-range" else None,
                height=110,
                description=told("Moving range", cut.chart(charts.dispersion)),
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
                    x_title=x_title(options),
                    height=130,
                    description=told(
                        "Range of readings",
                        cut.chart(charts.within),
                        cut.signals(DUPLICATES_RANGE),
                    ),
                    **shared,
                ),
                True,
            )
        )
    return panels


def moving_average(one: Assessment, options: PanelOptions) -> list[Panel]:
    """Batch means, and below them their moving average as the chart that is watched."""
    means = means_panel(one, options)
    return [means] if one.charts is None else [means, ewma_panel(one, options, 280, last=True)]


def means_panel(one: Assessment, options: PanelOptions) -> Panel:
    """The batch means with whiskers of their readings; their median where there are no limits."""
    shown, cut = one.batches.iloc[options.part], Cut(one, options)
    means: dict[str, Any] = {
        "title": "Batch mean",
        "whiskers": (shown["low"].to_numpy(), shown["high"].to_numpy()),
        "hollow": shown["single"].to_numpy(),
        "left_out": cut.left_out(),
        "specification": _specification(options),
        "aside": _aside(one, options),
        "height": 300,
        **shared_options(one, options),
    }
    if one.charts is None:
        said = f"{text.batches(len(shown))} with their median and no limits."
        figure = run_plot(
            shown["mean"].to_numpy(), x_title=x_title(options), description=said, **means
        )
        return Panel("means", figure, True)
    location = cut.chart(one.charts.location)
    figure = control_chart(
        location,
        signals=cut.signals(BATCH_MEANS),
        stretches=cut.stretches(BATCH_MEANS),
        sets=cut.breaks(),
        provisional=one.stage == "provisional" and not one.limits.stretches,
        show_x=False,
        description=told("Batch means", location, cut.signals(BATCH_MEANS)),
        **means,
    )
    return Panel("means", figure, True)


def ewma_panel(one: Assessment, options: PanelOptions, height: int, last: bool = False) -> Panel:
    """The moving average of the means; made for this panel where the rules in use have none."""
    assert one.charts is not None  # noqa: S101 - both callers have looked
    cut = Cut(one, options)
    average = one.ewma
    signals = cut.signals(EWMA, phrase="")  # every ring here says the same
    if average is None:
        average = events.moving_average(one.charts.location, one.limits.breaks)
        signals = [(i, "") for i in cut.beyond(average)]
    return Panel(
        "ewma",
        control_chart(
            cut.chart(average),
            title="Moving average of means (weight 0.2)",
            signals=signals,
            stretches=cut.stretches(EWMA),
            provisional=one.stage == "provisional",
            show_x=last,
            x_title=x_title(options) if last else None,
            height=height,
            description=told("Moving average", cut.chart(average), signals),
            **shared_options(one, options),
        ),
        True,
    )


def shared_options(one: Assessment, options: PanelOptions) -> dict[str, Any]:
    """What every panel over batches is drawn with."""
    shown = one.batches.iloc[options.part]
    details: dict[str, list[str]] = {}
    if len(shown) <= ENVELOPE_ABOVE:  # beyond it no single point has room for the pointer
        details = {
            "Readings": [_readings(row) for row in shown.itertuples()],
            "Sampled": [text.moment(at) for at in shown["at"]],
            "Instrument": [name or text.MISSING for name in shown["instrument"]],
        }
    left_out = one.limits.left_out
    if left_out and details:
        numbers = range(options.first, options.first + len(shown))
        details["Left out of limits"] = [left_out.get(i, "no") for i in numbers]
    return {
        "labels": shown["batch"].tolist(),
        "x": shown["at"] if options.by_time else None,
        "selectable": True,
        "chosen": None if options.chosen is None else options.chosen - options.first,
        "palette": options.palette,
        "details": details,
    }


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


class Cut:
    """The drawn part of every chart of an assessment, its positions counted from 0 again."""

    def __init__(self, one: Assessment, options: PanelOptions) -> None:
        """Cut as the options say."""
        self._one = one
        self._part = options.part
        self._first = options.first
        self._n = len(range(*options.part.indices(one.n_batches)))

    def chart(self, chart: spc.ControlChart) -> spc.ControlChart:
        """The chart at the drawn batches."""
        part = self._part
        return replace(
            chart,
            values=chart.values[part],
            center=chart.center[part],
            lower=chart.lower[part],
            upper=chart.upper[part],
            standard_error=chart.standard_error[part],
        )

    def signals(self, chart: str, phrase: str | None = None) -> list[tuple[int, str]]:
        """Position and phrase of the signals of a chart."""
        return [
            (row.index - self._first, row.phrase if phrase is None else phrase)
            for row in self._one.signals
            if row.chart == chart and 0 <= row.index - self._first < self._n
        ]

    def beyond(self, chart: spc.ControlChart) -> list[int]:
        """Points beyond their limits."""
        return [int(i) for i in np.flatnonzero(self.chart(chart).outside())]

    def left_out(self) -> dict[int, str]:
        """Batches that do not count for limits, with the cause."""
        held = self._one.limits.left_out.items()
        return {i - self._first: why for i, why in held if 0 <= i - self._first < self._n}

    def breaks(self) -> list[int]:
        """Positions at which another set of limits begins."""
        held = self._one.limits.breaks
        return [i - self._first for i in held if 0 < i - self._first < self._n]

    def stretches(self, chart: str) -> list[tuple[int, int]]:
        """Events of a chart. One that the moving average alone saw is shown on the means, too."""
        belongs = {
            BATCH_MEANS: lambda event: event.chart in (BATCH_MEANS, EWMA),
            EWMA: lambda event: "ewma" in event.rules,
            DUPLICATES_RANGE: lambda event: event.chart == DUPLICATES_RANGE,
        }[chart]
        return [
            (max(event.start - self._first, 0), min(event.stop - self._first, self._n - 1))
            for event in self._one.events
            if belongs(event) and event.stop >= self._first and event.start - self._first < self._n
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
        description=told("Subgroup means", charts.location, beyond),
        **shared,
    )
    dispersion = control_chart(
        charts.dispersion,
        title=spread,
        zero=True,
        height=140,
        x_title="Subgroup, in production order",
        description=told(spread, charts.dispersion),
        **shared,
    )
    return [
        Panel("subgroups", location, False),
        Panel("subgroup-spread", dispersion, False),
    ]


def _specification(options: PanelOptions) -> dict[str, np.ndarray]:
    """Lower limit, target and upper limit in force at each drawn batch, nan where there is none."""
    if options.in_force is None or not options.specification:
        return {}
    position = options.in_force.position[options.part]
    found = {}
    for name in ("lower", "target", "upper"):
        held = [getattr(one, name) if one else None for one in options.in_force.choices]
        values = np.array([np.nan if value is None else value for value in held])[position]
        if np.isfinite(values).any():
            found[name] = values
    return found


def _aside(one: Assessment, options: PanelOptions) -> pd.DataFrame | None:
    """Readings set aside, at their batch or between its neighbours, with the reason in words."""
    if options.aside is None or options.aside.empty:
        return None
    rows, batches = options.aside, one.batches.iloc[options.part].reset_index(drop=True)
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
        if options.part.indices(one.n_batches)[1] < one.n_batches:  # what follows is not drawn
            inside &= ~(when > batches["at"].max()) | rows["batch"].isin(batches["batch"])
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


def x_title(options: PanelOptions) -> str:
    """What the axis is along, in words."""
    return TIME_TITLE if options.by_time else ORDER_TITLE


def told(
    what: str,
    chart: spc.ControlChart,
    signals: Sequence[tuple[int, str]] = (),
    unit: str = text.UNIT,
) -> str:
    """The panel as a sentence, for those who do not see it."""
    values = np.asarray(chart.values)
    newest = f"{text.number(float(values[-1]))} {unit}".strip()
    said = (
        f"{what}: {values.size} points, newest {newest}, centre "
        f"{text.number(float(chart.center[-1]))}, upper limit {text.number(float(chart.upper[-1]))}"
    )
    if float(chart.lower[-1]) != 0:
        said += f", lower limit {text.number(float(chart.lower[-1]))}"
    return f"{said}; {text.count(len(signals), 'signal') if signals else 'no signals'}."

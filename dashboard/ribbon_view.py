"""What stands in the event ribbon: lots, limits, specifications, and what the journal tells."""

from collections.abc import Mapping, Sequence
from itertools import groupby

import numpy as np
import pandas as pd

import ingest
from dashboard import text
from dashboard.chart_panels import Panel, PanelOptions
from dashboard.check_standards import on_instruments
from dashboard.figures import Bar, Lane, Mark, check_strip, event_ribbon
from dashboard.figures.scale import seconds
from dashboard.figures.strip import order_positions
from dashboard.results import Assessment, CheckStandard
from dashboard.verdicts import limits_in_words

MOST_BARS = 240
"""More lots than this in view are narrower than a mark: zoom in to see them."""
NOT_IN_THE_RIBBON = ("batch left out", "batch counted", "event", "cause", "action", "effect",
                     "remark", "record", "check tried", "limits frozen", "specification",
                     "instrument service")  # fmt: skip


def ribbon(
    one: Assessment,
    options: PanelOptions,
    lots: Mapping[str, str],
    imports: pd.DataFrame,
    journal: pd.DataFrame,
) -> list[Panel]:
    """The ribbon above the chart; none where nothing is known to have happened."""
    lanes = lanes_of(one, options, lots, imports, journal)
    if not lanes:
        return []
    shown = one.batches.iloc[options.part]
    figure = event_ribbon(
        lanes,
        shown["batch"].tolist(),
        shown["at"] if options.by_time else None,
        description=_told(lanes),
        palette=options.palette,
    )
    return [Panel("ribbon", figure, False)]


def lanes_of(
    one: Assessment,
    options: PanelOptions,
    lots: Mapping[str, str],
    imports: pd.DataFrame,
    journal: pd.DataFrame,
) -> list[Lane]:
    """The lanes that have something in them, top to bottom."""
    shown = one.batches.iloc[options.part]
    if shown.empty:
        return []
    lanes = [
        Lane("Lot", bars=_lots(shown["batch"].tolist(), lots)),
        Lane("Limits", marks=_limits(one, options, shown)),
        Lane("Spec.", marks=_specifications(options, shown)),
        Lane("Service", marks=_at_times(_services(one, journal), options, shown)),
        Lane("Import", marks=_at_times(_imports(imports), options, shown)),
    ]
    return [lane for lane in lanes if lane.bars or lane.marks]


def strips(one: Assessment, options: PanelOptions) -> list[Panel]:
    """The check standards of this product's instruments, on the axis of the chart above."""
    shown = one.batches.iloc[options.part]
    if not shown["at"].notna().any():
        return []
    used = on_instruments(one.check_standards, shown["instrument"].unique())
    end = shown["at"].max() if options.part.indices(one.n_batches)[1] < one.n_batches else None
    panels = []
    standards = used or one.check_standards
    for number, standard in enumerate(standards):
        times = pd.Series(pd.to_datetime(np.asarray(standard.times), utc=True))
        keep = np.ones(len(times), dtype=bool) if end is None else (times <= end).to_numpy()
        figure = check_strip(
            standard.values[keep],
            standard.times[keep],
            shown["at"],
            shown["batch"].tolist(),
            title=_name(standard),
            center=standard.center,
            lower=standard.lower,
            upper=standard.upper,
            by_time=options.by_time,
            show_x=number == len(standards) - 1,
            height=96 if number == len(standards) - 1 else 74,
            palette=options.palette,
        )
        panels.append(Panel(f"check-{number}", figure, False))
    return panels


def _lots(names: Sequence[str], lots: Mapping[str, str]) -> tuple[Bar, ...]:
    """Neighbouring batches made with one lot; a batch without a lot ends a bar."""
    if not lots:
        return ()
    bars, start = [], 0
    for lot, batches in groupby(names, key=lambda name: lots.get(name, "")):
        n = len(list(batches))
        if lot:
            stretch = text.stretch([names[start], names[start + n - 1]][: 1 if n == 1 else 2])
            bars.append(Bar(start, start + n - 1, lot, f"raw-material lot {lot}: {stretch}"))
        start += n
    return tuple(bars) if len(bars) <= MOST_BARS else ()


def _limits(one: Assessment, options: PanelOptions, shown: pd.DataFrame) -> tuple[Mark, ...]:
    marks = []
    for stretch in one.limits.stretches:
        at = stretch.start - options.first
        if not 0 <= at < len(shown):
            continue
        frozen = stretch.frozen
        detail = (
            f"limits from {shown['batch'].iat[at]} on, frozen on {frozen.at[:10]} by "
            f"{frozen.who}: {frozen.why}"
        )
        words = f"frozen {text.date(pd.Timestamp(frozen.at))}"
        marks.append(Mark(_begin(at, options, shown), words, detail))
    return tuple(marks)


def _specifications(options: PanelOptions, shown: pd.DataFrame) -> tuple[Mark, ...]:
    """Where another specification comes into force, seen whether or not its lines are drawn."""
    if options.in_force is None:
        return ()
    position = options.in_force.position[options.part]
    marks = []
    for at in np.flatnonzero(np.diff(position, prepend=position[0])):
        held = options.in_force.choices[position[at]]
        if held is None or held.valid_from is None:
            continue
        since = text.date(pd.Timestamp(held.valid_from))
        said = limits_in_words(held)
        marks.append(
            Mark(
                _begin(int(at), options, shown),
                said,
                f"specification {said} {text.UNIT} in force since {since}",
            )
        )
    return tuple(marks)


def _begin(at: int, options: PanelOptions, shown: pd.DataFrame) -> float:
    if options.by_time:
        return float(seconds(shown["at"])[at])
    return at + 0.5 if at else 1.0


def _services(one: Assessment, journal: pd.DataFrame) -> list[tuple[pd.Timestamp, str, str]]:
    """Services of its instruments on their day, and journal entries that stand nowhere else."""
    about = [one.product, *(name for name in one.batches["instrument"].unique() if name)]
    found = []
    for row in journal.itertuples():
        words = {word.strip(",.:;") for word in str(row.subject).split()}
        if str(row.what).startswith(NOT_IN_THE_RIBBON) or not words & set(about):
            continue
        said = f"{row.what}, {row.subject}" + (f": {row.why}" if row.why else "")
        found.append((pd.Timestamp(row.at), str(row.what), f"{said} ({row.who})"))
    for service in ingest.services_in(journal.to_dict("records")):
        if service.instrument in about:
            day = pd.Timestamp(service.on, tz="UTC") + pd.Timedelta(hours=12)
            said = f"{service.instrument}, {text.date(day)}: {service.words} ({service.who})"
            found.append((day, text.short(service.words), said))
    return found


def _imports(imports: pd.DataFrame) -> list[tuple[pd.Timestamp, str, str]]:
    return [
        (
            row.at,
            "import undone" if row.undone else "import",
            f"import of {row.file} on {text.moment(row.at)}: {row.rows_read} rows read, "
            f"{row.used} used{', undone' if row.undone else ''}",
        )
        for row in imports.itertuples()
    ]


def _at_times(
    found: Sequence[tuple[pd.Timestamp, str, str]], options: PanelOptions, shown: pd.DataFrame
) -> tuple[Mark, ...]:
    """Moments on the axis; those before the first or long after the newest batch are left out."""
    if not found or not shown["at"].notna().any():
        return ()
    times = pd.Series(pd.to_datetime([at for at, _, _ in found], utc=True))
    inside = (times >= shown["at"].min()) & (times <= shown["at"].max())
    place = seconds(times) if options.by_time else order_positions(times, shown["at"])
    return tuple(
        Mark(float(x), words, detail)
        for x, (_, words, detail), keep in zip(place, found, inside, strict=True)
        if keep and np.isfinite(x)
    )


def _name(standard: CheckStandard) -> str:
    on = f" on {standard.instrument}" if standard.instrument else ""
    return f"{standard.name}{on}"


def _told(lanes: Sequence[Lane]) -> str:
    said = []
    for lane in lanes:
        parts = [bar.detail for bar in lane.bars] + [mark.detail for mark in lane.marks]
        said.append(f"{lane.name}: {'; '.join(parts[-6:])}")
    return f"Event ribbon. {'. '.join(said)}."

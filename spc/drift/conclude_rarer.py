"""Conclusions that are asked for last: cycles, scatter, order of readings, a lone batch."""

import numpy as np
from scipy.special import stdtr

from spc.drift import places
from spc.drift.conclude import make, one_batch
from spc.drift.cycles import find_cycles
from spc.drift.findings import Series
from spc.drift.history import History
from spc.drift.sizes import Size
from spc.drift.spread import value_spread_change
from spc.drift.verdict import Verdict
from spc.drift.wording import about, percent, signed
from spc.errors import SpcError
from spc.order_effect import order_effect

_LONE_P = 0.002


def rarer(history: History, series: Series, found: float) -> Verdict | None:
    """Look for what is asked last: cycles, spread of batches, order of readings, a lone batch."""
    times = history.times[series.kept]
    cycles = find_cycles(times, series.background, series.logs)
    if cycles and cycles[0].log_odds - np.log(3.0) - 1.5 > found:
        one = cycles[0]
        evidence = [f"A wave of one {one.name}: ± {one.amplitude_percent:.1f} %."]
        what = f"The level comes and goes with the {one.name} (± {one.amplitude_percent:.1f} %)."
        return make(what, "cannot_tell", "unknown", evidence)
    try:
        scatter = value_spread_change(history.means[series.kept])
    except SpcError:
        scatter = None
    if scatter is not None and scatter.log_odds > 3.0:
        names = [
            history.batches[series.kept[i]]
            for i in (
                scatter.start,
                scatter.start_low,
                min(scatter.start_high, len(series.kept) - 1),
            )
        ]
        place = places.Place(names[0], names[1], names[2], int(series.kept[scatter.start]))
        evidence = [
            f"Spread from batch to batch {100 * scatter.after:.1f} %, {100 * scatter.before:.1f} % "
            f"before ({scatter.ratio_low:.1f} to {scatter.ratio_high:.1f} times)."
        ]
        what = (
            f"Batches scatter {scatter.after / scatter.before:.1f} times as much since {names[0]}."
        )
        return make(what, "cannot_tell", "unstable_process", evidence, place)
    order = _order(history, series)
    return order if order is not None else _lone(history, series)


def _order(history: History, series: Series) -> Verdict | None:
    grid = history.readings[series.kept]
    pairs = grid[np.isfinite(grid[:, :2]).all(axis=1)][:, :2] if grid.shape[1] > 1 else grid[:0]
    if len(pairs) < 8:
        return None
    effect = order_effect(pairs)
    if not (effect.p < 1e-4 and abs(effect.mean_log_ratio_percent) > 0.3):
        return None
    evidence = [
        f"Second against first reading of a batch: {percent(effect.mean_log_ratio_percent, 2)}, "
        f"t {signed(effect.t)}, {effect.n} pairs."
    ]
    what = (
        f"The second reading of a batch differs from the first by "
        f"{percent(effect.mean_log_ratio_percent)}: the sample changes while it is read."
    )
    return make(what, "preparation", "operator_or_reading_time", evidence)


def _lone(history: History, series: Series) -> Verdict | None:
    n = len(series.kept)
    sd = float(np.std(series.logs, ddof=1)) * float(np.sqrt(1 + 1 / n))
    level = float(np.exp(np.mean(np.log(history.means[series.kept]))))
    if not len(series.lone) or sd <= 0:
        return None
    away = np.log(history.means[series.lone] / level)
    far = int(np.argmax(np.abs(away)))
    p = 2 * n * float(stdtr(n - 1, -abs(away[far]) / sd))
    if p > _LONE_P:
        return None
    position = int(series.lone[far])
    change = 100.0 * float(np.expm1(away[far]))
    size = Size(float(history.means[position] - level), float("nan"), float("nan"), change)
    evidence = [
        f"{history.batches[position]} lies {abs(away[far]) / sd:.1f} standard deviations from the "
        f"other {n} batches; its neighbours do not."
    ]
    what = f"{about(change)} in one batch, {history.batches[position]}."
    return make(what, "cannot_tell", "unknown", evidence, one_batch(history, position), size)

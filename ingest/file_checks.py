"""Remarks on what the rows of a file come to together, and the cut of a clock that was wrong.

None of the rows that are remarked on is set aside: a person should look, and may find that all is
as it should be. Rows come in blocks: counts are kept, not rows.
"""

import re
from collections import Counter
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.findings import Remarks, plain_number

_ON_TARGET = 0.10  # share of readings exactly on the target that is worth a look
_FEWEST_ON_TARGET = 20  # readings of a product
_LAST_DIGIT = 0.45  # share of last digits 0 and 5; one in five is usual
_FEWEST_DIGITS = 30
_COUNTED = 50_000  # distinct values; beyond that no value can be a habit
_EXPONENT = r"^\d([.,]\d+)?[eE]\+\d{1,3}$"
_NINES = re.compile(r"9{4,}(\.9+)?|99\.99+|999\.9+")
_YEAR = 365.25 * 24 * 3600
_DAY = 24 * 3600
_STRAY = 0.2  # share of a file's times that a clock may have written while it was wrong
_FEWEST_TIMES = 5

_Floats = npt.NDArray[np.float64]
_Counts = npt.NDArray[np.int64]


class Habits:
    """How the values of each product are written: heaps on the target, on 0 and 5, on 9999."""

    def __init__(self, targets: Mapping[str, float]) -> None:
        """Begin with nothing seen.

        Args:
            targets: product -> aim in mPa·s.
        """
        self._targets = targets
        self._n: Counter[str] = Counter()
        self._on_target: Counter[str] = Counter()
        self._values: dict[str, Counter[float]] = {}
        self._distinct = 0
        self._exponents = 0
        self._example = ""

    def add(self, rows: pd.DataFrame, used: npt.NDArray[np.bool_]) -> None:
        """Look at a block of rows: the batches of all, the values of those in use."""
        if rows.empty:
            return
        texts = pa.array(rows["batch"].cat.categories, pa.string())
        odd = np.asarray(pc.match_substring_regex(texts, _EXPONENT), dtype=bool)
        if odd.any():
            codes = rows["batch"].cat.codes.to_numpy()
            written = codes[odd[codes]]
            self._exponents += len(written)
            if len(written) and not self._example:
                self._example = str(texts[int(written[0])].as_py())
        kept = used & np.asarray(rows["sample_type"] == "product", dtype=bool)
        codes = rows["product"].cat.codes.to_numpy()[kept]
        products = pa.array(rows["product"].cat.categories, pa.string()).to_pylist()
        values = rows["viscosity"].to_numpy(dtype=float)[kept]
        n = np.bincount(codes, minlength=len(products))
        aims = np.array([self._targets.get(name, np.nan) for name in products], dtype=float)
        on_target = np.bincount(codes[values == aims[codes]], minlength=len(products))
        for code in pd.unique(codes).tolist():
            product = products[code]
            self._n[product] += int(n[code])
            self._on_target[product] += int(on_target[code])
            if self._distinct > _COUNTED:
                continue
            mine = values[codes == code]
            each, counts = np.unique(mine, return_counts=True)
            known = self._values.setdefault(product, Counter())
            before = len(known)
            known.update(dict(zip(each.tolist(), counts.tolist(), strict=True)))
            self._distinct += len(known) - before

    def remark(self, remarks: Remarks) -> tuple[str, ...]:
        """Remark on products; notes on how the whole file is written, each one sentence."""
        notes = []
        if self._exponents:
            notes.append(
                f"{self._exponents} batch numbers are written like {self._example}: a "
                "spreadsheet has shortened them, and different batches may look alike. Export them "
                "as text."
            )
        for product, on in self._on_target.items():
            n = self._n[product]
            if n >= _FEWEST_ON_TARGET and on > _ON_TARGET * n:
                told = f"{on} of {n} readings are exactly {self._targets[product]:g} mPa·s"
                remarks.add_about_file("on_target", f"{told}, the target", product)
        if self._distinct > _COUNTED:
            return tuple(notes)
        for product, counted in self._values.items():
            values = np.array(list(counted), dtype=float)
            counts = np.array(list(counted.values()), dtype=np.int64)
            notes += _nines(product, values, counts)
            if product not in self._targets:
                _one_value(product, values, counts, remarks)
            _last_digits(product, values, counts, remarks)
        return tuple(notes)


def _nines(product: str, values: _Floats, counts: _Counts) -> list[str]:
    """9999 is what many systems write for "nothing"; only the site can say whether it is."""
    return [
        f"{count} readings of {product} are exactly {value:g}: if that stands for no result, say "
        f"so with no_result={value:g}; so far they are used."
        for value, count in zip(values.tolist(), counts.tolist(), strict=True)
        if _NINES.fullmatch(plain_number(value))
    ]


def _one_value(product: str, values: _Floats, counts: _Counts, remarks: Remarks) -> None:
    """One value far more often than those beside it, of a product without a known target."""
    total = int(counts.sum())
    if total < _FEWEST_ON_TARGET or len(values) == 1:  # one value alone has no neighbours
        return
    most = int(np.lexsort((values, -counts))[0])
    near = np.abs(values - values[most]) <= 3.5 * _step(values, counts)
    around = (counts[near].sum() - counts[most]) / 6.0  # usual count of a value beside it
    if counts[most] > max(_ON_TARGET * total, 4, 4.0 * around + 1):
        share = 100 * counts[most] / total
        told = (
            f"{counts[most]} of {total} readings ({share:.0f} %) are exactly {values[most]:g} "
            "mPa·s: was the target written where nothing was measured?"
        )
        remarks.add_about_file("one_value", told, product)


def _last_digits(product: str, values: _Floats, counts: _Counts, remarks: Remarks) -> None:
    """Last digits that are 0 or 5 far too often; where all are, it is the instrument's step."""
    total = int(counts.sum())
    digit = np.round(values / _step(values, counts)).astype(np.int64) % 10
    alike = np.isin(digit, (0, 5))
    n = int(counts[alike].sum())
    few = len(np.unique(digit[~alike])) <= 2
    if total >= _FEWEST_DIGITS and n > _LAST_DIGIT * total and not few:
        told = f"{n} of {total} readings end with 0 or 5; one in five is usual"
        remarks.add_about_file("last_digits", told, product)


def _step(values: _Floats, counts: _Counts) -> float:
    """The recording step: the largest power of ten that nearly all values are multiples of."""
    for step in (1000.0, 100.0, 10.0, 1.0, 0.1, 0.01):
        whole = np.abs(values / step - np.round(values / step)) < 1e-6
        if counts[whole].sum() >= 0.9 * counts.sum():
            return step
    return 0.001


class Moments:
    """The times of a column, day by day; `add` block by block, then `cut`."""

    def __init__(self) -> None:
        """Begin with no times."""
        self._count = np.zeros(0, dtype=np.int64)
        self._first = np.zeros(0, dtype=np.int64)
        self._last = np.zeros(0, dtype=np.int64)

    def add(self, epoch: npt.NDArray[np.int64]) -> None:
        """Look at more times, s since 1970, none before."""
        if not len(epoch):
            return
        day = epoch // _DAY
        more = max(0, int(day.max()) + 1 - len(self._count))
        self._count = np.pad(self._count, (0, more))
        self._first = np.pad(self._first, (0, more), constant_values=np.iinfo(np.int64).max)
        self._last = np.pad(self._last, (0, more), constant_values=-1)
        self._count += np.bincount(day, minlength=len(self._count))
        np.minimum.at(self._first, day, epoch)
        np.maximum.at(self._last, day, epoch)

    def cut(self) -> float:
        """The time before which the few times of a file are those of a clock that was wrong.

        They lie more than five years before the middle of the file (to the day), with more than
        two years of nothing behind them, and are at most one in five: a long history has no such
        gap.

        Returns:
            s since 1970; minus infinity where there are no such times.
        """
        days = np.flatnonzero(self._count)
        upto = np.cumsum(self._count[days])
        if not len(days) or upto[-1] < _FEWEST_TIMES:
            return -np.inf
        middle = np.searchsorted(upto, ((upto[-1] - 1) // 2, upto[-1] // 2), side="right")
        early = self._first[days[middle]].mean() - 5 * _YEAR
        first, last = self._first[days], self._last[days]
        wide = first[1:] - last[:-1] > 2 * _YEAR
        cuts = np.flatnonzero(wide & (last[:-1] < early) & (upto[:-1] <= _STRAY * upto[-1]))
        return float(first[cuts[-1] + 1]) if len(cuts) else -np.inf


def clock_cut(epoch: npt.NDArray[np.int64]) -> float:
    """The time before which a clock was wrong, from all times of a file; see `Moments`."""
    moments = Moments()
    moments.add(epoch)
    return moments.cut()

"""What a run rule looks for: zone patterns, trends and alternations, as functions of points."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

import numpy as np

from spc.errors import ArgumentError
from spc.intake import BoolArray, FloatArray, as_count, as_flag, as_number

Region: TypeAlias = Literal["one side", "either side", "within"]

LONGEST_WINDOW = 100


def _enough(hits: BoolArray, count: int, window: int) -> BoolArray:
    """Flag the hits that have `count` hits, themselves included, among `window` places.

    `hits` has `window - 1` places more in front than the answer.
    """
    if count == window:
        together, reach = hits, 1
        while reach < window:  # doubling: two in a row, four, eight
            step = min(reach, window - reach)
            together = together[step:] & together[:-step]
            reach += step
        return together
    n = hits.size - window + 1
    if count == 2:
        other = hits[:n] | hits[1 : n + 1]
        for place in range(2, window - 1):
            other |= hits[place : place + n]
    else:
        ones = hits.view(np.uint8)
        sums = ones[:n] + ones[1 : n + 1]
        for place in range(2, window - 1):
            sums += ones[place : place + n]
        other = sums >= count - 1
    other &= hits[window - 1 :]
    return other


@dataclass(frozen=True, slots=True)
class ZonePattern:
    """`count` of the last `window` points, the newest among them, in one region.

    The form in which a run length can be computed exactly.

    Attributes:
        count: how many points must lie there, 1 or more.
        window: among how many, `count` to 100; it need not be full.
        distance: border of the region in standard deviations.
        region: "one side": beyond the distance, all above or all below; "either side": beyond
            it above or below; "within": not beyond it, the border included.
    """

    count: int
    window: int
    distance: float
    region: Region = "one side"

    def __post_init__(self) -> None:
        """Refuse a pattern that cannot be."""
        as_count(self.count, name="count", at_least=1)
        as_count(self.window, name="window", at_least=self.count)
        if self.window > LONGEST_WINDOW:
            raise ArgumentError(f"window must be at most {LONGEST_WINDOW}, got {self.window}")
        if as_number(self.distance, name="distance") < 0:
            raise ArgumentError(f"distance must not be negative, got {self.distance:g}")
        if not isinstance(self.region, str) or self.region not in get_args(Region):
            choices = ", ".join(get_args(Region))
            raise ArgumentError(f"region must be one of {choices}, got {self.region!r}")

    def flags(
        self,
        points: FloatArray,
        low: FloatArray | float | None = None,
        high: FloatArray | float | None = None,
    ) -> BoolArray:
        """Flag the points that complete the pattern.

        Args:
            points: shape (n,), standardised points, nan where one is missing; or values, with
            low: the smallest value that is not below the region's lower border, and
            high: the largest one that is not above its upper border; one for all, or one a point.
        """
        bottom = -self.distance if low is None else low
        top = self.distance if high is None else high
        n, memory = points.size, self.window - 1
        if self.region == "one side":
            # Both sides at once, the lower one behind the upper one; nothing is known of the
            # time before the first point, and those places keep the two apart.
            hits = np.empty(2 * (memory + n), dtype=bool)
            hits[:memory] = hits[memory + n : 2 * memory + n] = False
            np.greater(points, top, out=hits[memory : memory + n])
            np.less(points, bottom, out=hits[2 * memory + n :])
            both = _enough(hits, self.count, self.window)
            return both[:n] | both[memory + n :]
        hits = np.zeros(memory + n, dtype=bool)
        newest = hits[memory:]
        if self.region == "either side":
            np.greater(points, top, out=newest)
            newest |= points < bottom
        else:
            np.less_equal(points, top, out=newest)
            newest &= points >= bottom
        return _enough(hits, self.count, self.window)


@dataclass(frozen=True, slots=True)
class Rule:
    """One run rule.

    Attributes:
        key: stable name for files and settings.
        phrase: what it says, short, for a label beside the point.
        definition: the complete definition, for people.
        source: where it comes from.
        flags: shape (n,) in, True where the rule signals, same shape. In come standardised
            points, or values for a rule `on_values`; nan is a missing point.
        pattern: the same rule as numbers; None for a rule that is no zone rule.
        window: for a rule without a pattern, how many points it looks at, the newest included,
            if a missing point counts for nothing in it; None if that is not known.
        on_values: True for a rule that compares values with each other, not with the limits.
    """

    key: str
    phrase: str
    definition: str
    source: str
    flags: Callable[[FloatArray], BoolArray]
    pattern: ZonePattern | None = None
    window: int | None = None
    on_values: bool = False

    def __post_init__(self) -> None:
        """Refuse what cannot be applied or shown."""
        for name in ("key", "phrase", "definition", "source"):
            if not isinstance(getattr(self, name), str):
                raise ArgumentError(f"{name} must be text, got {getattr(self, name)!r}")
        if not callable(self.flags):
            raise ArgumentError(f"flags must be a function of the points, got {self.flags!r}")
        if self.pattern is not None and not isinstance(self.pattern, ZonePattern):
            raise ArgumentError(f"pattern must be a ZonePattern or None, got {self.pattern!r}")
        if self.window is not None:
            as_count(self.window, name="window", at_least=1)
        as_flag(self.on_values, name="on_values")

    @property
    def memory(self) -> int | None:
        """How many points before the newest one it looks at; None if that is not known."""
        window = self.window if self.pattern is None else self.pattern.window
        return None if window is None else window - 1


def steady(values: FloatArray, n: int) -> BoolArray:
    """Flag points that end n rising, or n falling, values."""
    size, memory = values.size, n - 1
    hits = np.zeros(2 * (memory + size), dtype=bool)  # rising, then falling, as in ZonePattern
    np.greater(values[1:], values[:-1], out=hits[memory + 1 : memory + size])
    np.less(values[1:], values[:-1], out=hits[2 * memory + size + 1 :])
    both = _enough(hits[1:], n - 1, n - 1)
    return both[:size] | both[memory + size :]


def alternating(values: FloatArray, n: int) -> BoolArray:
    """Flag points that end n values going up and down in turn."""
    up, down = values[1:] > values[:-1], values[1:] < values[:-1]
    hits = np.zeros(values.size + n - 3, dtype=bool)
    turns = hits[n - 1 :]
    np.logical_and(up[1:], down[:-1], out=turns)
    turns |= down[1:] & up[:-1]
    return _enough(hits, n - 2, n - 2)

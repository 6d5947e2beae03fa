"""Where a condition that holds at first stops to hold."""

from collections.abc import Callable


def halve(holds: Callable[[float], bool], low: float, high: float, *, steps: int = 60) -> float:
    """Return the place between `low` and `high` where `holds` turns from True to False.

    Sixty halvings of a bracket leave less than the spacing of doubles next to its upper end.
    """
    for _ in range(steps):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return 0.5 * (low + high)

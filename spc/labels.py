"""Labels of values: laboratories, batches, parts, products. None missing, none merged unasked."""

from collections.abc import Sequence
from datetime import date
from numbers import Real
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import ArgumentError
from spc.intake import IntArray, is_missing, shown

Labels: TypeAlias = ArrayLike | Sequence[Any]

# Rows named in a message; the others are counted.
_ROWS_NAMED = 10


def as_labels(labels: Labels, *, name: str, size: int) -> tuple[tuple[Any, ...], IntArray]:
    """Return the different labels in sorted order and, for each value, the index of its label.

    Numbers and words may stand together, numbers first; 1 and 1.0 are one label. A label that
    occurs both as a number and as a word ("1" and 1) is refused: whether it is one thing or two,
    only the caller knows.
    """
    given = _listed(labels, name)
    if len(given) != size:
        raise ArgumentError(f"{name} must have a label for each of {size} values, got {len(given)}")
    missing = [row for row, label in enumerate(given) if is_missing(label)]
    if missing:
        raise ArgumentError(
            f"{name} must have a label for each value, got none at {_rows(missing)}: "
            "leave such values out"
        )
    kinds = [_kind(label) for label in given]
    place: dict[tuple[str, Any], int] = {}
    try:
        first = [
            place.setdefault(key, row) for row, key in enumerate(zip(kinds, given, strict=True))
        ]
    except TypeError as error:
        raise ArgumentError(
            f"{name} must be one-dimensional, with a number or a word for each value: {error}"
        ) from error
    _refuse_two_kinds(place, name)
    try:
        different = sorted(place)
    except TypeError:  # labels without an order
        different = sorted(place, key=lambda key: (key[0], str(key[1])))
    position = {place[key]: number for number, key in enumerate(different)}
    index = np.array([position[row] for row in first], dtype=np.int64)
    return tuple(label for _, label in different), index


def _listed(labels: Labels, name: str) -> list[Any]:
    if isinstance(labels, np.ma.MaskedArray) and bool(np.ma.getmaskarray(labels).any()):
        masked = np.flatnonzero(np.ma.getmaskarray(labels)).tolist()
        raise ArgumentError(
            f"{name} must have a label for each value, got a masked one at {_rows(masked)}: "
            "leave such values out"
        )
    if isinstance(labels, (str, bytes)):
        raise ArgumentError(f"{name} must hold a label for each value, got one text {labels!r}")
    try:
        given = labels if isinstance(labels, np.ndarray) else np.array(labels, dtype=object)
    except ValueError as error:
        raise ArgumentError(f"{name} must be one-dimensional: {error}") from error
    if given.ndim != 1:
        raise ArgumentError(f"{name} must be one-dimensional, got shape {given.shape}")
    if given.dtype.kind == "M":  # nanoseconds would turn into plain numbers
        return list(given)
    return list(given.tolist())


def _kind(label: object) -> str:
    if isinstance(label, (bool, np.bool_)):
        return "yes or no"
    if isinstance(label, (Real, np.integer, np.floating)):
        return "number"
    if isinstance(label, (date, np.datetime64)):
        return "time"
    return "word" if isinstance(label, str) else type(label).__name__


def _spelled(key: tuple[str, Any]) -> str:
    kind, label = key
    if kind == "number" and label in (0, label // 1):  # a whole number; infinite is none
        return str(int(label))
    return str(label).strip()


def _refuse_two_kinds(place: dict[tuple[str, Any], int], name: str) -> None:
    """Refuse labels that look the same and are not."""
    if len({kind for kind, _ in place}) == 1:
        return
    seen: dict[str, tuple[str, Any]] = {}
    for key, row in place.items():
        other = seen.setdefault(_spelled(key), key)
        if other[0] != key[0]:
            raise ArgumentError(
                f"{name} must write one label in one way, got {shown(other[1])} "
                f"at index {place[other]} and {shown(key[1])} at index {row}: "
                "make both numbers or both text"
            )


def _rows(rows: list[int]) -> str:
    named = ", ".join(str(row) for row in rows[:_ROWS_NAMED])
    more = len(rows) - _ROWS_NAMED
    return f"index {named}" + (f" (and {more} more)" if more > 0 else "")

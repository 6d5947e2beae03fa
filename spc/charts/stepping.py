"""Many series side by side: what charts that carry a memory through time need.

Rows are characteristics, columns are points in production order. A memory can only be brought
forward point by point, so the steps go through time and each step takes all rows at once; that
is the scalar recursion, operation by operation, and equals it to the last bit.
"""

import numpy as np
from numpy.typing import ArrayLike

from spc.design import as_reals
from spc.errors import ArgumentError
from spc.intake import LARGEST, BoolArray, FloatArray, as_count


def as_rows(values: ArrayLike) -> tuple[FloatArray, BoolArray | None]:
    """Return the points with time first, shape (points, rows), and where they are missing.

    Time first since a step must find its points side by side in memory. None where none is missing.
    """
    table = as_reals(values, name="values")
    if table.ndim != 2:
        raise ArgumentError(
            f"values must be two-dimensional (characteristics, points), got shape {table.shape}"
        )
    by_time = np.array(table.T, order="C")
    # One pass finds all trouble: nan and infinity make the comparison false.
    if by_time.size == 0 or (by_time.min() >= -LARGEST and by_time.max() <= LARGEST):
        return by_time, None
    missing = np.isnan(by_time)
    wrong = ~missing & ~(np.abs(by_time) <= LARGEST)
    if wrong.any():
        row, point = np.argwhere(wrong.T)[0]
        raise ArgumentError(
            f"values must be finite, or nan for a missing point, got {by_time[point, row]:g} "
            f"in row {row}, point {point}: leave such points out"
        )
    return by_time, missing


def as_per_row(numbers: ArrayLike, n_rows: int, *, name: str) -> FloatArray:
    """Return one finite number for each row; a single number stands for all."""
    given = as_reals(numbers, name=name)
    if given.ndim > 1 or (given.ndim == 1 and given.size != n_rows):
        raise ArgumentError(
            f"{name} must be one number or one a row ({n_rows}), got shape {given.shape}"
        )
    per_row = np.array(np.broadcast_to(given, (n_rows,)))
    bad = ~(np.abs(per_row) <= LARGEST)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise ArgumentError(f"{name} must be finite, got {per_row[row]:g} in row {row}")
    return per_row


def as_row_index(index: int, n_rows: int) -> int:
    """Return the number of a row, 0 first."""
    row = int(as_count(index, name="index", at_least=0))
    if row >= n_rows:
        raise ArgumentError(f"index must be below the number of rows {n_rows}, got {row}")
    return row

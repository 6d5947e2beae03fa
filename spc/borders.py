"""Where a limit ends, to the rounding of its own arithmetic: one border for all that judge by it.

On paper 2001.7 + 3 · 12.1 is 2038 exactly, and a result of 2038 lies on the limit. In binary
fractions 2001.7 and 12.1 are not what they say, and the sum may come out a digit beside 2038, on
either side. A point on a limit does not signal; so a point that a few last digits separate from it
does not either.
"""

from typing import TypeVar

import numpy as np

from spc.intake import FloatArray

Border = TypeVar("Border", float, FloatArray)

# In units of 2^-52 of the larger of centre and limit. Value, centre, sigma, the multiple of sigma
# and the sum are each off by at most half of that share of their own: for decimals that makes 3.5
# in the worst case, and 5.5 where a standard error is sigma over a root.
ROUNDINGS = 8
_SHARE = ROUNDINGS * float(np.finfo(np.float64).eps)


def highest_inside(limit: Border, center: Border) -> Border:
    """Return the largest value that does not lie above an upper limit.

    Args:
        limit: upper limit, one number or an array of any shape; a lower limit in `lowest_inside`.
        center: the centre line that it was made from, same shape.

    Source: own convention; J. H. Wilkinson, Rounding Errors in Algebraic Processes (1963), for how
        the roundings add up.

    Example:
        >>> center, sigma = 2.3, 0.7  # on paper the limit is 4.4
        >>> upper = center + 3 * sigma
        >>> 4.4 > upper, bool(4.4 > highest_inside(upper, center))
        (True, False)
    """
    highest: Border = limit + _SHARE * np.maximum(np.abs(limit), np.abs(center))
    return highest


def lowest_inside(limit: Border, center: Border) -> Border:
    """Return the smallest value that does not lie below a lower limit; as `highest_inside`."""
    lowest: Border = limit - _SHARE * np.maximum(np.abs(limit), np.abs(center))
    return lowest

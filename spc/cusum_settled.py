"""Both sums of a CUSUM chart as one Markov chain: how long a chart in the middle of its life runs.

A fresh chart needs only its two sides one by one. A chart that has been quiet for long may have
one sum on its way, or both, so here a state is a pair of cells.
"""

from collections.abc import Callable

import numpy as np
from scipy.special import ndtr

from spc.absorbing import QuietTime, follow
from spc.intake import FloatArray


def settled_quiet_time(k: float, h: float, shift: float, limit: float, cells: int) -> QuietTime:
    """Chance to stay quiet after a shift that comes after long quiet in control.

    Args:
        k: allowance in sigma.
        h: decision limit in sigma.
        shift: of the mean, in sigma.
        limit: single points beyond it signal too; may be infinite.
        cells: from zero to h, for each sum; zero itself is one more.
    """
    chain = joint_chain(k, h, limit, cells)
    fresh = np.zeros((cells + 1) ** 2)
    fresh[0] = 1.0
    late = follow(chain(0.0), fresh).state
    return follow(chain(shift), late)


def joint_chain(
    k: float, h: float, limit: float, cells: int
) -> Callable[[float], Callable[[FloatArray], FloatArray]]:
    """Return what makes, for a shift, the step of the chances by one point.

    State i * (cells + 1) + j: the upper sum in its cell i, the lower one in its cell j, 0 being
    zero itself.
    """
    from scipy.sparse import csr_array  # slow to import, seldom needed

    edges = np.linspace(0.0, h, cells + 1)
    middles = np.concatenate(([0.0], 0.5 * (edges[:-1] + edges[1:])))
    upper, lower = (grid.ravel() for grid in np.meshgrid(middles, middles, indexing="ij"))
    # The points that take a sum from its middle to an edge: for the upper sum ascending with the
    # edge, for the lower one descending. Between two of them both sums stay in one cell each.
    needed = np.concatenate(
        (k + edges - upper[:, np.newaxis], lower[:, np.newaxis] - k - edges), axis=1
    )
    order = np.argsort(needed, axis=1, kind="stable")
    needed = np.take_along_axis(needed, order, axis=1)
    passed = np.cumsum(order <= cells, axis=1)[:, :-1]  # edges of the upper sum
    i = passed
    j = cells + 1 - (np.arange(1, needed.shape[1]) - passed)
    quiet = (i <= cells) & (j <= cells)
    source, place = quiet.nonzero()
    target = (i * (cells + 1) + j)[quiet]
    low = np.clip(needed[source, place], -limit, limit)
    high = np.clip(needed[source, place + 1], -limit, limit)
    size = upper.size

    def step(shift: float) -> Callable[[FloatArray], FloatArray]:
        chance = ndtr(high - shift) - ndtr(low - shift)
        matrix = csr_array((chance, (target, source)), shape=(size, size))
        return lambda state: matrix @ state

    return step

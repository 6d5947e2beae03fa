"""How much better a level change explains a series than no change does, neighbours being alike.

The whole of `spc.drift` rests on one formula, written here once. A series is a mean (and what else
is already known: `nuisance` columns), plus an error in which each value keeps a share phi of its
neighbour's error, plus one candidate regressor (a step, a ramp, the batches of one operator) times
an unknown size. With the size normal around zero, `SIZE` error standard deviations wide, and the
error variance unknown, the odds of the data with against without the candidate have a closed form;
phi is averaged over a grid. No simulation, no random number.

Source: Zellner, An Introduction to Bayesian Inference in Econometrics (1971), chapters 3 and 4
(normal regression with first-order autocorrelated errors, conjugate prior); Smith, Biometrika 62
(1975) 407 (a change point's place as a posterior over positions); both from memory. Prior widths
and phi grid are our convention; what they are worth is measured in tests/spc/test_drift_*.py.
"""

import numpy as np

from spc.intake import BoolArray, FloatArray

SIZE = 3.0
"""Prior standard deviation of a change, in error standard deviations: our convention."""
PHI = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
_PHI_PRIOR = 0.88 * (1.0 - PHI) ** 3 / np.sum((1.0 - PHI) ** 3) + 0.12 * (PHI >= 0.5) / 5.0
_LOG_PHI_PRIOR = np.log(_PHI_PRIOR)


def log_sum(values: FloatArray, axis: int = 0) -> FloatArray:
    """Return log Σ exp, without overflow."""
    top = np.max(values, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    total = np.log(np.sum(np.exp(values - top), axis=axis)) + np.squeeze(top, axis=axis)
    return np.asarray(total)


class Background:
    """A series and what is known about it, ready to weigh candidates: see `weigh`.

    Attributes:
        n: number of values.
        log_null: log evidence of "no change" for each phi of the grid, shape (phis,).
        phi_weights: posterior weight of each phi if nothing changed, shape (phis,).
    """

    __slots__ = (
        "_chol",
        "_free",
        "_half",
        "_known",
        "_rss",
        "_size",
        "log_null",
        "n",
        "phi_weights",
    )

    def __init__(self, values: FloatArray, nuisance: FloatArray, size: float = SIZE) -> None:
        """Take the series, shape (n,), and its known columns, shape (n, k), the constant among."""
        self.n = len(values)
        self._size = size
        self._known = np.column_stack([values, nuisance])
        gram = _grams(self._known, self._known)
        inner = gram[:, 1:, 1:]
        self._chol = np.linalg.cholesky(inner + 1e-12 * np.eye(inner.shape[1]) * self.n)
        self._half = np.linalg.solve(self._chol, gram[:, 1:, :1])
        rss = gram[:, 0, 0] - np.sum(self._half[:, :, 0] ** 2, axis=1)
        self._rss = np.maximum(rss, 1e-14 * float(values @ values) + 1e-300)
        self._free = self.n - nuisance.shape[1]
        log_det = 2.0 * np.sum(np.log(np.diagonal(self._chol, axis1=1, axis2=2)), axis=1)
        self.log_null = (
            _LOG_PHI_PRIOR
            + 0.5 * np.log(1.0 - PHI**2)
            - 0.5 * log_det
            - 0.5 * self._free * np.log(self._rss)
        )
        self.phi_weights = np.exp(self.log_null - log_sum(self.log_null))

    @property
    def values(self) -> FloatArray:
        """The series."""
        return np.asarray(self._known[:, 0])

    def _partial(self, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Cross products of columns with the series (phis, m), and their loadings on the known."""
        cross = _grams(self._known, columns)
        loads = np.linalg.solve(self._chol, cross[:, 1:, :])
        return cross[:, 0, :] - np.sum(loads * self._half, axis=1), loads

    def weigh(self, columns: FloatArray) -> FloatArray:
        """Return the log odds of each column (n, m) as the one change, against no change: (m,)."""
        b, loads = self._partial(columns)
        square = _squares(columns) - np.sum(loads**2, axis=1)
        return self._average(b**2, square)

    def weigh_differences(self, columns: FloatArray, allowed: BoolArray) -> FloatArray:
        """Return the log odds of column i less column j for each allowed pair: (m, m), else -inf.

        With step columns the difference is a stretch that begins at i and ends before j.
        """
        b, loads = self._partial(columns)
        gram = _grams(columns, columns) - np.einsum("pki,pkj->pij", loads, loads)
        first, second = np.nonzero(allowed)
        own = np.diagonal(gram, axis1=1, axis2=2)
        square = own[:, first] + own[:, second] - 2.0 * gram[:, first, second]
        found = np.full(allowed.shape, -np.inf)
        found[first, second] = self._average((b[:, first] - b[:, second]) ** 2, square)
        return found

    def weigh_together(self, columns: FloatArray) -> float:
        """Return the log odds of all columns (n, m) at once, each with a size of its own."""
        b, loads = self._partial(columns)
        gram = _grams(columns, columns) - np.einsum("pki,pkj->pij", loads, loads)
        m = columns.shape[1]
        inner = np.eye(m) + self._size**2 * gram
        solved = np.linalg.solve(inner, self._size**2 * b[:, :, None])[:, :, 0]
        rss = np.maximum(self._rss - np.sum(b * solved, axis=1), 1e-9 * self._rss)
        _, log_det = np.linalg.slogdet(inner)
        odds = -0.5 * log_det - 0.5 * self._free * np.log(rss / self._rss)
        return float(log_sum(self.log_null + odds) - log_sum(self.log_null))

    def _average(self, b_squared: FloatArray, square: FloatArray) -> FloatArray:
        """Log odds averaged over phi, from Σ(x y)² and Σx² after the known columns, (phis, m)."""
        square = np.maximum(square, 0.0)
        precision = 1.0 + self._size**2 * square
        gain = self._size**2 * b_squared / precision
        left = np.maximum(1.0 - gain / self._rss[:, None], 1e-9)
        odds = -0.5 * np.log(precision) - 0.5 * self._free * np.log(left)
        return log_sum(self.log_null[:, None] + odds) - log_sum(self.log_null)

    def fit(self, column: FloatArray) -> tuple[float, float, float, float]:
        """Return size, standard error, degrees of freedom and phi of one column, phi averaged.

        The size is the generalised least-squares one; its error includes that phi is not known.
        """
        b, loads = self._partial(column[:, None])
        square = np.maximum(_squares(column[:, None]) - np.sum(loads**2, axis=1), 1e-12)[:, 0]
        size = b[:, 0] / square
        rss = np.maximum(self._rss - b[:, 0] * size, 1e-9 * self._rss)
        free = max(self._free - 1, 1)
        log_weight = self.log_null + 0.5 * self._free * np.log(self._rss)
        log_weight = log_weight - 0.5 * np.log(square) - 0.5 * free * np.log(rss)
        weights = np.exp(log_weight - log_sum(log_weight))
        mean = float(weights @ size)
        variance = float(weights @ (rss / free / square)) + float(weights @ (size - mean) ** 2)
        return mean, float(np.sqrt(variance)), float(free), float(weights @ PHI)


def _grams(left: FloatArray, right: FloatArray) -> FloatArray:
    """Cross products of whitened columns for each phi: (phis, columns left, columns right).

    Whitening takes phi times the row above from each row and scales the first by √(1 - phi²); its
    cross products are a quadratic in phi, so that three products serve the whole grid. Those of all
    rows but the first and of all but the last differ from one product by a row each.
    """
    whole = left.T @ right
    later = whole - np.outer(left[0], right[0])
    earlier = whole - np.outer(left[-1], right[-1])
    below = left[1:].T @ right[:-1]
    mixed = below + (below.T if left is right else left[:-1].T @ right[1:])
    first = np.outer(left[0], right[0])
    phi = PHI[:, None, None]
    return np.asarray(later + (1.0 - phi**2) * first - phi * mixed + phi**2 * earlier)


def _squares(columns: FloatArray) -> FloatArray:
    """Sums of squares of whitened columns for each phi: (phis, columns)."""
    later = np.sum(columns[1:] ** 2, axis=0)
    mixed = 2.0 * np.sum(columns[1:] * columns[:-1], axis=0)
    earlier = np.sum(columns[:-1] ** 2, axis=0)
    phi = PHI[:, None]
    return np.asarray(later + (1.0 - phi**2) * columns[0] ** 2 - phi * mixed + phi**2 * earlier)

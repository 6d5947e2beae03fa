"""The odds of a change against dense linear algebra that shares nothing with the code."""

import numpy as np
import pytest

from spc.drift.evidence import Background, log_sum

GRID = np.arange(10) / 10
# As the module states its prior of neighbours' correlation.
PRIOR = 0.88 * (1 - GRID) ** 3 / np.sum((1 - GRID) ** 3) + 0.12 * (GRID >= 0.5) / 5


def dense_log_evidence(y, known, columns, phi, size=3.0):
    """Log of ∫ N(y; known b + columns d, s² R) db dd ds/s, d ~ N(0, size² s²), by full matrices."""
    n, k = known.shape
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    cover = phi**lags / (1 - phi**2) if phi else np.eye(n)
    cover = cover + size**2 * columns @ columns.T
    inverse = np.linalg.inv(cover)
    middle = known.T @ inverse @ known
    projector = inverse - inverse @ known @ np.linalg.inv(middle) @ known.T @ inverse
    return (
        -0.5 * np.linalg.slogdet(cover)[1]
        - 0.5 * np.linalg.slogdet(middle)[1]
        - 0.5 * (n - k) * np.log(y @ projector @ y)
    )


def averaged(y, known, columns, size=3.0):
    logs = [dense_log_evidence(y, known, columns, phi, size) for phi in GRID]
    return float(log_sum(np.log(PRIOR) + np.array(logs)))


@pytest.mark.parametrize("seed", range(6))
def test_odds_of_single_columns(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(9, 30))
    y = rng.normal(size=n).cumsum() if seed % 2 else rng.normal(size=n)
    known = np.column_stack([np.ones(n), rng.integers(0, 2, n)]) if seed > 2 else np.ones((n, 1))
    columns = rng.normal(size=(n, 4))
    found = Background(y, known).weigh(columns)
    nothing = averaged(y, known, np.zeros((n, 1)))
    for i in range(4):
        assert found[i] == pytest.approx(averaged(y, known, columns[:, [i]]) - nothing, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_odds_of_stretches_and_of_several_columns(seed):
    rng = np.random.default_rng(100 + seed)
    n = 16
    y, known = rng.normal(size=n), np.ones((n, 1))
    steps = np.tril(np.ones((n, n)))
    allowed = np.zeros((n, n), dtype=bool)
    allowed[[2, 5, 4], [6, 9, 14]] = True
    background = Background(y, known)
    found = background.weigh_differences(steps, allowed)
    nothing = averaged(y, known, np.zeros((n, 1)))
    for i, j in np.argwhere(allowed):
        column = ((np.arange(n) >= i) & (np.arange(n) < j)).astype(float)[:, None]
        assert found[i, j] == pytest.approx(averaged(y, known, column) - nothing, abs=1e-6)
    assert np.isneginf(found[~allowed]).all()
    several = steps[:, [3, 8, 12]]
    expected = averaged(y, known, several) - nothing
    assert background.weigh_together(several) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_size_is_generalised_least_squares(seed):
    rng = np.random.default_rng(200 + seed)
    n = 25
    column = (np.arange(n) >= 10).astype(float)
    y = rng.normal(size=n) + 2 * column
    size, error, free, _ = Background(y, np.ones((n, 1))).fit(column)
    sizes, errors, logs = [], [], []
    both = np.column_stack([np.ones(n), column])
    for phi, prior in zip(GRID, PRIOR, strict=True):
        lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        cover = phi**lags / (1 - phi**2) if phi else np.eye(n)
        inverse = np.linalg.inv(cover)
        middle = both.T @ inverse @ both
        beta = np.linalg.solve(middle, both.T @ inverse @ y)
        rss = (y - both @ beta) @ inverse @ (y - both @ beta)
        sizes.append(beta[1])
        errors.append(rss / (n - 2) * np.linalg.inv(middle)[1, 1])
        logs.append(
            np.log(prior)
            - 0.5 * np.linalg.slogdet(cover)[1]
            - 0.5 * np.linalg.slogdet(middle)[1]
            - 0.5 * (n - 2) * np.log(rss)
        )
    weights = np.exp(np.array(logs) - log_sum(np.array(logs)))
    mean = weights @ sizes
    assert size == pytest.approx(mean, rel=1e-6)
    variance = weights @ errors + weights @ (np.array(sizes) - mean) ** 2
    assert error == pytest.approx(np.sqrt(variance), rel=1e-6)
    assert free == n - 2


def test_a_column_that_is_known_already_says_nothing():
    y = np.random.default_rng(5).normal(size=12)
    assert Background(y, np.ones((12, 1))).weigh(np.ones((12, 1)))[0] == pytest.approx(0, abs=1e-6)

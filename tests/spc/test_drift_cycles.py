"""Cycles of day, week and season: known truth, brute force, and a fit by a general library."""

import numpy as np
import pytest
from scipy import optimize
from scipy.stats import multivariate_normal

from spc.drift import find_cycles
from spc.drift.evidence import PHI, SIZE, Background

FOUND = 1.8 + np.log(3.0) + 1.5
"""Log odds from which a verdict tells of a cycle: three periods are tried, each is rare."""


def cycles(times, logs):
    logs = logs - logs.mean()
    return find_cycles(times, Background(logs, np.ones((len(logs), 1))), logs)


def sampled(rng, n=160, days=60.0):
    return np.sort(rng.uniform(0, days, n))


@pytest.mark.parametrize(
    ("name", "period", "days"), [("day", 1.0, 40), ("week", 7.0, 120), ("season", 365.25, 900)]
)
@pytest.mark.parametrize("seed", [401, 402, 403])
def test_a_wave_that_was_put_in_is_found(name, period, days, seed):
    rng = np.random.default_rng(seed)
    times = sampled(rng, days=days)
    peak = rng.uniform(0, period)
    logs = 0.03 * np.cos(2 * np.pi * (times - peak) / period) + 0.012 * rng.normal(size=len(times))
    best = cycles(times, logs)[0]
    assert (best.name, best.period) == (name, period)
    assert best.log_odds > FOUND
    # The error of an amplitude of n values is about sd times the root of 2 / n.
    assert best.amplitude_percent == pytest.approx(3.0, abs=4 * 1.2 * np.sqrt(2 / len(times)))
    away = (best.peak - peak + period / 2) % period - period / 2
    assert abs(away) < 0.12 * period


def test_amplitude_and_peak_against_a_fit_by_scipy():
    rng = np.random.default_rng(404)
    times = sampled(rng, n=400, days=50)
    logs = 0.02 * np.sin(2 * np.pi * times + 1.1) + 0.01 * rng.normal(size=400)
    best = cycles(times, logs)[0]

    def wave(t, level, amplitude, phase):
        return level + amplitude * np.sin(2 * np.pi * t + phase)

    (_, amplitude, phase), _ = optimize.curve_fit(wave, times, logs - logs.mean(), p0=(0, 0.01, 1))
    # At 400 moments of the day the highest and lowest one seen lie next to those of the curve.
    assert best.amplitude_percent == pytest.approx(100 * abs(amplitude), rel=1e-3)
    at = ((np.pi / 2 - phase) / (2 * np.pi)) % 1.0
    assert best.peak == pytest.approx(at, abs=0.01)


def test_log_odds_against_dense_matrices():
    """The same model written out: covariance of neighbours, of the wave, an unknown level.

    Averaged over phi with the weights that the background gives it, as each phi has its own
    evidence with and without the wave.
    """
    rng = np.random.default_rng(405)
    times = sampled(rng, n=40, days=30)
    logs = 0.02 * np.cos(2 * np.pi * times / 7.0) + 0.02 * rng.normal(size=40)
    logs = logs - logs.mean()
    background = Background(logs, np.ones((40, 1)))
    found = {one.name: one.log_odds for one in find_cycles(times, background, logs)}
    for name, period in (("day", 1.0), ("week", 7.0)):
        angle = 2 * np.pi * times / period
        waves = np.column_stack([np.sin(angle), np.cos(angle)])
        waves = waves - waves.mean(axis=0)
        ratios = []
        for phi in PHI:
            apart = np.abs(np.subtract.outer(np.arange(40), np.arange(40)))
            neighbours = phi**apart / (1 - phi**2)
            wide = neighbours + SIZE**2 * waves @ waves.T
            ratios.append(_log_evidence(logs, wide) - _log_evidence(logs, neighbours))
        expected = np.log(np.sum(background.phi_weights * np.exp(ratios)))
        assert found[name] == pytest.approx(expected, abs=1e-6)


def _log_evidence(values, covariance):
    """Level and variance unknown and integrated out, up to what both models share."""
    one = np.ones(len(values))
    inverse = np.linalg.inv(covariance)
    level = one @ inverse @ one
    away = values - one * (one @ inverse @ values) / level
    _, log_det = np.linalg.slogdet(covariance)
    free = len(values) - 1
    return -0.5 * log_det - 0.5 * np.log(level) - 0.5 * free * np.log(away @ inverse @ away)


def test_chance_and_alike_neighbours_are_rarely_a_cycle():
    told = 0
    for seed in range(150):
        rng = np.random.default_rng([406, seed])
        times = sampled(rng, n=80, days=rng.uniform(15, 800))
        phi = rng.choice([0.0, 0.3, 0.6])
        apart = np.abs(np.subtract.outer(np.arange(80), np.arange(80)))
        logs = 0.02 * multivariate_normal.rvs(cov=phi**apart, random_state=rng)
        told += any(one.log_odds > FOUND for one in cycles(times, logs))
    assert told <= 8  # 5 %, and no more by more than chance


def test_what_cannot_show_a_cycle_is_left_out():
    rng = np.random.default_rng(407)
    logs = 0.02 * rng.normal(size=60)
    always_noon = np.arange(60) + 0.5
    assert [one.name for one in cycles(always_noon, logs)] == ["week"]
    short = np.sort(rng.uniform(0, 9.0, 60))
    assert {one.name for one in cycles(short, logs)} == {"day"}
    assert cycles(short[:19], logs[:19]) == []
    assert cycles(np.where(np.arange(60) == 3, np.nan, short), logs) == []


def test_two_times_of_day_are_one_contrast():
    rng = np.random.default_rng(408)
    late = rng.random(80) < 0.5
    times = np.arange(80) + np.where(late, 0.75, 0.25)
    logs = 0.04 * late + 0.01 * rng.normal(size=80)
    best = cycles(times, logs)[0]
    assert best.name == "day"
    # Half the distance between the means of the two shifts.
    expected = 50 * (logs[late].mean() - logs[~late].mean())
    assert best.amplitude_percent == pytest.approx(expected, rel=1e-6)
    assert best.peak == pytest.approx(0.75)

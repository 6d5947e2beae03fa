"""Run lengths of rules with an EWMA chart beside them: simulation with loops made here."""

import math

import numpy as np
import pytest

import spc


def combined_runs(rng, runs, shift, weight, width, *, quiet=0, fixed=False, trend=0):
    """The four zone rules as counters and an EWMA, one point of all series at a time.

    `trend`: so many rising or falling values signal too. `quiet`: points in control before the
    shift; series that signal in them are left out.
    """
    average, last = np.zeros(runs), np.full(runs, np.nan)
    side, up, down = (np.zeros(runs, dtype=int) for _ in range(3))
    far = {2: np.zeros((runs, 2, 2), dtype=bool), 1: np.zeros((runs, 2, 4), dtype=bool)}
    lengths, t = [], 0
    while average.size:
        t += 1
        z = rng.normal(shift if t > quiet else 0.0, 1, average.size)
        average = weight * z + (1 - weight) * average
        part = 1.0 if fixed else 1 - (1 - weight) ** (2 * t)
        signal = np.abs(average) > width * math.sqrt(weight / (2 - weight) * part)
        signal |= np.abs(z) > 3
        side = np.where(np.sign(z) == np.sign(side), side + np.sign(z).astype(int), np.sign(z))
        signal |= np.abs(side) >= 8
        for distance, others in ((2, 1), (1, 3)):
            hits = np.stack([z > distance, z < -distance], axis=1)
            signal |= (hits & (far[distance].sum(axis=2) >= others)).any(axis=1)
            far[distance] = np.concatenate([far[distance][:, :, 1:], hits[:, :, None]], axis=2)
        if trend:
            up, down = np.where(z > last, up + 1, 0), np.where(z < last, down + 1, 0)
            signal |= (up >= trend - 1) | (down >= trend - 1)
        if t > quiet:
            lengths.append(np.full(int(signal.sum()), t - quiet))
        keep = ~signal
        average, last, side, up, down = (one[keep] for one in (average, z, side, up, down))
        far = {distance: hits[keep] for distance, hits in far.items()}
    return np.concatenate(lengths)


def agrees(found, lengths):
    error = math.hypot(lengths.std() / math.sqrt(lengths.size), found.standard_error or 0.0)
    assert found.mean == pytest.approx(lengths.mean(), abs=3 * error)
    for point, share in ((found.median, 0.5), (found.percent_95, 0.95)):
        band = 4 * math.sqrt(share * (1 - share) / lengths.size)
        assert (lengths <= point + 1).mean() > share - band
        assert (lengths < point - 1).mean() < share + band


@pytest.mark.parametrize(
    ("shift", "weight", "width", "fixed", "quiet"),
    [
        (0.0, 0.2, 2.86, False, 0),
        (0.5, 0.2, 2.86, False, 0),
        (0.0, 0.1, 2.4, True, 0),
        (-1.0, 0.2, 2.86, False, 60),
    ],
)
def test_the_four_rules_with_an_average(shift, weight, width, fixed, quiet):
    lengths = combined_runs(
        np.random.default_rng(4), 12_000, shift, weight, width, quiet=quiet, fixed=fixed
    )
    found = spc.combined_run_length(
        spc.FOUR_ZONE_RULES, shift, weight=weight, width=width, fixed_limits=fixed,
        settled=quiet > 0,
    )  # fmt: skip
    assert found.standard_error is None
    agrees(found, lengths)


@pytest.mark.parametrize(("shift", "quiet"), [(0.0, 0), (1.0, 62)])
def test_a_trend_beside_them_is_simulated(shift, quiet):
    rules = (*spc.FOUR_ZONE_RULES, spc.steady_trend(6))
    lengths = combined_runs(
        np.random.default_rng(6), 10_000, shift, 0.2, 2.86, quiet=quiet, trend=6
    )
    found = spc.combined_run_length(rules, shift, settled=quiet > 0)
    assert found.method.startswith("simulation of ")
    agrees(found, lengths)


@pytest.mark.parametrize("fixed", [True, False])
def test_one_chain_for_three_sigma_is_the_other(fixed):
    # 3 sigma twice: two rules, so the chain of pairs; EWMA and 3 sigma alone have one of their own
    # that is held against Lucas & Saccucci.
    twice = (*spc.THREE_SIGMA, spc.run_outside(2, 3.0))
    for shift in (0.0, 1.0):
        pair = spc.combined_run_length(twice, shift, fixed_limits=fixed)
        alone = spc.ewma_run_length(shift=shift, fixed_limits=fixed)
        assert pair.mean == pytest.approx(alone.mean, rel=5e-4)
        assert spc.combined_run_length(spc.THREE_SIGMA, shift, fixed_limits=fixed) == alone


def test_an_average_that_never_signals_leaves_the_rules():
    # C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393, Table 1: 91.75.
    found = spc.combined_run_length(spc.FOUR_ZONE_RULES, width=40)
    assert found.mean == pytest.approx(91.75, abs=0.005)


def test_false_alarms_a_week_of_every_set():
    # 85.7 points from the simulation above, as 91.7 without the average and 202 with 3 sigma.
    assert spc.false_alarms_per_week(300, spc.FOUR_ZONE_RULES, with_ewma=True) == pytest.approx(
        300 / 85.7, rel=0.01
    )
    assert spc.false_alarms_per_week(300, spc.EIGHT_RULES, with_ewma=True) > 300 / 73


def test_ten_thousand_series_in_control_judged_by_the_package():
    rng = np.random.default_rng(85)
    lengths, passed, last, n = [], 0, np.zeros(10_000), 10_000
    before = np.empty((n, 0))
    while n:
        fresh = rng.normal(size=(n, 100))
        z = np.concatenate([before, fresh], axis=1)
        chart = spc.ewma_many(fresh, 0, 1, start=last, points_before=passed)
        found = spc.zone_rule_flags(z).any(axis=0)[:, before.shape[1] :] | chart.outside
        ended = found.any(axis=1)
        lengths.append(passed + 1 + found[ended].argmax(axis=1))
        before, last = z[~ended, -7:], chart.last[~ended]
        n, passed = last.size, passed + 100
    agrees(spc.combined_run_length(), np.concatenate(lengths))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.combined_run_length(()), "rules must hold at least one rule, got none"),
        (lambda: spc.combined_run_length(weight=1.2), "weight must be in (0, 1], got 1.2"),
        (lambda: spc.combined_run_length(weight=1e-9), "weight must be at least 0.005 for a run"),
        (lambda: spc.combined_run_length(settled=1), "settled must be True or False, got 1"),
        (lambda: spc.combined_run_length(width=0), "width must be finite and above 0, got 0"),
    ],
)
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value).startswith(message)

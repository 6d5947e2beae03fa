"""Run lengths of sets with a trend or an alternation, which are found by simulation."""

import math

import numpy as np
import pytest

import spc

TREND = spc.steady_trend(6)


def runs_by_loop(shift, runs, rng):
    """The eight tests, one point of all series at a time, each rule as a counter."""
    n = runs
    side, within, outside, up, down, swing = (np.zeros(n, dtype=int) for _ in range(6))
    last_step, last = np.zeros(n), np.full(n, np.nan)
    two, one = np.zeros((n, 2), dtype=bool), np.zeros((n, 4), dtype=bool)
    two_low, one_low = two.copy(), one.copy()
    lengths, alive, t = np.zeros(runs, dtype=int), np.arange(runs), 0
    while alive.size:
        t += 1
        z = rng.normal(shift, 1, alive.size)
        step = np.where(np.isnan(last), 0, np.sign(z - last))
        side = np.where(np.sign(z) == np.sign(side), side + np.sign(z).astype(int), np.sign(z))
        within = np.where(np.abs(z) <= 1, within + 1, 0)
        outside = np.where(np.abs(z) > 1, outside + 1, 0)
        up, down = np.where(step > 0, up + 1, 0), np.where(step < 0, down + 1, 0)
        swing = np.where((step != 0) & (step == -last_step), swing + 1, np.where(step != 0, 1, 0))
        signal = (np.abs(z) > 3) | (np.abs(side) >= 9) | (within >= 15) | (outside >= 8)
        signal |= (up >= 5) | (down >= 5) | (swing >= 13)
        signal |= (z > 2) & two.any(axis=1) | (z < -2) & two_low.any(axis=1)
        signal |= (z > 1) & (one.sum(axis=1) >= 3) | (z < -1) & (one_low.sum(axis=1) >= 3)
        two = np.column_stack([two[:, 1:], z > 2])
        two_low = np.column_stack([two_low[:, 1:], z < -2])
        one = np.column_stack([one[:, 1:], z > 1])
        one_low = np.column_stack([one_low[:, 1:], z < -1])
        lengths[alive[signal]] = t
        keep = ~signal
        alive, last, last_step = alive[keep], z[keep], step[keep]
        side, within, outside, swing = side[keep], within[keep], outside[keep], swing[keep]
        up, down, two, two_low = up[keep], down[keep], two[keep], two_low[keep]
        one, one_low = one[keep], one_low[keep]
    return lengths


@pytest.mark.parametrize(("shift", "published"), [(0.0, 73), (1.0, 9.7)])
def test_all_eight(shift, published):
    # About 73 in control and 9.7 at one sigma in the literature of simulations.
    found = spc.run_length(spc.EIGHT_RULES, shift)
    assert found.mean == pytest.approx(published, rel=0.015)
    lengths = runs_by_loop(shift, 20_000, np.random.default_rng(12))
    error = math.hypot(found.standard_error, lengths.std() / math.sqrt(lengths.size))
    assert found.mean == pytest.approx(lengths.mean(), abs=3 * error)
    assert found.median == pytest.approx(np.median(lengths), abs=2)
    assert found.percent_95 == pytest.approx(np.quantile(lengths, 0.95), rel=0.05)
    assert found.method == "simulation of 25000 series, seed 1"
    assert found.standard_error == pytest.approx(lengths.std() / math.sqrt(25_000), rel=0.05)
    assert spc.average_run_length(spc.EIGHT_RULES, shift) == found.mean


def test_six_rising_points_add_many_alarms():
    # 198 in control and 40 at one sigma for 3 sigma with it, by a simulation apart from this.
    rules = (*spc.THREE_SIGMA, TREND)
    for shift, expected in ((0.0, 198), (1.0, 40)):
        found = spc.run_length(rules, shift, runs=20_000)
        assert found.mean == pytest.approx(expected, abs=0.5 + 3 * found.standard_error)


@pytest.mark.parametrize("n", [3, 4])
def test_a_short_trend_has_a_closed_form(n):
    # The mean is the sum over t of P(no n-1 equal steps among t values): permutations of 1…t
    # counted here; only the order of the values matters, so a shift changes nothing.
    def quiet_share(t):
        # f[length][rank][up]: arrangements by rank of the last value, as values are inserted.
        if t == 1:
            return 1.0
        table = {(0, 0, True): 1}
        for size in range(2, t + 1):
            new = {}
            for (rank, length, up), ways in table.items():
                for place in range(size):
                    rises = place > rank
                    run = length + 1 if length and rises == up else 1
                    if run < n - 1:
                        key = (place, run, rises)
                        new[key] = new.get(key, 0) + ways
            table = new
        return sum(table.values()) / math.factorial(t)

    expected = 1 + sum(quiet_share(t) for t in range(1, 60))
    for shift in (0.0, 2.0):
        found = spc.run_length([spc.steady_trend(n)], shift, runs=20_000, seed=5)
        assert found.mean == pytest.approx(expected, abs=3 * found.standard_error)


def test_a_seed_gives_the_same_numbers_and_another_one_others():
    one = spc.run_length(spc.EIGHT_RULES, 2.0, runs=500, seed=3)
    assert spc.run_length(spc.EIGHT_RULES, 2.0, runs=500, seed=3) == one
    assert spc.run_length(spc.EIGHT_RULES, 2.0, runs=500, seed=4).mean != one.mean


def test_a_shift_that_comes_late_is_seen_sooner():
    late = spc.run_length(spc.EIGHT_RULES, 1.0, settled=True, runs=20_000)
    fresh = spc.run_length(spc.EIGHT_RULES, 1.0, runs=20_000)
    assert late.mean < fresh.mean - 3 * math.hypot(late.standard_error, fresh.standard_error)


def test_the_distribution_is_that_of_the_series():
    found = spc.run_length_distribution(spc.EIGHT_RULES, 100, 1.0)
    length = spc.run_length(spc.EIGHT_RULES, 1.0)
    assert found.cumulative[length.median - 1] >= 0.5 > found.cumulative[length.median - 2]
    assert found.probability.sum() == pytest.approx(found.cumulative[-1])
    assert found.cumulative[-1] == pytest.approx(1.0, abs=1e-3)


def test_a_rule_of_your_own_is_simulated_if_it_states_its_window():
    above = spc.Rule("above", "above 1", "a point above 1", "test", lambda z: z > 1, window=1)
    found = spc.run_length([above], runs=20_000)
    assert found.mean == pytest.approx(1 / 0.158655, abs=3 * found.standard_error)


@pytest.mark.parametrize(("shift", "quiet"), [(0.0, 0), (1.0, 0), (1.0, 90)])
def test_zone_rules_that_remember_too_much_for_a_chain_are_simulated(shift, quiet):
    # 15 of 30 beyond half a sigma on one side: more states than a chain is followed for. Here each
    # window is counted by itself, one point of all series at a time.
    rule = spc.some_beyond(15, 30, 0.5)
    rng = np.random.default_rng(30)
    runs = 6_000
    above, below = np.zeros((runs, 30), dtype=bool), np.zeros((runs, 30), dtype=bool)
    lengths, t = [], 0
    while above.shape[0]:
        t += 1
        z = rng.normal(shift if t > quiet else 0.0, 1, above.shape[0])
        above[:, t % 30], below[:, t % 30] = z > 0.5, z < -0.5
        signal = (z > 0.5) & (above.sum(axis=1) >= 15) | (z < -0.5) & (below.sum(axis=1) >= 15)
        if t > quiet:
            lengths.append(np.full(int(signal.sum()), t - quiet))
        above, below = above[~signal], below[~signal]
    lengths = np.concatenate(lengths)
    found = spc.run_length([rule], shift, settled=quiet > 0)
    assert found.method.startswith("simulation of ")
    error = math.hypot(found.standard_error, lengths.std() / math.sqrt(lengths.size))
    assert found.mean == pytest.approx(lengths.mean(), abs=3 * error)
    assert spc.average_run_length([rule], shift, settled=quiet > 0) == found.mean
    cumulative = spc.run_length_distribution([rule], 40, shift, settled=quiet > 0).cumulative
    seen = (lengths <= 40).mean()
    assert cumulative[-1] == pytest.approx(seen, abs=3 * math.sqrt(0.25 / lengths.size))


def test_a_shift_beyond_all_digits_changes_no_trend():
    # Only the order of the values matters, so a shift from the first point on changes nothing.
    plain, far = (spc.run_length([spc.steady_trend(3)], s, runs=4_000) for s in (0.0, 1e90))
    assert far.mean == pytest.approx(plain.mean, abs=3 * plain.standard_error)


UNKNOWN = spc.Rule("odd", "odd", "odd", "test", lambda z: z > 9)
NEVER = spc.Rule("never", "never", "never", "test", lambda z: np.zeros(z.shape, bool), window=1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.average_run_length([UNKNOWN]), "rules must state their window, got 'odd'"),
        (lambda: spc.run_length([TREND], runs=99), "runs must be at least 100, got 99"),
        (lambda: spc.run_length([TREND], seed=-1), "seed must be at least 0, got -1"),
        (lambda: spc.run_length([TREND], runs=10**9), "runs must be at most 10,000,000, got 1,000"),
        (
            lambda: spc.run_length([spc.steady_trend(3)], settled=True, runs=100),
            "settled: 0 of 100 series stayed quiet for 30 points: give more runs or leave settled",
        ),
    ],
)
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value).startswith(message)


def test_a_rule_that_never_signals_is_given_up(monkeypatch):
    monkeypatch.setattr("spc.simulated_run_length._MOST_POINTS", 1_000_000)
    with pytest.raises(spc.ArgumentError, match=r"^rules signal too seldom to simulate 100 runs"):
        spc.run_length([NEVER], runs=100)

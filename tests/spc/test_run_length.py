"""Run lengths of run rules: published tables, closed forms, simulation with loops made here."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

import spc


def hit_counts(hits, window):
    """How many of the last `window` places are hits, along the rows, with zeros before."""
    total = np.cumsum(np.pad(hits, ((0, 0), (window, 0))), axis=1, dtype=np.int32)
    return total[:, window:] - total[:, :-window]


def four_rules(z):
    """The four zone rules by counting hits, apart from the package."""
    flags = np.abs(z) > 3
    for count, window, distance in ((2, 3, 2), (4, 5, 1), (8, 8, 0)):
        for side in (z, -z):
            hits = side > distance
            flags |= hits & (hit_counts(hits, window) >= count)
    return flags


def simulated(flags, runs, shift, rng, steps):
    """Run lengths of `runs` series; those still quiet after `steps` points go on afresh.

    `flags` is given the seven points before, so that nothing is forgotten.
    """
    lengths = []
    before = np.empty((runs, 0))
    passed = 0
    while before.shape[0]:
        z = np.concatenate([before, rng.normal(shift, 1, (before.shape[0], steps))], axis=1)
        found = flags(z)[:, before.shape[1] :]
        ended = found.any(axis=1)
        lengths.append(passed + 1 + found[ended].argmax(axis=1))
        before = z[~ended, -7:]
        passed += steps
    return np.concatenate(lengths)


def test_champ_and_woodall(table):
    # C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393, Table 1 (from memory), windows
    # that need not be full; `computed` comes from a Markov chain made apart from this code.
    printed = 0
    for row in table("arl_champ_woodall"):
        rules = [spc.FOUR_ZONE_RULES[int(number) - 1] for number in row["rules"]]
        length = spc.average_run_length(rules, float(row["shift_sd"]))
        assert length == pytest.approx(float(row["computed"]), abs=1e-6)
        if row["published"]:
            # Some printed values are cut, not rounded, or off by one in the last digit.
            assert length == pytest.approx(float(row["published"]), abs=0.0101)
            printed += 1
    assert printed == 96


@pytest.mark.parametrize(
    ("rules", "length"), [(spc.THREE_SIGMA, 370.40), (spc.FOUR_ZONE_RULES, 91.75)]
)
def test_the_two_figures_everybody_knows(rules, length):
    assert round(spc.average_run_length(rules), 2) == length
    assert spc.run_length(rules).mean == spc.average_run_length(rules)


@given(st.floats(-6, 6))
def test_three_sigma_is_geometric(shift):
    chance = ndtr(-3 - shift) + ndtr(-3 + shift)
    found = spc.run_length(spc.THREE_SIGMA, shift)
    assert found.mean == pytest.approx(1 / chance, rel=1e-9)
    for point, share in ((found.median, 0.5), (found.percent_95, 0.95)):
        assert 1 - (1 - chance) ** point >= share - 1e-12
        assert 1 - (1 - chance) ** (point - 1) < share + 1e-12
    assert spc.run_length(spc.THREE_SIGMA, shift, settled=True) == found  # it remembers nothing


@given(st.floats(0, 4))
def test_laws(shift):
    four = spc.FOUR_ZONE_RULES
    one = spc.average_run_length(four, shift)
    assert spc.average_run_length(four, -shift) == pytest.approx(one, rel=1e-9)
    assert spc.average_run_length(four[::-1], shift) == pytest.approx(one, rel=1e-9)
    assert spc.average_run_length(four * 2, shift) == pytest.approx(one, rel=1e-9)
    assert 1 <= one <= spc.average_run_length(four[:2], shift)
    assert spc.average_run_length(four, shift + 0.1) < one + 1e-9


@pytest.mark.parametrize("count", [2, 5, 7, 8, 9])
def test_a_run_on_one_side_has_a_closed_form(count):
    # Coin tosses: a run of k heads or of k tails takes 2^k - 1 tosses on average.
    rule = spc.run_on_one_side(count)
    assert spc.average_run_length([rule]) == pytest.approx(2**count - 1)


@pytest.mark.parametrize(
    ("rule", "chance", "n"),
    [
        (spc.run_within(15, 1), 1 - 2 * ndtr(-1.0), 15),
        (spc.run_outside(8, 1), 2 * ndtr(-1.0), 8),
        (spc.run_within(2, 0.5), 1 - 2 * ndtr(-0.5), 2),
    ],
)
def test_runs_in_a_zone_have_a_closed_form(rule, chance, n):
    # Feller, An Introduction to Probability Theory I, XIII.7: (1 - p^n) / ((1 - p) p^n).
    expected = (1 - chance**n) / ((1 - chance) * chance**n)
    assert spc.average_run_length([rule]) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("runs_within", "n"), [(True, 15), (False, 8)])
def test_the_chain_of_a_mixed_set_agrees_with_a_simulation(runs_within, n):
    rules = (spc.THREE_SIGMA[0], spc.run_within(n) if runs_within else spc.run_outside(n))

    def flags(z):
        far = np.abs(z) > 1
        run = ~far if runs_within else far
        return (np.abs(z) > 3) | (hit_counts(run, n) == n)

    z = np.random.default_rng(8).normal(0, 1, (4000, 1500))
    found = flags(z)
    assert found.any(axis=1).mean() > 0.95
    # Points seen for each signal, so that series that never ended count too.
    first = np.where(found.any(axis=1), found.argmax(axis=1) + 1, 1500)
    mean = first.sum() / found.any(axis=1).sum()
    length = spc.average_run_length(rules)
    assert mean == pytest.approx(length, abs=3 * length / math.sqrt(4000))


def words(length, borders, shift):
    """Every word of so many points, a value for each cell of the line, and its chance."""
    edges = np.array([-np.inf, *borders, np.inf])
    inside = np.array([borders[0] - 1, *np.convolve(borders, [0.5, 0.5], "valid"), borders[-1] + 1])
    cells = np.indices((inside.size,) * length).reshape(length, -1).T
    chances = np.diff(ndtr(edges - shift))
    return inside[cells], chances[cells].prod(axis=1)


@pytest.mark.parametrize("shift", [0.0, 0.7])
@pytest.mark.parametrize(
    ("length", "borders", "rules"),
    [
        (9, (-0.5, 0.5), [("one side", 5, 9, 0.5)]),
        (9, (-0.5, 0.5), [("one side", 4, 7, 0.5), ("within", 3, 3, 0.5)]),
        (7, (-1.0, 0.0, 1.0), [("one side", 2, 4, 1.0), ("one side", 5, 5, 0.0)]),
        (7, (-1.0, 0.0, 1.0), [("one side", 3, 6, 0.0), ("either side", 3, 5, 1.0)]),
        (6, (-2.0, -1.0, 1.0, 2.0),
         [("one side", 1, 1, 2.0), ("within", 3, 4, 1.0), ("either side", 2, 2, 1.0)]),
    ],
)  # fmt: skip
def test_the_chain_equals_counting_every_word(length, borders, rules, shift):
    z, chances = words(length, borders, shift)
    flags = np.zeros(z.shape, dtype=bool)
    chosen = []
    for region, count, window, distance in rules:
        hits = {
            "one side": [z > distance, z < -distance],
            "either side": [np.abs(z) > distance],
            "within": [np.abs(z) <= distance],
        }[region]
        for one in hits:
            flags |= one & (hit_counts(one, window) >= count)
        pattern = spc.ZonePattern(count, window, distance, region)
        chosen.append(spc.Rule(f"{pattern}", "own", "own", "test", pattern.flags, pattern))
    by = np.logical_or.accumulate(flags, axis=1)
    found = spc.run_length_distribution(chosen, length, shift)
    assert found.cumulative == pytest.approx(chances @ by, abs=1e-12)


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_two_hundred_thousand_simulated_runs_of_the_four_rules(shift):
    runs = 200_000
    rng = np.random.default_rng(1956)
    parts = [simulated(four_rules, runs // 20, shift, rng, 40) for _ in range(20)]
    lengths = np.concatenate(parts)
    assert lengths.size == runs
    found = spc.run_length(spc.FOUR_ZONE_RULES, shift)
    error = lengths.std() / math.sqrt(runs)
    assert found.mean == pytest.approx(lengths.mean(), abs=3 * error)
    # Median and 95 % point: the shares signalled by then, within three standard errors.
    for point, share in ((found.median, 0.5), (found.percent_95, 0.95)):
        band = 3 * math.sqrt(share * (1 - share) / runs)
        assert (lengths <= point).mean() > share - band
        assert (lengths < point).mean() < share + band
    # The whole distribution.
    distribution = spc.run_length_distribution(spc.FOUR_ZONE_RULES, 300, shift)
    seen = np.searchsorted(np.sort(lengths), distribution.points, side="right") / runs
    assert np.abs(seen - distribution.cumulative).max() < 1.95 / math.sqrt(runs)  # Kolmogorov


def test_false_alarms_are_as_rare_as_computed():
    # 10,000 series in control, judged by the package itself: 370 ± 10 and 92 ± 3.
    for rules, expected, within in ((spc.THREE_SIGMA, 370, 10), (spc.FOUR_ZONE_RULES, 92, 3)):
        rng = np.random.default_rng(370)

        def flags(z, rules=rules):
            return spc.zone_rule_flags(z, rules).any(axis=0)

        lengths = simulated(flags, 10_000, 0.0, rng, 128)
        assert lengths.mean() == pytest.approx(expected, abs=within)
        assert spc.average_run_length(rules) == pytest.approx(lengths.mean(), abs=within)


def test_a_shift_that_comes_late():
    # Quiet in control for 60 points, then one sigma: loops of this file, three standard errors.
    z = np.random.default_rng(4).normal(0, 1, (60_000, 160))
    z[:, 60:] += 1.0
    found = four_rules(z)
    found = found[~found[:, :60].any(axis=1)][:, 60:]
    lengths = found.argmax(axis=1) + 1
    assert found.any(axis=1).all()
    error = lengths.std() / math.sqrt(lengths.size)
    late = spc.run_length(spc.FOUR_ZONE_RULES, 1.0, settled=True)
    assert late.mean == pytest.approx(lengths.mean(), abs=3 * error)
    assert late.mean < spc.run_length(spc.FOUR_ZONE_RULES, 1.0).mean


@given(st.floats(-2, 2), st.booleans())
def test_the_distribution_belongs_to_the_run_length(shift, settled):
    far = 600
    found = spc.run_length_distribution(spc.FOUR_ZONE_RULES, far, shift, settled=settled)
    length = spc.run_length(spc.FOUR_ZONE_RULES, shift, settled=settled)
    assert (found.probability >= -1e-15).all()
    assert np.cumsum(found.probability) == pytest.approx(found.cumulative)
    for point, share in ((length.median, 0.5), (length.percent_95, 0.95)):
        assert found.cumulative[point - 1] >= share - 1e-12
        assert point == 1 or found.cumulative[point - 2] < share + 1e-12
    left = 1 - found.cumulative[-1]
    mean = found.points @ found.probability
    assert mean <= length.mean + 1e-9
    if left < 1e-12:
        assert mean == pytest.approx(length.mean, rel=1e-9)


# The JOB's table of run lengths, simulated apart from this code, at 0, 0.5, 1, 2 sigma.
JOB_TABLE = {
    "three sigma": (spc.FOUR_ZONE_RULES[:1], (370, 155, 43.9, 6.3)),
    "and 2 of 3": (spc.FOUR_ZONE_RULES[:2], (225, 78, 20, 3.7)),
    "and 4 of 5": (spc.rules_of("beyond_3_sigma", "4_of_5_beyond_1_sigma"), (166, 46, 12.7, 3.7)),
    "and 8 on one side": (spc.rules_of("beyond_3_sigma", "8_on_one_side"), (153, 45, 14, 4.9)),
    "the four": (spc.FOUR_ZONE_RULES, (91.8, 28, 9.3, 3.1)),
}


@pytest.mark.parametrize("name", JOB_TABLE)
def test_table_of_the_trade(name):
    rules, lengths = JOB_TABLE[name]
    found = [spc.average_run_length(rules, shift) for shift in (0, 0.5, 1, 2)]
    assert found == pytest.approx(lengths, rel=0.05)


def test_false_alarms_a_week():
    # 300 points a week: 0.8 with 3 sigma, 1.5 with 3 sigma and EWMA, 3.3 with the four rules.
    assert round(spc.false_alarms_per_week(300), 1) == 0.8
    assert round(spc.false_alarms_per_week(300, with_ewma=True), 1) == 1.5
    assert round(spc.false_alarms_per_week(300, spc.FOUR_ZONE_RULES), 1) == 3.3
    assert spc.false_alarms_per_week(0) == 0
    assert spc.run_length(spc.FOUR_ZONE_RULES).false_alarms(300) == pytest.approx(300 / 91.7508)


def test_rarely_signalling_rules_are_computed_as_long_as_they_can_be():
    rare = spc.some_beyond(1, 1, 6.0)
    assert spc.average_run_length([rare]) == pytest.approx(1 / (2 * ndtr(-6.0)), rel=1e-6)
    found = spc.run_length([rare])
    assert found.median == pytest.approx(math.log(2) / (2 * ndtr(-6.0)), rel=1e-5)
    with pytest.raises(spc.ArgumentError, match="too seldom to compute"):
        spc.average_run_length([spc.some_beyond(1, 1, 9.0)])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.average_run_length(()), "rules must hold at least one rule, got none"),
        (
            lambda: spc.average_run_length(spc.FOUR_ZONE_RULES, math.nan),
            "shift must be finite, got nan",
        ),
        (
            lambda: spc.average_run_length([spc.ZonePattern(15, 30, 0.5)]),
            "rules must be rules such as the rows of spc.RULES, got ZonePattern",
        ),
        (
            lambda: spc.run_length_distribution(spc.THREE_SIGMA, 0),
            "points must be at least 1, got 0",
        ),
        (
            lambda: spc.run_length(spc.THREE_SIGMA).false_alarms(-1),
            "points must not be negative, got -1",
        ),
        (
            lambda: spc.false_alarms_per_week(-1),
            "points_per_week must not be negative, got -1",
        ),
        (
            lambda: spc.run_length(spc.FOUR_ZONE_RULES, settled="no"),
            "settled must be True or False, got 'no'",
        ),
        (
            lambda: spc.run_length_distribution(spc.THREE_SIGMA, 10**9),
            "points must be at most 10,000,000, got 1,000,000,000",
        ),
    ],
)
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value).startswith(message)

"""Run lengths of EWMA and CUSUM charts: published tables and simulation."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

import spc
from spc import cusum_settled
from spc.absorbing import follow


def test_lucas_and_saccucci(table):
    # J. M. Lucas & M. S. Saccucci, Technometrics 32 (1990) 1, Table 3: EWMA alone, fixed limits;
    # `computed` comes from an integral equation solved apart from this code.
    for row in table("arl_ewma_lucas_saccucci"):
        length = spc.ewma_average_run_length(
            float(row["lambda"]), float(row["L"]), float(row["shift_sd"]),
            limit=None, fixed_limits=True,
        )  # fmt: skip
        assert length == pytest.approx(float(row["computed"]), rel=1e-5)
        assert length == pytest.approx(float(row["published"]), rel=4e-3, abs=0.1)


CUSUMS = {"h4": (4, 0), "h5": (5, 0), "h4_S0_2": (4, 2), "h5_S0_2.5": (5, 2.5)}


def test_lucas_and_crosier(table):
    # J. M. Lucas & R. B. Crosier, Technometrics 24 (1982) 199, Table 1, k = 0.5, without and with
    # a head start; `computed` comes from an integral equation solved apart from this code.
    for row in table("arl_cusum_lucas_crosier"):
        h, start = CUSUMS[row["scheme"]]
        length = spc.cusum_average_run_length(0.5, h, float(row["shift_sd"]), head_start=start)
        assert length == pytest.approx(float(row["computed"]), rel=1e-5)
        digits = len(row["published"].partition(".")[2])
        assert length == pytest.approx(float(row["published"]), abs=0.55 * 10**-digits)


def ewma_runs(rng, runs, shift, weight, width, limit, fixed, quiet=0):
    """Run lengths of simulated EWMA charts, one point of all series at a time.

    `quiet`: points in control before the shift; series that signal in them are left out.
    """
    average, lengths, t = np.zeros(runs), [], 0
    while average.size:
        t += 1
        x = rng.normal(shift if t > quiet else 0.0, 1, average.size)
        average = weight * x + (1 - weight) * average
        part = 1.0 if fixed else 1 - (1 - weight) ** (2 * t)
        border = width * math.sqrt(weight / (2 - weight) * part)
        signal = (np.abs(average) > border) | (np.abs(x) > limit)
        if t > quiet:
            lengths.append(np.full(int(signal.sum()), t - quiet))
        average = average[~signal]
    return np.concatenate(lengths)


def agrees(found, lengths):
    error = lengths.std() / math.sqrt(lengths.size)
    assert found.mean == pytest.approx(lengths.mean(), abs=3 * error)
    for point, share in ((found.median, 0.5), (found.percent_95, 0.95)):
        band = 4 * math.sqrt(share * (1 - share) / lengths.size)
        assert (lengths <= point + 1).mean() > share - band
        assert (lengths < point - 1).mean() < share + band


@pytest.mark.parametrize(
    ("shift", "limit", "fixed"),
    [(0.0, 3.0, False), (0.0, 3.0, True), (1.0, 3.0, False), (0.5, None, False), (1.0, 2.5, True)],
)
def test_simulated_ewma(shift, limit, fixed):
    rng = np.random.default_rng(11)
    lengths = ewma_runs(rng, 20_000, shift, 0.2, 2.86, limit or np.inf, fixed)
    agrees(spc.ewma_run_length(shift=shift, limit=limit, fixed_limits=fixed), lengths)


def test_two_hundred_thousand_runs_of_the_default_pair():
    # 3 sigma and EWMA with widening limits, as the charts are drawn.
    lengths = ewma_runs(np.random.default_rng(200), 200_000, 0.0, 0.2, 2.86, 3.0, False)
    agrees(spc.ewma_run_length(), lengths)


def test_simulated_ewma_with_a_late_shift():
    lengths = ewma_runs(np.random.default_rng(2), 40_000, 1.0, 0.2, 2.86, 3.0, False, quiet=60)
    agrees(spc.ewma_run_length(shift=1.0, settled=True), lengths)


def test_the_run_length_is_that_of_the_chart_of_the_package():
    # `ewma` as it draws its widening limits, with the 3-sigma rule as it is applied.
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(1500):
        chart = spc.ewma(rng.normal(1.0, 1, 150), 0.0, 1.0)
        lengths.append(chart.outside().argmax() + 1)
        assert chart.outside().any()
    agrees(spc.ewma_run_length(shift=1.0, limit=None), np.array(lengths))


def test_table_of_the_trade():
    # Simulated apart from this code, at 0, 0.5, 1, 2 sigma.
    shifts = (0, 0.5, 1, 2)
    pair = [spc.ewma_average_run_length(shift=shift, fixed_limits=True) for shift in shifts]
    assert pair == pytest.approx([204, 33, 9.4, 3.2], rel=0.02)
    slow = [
        spc.ewma_average_run_length(0.1, 2.814, shift, limit=None, fixed_limits=True)
        for shift in shifts
    ]
    assert slow == pytest.approx([494, 31, 10.3, 4.4], rel=0.015)
    alone = [
        spc.ewma_average_run_length(0.2, 2.86, s, limit=None, fixed_limits=True) for s in shifts
    ]
    assert alone == pytest.approx([368, 36, 9.7, 3.6], rel=0.02)
    sums = [spc.cusum_average_run_length(0.5, 5, shift) for shift in shifts]
    assert sums == pytest.approx([465, 38, 10.4, 4.0], rel=0.005)


def cusum_runs(rng, runs, shift, k, h, limit, start, quiet=0):
    """Run lengths of simulated two-sided CUSUM charts; the other side where one signals.

    `quiet`: points in control before the shift; series that signal in them are left out.
    """
    up, down = np.full(runs, float(start)), np.full(runs, float(start))
    lengths, t = [], 0
    while up.size:
        t += 1
        x = rng.normal(shift if t > quiet else 0.0, 1, up.size)
        up, down = np.maximum(0, up + x - k), np.maximum(0, down - x - k)
        signal = (up > h) | (down > h) | (np.abs(x) > limit)
        if t > quiet:
            lengths.append(np.full(int(signal.sum()), t - quiet))
        up, down = up[~signal], down[~signal]
    return np.concatenate(lengths)


@pytest.mark.parametrize(
    ("k", "h", "shift", "limit"),
    [(0.5, 5, 1.0, None), (0.5, 4, 0.0, None), (0.5, 4, -0.5, 3.0), (0.0, 6, 1.0, None),
     (0.25, 8, 0.5, 3.5)],
)  # fmt: skip
def test_simulated_cusum_with_a_late_shift(k, h, shift, limit):
    # 100 points in control first: no published table of these delays is at hand.
    rng = np.random.default_rng(21)
    lengths = cusum_runs(rng, 30_000, shift, k, h, limit or np.inf, 0, quiet=100)
    found = spc.cusum_run_length(k, h, shift, limit=limit, settled=True)
    agrees(found, lengths)
    assert spc.cusum_average_run_length(k, h, shift, limit=limit, settled=True) == found.mean


def test_both_sums_as_one_chain_have_the_published_run_lengths(table):
    # From a fresh start, which the settled chart must not be far from: Lucas & Crosier, Table 1.
    for row in table("arl_cusum_lucas_crosier"):
        h, start = CUSUMS[row["scheme"]]
        if start or float(row["shift_sd"]) > 2:
            continue
        means = []
        for cells in (31, 63):
            fresh = np.zeros((cells + 1) ** 2)
            fresh[0] = 1.0
            step = cusum_settled.joint_chain(0.5, h, np.inf, cells)(float(row["shift_sd"]))
            means.append(follow(step, fresh).mean())
        mean = means[1] + (means[1] - means[0]) / ((63 / 31) ** 2 - 1)
        assert mean == pytest.approx(float(row["computed"]), rel=5e-5)


def test_a_settled_chart_sees_a_shift_sooner():
    # Against limits that are final from the first point on; widening ones are a head start.
    late, fresh = spc.cusum_run_length(shift=1.0, settled=True), spc.cusum_run_length(shift=1.0)
    assert late.mean < fresh.mean
    for run_length in (spc.ewma_run_length, spc.combined_run_length):
        late = run_length(shift=1.0, settled=True)
        assert late.mean < run_length(shift=1.0, fixed_limits=True).mean
        assert late.median <= run_length(shift=1.0, fixed_limits=True).median


@pytest.mark.parametrize(
    ("k", "h", "shift", "limit", "start"),
    [
        (0.5, 4, 0.0, None, 0),
        (0.5, 4, 0.0, None, 2),
        (0.5, 5, 0.75, None, 2.5),
        (0.5, 5, 0.0, 3.0, 0),
        (0.5, 4, 1.0, 3.0, 0),
        (0.25, 8, 0.5, 3.5, 4),
    ],
)
def test_simulated_cusum(k, h, shift, limit, start):
    lengths = cusum_runs(np.random.default_rng(7), 10_000, shift, k, h, limit or np.inf, start)
    agrees(spc.cusum_run_length(k, h, shift, limit=limit, head_start=start), lengths)


def test_a_small_weight():
    # Widening limits for hundreds of points, in far less than the seconds it once took.
    lengths = ewma_runs(np.random.default_rng(3), 4_000, 0.5, 0.01, 2.5, 3.0, False)
    agrees(spc.ewma_run_length(0.01, 2.5, 0.5), lengths)


@pytest.mark.parametrize("shift", [-1e6, 1e100])
def test_a_shift_so_large_that_the_first_point_signals(shift):
    for found in (
        spc.ewma_run_length(shift=shift),
        spc.ewma_run_length(shift=shift, limit=None, settled=True),
        spc.cusum_run_length(shift=shift),
        spc.cusum_run_length(shift=shift, settled=True),
        spc.combined_run_length(shift=shift),
        spc.run_length(spc.FOUR_ZONE_RULES, shift, settled=True),
    ):
        assert (found.mean, found.median, found.percent_95) == (1.0, 1, 1)


def test_false_alarms_of_the_charts_are_as_rare_as_computed():
    # 10,000 series in control, judged by the charts of the package itself.
    def run(look):
        rng = np.random.default_rng(10)
        lengths, passed, carried, n = [], 0, None, 10_000
        while n:
            outside, carried = look(rng.normal(size=(n, 100)), carried)
            ended = outside.any(axis=1)
            lengths.append(passed + 1 + outside[ended].argmax(axis=1))
            carried = [part[~ended] for part in carried]
            n, passed = int((~ended).sum()), passed + 100
        return np.concatenate(lengths)

    def average(z, carried):
        last, seen = carried or (0.0, 0)
        chart = spc.ewma_many(z, 0, 1, start=last, points_before=seen)
        return chart.outside | (np.abs(z) > 3), [chart.last, chart.n_seen]

    def sums(z, carried):
        start = None if carried is None else spc.CusumStates(*carried)
        chart = spc.cusum_many(z, 0, 1, h=4, start=start)
        state = chart.state
        return chart.outside(), [getattr(state, name) for name in state.__dataclass_fields__]

    agrees(spc.ewma_run_length(), run(average))
    agrees(spc.cusum_run_length(0.5, 4), run(sums))


@pytest.mark.parametrize("shift", [0.0, 0.5, 3.0, 6.0])
def test_weight_one_and_a_sum_without_memory_are_the_single_point_chart(shift):
    chance = ndtr(-3 - shift) + ndtr(shift - 3)
    for fixed in (True, False):
        length = spc.ewma_average_run_length(1, 3, shift, limit=None, fixed_limits=fixed)
        assert length == pytest.approx(1 / chance, rel=1e-9)
    # A decision interval so small that a sum signals as soon as a point lies beyond k.
    length = spc.cusum_average_run_length(3 - 1e-9, 1e-9, shift)
    assert length == pytest.approx(1 / chance, rel=1e-6)


def test_mirror_images():
    for shift in (0.3, 2.0):
        one, other = (spc.cusum_run_length(shift=s, limit=3.5) for s in (shift, -shift))
        assert one == other
        one, other = (spc.ewma_run_length(shift=s) for s in (shift, -shift))
        assert one.mean == pytest.approx(other.mean, rel=1e-9)
        assert (one.median, one.percent_95) == (other.median, other.percent_95)


def test_a_very_long_run():
    # Beyond the horizon of the convolution: nearly geometric, so the points follow the mean.
    found = spc.cusum_run_length(0.5, 8.0)
    assert found.mean > 9000
    assert found.percent_95 == pytest.approx(math.log(20) * found.mean, rel=0.01)
    assert found.median == pytest.approx(math.log(2) * found.mean, rel=0.01)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spc.ewma_average_run_length(1.4), "weight must be in (0, 1], got 1.4"),
        (lambda: spc.ewma_run_length(0.2, 0), "width must be finite and above 0, got 0"),
        (lambda: spc.ewma_run_length(limit=-3), "limit must be finite and above 0, got -3"),
        (lambda: spc.ewma_run_length(shift=math.inf), "shift must be finite, got inf"),
        (
            lambda: spc.ewma_run_length(1e-4),
            "weight must be at least 0.005 for a run length, got 0.0001: so small a weight",
        ),
        (lambda: spc.ewma_run_length(1e-300), "weight must be at least 0.005 for a run length"),
        (lambda: spc.ewma_run_length(shift=1e308), "shift must lie between -1e+100 and 1e+100"),
        (
            lambda: spc.cusum_run_length(head_start=2, settled=True),
            "head_start must be 0 where settled, got 2: a settled chart has forgotten it",
        ),
        (lambda: spc.cusum_run_length(-0.5), "k must not be negative, got -0.5"),
        (lambda: spc.cusum_run_length(0.5, 0), "h must be finite and above 0, got 0"),
        (
            lambda: spc.cusum_run_length(0.5, 4, head_start=3),
            "head_start must lie between 0 and h / 2, got 3",
        ),
        (
            lambda: spc.cusum_average_run_length(2, 20),
            "the rules and limits asked for signal less often than once in 1e+10 points",
        ),
        (
            lambda: spc.ewma_average_run_length(0.2, 9, limit=None),
            "the rules and limits asked for signal less often than once in 1e+10 points",
        ),
    ],
)
def test_refused(call, message):
    with pytest.raises(spc.ArgumentError) as caught:
        call()
    assert str(caught.value).startswith(message)

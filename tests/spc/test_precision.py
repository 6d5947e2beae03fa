"""precision: the creosote example of ISO 5725-2, brute force on gaps, laws, degenerate input."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import spc

# ISO 5725-2:1994, B.3, Tables B.10 to B.16, from memory (all digits agree with the data, except
# Cochran at level 1: 0.567 remembered, the data give 0.5665).
REDUCED = {
    1: (3.94, 0.092, 0.171, 8),
    2: (8.28, 0.179, 0.498, 8),
    3: (14.18, 0.127, 0.400, 8),
    4: (15.59, 0.337, 0.579, 8),
    5: (20.41, 0.393, 0.637, 7),
}
GRUBBS = {  # G smallest, G largest, two smallest, two largest
    1: (1.36, 1.95, 0.502, 0.356),
    2: (1.57, 1.64, 0.540, 0.395),
    3: (0.86, 2.50, 0.815, 0.063),
    4: (0.91, 2.47, 0.823, 0.073),
    5: (1.70, 2.10, 0.501, 0.318),
}
COCHRAN = {1: 0.5665, 2: 0.450, 3: 0.492, 4: 0.667, 5: 0.636}


@pytest.fixture(scope="module")
def creosote(table):
    rows = table("iso5725_2_creosote")
    return (
        np.array([float(row["pct_mm"]) for row in rows]),
        np.array([int(row["lab"]) for row in rows]),
        np.array([int(row["level"]) for row in rows]),
    )


def test_creosote_without_the_outlying_cells(creosote):
    values, lab, level = creosote
    kept = (lab != 1) & ~((lab == 6) & (level == 5))
    study = spc.precision(values[kept], lab[kept], level[kept])
    assert study.level == (1, 2, 3, 4, 5)
    for one in study.levels:
        mean, s_r, s_R, p = REDUCED[one.level]
        assert one.mean == pytest.approx(mean, abs=0.005)
        assert one.s_r == pytest.approx(s_r, abs=0.0005)
        assert one.s_R == pytest.approx(s_R, abs=0.0005)
        assert len(one.laboratories) == p
        assert one.s_R == pytest.approx(math.hypot(one.s_L, one.s_r))
        assert one.repeatability_limit == pytest.approx(2.8 * one.s_r)
        assert one.reproducibility_limit == pytest.approx(2.8 * one.s_R)
    assert np.isnan(study.h[4, study.laboratories.index(6)])
    assert np.isfinite(study.h[:4]).all()


def test_creosote_outliers(creosote):
    study = spc.precision(*creosote)
    for one in study.levels:
        tests = one.grubbs
        found = (tests.smallest, tests.largest, tests.two_smallest, tests.two_largest)
        expected = GRUBBS[one.level]
        assert [t.statistic for t in found[:2]] == pytest.approx(expected[:2], abs=0.0055)
        assert [t.statistic for t in found[2:]] == pytest.approx(expected[2:], abs=0.00055)
        assert one.cochran.statistic == pytest.approx(COCHRAN[one.level], abs=0.0005)
        assert one.cochran.straggler_limit == pytest.approx(0.638, abs=0.0005)
        assert one.cochran.outlier_limit == pytest.approx(0.754, abs=0.0005)
        # Laboratory 1 lies off at every level, 9 laboratories: printed 1.78 and 2.13.
        assert (one.h_straggler_limit, one.h_outlier_limit) == pytest.approx((1.78, 2.13), abs=5e-3)
        assert one.h.argmax() == 0
    # The standard's findings: single outlier at levels 3 and 4, laboratory 1.
    largest = [tests.largest for tests in study.grubbs]
    assert [test.verdict for test in largest] == ["none", "none", "outlier", "outlier", "none"]
    assert largest[2].suspects == largest[3].suspects == (0,)
    # Cochran: level 4 (laboratory 7) beyond 0.638; level 5 (laboratory 6) with 0.636 just not,
    # where the standard left the cell out by judgement.
    assert [test.verdict for test in study.cochran] == ["none", "none", "none", "straggler", "none"]
    assert study.cochran[3].suspects == (6,)
    assert study.cochran[4].suspects == (5,)


def _brute(values, lab):
    """ISO 5725-2:1994, 7.4, sum by sum in plain Python."""
    cells = {}
    for value, name in zip(values, lab, strict=True):
        cells.setdefault(name, []).append(value)
    several = [c for c in cells.values() if len(c) > 1]
    means = {name: sum(c) / len(c) for name, c in cells.items()}
    freedom = sum(len(c) - 1 for c in several)
    s_r2 = sum(sum((x - sum(c) / len(c)) ** 2 for x in c) for c in several) / freedom
    n, p = len(values), len(cells)
    mean = sum(values) / n
    s_d2 = sum(len(c) * (means[name] - mean) ** 2 for name, c in cells.items()) / (p - 1)
    n_bar = (n - sum(len(c) ** 2 for c in cells.values()) / n) / (p - 1)
    raw = (s_d2 - s_r2) / n_bar
    s_L2 = max(0.0, raw)
    return mean, math.sqrt(s_r2), math.sqrt(s_L2), math.sqrt(s_L2 + s_r2), raw < 0


cells_with_gaps = st.lists(
    st.tuples(st.integers(0, 4), st.integers(-9999, 9999).map(lambda i: i / 10)),
    min_size=4,
    max_size=25,
).filter(lambda rows: 2 <= len({lab for lab, _ in rows}) < len(rows))


@settings(deadline=None)
@given(cells_with_gaps)
def test_unequal_and_single_cells_by_brute_force(rows):
    values, lab = [v for _, v in rows], [name for name, _ in rows]
    one = spc.precision(values, lab).levels[0]
    mean, s_r, s_L, s_R, _ = _brute(values, lab)
    assert one.mean == pytest.approx(mean, abs=1e-9)
    assert (one.s_r, one.s_L, one.s_R) == pytest.approx((s_r, s_L, s_R), rel=1e-6, abs=1e-5)
    single = one.counts == 1
    assert (np.isnan(one.k) == single).all()
    assert (np.isnan(one.sds) == single).all()
    assert np.isfinite(one.h).all()
    for i, name in enumerate(one.laboratories):
        inside = [v for v, owner in zip(values, lab, strict=True) if owner == name]
        assert one.means[i] == pytest.approx(sum(inside) / len(inside), abs=1e-9)


@settings(deadline=None)
@given(cells_with_gaps, st.integers(-(10**5), 10**5), st.randoms(use_true_random=False))
def test_shift_scale_and_order(rows, shift, random):
    plain = spc.precision([v for _, v in rows], [name for name, _ in rows])
    mixed = rows.copy()
    random.shuffle(mixed)
    moved = spc.precision([4 * v + shift for _, v in mixed], [name for name, _ in mixed])
    assert moved.s_r == pytest.approx(4 * plain.s_r, rel=1e-6, abs=1e-7)
    assert moved.s_R == pytest.approx(4 * plain.s_R, rel=1e-6, abs=1e-7)
    assert moved.h == pytest.approx(plain.h, abs=1e-5)
    assert moved.k == pytest.approx(plain.k, abs=1e-5, nan_ok=True)


def test_indicators_by_their_definition(creosote):
    one = spc.precision(*creosote).levels[0]
    assert one.h == pytest.approx((one.means - one.means.mean()) / one.means.std(ddof=1))
    assert one.k == pytest.approx(one.sds / np.sqrt(np.mean(one.sds**2)))
    assert one.k_outlier_limit == pytest.approx(np.full(9, 2.29), abs=0.005)  # printed
    assert one.k_straggler_limit == pytest.approx(np.full(9, 1.90), abs=0.005)


def test_h_compares_with_the_plain_average_of_the_cells():
    one = spc.precision([1, 3, 5, 5, 5, 5, 9], ["A", "A", "B", "B", "B", "B", "C"]).levels[0]
    assert one.mean == pytest.approx(33 / 7)
    averages = np.array([2, 5, 9])
    assert one.h == pytest.approx((averages - 16 / 3) / averages.std(ddof=1))


def test_missing_cells_and_single_results():
    values = [10.0, 10.2, 10.1, 10.3, 9.9, 20.0, 20.4, 21.0]
    lab = ["A", "A", "B", "B", "C", "A", "A", "C"]
    level = ["low"] * 5 + ["high"] * 3
    study = spc.precision(values, lab, level)
    assert study.level == ("high", "low")
    high, low = study.levels
    assert high.laboratories == ("A", "C")
    assert (high.grubbs, high.h_outlier_limit, high.cochran) == (None, None, None)
    assert np.isnan(high.k_outlier_limit).all()  # one cell with replicates has no company
    assert high.k[0] == 1
    assert low.grubbs.two_largest is None
    assert low.cochran.statistic == pytest.approx(0.5)
    assert np.isnan(low.k_outlier_limit[2])
    assert study.h.shape == (2, 3)
    assert np.isnan(study.h[0, 1])


def test_cochran_takes_the_most_common_number_of_results():
    values = [1, 2, 1, 2, 1, 2, 3, 1, 2, 3, 4, 9]
    lab = [1, 1, 2, 2, 3, 3, 3, 4, 4, 4, 5, 5]
    one = spc.precision(values, lab).levels[0]
    assert one.cochran_n == 2
    assert one.cochran.outlier_limit == spc.cochran_critical(5, 2, 0.01)
    assert one.cochran.suspects == (4,)


def test_stated_results_without_spread():
    same = spc.precision([0.1 + 0.2, 0.3, 0.3, 0.3, 0.3, 0.3], [1, 1, 2, 2, 3, 3]).levels[0]
    assert (same.s_r, same.cochran, same.grubbs) == (0.0, None, None)
    assert same.h.tolist() == [0, 0, 0]
    assert same.k.tolist() == [0, 0, 0]
    apart = spc.precision([1, 3, 1, 3, 1, 3], [1, 1, 2, 2, 3, 3]).levels[0]
    assert (apart.s_L, apart.s_L_set_to_zero, apart.s_R) == (0.0, True, apart.s_r)
    far = spc.precision([1e99, 3e99, 2e99, 5e99], [1, 1, 2, 2]).levels[0]
    assert far.cochran.statistic == pytest.approx(9 / 13)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1, 2, 3], [1, 1, 1]), "laboratory needs at least 2 labels, got 1: leave that level out"),
        (([1, 2, 3], [1, 2, 3]), "values needs a laboratory with two results, got one each"),
        (
            ([1, 2, 3, 4, 5, 6], [1, 1, 2, 1, 1, 1], list("aaabbb")),
            "laboratory needs at least 2 labels at level 'b'",
        ),
        (([1, 2, 3], [1, 1]), "laboratory must have a label for each of 3 values, got 2"),
        (([1, 2, 3], [1, 1, 2], [1]), "level must have a label for each of 3 values, got 1"),
        (([1, 2], [1, 1]), "values needs at least 3 points"),
    ],
)
def test_refusals(arguments, message):
    with pytest.raises(spc.SpcError, match=message):
        spc.precision(*arguments)

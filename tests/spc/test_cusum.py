"""CUSUM: published tables, the scalar recursion to the bit, carrying on, where a shift began."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import spc


def test_montgomery_table(table):
    # Montgomery, 6th ed., Tables 9.1 and 9.2 (columns from memory): k 0.5, h 5.
    x = [float(row["x"]) for row in table("montgomery_cusum_ewma")]
    chart = spc.cusum(x, center=10, sigma=1)
    printed = {1: 0, 4: 1.16, 5: 2.82, 6: 2.50, 7: 0.04, 12: 0.97, 13: 0.98, 29: 5.28, 30: 5.30}
    for number, value in printed.items():
        assert chart.c_plus[number - 1] == pytest.approx(value, abs=5e-3)
    assert (np.flatnonzero(chart.outside()) + 1).tolist() == [29, 30]
    assert chart.n_plus[28] == 7
    (shift,) = chart.shifts()
    # N+ = 7 at 29: in control last at 22, so the shift began with 23; its level there is
    # 10 + 0.5 + 5.28 / 7 = 11.25 (from memory).
    assert (shift.side, shift.start + 1, shift.signal + 1, shift.last + 1) == ("up", 23, 29, 30)
    assert shift.level == pytest.approx(11.25, abs=5e-3)
    assert shift.size == pytest.approx(1.25, abs=5e-3)


def test_nist_table_in_the_unit_of_the_values(table):
    # NIST/SEMATECH e-Handbook 6.3.2.3 (from memory): k 0.3175 and h 4.1959 are in data units.
    x = [float(row["x"]) for row in table("nist_pmc323_cusum")]
    chart = spc.cusum(x, center=325, sigma=1, k=0.3175, h=4.1959)
    high = {1: 0, 5: 0.03, 13: 3.01, 14: 4.94, 15: 7.45, 16: 10.63, 17: 11.99, 18: 14.44,
            19: 16.00, 20: 19.04}  # fmt: skip
    for number, value in high.items():
        assert chart.c_plus[number - 1] == pytest.approx(value, abs=5.1e-3)
    assert chart.c_minus[6] == pytest.approx(0.56, abs=5e-3)
    assert np.flatnonzero(chart.outside())[0] + 1 == 14


def textbook(values, center, sigma, k, h, plus=0.0, minus=0.0):
    """The recursion as printed, one point at a time."""
    up, down, sums = [], [], []
    for x in values:
        z = (x - center) / sigma
        plus = max(0.0, plus + z - k)
        minus = max(0.0, minus - z - k)
        up.append(plus > h)
        down.append(minus > h)
        sums.append((plus, minus))
    return up, down, sums


@pytest.mark.parametrize("h", [4.0, 5.0])
@pytest.mark.parametrize("decimals", [None, 1, 0])
@pytest.mark.parametrize("sigma", [1.0, 10.0, 70.0])
def test_many_equal_the_scalar_recursion_to_the_bit(h, decimals, sigma):
    rng = np.random.default_rng(20)
    values = rng.normal(2000, sigma, (50, 200))
    values[::2, 60:] += 0.8 * sigma
    if decimals is not None:
        values = values.round(decimals)
    many = spc.cusum_many(values, 2000.0, sigma, h=h)
    for i, row in enumerate(values.tolist()):
        up, down, sums = textbook(row, 2000.0, sigma, 0.5, h)
        assert many.above[i].tolist() == up
        assert many.below[i].tolist() == down
        assert np.column_stack((many.c_plus[i], many.c_minus[i])).tolist() == [
            list(s) for s in sums
        ]
        one = spc.cusum(row, 2000.0, sigma, h=h)
        assert one.above.tolist() == up
        assert one.c_plus.tolist() == many.c_plus[i].tolist()
        assert one.shifts() == many.row(i).shifts()
    if decimals == 0 and sigma == 1:
        assert (many.c_plus == h).any()  # the comparison does meet ties at the limit
    assert many.outside().any()


def test_a_sum_exactly_on_the_limit_does_not_signal():
    # 10 steps of 1 - 0.5: exactly 5.0 at the tenth; binary fractions hold these numbers.
    chart = spc.cusum([1.0] * 11, center=0, sigma=1)
    assert chart.c_plus[9] == 5.0
    assert np.flatnonzero(chart.above).tolist() == [10]
    mirrored = spc.cusum([-1.0] * 11, center=0, sigma=1)
    assert np.flatnonzero(mirrored.below).tolist() == [10]


@given(
    st.lists(st.integers(-30, 30), min_size=2, max_size=80),
    st.integers(1, 79),
    st.sampled_from([0.1, 1.0]),
)
def test_carrying_on_equals_the_whole_and_later_points_change_nothing(steps, cut, step):
    values = np.array(steps) * step
    cut = min(cut, values.size - 1)
    whole = spc.cusum(values, 0.3, 7 * step, h=4)
    begin = spc.cusum(values[:cut], 0.3, 7 * step, h=4)
    rest = spc.cusum(values[cut:], 0.3, 7 * step, h=4, start=begin.state)
    for name in ("c_plus", "c_minus", "n_plus", "n_minus", "above", "below"):
        joined = np.concatenate((getattr(begin, name), getattr(rest, name)))
        assert joined.tolist() == getattr(whole, name).tolist()
    # The shifts of the parts are those of the whole, each of them once.
    assert [told(shift) for shift in begin.shifts()] + [
        told(shift, cut) for shift in rest.shifts()
    ] == [told(shift) for shift in whole.shifts()]


def told(shift, moved=0):
    """All of a shift that does not depend on how far the series goes."""
    return (
        shift.side, shift.start + moved, shift.signal + moved, shift.n, shift.size, shift.level
    )  # fmt: skip


@given(
    st.lists(st.integers(-24, 24), min_size=3, max_size=60),
    st.integers(1, 58),
    st.integers(1, 59),
    st.integers(0, 15),
)
def test_carrying_on_twice_with_a_head_start_reports_each_shift_once(eighths, cut, second, head):
    # Eighths: every step is exact. Parts of parts, rows of a table and the whole agree.
    values = np.array(eighths) / 8
    cut = min(cut, values.size - 2)
    second = min(max(second, cut + 1), values.size - 1)
    whole = spc.cusum(values, 0, 1, h=2, head_start=head / 8)
    many = spc.cusum_many([values, values], 0, 1, h=2, head_start=head / 8)
    assert many.row(1).shifts() == whole.shifts()
    assert many.state.row(0) == whole.state
    found, one, table = [], None, None
    for start, stop in ((0, cut), (cut, second), (second, values.size)):
        begin = {"head_start": head / 8} if one is None else {"start": one.state}
        rows = {"head_start": head / 8} if table is None else {"start": table.state}
        one = spc.cusum(values[start:stop], 0, 1, h=2, **begin)
        table = spc.cusum_many([values[start:stop]], 0, 1, h=2, **rows)
        assert table.row(0).shifts() == one.shifts()
        assert table.state.row(0) == one.state
        found += [told(shift, start) for shift in one.shifts()]
    assert found == [told(shift) for shift in whole.shifts()]
    assert one.state == whole.state


@given(st.lists(st.integers(-24, 40), min_size=1, max_size=60), st.integers(0, 31))
def test_the_level_of_a_shift_is_the_mean_of_its_values(eighths, head):
    # While the sum is above zero, C - H = sum of (z - k), so k + (C - H) / N is the mean of the N
    # values: added up here as fractions, which the head start must not enter.
    values = [Fraction(one, 8) for one in eighths]
    chart = spc.cusum([float(one) for one in values], 0, 1, h=4, head_start=head / 8)
    for shift in chart.shifts():
        own = values[shift.start : shift.signal + 1]
        assert len(own) == shift.n
        assert shift.level == pytest.approx(float(sum(own) / len(own)), abs=1e-12)


def test_a_head_start_is_no_part_of_the_size():
    # 1.5, 1.5, 1.5 after a head start of 2.5: the sum is 3.5, 4.5, 5.5 and the mean is 1.5.
    begin = spc.cusum([1.5, 1.5], 0, 1, head_start=2.5)
    assert begin.state.head_plus == 2.5
    assert begin.state.head_minus == 2.5 * (begin.c_minus[-1] > 0)
    (shift,) = spc.cusum([1.5, 1.5, 1.5], 0, 1, head_start=2.5).shifts()
    assert (shift.n, shift.size) == (3, 1.5)
    (carried,) = spc.cusum([1.5], 0, 1, start=begin.state).shifts()
    assert (carried.n, carried.size, carried.start) == (3, 1.5, -2)
    # Once the sum has been zero the head start is gone: -4 brings it there, five 1.5 signal.
    later = spc.cusum([-4.0, *[1.5] * 6], 0, 1, head_start=2.5, h=4.5).shifts()[-1]
    assert (later.start, later.n, later.size) == (1, 5, 1.5)


def test_an_old_shift_is_not_reported_again():
    # 3, 3, 3 signals at the third point; the sum falls below the limit without being zero, and
    # rises above it again: still the one shift.
    whole = spc.cusum([3.0, 3.0, 3.0, -3.0, 3.0, 3.0], 0, 1)
    assert [(one.start, one.signal, one.last) for one in whole.shifts()] == [(0, 2, 5)]
    begin = spc.cusum([3.0, 3.0, 3.0, -3.0], 0, 1)
    assert begin.state.told_plus
    assert begin.state.c_plus < 5
    rest = spc.cusum([3.0, 3.0], 0, 1, start=begin.state)
    assert rest.outside().any()
    assert rest.shifts() == ()


@given(st.data())
def test_rows_with_missing_points_and_carried_state(data):
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    rows, points = rng.integers(1, 5), rng.integers(1, 25)
    values = rng.normal(0.3, 1.4, (rows, points)).round(1)
    values[rng.random(values.shape) < 0.3] = np.nan
    cut = int(rng.integers(0, points + 1))
    begin = spc.cusum_many(values[:, :cut], 0.0, 1.0, h=3, head_start=1.0)
    rest = spc.cusum_many(values[:, cut:], 0.0, 1.0, h=3, start=begin.state)
    state = rest.state
    for i in range(rows):
        present = values[i][~np.isnan(values[i])]
        if present.size == 0:
            assert (state.c_plus[i], state.n_plus[i]) == (1.0, 0)
            continue
        one = spc.cusum(present, 0.0, 1.0, h=3, head_start=1.0)
        joined = np.concatenate((begin.c_plus[i], rest.c_plus[i]))
        assert joined[~np.isnan(values[i])].tolist() == one.c_plus.tolist()
        assert np.isnan(joined[np.isnan(values[i])]).all()
        assert state.row(i) == one.state
        later = rest.row(i).n_plus
        assert later.tolist() == one.n_plus[one.n_plus.size - later.size :].tolist()


@pytest.mark.parametrize(("level", "side"), [(2.0, "up"), (-1.5, "down")])
def test_a_clean_step_is_found_where_and_as_large_as_it_is(level, side):
    # After the step every value is `level`: each adds |level| - k, so k + C / N is |level|.
    series = np.concatenate((np.zeros(7), np.full(20, level)))
    (shift,) = spc.cusum(100 + 5 * series, center=100, sigma=5).shifts()
    assert (shift.side, shift.start) == (side, 7)
    assert shift.size == pytest.approx(5 * level)
    assert shift.level == pytest.approx(100 + 5 * level)
    assert shift.last == 26


def test_two_shifts_are_two():
    series = np.concatenate((np.full(8, 2.0), np.full(12, -2.0), np.full(9, 2.0)))
    found = spc.cusum(series, 0, 1).shifts()
    assert [shift.side for shift in found] == ["up", "down", "up"]
    assert [shift.signal for shift in found] == sorted(shift.signal for shift in found)


def test_head_start_and_the_scalar_recursion():
    values = [0.2, 1.4, 0.9, 1.6, -0.2]
    chart = spc.cusum(values, 0, 1, head_start=2.5)
    _, _, sums = textbook(values, 0, 1, 0.5, 5, 2.5, 2.5)
    assert list(zip(chart.c_plus, chart.c_minus, strict=True)) == sums
    # Off target from the first point on, the head start saves points.
    shifted = np.full(12, 1.5)
    late = np.flatnonzero(spc.cusum(shifted, 0, 1).above)[0]
    early = np.flatnonzero(spc.cusum(shifted, 0, 1, head_start=2.5).above)[0]
    assert early < late


@given(st.lists(st.integers(-8, 8), min_size=1, max_size=60), st.integers(-50, 50))
def test_shift_scale_and_mirror(steps, shift):
    # Whole numbers and powers of two: every step is exact.
    values = np.array(steps, dtype=float)
    plain = spc.cusum(values, 0, 4, h=2)
    moved = spc.cusum(8 * (values + shift), 8 * shift, 32, h=2)
    mirrored = spc.cusum(-values, 0, 4, h=2)
    assert moved.c_plus.tolist() == plain.c_plus.tolist()
    assert mirrored.c_plus.tolist() == plain.c_minus.tolist()
    assert mirrored.above.tolist() == plain.below.tolist()


def test_run_lengths_agree_with_the_published_ones(table):
    # Lucas & Crosier, Technometrics 24 (1982) 199, Table 1 (from memory): k 0.5, h 5: 465 in
    # control, 38.0 at a shift of half a sigma, 10.4 at one sigma.
    rng = np.random.default_rng(8)
    for shift, published, points in ((0.5, 38.0, 400), (1.0, 10.4, 120)):
        chart = spc.cusum_many(rng.normal(shift, 1, (4000, points)), 0.0, 1.0)
        flags = chart.outside()
        assert flags.any(axis=1).all()
        runs = flags.argmax(axis=1) + 1
        assert runs.mean() == pytest.approx(published, abs=4 * runs.std() / math.sqrt(4000))


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"sigma": 0}, "sigma must be above 0, got 0: values without spread have no cumulative sum,"
                       " any other value is a signal by itself"),
        ({"k": -1}, "k must not be negative, got -1"),
        ({"h": 0}, "h must be finite and above 0, got 0"),
        ({"head_start": 5}, "head_start must be in [0, h) with h = 5, got 5"),
        ({"head_start": 1, "start": spc.CusumState()},
         "head_start must be 0 where start is given, got 1: a sum that is carried on has its value"
         " already"),
        ({"start": spc.CusumState(c_plus=-1.0)},
         "start must be the .state of an earlier chart, got "
         "CusumState(c_plus=-1.0, c_minus=0.0, n_plus=0, n_minus=0, head_plus=0.0, "
         "head_minus=0.0, told_plus=False, told_minus=False)"),
        ({"start": 1}, "start must be the .state of an earlier chart, got 1"),
        ({"values": [1e99], "sigma": 1e-9},
         "sigma must not be so small, got 1e-09: a value lies more than 1e+100 sigma from the "
         "center, check the units"),
    ],
)  # fmt: skip
def test_refused(changed, message):
    with pytest.raises(spc.ArgumentError) as caught:
        spc.cusum(**({"values": [1.0, 2.0], "center": 1.0, "sigma": 1.0} | changed))
    assert str(caught.value) == message


def test_too_few():
    with pytest.raises(spc.TooFewPointsError, match="values needs at least 1 point"):
        spc.cusum([], 0, 1)


@pytest.mark.parametrize("many", [spc.cusum_many, spc.ewma_many])
@pytest.mark.parametrize(
    ("values", "center", "sigma", "message"),
    [
        ([1.0, 2.0], 0, 1,
         "values must be two-dimensional (characteristics, points), got shape (2,)"),
        ([[1.0, math.inf]], 0, 1, "values must be finite, or nan for a missing point, got inf "
         "in row 0, point 1: leave such points out"),
        ([[1.0], [2.0]], [0, 0, 0], 1,
         "center must be one number or one a row (2), got shape (3,)"),
        ([[1.0], [2.0]], 0, [1, math.nan], "sigma must be finite, got nan in row 1"),
    ],
)  # fmt: skip
def test_many_refused(many, values, center, sigma, message):
    with pytest.raises(spc.ArgumentError) as caught:
        many(values, center, sigma)
    assert str(caught.value) == message


def test_many_refuse_rows_without_spread_and_ragged_rows():
    with pytest.raises(spc.ArgumentError, match=r"sigma must be above 0, got 0 in row 1"):
        spc.cusum_many([[1.0], [2.0]], 0, [1, 0])
    with pytest.raises(spc.ArgumentError, match="rows of one length"):
        spc.cusum_many([[1.0], [2.0, 3.0]], 0, 1)


def test_the_caller_s_array_may_change():
    values = np.ones((2, 9))
    chart = spc.cusum_many(values, 0, 1)
    values[:] = 7
    assert chart.values.max() == 1


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"c_plus": np.array([0.0, -3.0])}, "got c_plus -3, n_plus 0, head_plus 0, told_plus 0 in "
         "row 1"),
        ({"n_minus": np.array([4, 0])}, "got c_minus 0, n_minus 4, head_minus 0, told_minus 0 in "
         "row 0"),
        ({"n_plus": np.array([0.5, 0])}, "got c_plus 0, n_plus 0.5, head_plus 0, told_plus 0 in "
         "row 0"),
        ({"c_plus": np.array([2.0, 0.0])}, "got c_plus 2, n_plus 0, head_plus 0, told_plus 0 in "
         "row 0"),
    ],
)  # fmt: skip
def test_many_refuse_a_state_that_no_table_leaves_behind(changed, message):
    state = replace(spc.cusum_many([[0.0], [0.0]], 0, 1).state, **changed)
    with pytest.raises(spc.ArgumentError) as caught:
        spc.cusum_many([[1.0], [2.0]], 0, 1, start=state)
    assert str(caught.value) == f"start must be the .state of an earlier table, {message}"


def test_a_row_that_is_not_there():
    table = spc.cusum_many([[1.0], [2.0]], 0, 1)
    with pytest.raises(spc.ArgumentError, match="index must be below the number of rows 2, got 2"):
        table.row(2)
    with pytest.raises(spc.ArgumentError, match="index must be a whole number, got 'a'"):
        table.row("a")

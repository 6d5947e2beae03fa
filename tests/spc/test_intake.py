"""What is refused at the door, by its text, and what a copy protects."""

import numpy as np
import pytest

import spc

SERIES = [
    ([1.0, np.nan, np.nan, 2.0],
     "values must be finite numbers, got nan at index 1 (and 1 more): leave such points out"),
    ([1.0, np.inf], "values must be finite numbers, got inf at index 1: leave such points out"),
    ([[1.0, 2.0]], "values must be one-dimensional, got shape (1, 2)"),
    (3.0, "values must be one-dimensional, got shape ()"),
    ([1.0, 1e200], "values must lie between -1e+100 and 1e+100, got 1e+200 at index 1"),
    (["<500", "510"],
     "values must hold numbers only, got text, the first '<500': read them as numbers first"),
    ([1 + 2j], "values must hold numbers only, got complex numbers, the first (1+2j): "
     "read them as numbers first"),
    ([True, False],
     "values must hold numbers only, got yes-or-no values, the first True: "
     "read them as numbers first"),
    ([[1.0], [1.0, 2.0]], "values must hold numbers only, in rows of one length: "),
    ([10**400, 1], "values must hold numbers of ordinary size, got 1000"),
    ([1.0, object], "values must hold numbers only, got <class 'object'>"),
    ([1.0, None, 2.0], "values must be finite numbers, got nan at index 1: leave such points out"),
    (np.ma.masked_array([1.0, 2.0], mask=[False, True]),
     "values must be finite numbers, got nan at index 1: leave such points out"),
]  # fmt: skip


@pytest.mark.parametrize(("values", "message"), SERIES)
def test_series_refused(values, message):
    for function in (spc.individuals, spc.describe):
        with pytest.raises(spc.ArgumentError) as caught:
            function(values)
        assert str(caught.value).startswith(message)


GROUPS = [
    (5.0, "must be a sequence of arrays, got 5.0"),
    ([1.0, 2.0], "must be a sequence of 1-D arrays or one 2-D array, got shape () at {name}[0]"),
    ([[1.0, np.inf], [1.0, 2.0]],
     "must be finite, or nan for a missing value, got inf in {name}[0]"),
    (np.array([[1.0, 2.0], [-np.inf, np.nan]]),
     "must be finite, or nan for a missing value, got -inf in {name}[1]"),
    ([[1.0, 2.0], [np.nan]], "holds no value: leave that group out"),
    ([[1.0, 2.0], []], "holds no value: leave that group out"),
    (np.array([[1.0, 2.0], [np.nan, np.nan]]), "holds no value: leave that group out"),
    ([["a"], [1.0]], "must hold numbers only, got text, the first 'a': read them as numbers first"),
]  # fmt: skip


@pytest.mark.parametrize(("groups", "message"), GROUPS)
@pytest.mark.parametrize(
    ("function", "name"),
    [(spc.xbar_r, "subgroups"), (spc.xbar_s, "subgroups"), (spc.three_way, "subgroups"),
     (spc.repeatability, "groups"), (spc.order_effect, "groups")],
)  # fmt: skip
def test_groups_refused(function, name, groups, message):
    with pytest.raises(spc.ArgumentError) as caught:
        function(groups)
    assert str(caught.value).startswith(name)
    assert str(caught.value).endswith(message.format(name=name))


def test_every_refusal_is_one_family():
    assert issubclass(spc.SpcError, ValueError)
    for error in (spc.ArgumentError, spc.TooFewPointsError, spc.NoSpreadError):
        assert issubclass(error, spc.SpcError)


def test_results_do_not_change_with_the_caller_s_array():
    values = np.array([10.0, 12.0, 11.0])
    chart = spc.individuals(values).location
    values[:] = 0
    assert chart.values.tolist() == [10.0, 12.0, 11.0]


def test_groups_as_array_and_as_sequence_agree():
    array = np.array([[1.0, 2.0, np.nan], [3.0, np.nan, 5.0], [4.0, 4.5, 6.0]])
    lists = [[1.0, 2.0], [3.0, 5.0], [4.0, 4.5, 6.0]]
    for function in (spc.xbar_r, spc.xbar_s, spc.three_way):
        a, b = function(array), function(lists)
        assert a.location.upper.tolist() == b.location.upper.tolist()
        assert a.dispersion.upper.tolist() == b.dispersion.upper.tolist()
    assert spc.repeatability(array) == spc.repeatability(lists)


def test_whole_numbers_and_tuples_are_welcome():
    assert spc.individuals((1900, 2000, 2100)).location.center.tolist() == [2000.0] * 3

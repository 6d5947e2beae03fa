"""Labels: none missing, none merged, whatever holds them."""

import math

import numpy as np
import pandas as pd
import pytest

import spc
from spc.labels import as_labels

VALUES = [1.0, 2.0, 3.0, 4.0, 5.0]


@pytest.mark.parametrize(
    "missing",
    [None, math.nan, np.nan, pd.NA, pd.NaT, np.datetime64("NaT"), "", "  "],
    ids=["None", "nan", "np.nan", "NA", "NaT", "datetime NaT", "empty", "blank"],
)
@pytest.mark.parametrize("kind", [list, tuple, pd.Series, "array"])
def test_a_missing_label_is_named_by_its_rows(missing, kind):
    labels = ["A", missing, "A", "B", missing]
    labels = np.array(labels, dtype=object) if kind == "array" else kind(labels)
    message = (
        "laboratory must have a label for each value, got none at index 1, 4: leave such values out"
    )
    with pytest.raises(spc.ArgumentError) as caught:
        spc.precision(VALUES, labels)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "labels",
    [
        np.array([1.0, 1.0, math.nan, 2.0, 2.0]),
        pd.Series([1, 1, None, 2, 2], dtype="Int64"),
        pd.Series(["a", "a", None, "b", "b"], dtype="string"),
        pd.Categorical(["a", "a", None, "b", "b"]),
        np.array(["2025-01-01", "2025-01-01", "NaT", "2025-01-02", "2025-01-02"], "datetime64[D]"),
        np.ma.masked_array([1, 1, 2, 2, 2], mask=[0, 0, 1, 0, 0]),
    ],
)
def test_whatever_holds_them(labels):
    for called in (
        lambda: spc.one_way(VALUES, labels),
        lambda: spc.nested(VALUES, labels, list("pqrst")),
        lambda: spc.nested(VALUES, list("ppqqq"), labels),
        lambda: spc.gauge_study(VALUES, labels),
        lambda: spc.equal_variation(VALUES, labels),
        lambda: spc.short_run(VALUES, VALUES, labels),
    ):
        with pytest.raises(spc.ArgumentError, match=r"got (none|a masked one) at index 2"):
            called()


def test_many_missing_labels_are_counted():
    labels = ["A"] * 5 + [None] * 14
    with pytest.raises(spc.ArgumentError, match=r"index 5, .*, 14 \(and 4 more\): leave"):
        spc.one_way(np.arange(19.0), labels)


@pytest.mark.parametrize("two", [("1", 1), (1, "1"), (1.0, "1"), (np.int64(7), "7"), ("1 ", 1)])
def test_a_number_and_its_text_are_not_merged(two):
    one, other = two
    with pytest.raises(spc.ArgumentError) as caught:
        spc.one_way(VALUES, [one, one, "b", other, "b"])
    assert "must write one label in one way, got" in str(caught.value)
    assert "at index 0" in str(caught.value)
    assert "at index 3: make both numbers or both text" in str(caught.value)


def test_numbers_and_words_stand_side_by_side():
    found = spc.one_way(VALUES, [10, 9, "b", "a", 9.0])
    assert found.groups == (9, 10, "a", "b")
    assert found.sizes.tolist() == [2, 1, 1, 1]
    assert found.means.tolist() == [3.5, 1.0, 4.0, 3.0]


def test_against_a_dictionary_written_out():
    rng = np.random.default_rng(5)
    for _ in range(50):
        labels = rng.choice(["x", "y", "z", "long name"], 30).tolist()
        different, index = as_labels(labels, name="group", size=30)
        assert list(different) == sorted(set(labels))
        assert [different[i] for i in index] == labels
        numbers = rng.integers(-3, 4, 30)
        different, index = as_labels(numbers, name="group", size=30)
        assert list(different) == np.unique(numbers).tolist()
        assert [different[i] for i in index] == numbers.tolist()


def test_targets_that_differ_late_are_different_products():
    run = spc.short_run(
        [1000001.0, 1000003.0, 1000002.0, 1000004.0], [1000001, 1000002, 1000001, 1000002]
    )
    assert run.equal_variation.products == ("1000001", "1000002")


def test_one_text_is_no_list_of_labels():
    with pytest.raises(spc.ArgumentError, match="group must hold a label for each value, got one"):
        spc.one_way(VALUES, "abcab")

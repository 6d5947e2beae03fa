"""Numbers, dates and phrases as people read them."""

import datetime as dt
import math

import pandas as pd
import pytest

from dashboard import text


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (2001.7333, "2002"),
        (45123.4, "45123"),
        (999.96, "1000"),
        (140.9, "140.9"),
        (42.9, "42.90"),
        (9.99996, "10.00"),
        (0.60218, "0.6022"),
        (-5.8, "−5.800"),
        (0.0, "0"),
        (math.nan, "–"),
        (math.inf, "–"),
        (None, "–"),
    ],
)
def test_number_keeps_four_significant_digits_and_every_digit_before_the_point(value, shown):
    assert text.number(value) == shown


@pytest.mark.parametrize("value", [1.2345e-3, 0.98765, 7.7777, 123.456, 99999.9])
@pytest.mark.parametrize("significant", [2, 3, 5])
def test_number_agrees_with_the_value_to_its_digits(value, significant):
    shown = float(text.number(value, significant))
    step = 10.0 ** (math.floor(math.log10(value)) + 1 - significant)
    assert abs(shown - value) <= max(min(step, 1.0) / 2, 0.5 if step > 1 else 0) * 1.001


def test_fixed_never_shows_a_negative_zero():
    assert text.fixed(-0.001, 2) == "0.00"
    assert text.fixed(-0.006, 2) == "−0.01"


def test_units_and_intervals():
    assert text.viscosity(2001.73) == "2002 mPa·s"
    assert text.percent(7.031) == "7.0 %"
    assert text.percent(None) == "– %"
    assert text.interval(0.787, 1.226) == "0.79–1.23"
    assert text.interval(-0.1, 1.2, 1) == "−0.1 to 1.2"
    assert text.with_interval(1.0066, (0.787, 1.226)) == "1.01 (0.79–1.23)"
    assert text.with_interval(1.0066, None) == "1.01"


def test_dates_are_english_whatever_the_machine_speaks():
    at = pd.Timestamp("2025-03-18 06:05", tz="UTC")
    assert text.date(at) == "18 Mar 2025"
    assert text.moment(at) == "18 Mar 2025, 06:05"
    assert text.date(dt.date(2024, 12, 1)) == "1 Dec 2024"
    assert text.date(pd.NaT) == "–"
    assert text.moment(None) == "–"


def test_pieces_of_sentences():
    assert [text.batches(n) for n in (0, 1, 2)] == ["0 batches", "1 batch", "2 batches"]
    assert text.count(1, "reading") == "1 reading"
    assert text.stretch(["B022"]) == "B022"
    assert text.stretch(["B021", "B022", "B036"]) == "B021 to B036"
    assert text.joined([]) == ""
    assert text.joined(["a", "b", "c"]) == "a, b and c"
    assert text.joined(["batch", "day"], last="or") == "batch or day"
    assert text.sentence("no limits") == "No limits."
    assert text.sentence("Why?") == "Why?"
    assert text.sentence("a range") == "A range."
    assert text.sentence("mPa·s is the unit") == "mPa·s is the unit."

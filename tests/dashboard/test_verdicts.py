"""A batch against its specification, alone and with an uncertainty.

Zones and the 71 % are the worked example of guarded acceptance (JCGM 106) with U = 73 mPa·s.
"""

import numpy as np
import pytest

import ingest
from dashboard.verdicts import limits_in_words, uncertainty_of, verdict_of

SPECIFICATION = ingest.Specification("P-100", 1800.0, 2200.0, None, None, "2025-01-01T00:00:00Z")
SETTINGS = {
    "uncertainty": {
        "*": {"standard_percent": 2.0},
        "P-100": {"standard_percent": 36.5 / 2180 * 100, "source": "budget", "date": "2025-01-01"},
    }
}


def test_the_worked_example():
    found = verdict_of(2180.0, SPECIFICATION, uncertainty_of(SETTINGS, "P-100"))
    assert found.zone == "not decided"
    assert found.probability == pytest.approx(0.71, abs=0.005)
    assert found.standard_uncertainty == pytest.approx(36.5)
    assert "inside specification 1800–2200" in found.sentence
    assert "probability that it conforms 71 %" in found.sentence


@pytest.mark.parametrize(
    ("value", "zone"),
    [(2000.0, "conforms"), (1850.0, "not decided"), (2400.0, "does not conform")],
)
def test_the_three_zones(value, zone):
    assert verdict_of(value, SPECIFICATION, uncertainty_of(SETTINGS, "other")).zone == zone


def test_without_an_uncertainty_there_is_no_zone():
    found = verdict_of(2180.0, SPECIFICATION, uncertainty_of({}, "P-100"))
    assert (found.zone, found.probability) == ("inside", None)
    assert "no measurement uncertainty is set" in found.sentence
    assert verdict_of(2300.0, SPECIFICATION, None).zone == "outside"


def test_without_a_specification_there_is_no_verdict():
    assert verdict_of(2000.0, None, None).sentence == "no specification"


def test_a_value_that_rounds_onto_a_limit_is_given_in_full():
    assert limits_in_words(SPECIFICATION, 2200.04) == "1800–2200 (unrounded 2200.04)"
    assert limits_in_words(SPECIFICATION, 2200.0) == "1800–2200"
    assert limits_in_words(SPECIFICATION, 2210.0) == "1800–2200"


def test_no_verdict_uses_a_word_that_only_a_person_may_use():
    for value in np.linspace(1500, 2500, 41):
        for uncertainty in (None, uncertainty_of(SETTINGS, "P-100")):
            words = set(verdict_of(value, SPECIFICATION, uncertainty).sentence.lower().split())
            assert not words & {"safe", "release", "compliant"}

"""Verdicts against the truth of simulated plants: a small tests/benchmarks/investigations.py.

Targets at shifts of 1.5 batch standard deviations and more: class right 95 %, suspect right 85 %,
starts covered 93 to 97 %; accused without a cause 5 % at most; smaller shifts wrong 5 % at most.
A run this small scatters by a few per cent, so each share is held against its target within two
standard errors; the benchmark, by hand, over 2,000 histories, holds them without.
"""

import math
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.plant.scoring import accused, parts, run, share

HISTORIES = 180
SEED = 7101


@pytest.fixture(scope="module")
def groups():
    return parts(run(HISTORIES, SEED))


def least(target, n):
    return target - 2 * math.sqrt(target * (1 - target) / n)


def most(target, n):
    return target + 2 * math.sqrt(target * (1 - target) / n)


def test_large_shifts(groups):
    large = groups["large"]
    assert share([one.class_right for one in large]) >= least(0.95, len(large))
    assert share([one.suspect_right for one in large]) >= least(0.85, len(large))
    assert share([one.class_wrong for one in large]) <= most(0.03, len(large))


def test_starts_are_covered(groups):
    covered = [one.covered for one in groups["large"] if one.covered is not None]
    assert least(0.93, len(covered)) <= share(covered) <= most(0.97, len(covered))


def test_small_shifts(groups):
    small = groups["small"]
    assert share([one.class_wrong for one in small]) <= most(0.05, len(small))


def test_quiet_plants(groups):
    quiet = groups["none"]
    assert share([accused(one) for one in quiet]) <= most(0.05, len(quiet))

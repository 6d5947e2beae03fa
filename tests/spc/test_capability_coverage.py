"""How often a 95 % interval of a capability index holds the true one."""

import math

import numpy as np
import pytest

import spc

SAMPLES = 4000
# Three standard errors of a share of 0.95 among 4000.
NOISE = 3 * math.sqrt(0.05 * 0.95 / SAMPLES)


@pytest.mark.parametrize("n", [30, 100])
@pytest.mark.parametrize("off", [0.0, 1.0])
def test_two_sided_indices(n, off):
    # Limits ±4, target 0, values normal with sd 1 about `off`. Stated: 94.1 to 95.4 %.
    rng = np.random.default_rng(100 * n + int(off))
    truth = {
        "cp": 4 / 3, "pp": 4 / 3, "cpk": (4 - off) / 3, "ppk": (4 - off) / 3,
        "cpm": 4 / 3 / math.sqrt(1 + off**2),
    }  # fmt: skip
    hits = dict.fromkeys(truth, 0)
    for values in rng.normal(off, 1, (SAMPLES, n)):
        result = spc.capability(values, -4, 4, 0)
        for name, true in truth.items():
            low, high = getattr(result, f"{name}_interval")
            hits[name] += low <= true <= high
    for name, count in hits.items():
        assert 0.94 - NOISE < count / SAMPLES < 0.96 + NOISE, name


def test_lognormal_index():
    rng = np.random.default_rng(4)
    true = 0.4 / math.expm1(0.3)
    hits = 0
    for values in np.exp(rng.normal(0, 0.1, (SAMPLES, 40))):
        low, high = spc.capability_lognormal(values, upper=1.4).ppk_interval
        hits += low <= true <= high
    assert 0.94 - NOISE < hits / SAMPLES < 0.96 + NOISE


def test_observed_index_holds_more_than_it_promises():
    rng = np.random.default_rng(5)
    true = 2 / math.expm1(0.9)
    hits = 0
    for values in np.exp(rng.normal(0, 0.3, (300, 3000))):
        low, high = spc.capability_observed(values, upper=3).ppk_interval
        hits += low <= true <= high
    assert hits / 300 > 0.96


def test_repeatability_interval():
    rng = np.random.default_rng(6)
    pairs = rng.normal(100, 2, (SAMPLES, 15, 2))
    hits = 0
    for groups in pairs:
        low, high = spc.repeatability(groups).s_r_interval
        hits += low <= 2 <= high
    assert 0.95 - NOISE < hits / SAMPLES < 0.95 + NOISE


def test_expected_nonconforming_one_limit():
    # True share above: Φ(-1.5). The interval is that of the index taken through one function.
    rng = np.random.default_rng(7)
    true = 1e6 * 0.0668072
    hits = 0
    for values in rng.normal(0, 1, (600, 25)):
        low, high = spc.expected_nonconforming(values, upper=1.5).total_interval
        hits += low <= true <= high
    assert hits / 600 == pytest.approx(0.95, abs=0.027)

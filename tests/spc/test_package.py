"""The public surface, its examples and what importing it costs."""

import doctest
import importlib
import pkgutil
import subprocess
import sys

import pytest

import spc

MODULES = [module.name for module in pkgutil.walk_packages(spc.__path__, "spc.")]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_public_names_are_there_and_listed_once():
    assert len(spc.__all__) == len(set(spc.__all__))
    for name in spc.__all__:
        assert getattr(spc, name) is not None


def test_importing_is_light():
    # scipy.stats and scipy.signal take seconds; pandas has no business here.
    code = (
        "import sys, spc; "
        "print([m for m in ('scipy.stats', 'scipy.signal', 'pandas', 'streamlit') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_heavy_modules_stay_out_while_working():
    code = (
        "import sys, spc; x = [10., 12., 11., 13., 10.5]; g = [[1., 2.], [2., 2.5], [1.5, 1.]]; "
        "spc.capability(x, 5, 15, 10); spc.repeatability(g); spc.order_effect(g); "
        "spc.critical_range(3); spc.average_run_length(spc.FOUR_ZONE_RULES); spc.xbar_s(g); "
        "print('scipy.stats' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"

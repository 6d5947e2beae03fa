"""Ctrl-C reaches a command even where Python drops what a signal's handler raises."""

import signal
import sys
import time
import weakref

import pytest

from dashboard import cli_stopping
from dashboard.cli_options import Stopped


class Thing:
    """Something to be cleared away."""


def wait_after(act) -> None:
    act()
    time.sleep(5)


@pytest.fixture(autouse=True)
def _as_before():
    held = [(number, signal.getsignal(number)) for number in (signal.SIGINT, signal.SIGTERM)]
    hook = sys.unraisablehook
    cli_stopping.listen()
    yield
    sys.unraisablehook = hook
    for number, handler in held:
        signal.signal(number, handler)


def test_a_signal_ends_what_runs() -> None:
    with pytest.raises(Stopped):
        signal.raise_signal(signal.SIGTERM)


def test_a_signal_that_comes_while_something_is_cleared_away_is_not_lost(capfd) -> None:
    thing = Thing()
    weakref.finalize(thing, signal.raise_signal, signal.SIGINT)
    things = [thing]
    del thing
    with pytest.raises(Stopped):
        wait_after(things.clear)
    assert "Traceback" not in capfd.readouterr().err


def test_other_faults_are_still_told(capfd) -> None:
    thing = Thing()
    weakref.finalize(thing, lambda: 1 / 0)
    del thing
    assert "ZeroDivisionError" in capfd.readouterr().err

"""Ctrl-C, or a request to end: a command ends with one sentence wherever it is just then."""

import _thread
import signal
import sys
import threading

from dashboard.cli_options import Stopped

_AGAIN_AFTER = 0.05  # seconds


def listen() -> None:
    """From now on both signals raise `Stopped`."""
    signal.signal(signal.SIGINT, _stop)
    signal.signal(signal.SIGTERM, _stop)
    sys.unraisablehook = _dropped


def _stop(_signal: int, _frame: object) -> None:
    raise Stopped


def _dropped(found: "sys.UnraisableHookArgs") -> None:
    """What is raised while an object is cleared away, Python drops: so it is raised once more."""
    if found.exc_type is not None and issubclass(found.exc_type, Stopped):
        again = threading.Timer(_AGAIN_AFTER, _thread.interrupt_main, (signal.SIGINT,))
        again.daemon = True
        again.start()
    else:
        sys.__unraisablehook__(found)

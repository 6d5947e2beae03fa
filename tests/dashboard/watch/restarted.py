"""A watch in a process of its own, to be killed."""

import sys

import apprise
import scipy.stats  # noqa: F401 - imported before processes are forked, so that they start quickly

import ingest
from dashboard import cli_watch
from dashboard.watch.description import load_watch
from dashboard.watch.service import Running

apprise.Apprise.instantiate("json://localhost")  # likewise: it loads all that the library knows


def main(url: str, file: str) -> None:
    """As `viscosity-spc watch --config FILE`, without reading a command line."""
    sys.stderr = open("/dev/null", "w")  # noqa: SIM115 - until it is killed
    cli_watch.serve(Running(ingest.open_store(url), load_watch(file), print))

"""Servers for the browser: each on a port and a store of its own."""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from dashboard.serving import AS_OF_VARIABLE, STORE_VARIABLE, build_demo_store

PATIENCE = 120  # s; a start takes two on a machine that does nothing else


@contextmanager
def running(
    command: Sequence[str], more: Mapping[str, str] | None = None, politely: bool = False
) -> Iterator[str]:
    """The address of a server that runs until the end.

    Args:
        command: what starts it; "{port}" in it becomes a free port. more: environment beside ours.
        politely: end it as a user would, and ask that it says so by its exit code.
    """
    port = _free_port()
    server = subprocess.Popen(
        [word.format(port=port) for word in command],
        env=os.environ | dict(more or {}),
        stdout=subprocess.DEVNULL,
    )
    try:
        deadline = time.monotonic() + PATIENCE
        while not _answers(port):
            assert server.poll() is None, "the server ended by itself"
            assert time.monotonic() < deadline, f"no answer within {PATIENCE} s"
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
        if politely:
            server.terminate()
            assert server.wait(timeout=PATIENCE) == 0
    finally:
        if server.poll() is None:
            server.kill()
            server.wait()


class DemoStore:
    """The demo plant, built once and copied for whoever wants to decide something in it."""

    def __init__(self, folder: Path) -> None:
        url, as_of = build_demo_store(folder / "demo.sqlite")
        self._path = Path(url.removeprefix("sqlite:///"))
        self._as_of = as_of.isoformat()

    @contextmanager
    def served(self, folder: Path) -> Iterator[str]:
        """The address of a server on a copy of the demo store, put into a folder."""
        copied = Path(shutil.copy(self._path, folder / "copy.sqlite"))
        more = {STORE_VARIABLE: str(copied), AS_OF_VARIABLE: self._as_of}
        with running(SERVER, more) as address:
            yield address


SERVER = [sys.executable, "-m", "dashboard.server", "--server.port", "{port}"]
SERVER += ["--server.address", "127.0.0.1", "--logger.level", "warning"]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0

"""A real Chromium on the demo dashboard, started as a user starts it."""

import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

playwright.expect.set_options(timeout=20_000)  # ms; other tests keep the processors busy

CHROMIUM = os.environ.get("VISCOSITY_SPC_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def demo() -> Iterator[str]:
    """The address of a running demo, started by the command that the README gives."""
    port = free_port()
    command = [sys.executable, "-m", "dashboard.cli", "demo", "--no-open", "--port", str(port)]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        assert server.poll() is None, "the demo ended by itself"
        time.sleep(0.2)
    yield address
    server.terminate()
    assert server.wait(timeout=20) == 0


@pytest.fixture(scope="session")
def chromium() -> Iterator["playwright.Browser"]:
    if not Path(CHROMIUM).exists():
        if os.environ.get("VISCOSITY_SPC_REQUIRE_ALL"):
            pytest.fail(f"a browser is required here but there is none at {CHROMIUM}")
        pytest.skip(f"no Chromium at {CHROMIUM} (set VISCOSITY_SPC_CHROMIUM)")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(params=[1280, 390], ids=["desktop", "phone"])
def page(
    request: pytest.FixtureRequest, chromium: "playwright.Browser"
) -> Iterator["playwright.Page"]:
    """A page of desktop and of phone width; an error on its console fails the test."""
    context = chromium.new_context(viewport={"width": request.param, "height": 1000})
    opened = context.new_page()
    opened.set_default_timeout(30_000)
    errors: list[str] = []
    opened.on("console", lambda message: errors.extend(error_of(message)))
    opened.on("pageerror", lambda error: errors.append(str(error)))
    yield opened
    context.close()
    assert errors == []


def error_of(message: "playwright.ConsoleMessage") -> list[str]:
    """What a message on the console says, if it is an error that our own code can cause.

    Opened at the address of a page, Streamlit's script asks first below that page, then at the
    root, whether the server is well and how it is set up. The first answer is a 404, which no
    setting prevents. Exactly these two addresses are let pass.
    """
    address = message.location.get("url", "")
    own = re.fullmatch(r"http://[^/]+/[a-z-]+/_stcore/(health|host-config)", address)
    if message.type != "error" or (own and "404 (Not Found)" in message.text):
        return []
    return [f"{message.text} {address}"]

"""A gauge study, in a real browser.

On a server of its own: what is decided here would change what other tests read.
"""

import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

STUDY = "part;appraiser;value\n" + "".join(
    f"{part};{who};{100 * part + 3 * trial + shift},5\n"
    for part in range(1, 11)
    for shift, who in enumerate(("AK", "BM", "CJ"))
    for trial in (0, 1)
)


@pytest.fixture(scope="module")
def site() -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    command = [sys.executable, "-m", "dashboard.cli", "demo", "--no-open", "--port", str(port)]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        assert server.poll() is None, "the demo ended by itself"
        time.sleep(0.2)
    yield f"http://127.0.0.1:{port}"
    server.terminate()
    assert server.wait(timeout=20) == 0


def is_phone(page: Page) -> bool:
    return bool(page.viewport_size and page.viewport_size["width"] < 700)


def open_part(page: Page, address: str, title: str) -> None:
    page.goto(address)
    expect(page.get_by_role("heading", level=1, name=title)).to_be_visible()
    expect(page.get_by_test_id("stStatusWidget")).to_have_count(0)


def no_sideways(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_a_gauge_study_is_uploaded(page: Page, site: str) -> None:
    open_part(page, f"{site}/measuring-system?part=gauge", "Measuring system")
    page.set_input_files(
        "input[type=file]",
        files=[{"name": "study.csv", "mimeType": "text/csv", "buffer": STUDY.encode()}],
    )
    main = page.get_by_test_id("stMain")
    expect(main).to_contain_text("10 parts, 3 appraisers, 2 readings of each part by each")
    expect(page.locator("svg[aria-roledescription], .marks").first).to_be_visible()
    page.get_by_role("combobox", name=re.compile("Tolerance of")).click()
    page.get_by_role("option", name="as typed").click()
    page.get_by_role("spinbutton", name="Tolerance, mPa·s").fill("400")
    page.keyboard.press("Enter")
    expect(main).to_contain_text("of the tolerance of 400.0")
    assert "AK" not in main.inner_text()
    no_sideways(page)

"""The QC lead's path in a real browser: event, reading, cause, action, closed, still in history."""

import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect


@pytest.fixture
def plant() -> Iterator[str]:
    """A demo of its own: what is decided here would change what other tests look at."""
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


@pytest.fixture(autouse=True)
def _patience() -> Iterator[None]:
    """A cold start on a busy machine takes longer than the usual five seconds."""
    expect.set_options(timeout=30_000)
    yield
    expect.set_options(timeout=5_000)


def press(within, name: str) -> None:
    """Press a button once the page has come to rest: while it is drawn anew, there are two."""
    button = within.get_by_role("button", name=name, exact=True)
    expect(button).to_have_count(1)
    button.click()


def card(page: Page, sentence: str):
    """The framed part of the page about one event."""
    return page.locator("[class*='st-key-event-']").filter(has_text=sentence).first


def record(page: Page, button: str, words: str, **more: str) -> None:
    """Open a dialog by its button, say something, and send it."""
    press(card(page, "N4178 to N4232"), button)
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("textbox").first.fill(words)
    for label, value in more.items():
        dialog.get_by_label(label).fill(value)
    dialog.get_by_role("button", name="Record").click()
    expect(dialog).to_be_hidden()


def test_from_an_event_to_its_readings_and_a_written_decision(plant: str, page: Page) -> None:
    page.goto(f"{plant}/control-chart")
    main = page.get_by_test_id("stMain")
    mine = card(page, "N4178 to N4232")
    expect(mine).to_contain_text("open")
    page.get_by_role("textbox", name="Your name").first.fill("Kim Lead")
    page.get_by_role("textbox", name="Your name").first.press("Enter")

    # event → the batch that first signalled, and its readings with file and line
    press(mine, "Show it on the chart")
    expect(main).to_contain_text(re.compile(r"N4178: 2\d\d\d mPa·s"))
    expect(main).to_contain_text("v1_readings_2026-09_to_11.csv")
    expect(main).to_contain_text(re.compile(r"operator \d"))

    press(mine, "I have seen it")
    expect(mine).to_contain_text("seen by Kim Lead")

    # refused without words, then recorded
    press(mine, "Cause")
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("button", name="Record").click()
    expect(dialog).to_contain_text("needs a cause in words")
    dialog.get_by_role("textbox").first.fill("new thickener lot T-306 is stronger")
    dialog.get_by_role("button", name="Record").click()
    expect(mine).to_contain_text("new thickener lot T-306 is stronger")
    expect(mine).to_contain_text("cause recorded")

    record(page, "Action", "make one batch with the old lot", Owner="Shift B")
    expect(mine).to_contain_text("owner Shift B")
    mine.get_by_role("button", name=re.compile("^Done: make one")).click()
    expect(mine).to_contain_text("action done by Kim Lead")

    record(page, "Close", "lot returned, level is back")
    expect(mine).to_contain_text("closed")
    expect(main).to_contain_text("1 event closed")

    # still there, after loading the page anew and in the history of the batch
    page.reload()
    mine = card(page, "N4178 to N4232")
    expect(mine).to_contain_text("lot returned, level is back")
    press(mine, "Show it on the chart")
    history = page.locator("table").filter(has_text="In words")
    expect(history).to_contain_text("new thickener lot T-306 is stronger")
    expect(history).to_contain_text("Kim Lead")

    # and a record can be taken back
    mine.get_by_role("button", name="Take back").last.click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("textbox").first.fill("closed too early")
    dialog.get_by_role("button", name="Record").click()
    expect(dialog).to_be_hidden()
    expect(mine).to_contain_text("open")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_a_batch_is_set_aside_only_with_a_cause(plant: str, page: Page) -> None:
    page.goto(f"{plant}/control-chart")
    main = page.get_by_test_id("stMain")
    # a batch that is not in view is typed, and the chart goes there
    box = page.get_by_role("combobox", name=re.compile("^Batch "))
    box.fill("n3922")
    box.press("Enter")
    expect(main).to_contain_text(re.compile(r"N3922: \d{4} mPa·s"))
    expect(main).to_contain_text("shown are N3922 to")
    page.get_by_role("button", name="Set this batch aside from the limits").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("button", name="Record").click()
    expect(dialog).to_contain_text("needs a cause in words")
    dialog.get_by_role("textbox").first.fill("charged twice, seen in the batch sheet")
    dialog.get_by_role("button", name="Record").click()
    expect(dialog).to_be_hidden()
    expect(main).to_contain_text("left out of limits")
    expect(main).to_contain_text("charged twice, seen in the batch sheet")
    page.get_by_role("button", name="Count it again").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("textbox").first.fill("it was another batch")
    dialog.get_by_role("button", name="Record").click()
    expect(dialog).to_be_hidden()
    expect(page.get_by_role("button", name="Set this batch aside from the limits")).to_be_visible()
    expect(main).to_contain_text("counted for limits again")


def test_limits_are_looked_at_before_they_are_frozen(plant: str, page: Page) -> None:
    page.goto(f"{plant}/control-chart")
    main = page.get_by_test_id("stMain")
    page.get_by_text("Freeze limits", exact=True).click()
    expect(main).to_contain_text("What freezing would change")
    expect(main).to_contain_text("Batches with a signal")
    page.get_by_role("button", name="Freeze these limits").click()
    expect(main).to_contain_text("Freezing limits needs a cause in words")
    page.get_by_label("Why these limits").fill("first settled stretch of the new line")
    page.get_by_role("button", name="Freeze these limits").click()
    page.get_by_text("Why these limits?", exact=True).click()
    expect(main).to_contain_text("first settled stretch of the new line")
    expect(main).to_contain_text("Every set of limits that was frozen")

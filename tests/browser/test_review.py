"""The review in a real browser: its page, and the pack opened and printed from a file."""

import re
import subprocess
from pathlib import Path

import pytest

from dashboard.review import making
from dashboard.review.contents import contents_of
from dashboard.review.period import parse
from tests.dashboard.review.small_plant import HOSTILE, WEEK, fill, rows

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


@pytest.fixture(scope="module")
def packs(tmp_path_factory) -> dict[str, Path]:
    """The full pack and the summary of the small plant, as files."""
    folder = tmp_path_factory.mktemp("packs")
    store = fill(folder / "plant.sqlite", rows())
    found = {}
    for audience in ("full", "summary"):
        contents = contents_of(store, parse(WEEK), audience=audience)
        found[audience] = folder / f"{audience}.html"
        found[audience].write_bytes(making.made(contents, [".html"])[".html"])
    store.close()
    return found


def test_the_pack_opens_without_any_request(packs, page) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: pytest.fail(f"a text of the pack ran: {dialog.message}"))
    address = packs["full"].as_uri()
    page.goto(address)
    page.wait_for_timeout(500)
    assert asked == [address]
    assert page.locator("svg").count() >= 2
    assert HOSTILE in page.locator("body").inner_text()
    assert page.locator("script").count() == 0
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0  # tables scroll by themselves


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_pack_prints_with_its_foot_on_every_page(packs, chromium, tmp_path, paper) -> None:
    context = chromium.new_context()
    opened = context.new_page()
    for audience in ("full", "summary"):
        opened.goto(packs[audience].as_uri())
        file = tmp_path / f"{audience}.pdf"
        opened.pdf(path=str(file), format=paper, prefer_css_page_size=False)
        told = subprocess.run(
            ["pdftotext", "-layout", str(file), "-"], capture_output=True, check=True
        ).stdout.decode()
        pages = told.rstrip("\f").split("\f")
        assert len(pages) == 1 if audience == "summary" else len(pages) > 2
        for number, text in enumerate(pages, 1):
            assert f"Page {number} of {len(pages)}" in text
            assert "Data cut-off 23 Mar 2026, 00:00, UTC" in text
            assert re.search(r"contents sha256 [0-9a-f]{64}", text)
    context.close()


def test_the_page_makes_a_pack_and_minutes_a_decision(demo, page) -> None:
    page.goto(f"{demo}/review")
    expect = playwright.expect
    expect(page.get_by_role("heading", name="Review", exact=True)).to_be_visible()
    expect(page.get_by_text("Decision aid.").last).to_be_visible(timeout=60_000)
    wide = page.evaluate(
        "document.querySelector('[data-testid=stMain]').scrollWidth - window.innerWidth"
    )
    assert wide <= 0
    made = page.get_by_role("button", name=re.compile("(Make|Download) Excel"))
    if made.inner_text().strip().endswith("Make Excel"):  # not made for the other width already
        made.click()
    with page.expect_download() as loaded:
        page.get_by_role("button", name="Download Excel").click()
    assert loaded.value.suggested_filename == "review-2026-W47.xlsx"
    said = f"Compare lots on {page.viewport_size['width']} pixels"
    page.get_by_role("textbox", name="Decision to be minuted").fill(said)
    page.get_by_role("textbox", name="Your name").fill("Kim")
    page.get_by_role("button", name="Minute this decision").click()
    expect(page.get_by_text("The decision is in the journal")).to_be_visible()
    expect(page.get_by_role("cell", name=said)).to_be_visible()

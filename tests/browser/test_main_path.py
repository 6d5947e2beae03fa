"""The main job in a real browser: demo, import of a file, chart, a point, its file and line."""

import re
from pathlib import Path

from playwright.sync_api import Page, expect

U1 = Path(__file__).parent / "data" / "U1_latin1_semicolon_preamble.csv"


def go_to(page: Page, name: str) -> None:
    """Through the menu, which is behind a button on a phone."""
    if page.viewport_size and page.viewport_size["width"] < 700:
        page.get_by_test_id("stExpandSidebarButton").click()
    page.get_by_role("link", name=name, exact=True).click()
    expect(page.get_by_role("heading", level=1, name=name)).to_be_visible()
    if page.viewport_size and page.viewport_size["width"] < 700:
        page.get_by_test_id("stSidebarCollapseButton").get_by_role("button").click()


def test_a_file_goes_from_upload_to_a_point_with_file_and_line(page: Page, demo: str) -> None:
    page.goto(demo)
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    go_to(page, "Import")
    page.set_input_files("input[type=file]", U1)
    # the store is shared by both widths: the second time the same rows are duplicates
    fresh = r"5 rows read = 2 used \+ 3 set aside"
    again = r"5 rows read = 0 used"
    expect(page.get_by_text(re.compile(f"({fresh}|{again}).*The account closes"))).to_be_visible()
    page.get_by_role("button", name="Import into the store").click()
    expect(page.get_by_text(re.compile(r"Imported\. 5 rows read"))).to_be_visible()
    page.goto(f"{demo}/control-chart")
    expect(page.get_by_role("heading", level=1)).to_have_text("Control chart")
    page.get_by_role("combobox").first.click()
    page.get_by_role("option", name=re.compile("P-100")).first.click()
    point = page.locator("path[aria-label^='Batch B101']").first
    point.click()
    readings = page.get_by_test_id("stMain")
    expect(readings).to_contain_text("U1_latin1_semicolon_preamble.csv")
    expect(readings).to_contain_text("2.010,0 mPa·s")


def test_a_click_on_a_point_shows_its_readings(page: Page, demo: str) -> None:
    page.goto(f"{demo}/control-chart")
    point = page.locator("path[aria-label^='Batch N4178']").first
    expect(point).to_be_visible()
    # the measured width of the window draws the page once more: wait until it is at rest
    page.wait_for_timeout(2000)
    page.wait_for_function(
        "document.querySelector('[data-testid=stApp]')"
        "?.getAttribute('data-test-script-state') === 'notRunning'"
    )
    expect(point).to_be_visible()
    # on a phone neighbouring points overlap: whichever is hit, its batch is of the same file
    point.click(force=True)
    expect(page.get_by_test_id("stMain")).to_contain_text("v1_readings_2026-09_to_11.csv")

"""An empty store leads by the hand: to the invented plant, or to a file of one's own."""

import re
from pathlib import Path

from playwright.sync_api import Page, expect

from dashboard.catalog import PAGES
from tests.browser.steps import at_rest, go_to, main_of, no_sideways, open_page, press

U1 = Path(__file__).parent / "data" / "U1_latin1_semicolon_preamble.csv"


def test_every_page_says_what_to_do_and_the_plant_fills_it(page: Page, empty: str) -> None:
    for row in PAGES:
        open_page(page, f"{empty}/{row.url_path}" if row is not PAGES[0] else empty)
        expect(main_of(page)).to_contain_text(re.compile("Nothing here yet|None yet"))
        no_sideways(page)
    open_page(page, empty)
    press(page, "Fill this store with the invented plant")
    expect(page.get_by_role("heading", level=1)).to_contain_text("open event", timeout=60_000)
    expect(main_of(page)).to_contain_text("WB-240")
    go_to(page, "Import")
    expect(page.get_by_text("Take an import out again")).to_be_visible()


def test_from_an_empty_store_to_a_first_chart_of_ones_own(page: Page, empty: str) -> None:
    open_page(page, empty)
    main_of(page).get_by_role("link", name="Import a file").click()
    expect(page.get_by_role("heading", level=1, name="Import")).to_be_visible()
    at_rest(page)
    page.set_input_files("input[type=file]", U1)
    expect(main_of(page)).to_contain_text("5 rows read = 2 used + 3 set aside")
    press(page, "Import into the store")
    expect(main_of(page)).to_contain_text("Imported. 5 rows read")
    at_rest(page)
    main_of(page).get_by_role("link", name="See the overview").click()
    expect(main_of(page)).to_contain_text("P-100")
    at_rest(page)
    open_page(page, f"{empty}/control-chart")
    expect(page.locator("path[aria-label^='Batch B101']").first).to_be_visible()
    no_sideways(page)

"""Every page through axe-core: nothing serious or critical that our own code causes."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from dashboard.catalog import PAGES

OF_OTHERS = {
    "scrollable-region-focusable": "[data-testid=stTable]",
    "svg-img-alt": ".stretch_brush, .stretch_brush_bg",
}
"""Rules that elements of Streamlit and Vega break: rule to the elements inside which it may be.

The frame of `st.table` scrolls sideways where a table is wider than a phone, and names no tab stop;
Chromium and Firefox give it one by themselves. The rectangle that is drawn across a chart to choose
a stretch is made by Vega, which takes no name for it; the page offers the same choice as buttons.
"""


def findings(page: Page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']} ({one['impact']}): {node['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
        if not is_of_others(page, one["id"], node["target"][0])
    ]


def is_of_others(page: Page, rule: str, target: str) -> bool:
    inside = OF_OTHERS.get(rule)
    return inside is not None and page.locator(target).first.evaluate(
        "(one, inside) => one.closest(inside) !== null", inside
    )


def wait_until_drawn(page: Page) -> None:
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    page.wait_for_function(
        "document.querySelector('[data-testid=stApp]')"
        "?.getAttribute('data-test-script-state') === 'notRunning'"
    )
    page.wait_for_timeout(500)


@pytest.mark.parametrize("row", PAGES, ids=lambda row: row.url_path)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_no_serious_finding(chromium: Browser, demo: str, row, scheme, width) -> None:
    context = chromium.new_context(viewport={"width": width, "height": 1000}, color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(30_000)
    page.goto(f"{demo}/{row.url_path}" if row is not PAGES[0] else demo)
    wait_until_drawn(page)
    assert findings(page) == []
    context.close()

"""Every page through axe-core: nothing serious or critical that our own code causes."""

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page

from dashboard.catalog import PAGES
from tests.browser.steps import open_page

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


@pytest.mark.parametrize("row", PAGES, ids=lambda row: row.url_path)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_no_serious_finding(
    browsers: Callable[[int, str], BrowserContext], demo: str, row, scheme, width
) -> None:
    page = browsers(width, scheme).new_page()
    open_page(page, f"{demo}/{row.url_path}" if row is not PAGES[0] else demo)
    ground = page.evaluate("getComputedStyle(document.querySelector('.stApp')).backgroundColor")
    assert ground == {"light": "rgb(255, 255, 255)", "dark": "rgb(19, 20, 22)"}[scheme]
    assert findings(page) == []
    page.close()

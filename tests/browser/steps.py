"""Steps that people take on any page, each begun only when the page is at rest.

A click on an element that is being drawn anew is lost: so every step waits first until the server
has nothing to do, every figure is there, and nothing has changed for a moment.
"""

import re
from collections.abc import Callable

from playwright.sync_api import Error, Locator, Page, expect

NOTE_CHANGES = """
(() => {
  window.changedAt = 0
  const note = () => { window.changedAt = performance.now() }
  new MutationObserver(note).observe(document, {
    subtree: true, childList: true, characterData: true, attributes: true,
  })
})()
"""
"""Given to the browser before a page: remembers when something last changed in it."""

_AT_REST = """
() => {
  const app = document.querySelector('[data-testid=stApp]')
  if (app?.getAttribute('data-test-script-state') !== 'notRunning') return false
  if (!document.querySelector('h1')) return false
  if (document.querySelector('[data-testid=stSkeleton], [data-stale=true]')) return false
  const figures = [...document.querySelectorAll('[data-testid=stVegaLiteChart]')]
  if (!figures.every(one => one.querySelector('svg, canvas'))) return false
  return performance.now() - window.changedAt > 250
}
"""


def at_rest(page: Page) -> None:
    """Wait until the page has come to rest."""
    page.wait_for_function(_AT_REST, polling=50, timeout=60_000)


def open_page(page: Page, address: str) -> None:
    """Go to an address, and wait until it is all there."""
    page.goto(address)
    at_rest(page)


def press(within: Page | Locator, name: str | re.Pattern[str]) -> None:
    """Press the button with this name (all of it, if it is a text), once it is at rest."""
    page = within if isinstance(within, Page) else within.page
    at_rest(page)
    button = within.get_by_role("button", name=name, exact=isinstance(name, str))
    expect(button).to_have_count(1)
    button.click()


def choose(page: Page, label: str | re.Pattern[str], option: str | re.Pattern[str]) -> None:
    """Choose from a list; a list that closed because the page moved under it is opened again."""
    box = page.get_by_role("combobox", name=label)
    wanted = page.get_by_role("option", name=option).first

    def pick() -> None:
        at_rest(page)
        box.click()
        wanted.click(timeout=5_000)

    again(pick)
    at_rest(page)


def again(act: Callable[[], None], times: int = 3) -> None:
    """Do what may be done twice, and again where an element went away meanwhile."""
    for left in reversed(range(times)):
        try:
            act()
        except (Error, AssertionError):
            if not left:
                raise
        else:
            return


def go_to(page: Page, name: str) -> None:
    """Through the menu, which is behind a button on a phone."""
    at_rest(page)
    if is_phone(page):
        page.get_by_test_id("stExpandSidebarButton").click()
    page.get_by_role("link", name=name, exact=True).click()
    expect(page.get_by_role("heading", level=1, name=name)).to_be_visible()
    if is_phone(page):
        page.get_by_test_id("stSidebarCollapseButton").get_by_role("button").click()
    at_rest(page)


def is_phone(page: Page) -> bool:
    return bool(page.viewport_size and page.viewport_size["width"] < 700)


def main_of(page: Page) -> Locator:
    """What the page says, without its menu."""
    return page.get_by_test_id("stMain")


def no_sideways(page: Page) -> None:
    """Nothing stands out at the right."""
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")

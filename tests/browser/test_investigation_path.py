"""From an event to a checked suspicion and a conclusion, in a real browser, and after reload."""

import re
from pathlib import Path

from playwright.sync_api import Locator, Page, expect

from tests.browser.steps import at_rest, choose, open_page, press


def only(found: Locator) -> Locator:
    """Wait until the page has come to rest: while it is drawn anew, there are two."""
    at_rest(found.page)
    expect(found).to_have_count(1)
    return found


def test_event_check_conclusion_action_and_reload(plant: str, page: Page) -> None:
    open_page(page, f"{plant}/control-chart")
    main = page.get_by_test_id("stMain")
    event = page.locator("[class*='st-key-event-']").filter(has_text="N4178 to N4232").first
    expect(event).to_contain_text("open")
    only(event.get_by_role("link", name="Investigate")).click()

    # the answer first; the event is the one that records are kept for
    expect(page.get_by_role("heading", level=1)).to_have_text("Investigation")
    card = page.locator(".st-key-sentence-card")
    expect(card).to_contain_text("the process moved, check standard steady")
    expect(card).to_contain_text("95 % interval from N4157")
    expect(page).to_have_url(re.compile(r"event=means\.N4178"))
    expect(main).to_contain_text("raw-material lot")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")

    # a check: refused without words, then recorded with who and what
    check = page.locator("[class*='st-key-check-']").filter(has_text="former lot")
    only(check.get_by_role("button", name="Record what was found")).click()
    dialog = page.get_by_role("dialog")
    press(dialog, "Record")
    expect(dialog).to_contain_text("an empty record helps nobody")
    dialog.get_by_role("textbox").first.fill("one batch with T-302: 1903 mPa·s")
    dialog.get_by_role("textbox", name="Your name").fill("Kim Lead")
    press(dialog, "Record")
    expect(dialog).to_be_hidden()
    expect(check).to_contain_text("Found: one batch with T-302: 1903 mPa·s (Kim Lead")

    # the conclusion: another class than the computed one
    form = page.get_by_test_id("stForm")
    choose(page, re.compile("What was it"), "The measurement moved")
    form.get_by_label("In words: cause and proof").fill("guard left off since the cleaning")
    only(form.get_by_role("button", name="Record")).click()
    expect(main).to_contain_text("The measurement moved: guard left off since the cleaning")
    expect(main).to_contain_text("The data alone say otherwise")

    # an action, done, and the batches since then
    only(page.get_by_role("button", name="Agree an action")).click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("textbox").first.fill("guard on, read again")
    dialog.get_by_label("Owner").fill("Shift B")
    press(dialog, "Record")
    expect(dialog).to_be_hidden()
    only(page.get_by_role("button", name=re.compile("^Done: guard on"))).click()
    expect(main).to_contain_text("Not enough batches yet: 0 of 8")

    # still there after loading anew, and in the history of the chart
    page.reload()
    expect(main).to_contain_text("Found: one batch with T-302: 1903 mPa·s (Kim Lead")
    expect(main).to_contain_text("guard left off since the cleaning")
    page.goto(f"{plant}/control-chart")
    event = page.locator("[class*='st-key-event-']").filter(has_text="N4178 to N4232").first
    expect(event).to_contain_text("check tried by Kim Lead")
    expect(event).to_contain_text("The measurement moved: guard left off since the cleaning")
    # who, when and why stand in the journal of the site
    page.goto(f"{plant}/set-up?part=journal")
    with page.expect_download() as taken:
        only(page.locator(".st-key-journal-download button")).click()
    journal = Path(taken.value.path()).read_text(encoding="utf-8-sig")
    (tried,) = [line for line in journal.splitlines() if "check tried for an event" in line]
    assert "Kim Lead" in tried
    assert "one batch with T-302: 1903 mPa·s" in tried
    assert "The measurement moved: guard left off since the cleaning" in journal

    # a conclusion can be taken back by a further entry
    page.goto(f"{plant}/investigation?event=means.N4178")
    line = main.locator("[data-testid=stHorizontalBlock], [data-testid=stLayoutWrapper]").filter(
        has_text="The measurement moved: guard left off"
    )
    line.last.get_by_role("button", name="Take back").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("textbox").first.fill("it was on, seen on a picture")
    press(dialog, "Record")
    expect(dialog).to_be_hidden()
    expect(main).not_to_contain_text("The measurement moved: guard left off")

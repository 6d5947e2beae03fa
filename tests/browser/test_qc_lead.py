"""The QC lead's path in a real browser: event, reading, cause, action, closed, still in history."""

import re

from playwright.sync_api import Locator, Page, expect

from tests.browser.steps import at_rest, is_phone, main_of, no_sideways, open_page, press


def card(page: Page, sentence: str) -> Locator:
    """The framed part of the page about one event."""
    return page.locator("[class*='st-key-event-']").filter(has_text=sentence).first


def record(page: Page, words: str, **more: str) -> None:
    """Say something in the dialog that is open, and send it."""
    dialog = page.get_by_role("dialog")
    expect(dialog).to_be_visible()
    at_rest(page)
    dialog.get_by_role("textbox").first.fill(words)
    for label, value in more.items():
        dialog.get_by_label(label).fill(value)
    press(dialog, "Record")
    expect(dialog).to_be_hidden()
    at_rest(page)


def refused(page: Page) -> None:
    """Nothing is recorded without words."""
    dialog = page.get_by_role("dialog")
    expect(dialog).to_be_visible()
    press(dialog, "Record")
    expect(dialog).to_contain_text("needs a cause in words")


def test_from_an_event_to_its_readings_and_a_written_decision(plant: str, page: Page) -> None:
    open_page(page, f"{plant}/control-chart")
    main = main_of(page)
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
    refused(page)
    record(page, "new thickener lot T-306 is stronger")
    expect(mine).to_contain_text("new thickener lot T-306 is stronger")
    expect(mine).to_contain_text("cause recorded")

    press(mine, "Action")
    record(page, "make one batch with the old lot", Owner="Shift B")
    expect(mine).to_contain_text("owner Shift B")
    press(mine, re.compile("^Done: make one"))
    expect(mine).to_contain_text("action done by Kim Lead")

    press(mine, "Close")
    record(page, "lot returned, level is back")
    expect(mine).to_contain_text("closed")
    expect(main).to_contain_text("1 event closed")

    # still there, after loading the page anew and in the history of the batch
    page.reload()
    at_rest(page)
    mine = card(page, "N4178 to N4232")
    expect(mine).to_contain_text("lot returned, level is back")
    press(mine, "Show it on the chart")
    history = page.locator("table").filter(has_text="In words")
    expect(history).to_contain_text("new thickener lot T-306 is stronger")
    expect(history).to_contain_text("Kim Lead")

    # and a record can be taken back
    at_rest(page)
    mine.get_by_role("button", name="Take back").last.click()
    record(page, "closed too early")
    expect(mine).to_contain_text("open")
    no_sideways(page)


def test_a_batch_is_set_aside_only_with_a_cause(site: str, page: Page) -> None:
    open_page(page, f"{site}/control-chart?characteristic=3")
    main = main_of(page)
    batch, cause = ("N3925", "stirred too long") if is_phone(page) else ("N3922", "charged twice")
    # a batch that is not in view is typed, and the chart goes there
    box = page.get_by_role("combobox", name=re.compile("^Batch "))
    box.fill(batch.lower())
    box.press("Enter")
    expect(main).to_contain_text(re.compile(rf"{batch}: \d{{4}} mPa·s"))
    expect(main).to_contain_text(re.compile(r"shown are N39\d\d to"))
    press(page, "Set this batch aside from the limits")
    refused(page)
    record(page, f"{cause}, seen in the batch sheet")
    expect(main).to_contain_text("left out of limits")
    expect(main).to_contain_text(f"{cause}, seen in the batch sheet")
    press(page, "Count it again")
    record(page, "it was another batch")
    expect(page.get_by_role("button", name="Set this batch aside from the limits")).to_be_visible()
    expect(main).to_contain_text("counted for limits again")


def test_limits_are_looked_at_before_they_are_frozen(site: str, page: Page) -> None:
    open_page(page, f"{site}/control-chart?characteristic={5 if is_phone(page) else 4}")
    main = main_of(page)
    page.get_by_text("Freeze limits", exact=True).click()
    expect(main).to_contain_text("What freezing would change")
    expect(main).to_contain_text("Batches with a signal")
    press(page, "Freeze these limits")
    expect(main).to_contain_text("Freezing limits needs a cause in words")
    page.get_by_label("Why these limits").fill("first settled stretch of the new line")
    press(page, "Freeze these limits")
    at_rest(page)
    page.get_by_text("Why these limits?", exact=True).click()
    expect(main).to_contain_text("first settled stretch of the new line")
    expect(main).to_contain_text("Every set of limits that was frozen")

"""The site's own paths in a real browser: a gauge study, the set-up."""

import re

from playwright.sync_api import Page, expect

from tests.browser.steps import at_rest, choose, is_phone, main_of, no_sideways, open_page, press

STUDY = "part;appraiser;value\n" + "".join(
    f"{part};{who};{100 * part + 3 * trial + shift},5\n"
    for part in range(1, 11)
    for shift, who in enumerate(("AK", "BM", "CJ"))
    for trial in (0, 1)
)


def test_a_gauge_study_is_uploaded(page: Page, site: str) -> None:
    open_page(page, f"{site}/measuring-system?part=gauge")
    page.set_input_files(
        "input[type=file]",
        files=[{"name": "study.csv", "mimeType": "text/csv", "buffer": STUDY.encode()}],
    )
    main = main_of(page)
    expect(main).to_contain_text("10 parts, 3 appraisers, 2 readings of each part by each")
    expect(page.locator("svg[aria-roledescription], .marks").first).to_be_visible()
    choose(page, re.compile("Tolerance of"), "as typed")
    page.get_by_role("spinbutton", name="Tolerance, mPa·s").fill("400")
    page.keyboard.press("Enter")
    expect(main).to_contain_text("of the tolerance of 400.0")
    assert "AK" not in main.inner_text()
    no_sideways(page)


def test_a_line_of_the_set_up_is_kept_and_stands_in_the_journal(page: Page, site: str) -> None:
    """By the form, which keyboards and screen readers can use; the table is drawn on a canvas."""
    product, upper = ("P-810", "2100") if is_phone(page) else ("P-800", "2200")
    open_page(page, f"{site}/set-up?part=specifications")
    main = main_of(page)
    page.get_by_text("Add a line in a form").click()
    at_rest(page)
    page.get_by_role("textbox", name="Product", exact=True).fill(product)
    page.get_by_role("spinbutton", name="Lower limit, mPa·s").fill("1800")
    page.get_by_role("spinbutton", name="Upper limit, mPa·s").fill(upper)
    press(page, "Put into the table")
    expect(main).to_contain_text("What will change: 1")
    expect(main).to_contain_text(product)
    at_rest(page)
    page.get_by_role("textbox", name="Your name").first.fill("Kim Lead")
    page.get_by_role("textbox", name="Your name").first.press("Enter")
    at_rest(page)
    page.get_by_role("textbox", name="Why").fill("agreed with the customer")
    page.get_by_role("textbox", name="Why").press("Enter")
    press(page, "Save")
    expect(main).to_contain_text("Saved: 1")
    no_sideways(page)

    # still there for whoever loads it anew, and the journal says who, what and why
    open_page(page, f"{site}/capability")
    open_page(page, f"{site}/set-up?part=journal")
    change = page.get_by_role("combobox", name="Change")
    expect(change).to_have_value(re.compile(product))
    expect(change).to_have_value(re.compile("specification", re.IGNORECASE))


def test_a_reviewer_goes_from_the_period_to_the_index_and_its_gate(page: Page, demo: str) -> None:
    """The weekly meeting: what the period brought, why these limits, what the index is worth."""
    open_page(page, f"{demo}/?period=30")
    main = main_of(page)
    expect(main).to_contain_text("with a batch in the last 30 days")
    expect(main).to_contain_text("false alarms a week")
    main.get_by_role("link", name="Control chart of WB-240").click()
    expect(page.get_by_role("heading", level=1, name="Control chart")).to_be_visible()
    at_rest(page)
    expect(main).to_contain_text("N4178 to N4232")
    page.get_by_text("Why these limits?", exact=True).click()
    expect(main).to_contain_text("1929.46 + 2.6587 × 56.91 = 2080.76")
    expect(main).to_contain_text("Expected false alarms here")
    open_page(page, f"{demo}/capability?characteristic=3")
    product = page.get_by_role("combobox", name="Product and measuring condition")
    expect(product).to_have_value(re.compile("WB-240"))
    expect(main).to_contain_text("stands against it")  # open event: no index of a stable process
    no_sideways(page)

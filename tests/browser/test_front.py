"""The production manager's and the auditor's way through, in a real browser at both widths."""

import re

from playwright.sync_api import Page, expect

from dashboard.results import CAUTION
from tests.browser.steps import again, at_rest, main_of, no_sideways, open_page, press


def main_text(page: Page) -> str:
    at_rest(page)
    expect(main_of(page)).to_contain_text(CAUTION)
    return main_of(page).inner_text()


def test_a_manager_reads_the_answer_without_a_click(page: Page, demo: str) -> None:
    """JOB: which products, is measuring in order, the last batches, what is asked of whom."""
    page.goto(demo)
    expect(page.get_by_role("heading", level=1)).to_contain_text("2 open events")
    text = main_text(page)
    order = ["2 open events", "Open events: WB-240 and WB-360", "Measuring system", "V1"]
    order += ["Last batches", "inside specification", "Asked of people", "Asked of: QC lead, since"]
    places = [text.index(said) for said in order]
    assert places == sorted(places)
    assert re.search(r"V1\s+not checked for \d+ days while in use", text)
    assert "not checked for 4 days while in use" in text  # V2
    no_sideways(page)


def test_a_view_is_sent_by_its_address(page: Page, demo: str) -> None:
    page.goto(f"{demo}/?product=WB-110")
    expect(page.get_by_role("heading", level=1)).to_contain_text("All quiet")
    assert "2 of those not shown need a person" in main_text(page)
    press(page, "Show everything")
    expect(page.get_by_role("heading", level=1)).to_contain_text("2 open events")
    assert "product=" not in page.url


def test_a_filter_goes_into_the_address(page: Page, demo: str) -> None:
    page.goto(demo)
    main_text(page)
    page.get_by_text("Show only some").click()
    choice = page.get_by_role("combobox", name=re.compile("Product"))

    def open_list() -> None:
        choice.scroll_into_view_if_needed()  # its list closes when the page is scrolled
        at_rest(page)
        choice.click()
        expect(page.get_by_role("option", name="WB-240")).to_be_visible(timeout=5_000)

    again(open_list)
    page.keyboard.type("WB-240")
    page.keyboard.press("Enter")
    expect(page.get_by_text(re.compile("Shown are 1 of"))).to_be_visible()
    expect(page).to_have_url(re.compile("product=WB-240"))


def test_the_keyboard_alone_opens_the_batch(page: Page, demo: str) -> None:
    page.goto(demo)
    main_text(page)
    link = page.get_by_test_id("stMain").get_by_role("link", name=re.compile("N42")).first
    link.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Batch")


def test_an_auditor_finds_a_batch_and_traces_it(page: Page, demo: str) -> None:
    open_page(page, f"{demo}/batch")
    expect(page.get_by_role("heading", level=1)).to_have_text("Batch")
    search = page.get_by_label("Find a batch by its number")
    search.fill("N4191")
    search.press("Enter")
    press(page, re.compile("N4191: WB-360"))
    expect(page.get_by_role("heading", name="WB-360, batch N4191")).to_be_visible()
    expect(page.get_by_test_id("stMain")).to_contain_text("Part of the event N4191 to")
    text = main_text(page)
    steps = ["Rows as received", "Rows as parsed", "Conversions", "Measuring condition and method"]
    steps += ["Agreement of the readings", "Check standard before and after", "Limits in force"]
    steps += ["Signals, and what was done", "Verdict, uncertainty", "Decisions and changes"]
    places = [text.index(f"{number}. {step}") for number, step in enumerate(steps, 1)]
    assert places == sorted(places)
    assert re.search(r"v[12]_\w+2026[\w-]*\.csv", text)
    assert re.search(r"Line\s+\d+", text)
    assert re.search(r"operator \d", text)  # by number, not by name
    assert "3750–4650" in text
    no_sideways(page)
    expect(page).to_have_url(re.compile(r"batch=N4191"))
    address = page.url
    page.goto("about:blank")
    page.goto(address)
    expect(page.get_by_role("heading", name="WB-360, batch N4191")).to_be_visible()


def test_paper_carries_the_trace_and_no_menu(page: Page, demo: str) -> None:
    page.goto(f"{demo}/batch")
    main_text(page)
    page.emulate_media(media="print")
    expect(page.get_by_label("Find a batch by its number")).to_be_hidden()
    expect(page.get_by_test_id("stHeader")).to_be_hidden()
    expect(page.get_by_text("10. Decisions and changes")).to_be_visible()
    first = page.get_by_role("heading", name="1. Rows as received")
    assert first.evaluate("one => getComputedStyle(one).color") == "rgb(0, 0, 0)"

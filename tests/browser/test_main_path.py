"""The main job in a real browser: demo, import of a file, chart, a point, its file and line."""

import re
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.steps import (
    at_rest,
    choose,
    go_to,
    is_phone,
    main_of,
    no_sideways,
    open_page,
    press,
)

U1 = Path(__file__).parent / "data" / "U1_latin1_semicolon_preamble.csv"


def upload(page: Page, name: str, content: bytes) -> None:
    file = {"name": name, "mimeType": "text/csv", "buffer": content}
    page.set_input_files("input[type=file]", files=[file])


def test_a_file_goes_from_upload_to_a_point_with_file_and_line(page: Page, site: str) -> None:
    # the store is shared by both widths: each brings a product of its own
    product = "P-101" if is_phone(page) else "P-100"
    open_page(page, site)
    go_to(page, "Import")
    upload(page, U1.name, U1.read_bytes().replace(b"P-100", product.encode()))
    account = re.compile(r"5 rows read = 2 used \+ 3 set aside.*The account closes")
    expect(page.get_by_text(account)).to_be_visible()
    press(page, "Import into the store")
    expect(page.get_by_text(re.compile(r"Imported\. 5 rows read"))).to_be_visible()
    open_page(page, f"{site}/control-chart")
    expect(page.get_by_role("heading", level=1)).to_have_text("Control chart")
    choose(page, "Product and measuring condition", re.compile(product))
    page.locator("path[aria-label^='Batch B101']").first.click()
    readings = main_of(page)
    expect(readings).to_contain_text("U1_latin1_semicolon_preamble.csv")
    expect(readings).to_contain_text("2.010,0 mPa·s")
    no_sideways(page)


def test_a_click_on_a_point_shows_its_readings(page: Page, demo: str) -> None:
    open_page(page, f"{demo}/control-chart")
    expect(main_of(page)).not_to_contain_text("N4178: ")
    # on a phone neighbouring points overlap: whichever is hit, its batch is of the same file
    page.locator("path[aria-label^='Batch N4178']").first.click(force=True)
    expect(main_of(page)).to_contain_text("v1_readings_2026-09_to_11.csv")


def test_an_analyst_answers_what_the_file_leaves_open(page: Page, plant: str) -> None:
    """Unit and order of dates are asked; nothing is kept before; the answers reach the chart."""
    product = "P-200"  # in a store of its own: what is answered once is not asked again
    lines = [
        f"K{n:03};{product};{1500 + 7 * (n * 37 % 11)};{n + 1:02}/06/2026;08:{n:02};V7"
        for n in range(10)
    ]
    file = "\n".join(["batch;product;viscosity;date;time;instrument", *lines, ""]).encode()
    open_page(page, f"{plant}/import")
    upload(page, f"{product}.csv", file)
    main = main_of(page)
    expect(main).to_contain_text("Nothing of it is imported before it is said.")
    expect(page.get_by_role("button", name="Import into the store")).to_have_count(0)
    choose(page, re.compile("which one is it"), re.compile(r"^cP$"))
    choose(page, re.compile("day-month or month-day"), re.compile("^mdy$"))
    press(page, "Read again")
    expect(main).to_contain_text("10 rows read = 10 used")
    no_sideways(page)
    press(page, "Import into the store")
    expect(main).to_contain_text("Imported. 10 rows read = 10 used")

    open_page(page, f"{plant}/control-chart")
    choose(page, "Product and measuring condition", re.compile(product))
    point = page.locator("path[aria-label^='Batch K009']").first
    expect(point).to_have_attribute("aria-label", re.compile("1521"))
    expect(main).to_contain_text("6 Oct 2026")  # 10/06 as month, then day: not in June
    expect(main).to_contain_text(f"{product}.csv")
    no_sideways(page)


def test_a_large_import_is_stopped_and_the_store_is_as_before(page: Page, site: str) -> None:
    product = "P-301" if is_phone(page) else "P-300"
    lines = [f"H{n};{product};{1500 + n % 97};2026-06-01 08:00;V7" for n in range(120_000)]
    file = "\n".join(["batch;product;viscosity mPa.s;time;instrument", *lines, ""]).encode()
    open_page(page, f"{site}/import")
    upload(page, f"{product}.csv", file)
    main = main_of(page)
    expect(main).to_contain_text("120000 rows read = 120000 used", timeout=120_000)
    press(page, "Import into the store")
    page.get_by_role("button", name=re.compile("Stop this import")).click()
    expect(main).to_contain_text(f"The import of {product}.csv was stopped", timeout=120_000)
    at_rest(page)
    expect(page.get_by_role("button", name="Import into the store")).to_be_visible()
    open_page(page, f"{site}/control-chart")
    page.get_by_role("combobox", name="Product and measuring condition").click()
    expect(page.get_by_role("option", name=re.compile("WB-240"))).to_be_visible()
    expect(page.get_by_role("option", name=re.compile(product))).to_have_count(0)

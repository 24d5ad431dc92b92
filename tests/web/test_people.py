"""What people do besides the straight way: tap, press twice, go back, open two tabs."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from steps import by_place, file_typed, open_new, readings_file, specification_file


@pytest.fixture
def phone(browser: Browser, place: str) -> Iterator[Page]:
    """Return a page of a small screen that is touched."""
    context = browser.new_context(
        base_url=place, viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )
    yield context.new_page()
    context.close()


def wide(page: Page) -> bool:
    """Say whether a page is wider than its screen."""
    return bool(page.evaluate("document.documentElement.scrollWidth > innerWidth"))


@pytest.mark.slow
def test_the_whole_job_by_touch_on_a_phone(phone: Page) -> None:
    page = phone
    page.goto("/instruments")
    page.get_by_role("link", name="New instrument").first.tap()
    page.select_option("#kind", value="")
    page.set_input_files("#file", specification_file())
    page.fill("#serial", "WB-0030 (invented)")
    page.get_by_role("button", name="Open its dossier").tap()
    page.get_by_role("link", name="Measure").first.tap()
    for stage in ("before", "settled", "after"):
        page.wait_for_url(re.compile("/measure$"))
        assert not wide(page)
        page.set_input_files("#files", readings_file(stage))
        page.get_by_role("button", name="Look at it").tap()
        page.get_by_role("button", name="File these readings").tap()
        if stage == "after":
            break
        page.locator(".cell").nth(30).tap()
        expect(page.locator("#picked")).to_contain_text("String")
        page.get_by_role("link", name="Open the plan").tap()
        page.wait_for_url(re.compile("/plan$"))
        page.wait_for_load_state()  # a slider moves once its script is there
        page.locator("[data-control='attack'] [data-step='-1']").tap()
        expect(page.locator("#attack-shown")).not_to_have_text("100 %")
        page.locator("[data-control='attack'] [data-step='1']").tap()
        page.locator("#side [data-stop='5']").tap()
        expect(page.locator(".cell[aria-selected='true']")).to_have_attribute("data-i", "5")
        expect(page.locator("#attack-shown")).to_have_text("100 %")
        assert not wide(page)
        page.get_by_role("button", name="Take this plan").tap()
        page.get_by_role("link", name="Open the bench sheet").tap()
        page.wait_for_url(re.compile("/work$"))
        page.locator("[data-tick]").first.tap()
        assert not wide(page)
        page.get_by_role("button", name="Done, read again").tap()
    page.get_by_role("link", name="Prove the work").tap()
    expect(page.locator("#verdict")).to_have_text("Verdict: conforms")
    assert not wide(page)
    page.get_by_role("button", name="File this verdict").tap()
    expect(page.get_by_role("link", name="Certificate (PDF)")).to_be_visible()


@pytest.mark.slow
def test_what_is_pressed_twice_is_filed_once(page: Page) -> None:
    page.goto("/new")
    page.fill("#job", "job of two clicks")
    page.get_by_role("button", name="Open its dossier").dblclick()
    page.wait_for_url(re.compile(r"/instruments/[0-9a-f]+$"))
    page.goto("/instruments?words=clicks")
    expect(page.locator(".list li")).to_have_count(1)
    open_new(page, "WB-0031 (invented)")
    file_typed(page, by_place("before"))
    place = page.url
    page.goto(f"{place}/plan")
    page.get_by_role("button", name="Take this plan").dblclick()
    page.wait_for_url(place)
    expect(page.get_by_role("row", name=re.compile("Plan [0-9A-F]{10}"))).to_have_count(1)
    page.goto(f"{place}/work")
    page.get_by_role("button", name="Done, read again").dblclick()
    page.wait_for_url(f"{place}/measure")
    page.goto(place)
    expect(page.get_by_role("row", name=re.compile("Work of plan"))).to_have_count(1)
    page.goto("/new")  # the number is typed in once more by mistake
    page.select_option("#kind", value="")
    page.set_input_files("#file", specification_file())
    page.fill("#serial", "WB-0031 (invented)")
    page.get_by_role("button", name="Open its dossier").click()
    page.wait_for_url(place)


@pytest.mark.slow
def test_back_shows_what_stands_now(page: Page) -> None:
    open_new(page, "WB-0032 (invented)")
    place = page.url
    expect(page.get_by_role("heading", name="Take the readings")).to_be_visible()
    page.get_by_role("link", name="Measure").first.click()
    typed = by_place("before")
    page.request.post(
        f"{place}/measure/file",
        data={"values": typed, "unit": "mm", "uncertainty": "0.004", "strung": True},
    )
    page.go_back()
    expect(page.get_by_role("heading", name="Choose the plan")).to_be_visible()
    page.get_by_role("link", name="Open the plan").click()
    page.get_by_role("button", name="Take this plan").click()
    page.wait_for_url(place)
    page.go_back()  # to the plan that was taken: it asks for nothing to be sent again
    expect(page.locator("#plan-head")).to_be_visible()


@pytest.mark.slow
def test_two_tabs_of_a_sheet_agree(page: Page) -> None:
    open_new(page, "WB-0033 (invented)")
    page.get_by_role("link", name="Measure").first.click()
    context: BrowserContext = page.context
    other = context.new_page()
    other.goto(page.url)
    page.fill("[data-key='crown_top:1:1']", "21,5")
    expect(other.locator("[data-key='crown_top:1:1']")).to_have_value("21,5")
    other.fill("[data-key='crown_top:1:2']", "21,6")
    expect(page.locator("[data-key='crown_top:1:2']")).to_have_value("21,6")
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Empty the sheet").click()
    expect(other.locator("#kept")).to_contain_text("in another tab")


@pytest.mark.slow
def test_inches_all_through(page: Page) -> None:
    open_new(page, "WB-0034 (invented)")
    file_typed(page, by_place("before"))
    place = page.url
    page.get_by_role("button", name=re.compile("change to inches")).click()
    page.goto(f"{place}/plan")
    page.wait_for_load_state("networkidle")
    page.get_by_role("button", name="Take this plan").click()
    page.wait_for_url(place)
    for at in ("", "/plan", "/work", "/measure"):
        page.goto(place + at)
        page.wait_for_load_state("networkidle")
        shown = page.evaluate("document.querySelector('main').innerText")
        assert not re.findall(r".{30}\d mm\b.{10}", shown), at
    page.goto(f"{place}/measure")
    expect(page.locator("#unit")).to_have_value("in")


@pytest.mark.slow
def test_left_handed_all_through(page: Page) -> None:
    open_new(page, "WB-0035 (invented)")
    file_typed(page, by_place("before"))
    place = page.url
    page.get_by_role("button", name=re.compile("turn the neck round")).click()
    for at in ("", "/plan", "/measure"):
        page.goto(place + at)
        nut = page.locator(".nut").first.bounding_box()
        last = page.locator(".head-column").last.bounding_box()
        assert nut is not None
        assert last is not None
        assert nut["x"] > last["x"], at

"""The page of a specification: form and text are one thing, checked as somebody writes."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from steps import by_place, file_typed, open_new


@pytest.mark.slow
def test_form_and_text_change_together_and_a_version_is_saved(page: Page) -> None:
    page.goto("/specifications")
    page.select_option("#kind", "bass")
    page.fill("#name", "Ostrimbold (invented)")
    page.get_by_role("button", name="Look at the starter").click()
    text = page.locator("#text")
    expect(page.locator("#state")).to_have_text("Complete")
    expect(page.locator("#ideal")).to_contain_text("stays clear")
    action = page.locator("[data-path='target.action.treble']")
    action.fill("2,35")
    action.press("Enter")
    expect(text).to_have_value(re.compile(r"action = \{ *treble = 2\.35"))

    length = page.locator("[data-path='scale.length']")
    length.fill("86,4")
    length.press("Tab")
    expect(page.locator("#state")).to_contain_text("fault")
    expect(length).to_have_attribute("aria-invalid", "true")
    fault = page.locator(f"#{length.get_attribute('aria-describedby')}")
    assert "out of range" in fault.inner_text()
    expect(page.locator("#save")).to_be_disabled()
    page.get_by_role("button", name=re.compile("^Line ")).first.click()
    selected = page.evaluate(
        "(t => t.value.slice(t.selectionStart, t.selectionEnd))(document.getElementById('text'))"
    )
    assert selected.startswith("length = 86.4")
    text.press("End")
    text.type("0")
    expect(page.locator("#state")).to_contain_text("fault")  # 86.40
    text.fill(text.input_value().replace("length = 86.40", "length = 860.0"))
    expect(length).to_have_value("860")
    expect(page.locator("[aria-invalid]")).to_have_count(0)

    page.reload()  # what was changed is still here
    expect(page.locator("#kept")).to_contain_text("not filed yet")
    expect(length).to_have_value("860")
    page.get_by_role("button", name="in", exact=True).click()
    expect(length).to_have_value("33.8583")
    page.get_by_role("button", name="mm", exact=True).last.click()
    expect(length).to_have_value("860")
    page.get_by_role("button", name="File as a model").click()
    page.wait_for_url(re.compile(r"/specifications/[0-9a-f]{8,}$"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Ostrimbold (invented)")

    page.goto("/new")
    page.select_option("#kind", label="Ostrimbold (invented)")
    page.fill("#serial", "WB-0020 (invented)")
    page.get_by_role("button", name="Open its dossier").click()
    page.get_by_role("link", name="Specification", exact=True).click()
    expect(page.locator("[data-path='scale.length']")).to_have_value("860")
    expect(page.locator("#users + ul")).to_contain_text("Ostrimbold (invented)")


@pytest.mark.slow
def test_readings_of_an_earlier_version_are_read_by_the_new_one(page: Page) -> None:
    open_new(page, "WB-0021 (invented)")
    file_typed(page, by_place("before"))
    place = page.url
    before = page.locator("#map-head").inner_text()
    page.get_by_role("link", name="Specification", exact=True).click()
    expect(page.locator("#said")).to_contain_text("stays clear")
    attack = page.locator("[data-path='player.attack']")
    attack.fill("0,7")
    attack.press("Enter")
    expect(page.locator("#said")).to_contain_text("stay clear up to")
    page.get_by_role("button", name="Save as new version").click()
    expect(page.get_by_text("The readings were taken with an earlier version")).to_be_visible()
    page.goto(place)
    expect(page.locator("#map-head")).to_have_text(before)
    expect(page.get_by_text("The specification was changed after these readings")).to_be_visible()
    page.get_by_role("link", name="To the specification").click()
    page.get_by_role("button", name="Read them with this version").click()
    page.wait_for_url(place)
    expect(page.locator("#map-head")).not_to_have_text(before)
    assert page.get_by_text("was changed after these readings").count() == 0


@pytest.mark.slow
def test_a_hostile_text_is_one_sentence(page: Page) -> None:
    page.goto("/specifications")
    for text in ("[" * 5000, "a.b" * 9000 + " = 1", "\0", "[model]\nname = '''", ""):
        answer = page.request.post("/specifications/check", data={"text": text})
        assert answer.ok, text[:20]
        told = answer.json()
        assert told["findings"]
        assert not told["whole"]
        saved = page.request.post("/specifications/save", form={"text": text})
        assert saved.status == 422
    answer = page.request.post("/specifications/check", data={"text": "x", "path": "../etc"})
    assert answer.status == 422

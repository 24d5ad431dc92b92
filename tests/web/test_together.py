"""Two people on one instrument: each hears of the other, and nobody files over what is unseen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, expect

import evenfall as ef
from evenfall import workshop
from evenfall.web.application import application
from evenfall.workshop.typed import typed_of
from served import serving

PORT = 8417
BEFORE, SPEC = ef.Source.invented("tesquil-before.csv"), ef.Source.invented("tesquil.spec.toml")


def filed(dossiers: ef.Dossiers) -> str:
    """File an instrument with readings, and return its dossier."""
    made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
    return dossiers.file(made, files=(SPEC, BEFORE), person="Q. Ulbrenq").line.dossier


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[ef.Dossiers]:
    with workshop.archive(str(tmp_path / "archive"), make=True) as made:
        yield made


def test_a_plan_by_readings_that_are_no_longer_the_newest_is_not_filed(
    dossiers: ef.Dossiers,
) -> None:
    place = f"/instruments/{filed(dossiers)}"
    app = application(dossiers, port=PORT)
    html = {"accept": "text/html"}
    with TestClient(app, base_url=f"http://127.0.0.1:{PORT}", headers=html) as client:
        shown = client.get(f"{place}/plan").text
        (seen,) = set(re.findall(r'name="seen" (?:value|content)="([0-9a-f]{32})"', shown))
        dossiers.note(ef.NoteRequest("UY-0417", "Fret 7 seated.", person="A. Dremquil"))
        asked = {"method": "spot", "by": "Q. Ulbrenq", "seen": seen}
        late = client.post(f"{place}/plan/take", data=asked)
        assert late.status_code == 412
        assert "note at" in late.text
        assert "by A. Dremquil" in late.text
        assert [one.kind for one in dossiers.show("UY-0417").entries].count("plan") == 0
        fresh = re.findall(r'name="seen" value="([0-9a-f]{32})"', client.get(f"{place}/plan").text)
        taken = client.post(f"{place}/plan/take", data={**asked, "seen": fresh[0]})
        assert taken.status_code == 200
        assert [one.kind for one in dossiers.show("UY-0417").entries].count("plan") == 1
        typed = typed_of((BEFORE,), ef.read_specification(SPEC.text())[0])
        assert typed is not None
        sheet = {"values": dict(typed.values), "uncertainty": typed.uncertainty}
        for since, status, kept in ((seen, 412, 1), ("", 200, 2)):
            headers = {"if-match": since} if since else {}
            sent = client.post(f"{place}/measure/file", json=sheet, headers=headers)
            assert sent.status_code == status
            kinds = [one.kind for one in dossiers.show("UY-0417").entries]
            assert kinds.count("measurement") == kept
        app.state.shop.leave()


def test_who_looks_at_a_page_hears_what_another_files(tmp_path: Path, browser: Browser) -> None:
    with serving(tmp_path / "archive") as place, ef.connect(place) as there:
        archive = there.archive()
        made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
        dossier = archive.file(made, files=(SPEC, BEFORE), person="Q. Ulbrenq").line.dossier
        context = browser.new_context(base_url=place)
        page = context.new_page()
        page.goto(f"/instruments/{dossier}")
        told = page.locator("meanwhile-filed")
        expect(told).to_be_hidden()
        archive.note(ef.NoteRequest("UY-0417", "Fret 7 seated.", person="A. Dremquil"))
        expect(told).to_be_visible(timeout=20_000)
        expect(told).to_contain_text("A. Dremquil filed")
        expect(told).to_contain_text("Fret 7 seated.")
        told.get_by_role("link", name="Load the page again").click()
        expect(page.locator("meanwhile-filed")).to_be_hidden()
        context.close()


def test_pages_behind_the_one_that_is_looked_at_hold_no_connection(
    tmp_path: Path, browser: Browser
) -> None:
    """A browser keeps six connections to one server, and a page that watches holds one of them."""
    hide = """hidden => {
        Object.defineProperty(document, "hidden", {get: () => hidden, configurable: true});
        document.dispatchEvent(new Event("visibilitychange"));
    }"""
    with serving(tmp_path / "archive") as place, ef.connect(place) as there:
        archive = there.archive()
        made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
        dossier = archive.file(made, files=(SPEC, BEFORE)).line.dossier
        context = browser.new_context(base_url=place)
        page = context.new_page()
        with page.expect_request(re.compile("/changes")) as watching:
            page.goto(f"/instruments/{dossier}")
        with page.expect_event("requestfailed", lambda one: one == watching.value):
            page.evaluate(hide, True)
        archive.note(ef.NoteRequest("UY-0417", "Fret 7 seated.", person="A. Dremquil"))
        page.evaluate(hide, False)
        expect(page.locator("meanwhile-filed")).to_contain_text("A. Dremquil filed")
        context.close()

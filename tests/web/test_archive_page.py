"""The archive's page: verify, copy, export and import, each as work that is under way."""

from __future__ import annotations

import re
import sqlite3
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from evenfall import workshop
from evenfall.records import upkeep
from evenfall.records.signing import trusted_keys
from evenfall.workshop import AddRequest, NoteRequest, Source
from evenfall.workshop.examples import SERIALS, file_examples
from served import serving

SLOW_MS = 60_000  # a task begins a process of its own, on whatever machine this is


@dataclass(frozen=True)
class Shop:
    """Pages over an archive of three instruments, and what a partner with another key sent."""

    place: str
    folder: Path
    sent: Path


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    base = tmp_path_factory.mktemp("archive-page")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("EVENFALL_SETTINGS", str(base / "partner"))
        sent = base / "from a partner.zip"
        with workshop.archive(str(base / "theirs"), make=True) as theirs:
            theirs.add(AddRequest(name="Dolqua", serial=SERIALS[0], person="M. Tessquin"))
            theirs.note(NoteRequest("dolqua", "Sent back."))
            theirs.export([], sent)
        patch.setenv("EVENFALL_SETTINGS", str(base / "settings"))
        folder = base / "ours"
        with workshop.archive(str(folder), make=True) as ours:
            file_examples(ours, at="2026-05-04T10:00:00Z")
        with serving(folder) as place:
            yield Shop(place, folder, sent)


@pytest.fixture
def page(browser: Browser, shop: Shop) -> Iterator[Page]:
    context = browser.new_context(base_url=shop.place, viewport={"width": 1280, "height": 900})
    context.set_default_timeout(SLOW_MS)
    made = context.new_page()
    made.goto("/archive")
    yield made
    context.close()


def done(page: Page) -> None:
    """Wait for the page of what was asked for, and for what came of it."""
    page.wait_for_url("**/archive/task/*")
    page.locator("#came").wait_for()


@pytest.mark.slow
def test_a_large_archive_is_counted_while_its_page_is_there(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = page.locator("#in-it").inner_text()
    monkeypatch.setattr(upkeep, "_MANY", 3)
    monkeypatch.setattr(upkeep, "_STEP", 4)
    assert '<h2 id="in-it">More than' in page.request.get("/archive").text()
    page.reload()
    expect(page.locator("#in-it")).to_have_text(whole)
    expect(page.locator("#held[data-count]")).to_have_count(0)


@pytest.mark.slow
def test_the_archive_is_verified_and_signed_and_says_when(page: Page, shop: Shop) -> None:
    expect(page.locator(".facts")).to_contain_text("never yet")
    page.get_by_label("Sign what is sound").check()
    page.get_by_role("button", name="Verify").click()
    done(page)
    assert page.locator("#came").inner_text() == "Everything is as it was filed"
    with workshop.archive(str(shop.folder)) as ours:
        assert ours.verify().unsigned == 0
    page.get_by_role("link", name="To the archive").click()
    expect(page.locator(".facts")).to_contain_text("everything was as it was filed")
    page.get_by_role("link", name="Verifying the archive").click()
    assert page.locator("#came").inner_text() == "Everything is as it was filed"


@pytest.mark.slow
def test_a_copy_is_made_and_restores(page: Page, shop: Shop, tmp_path: Path) -> None:
    place = tmp_path / "copy"
    page.get_by_label("New folder").fill(str(place))
    page.get_by_role("button", name="Copy the archive").click()
    done(page)
    page.goto("/archive")
    expect(page.locator(".facts")).to_contain_text(str(place))
    command = page.locator("pre").inner_text().splitlines()[0]
    assert command == f"evenfall archive restore {place} --archive NEW-FOLDER"
    with workshop.archive(str(tmp_path / "new"), make=True) as restored:
        restored.restore(str(place))
        assert restored.find(SERIALS[0])
    page.get_by_label("New folder").fill(str(place))
    page.get_by_role("button", name="Copy the archive").click()
    page.locator("under-way .stop").wait_for()
    expect(page.locator(".stop")).to_contain_text("There is an archive already")
    page.goto("/archive")
    page.get_by_label("New folder").fill("copy")
    page.get_by_role("button", name="Copy the archive").click()
    expect(page.get_by_role("alert")).to_contain_text("from the root on")


@pytest.mark.slow
def test_one_instrument_or_all_go_out_in_each_form(page: Page, shop: Shop, tmp_path: Path) -> None:
    def written(names: str, form: str) -> Path:
        page.goto("/archive")
        page.get_by_label("Instruments, by number").fill(names)
        page.get_by_label("As", exact=True).select_option(form)
        assert page.get_by_label("A partner sees").is_visible() == (form == "dossiers")
        page.get_by_role("button", name="Write the file").click()
        done(page)
        with page.expect_download() as loading:
            page.locator("under-way a").click()
        path = tmp_path / loading.value.suggested_filename
        loading.value.save_as(path)
        return path

    one = written(SERIALS[2], "dossiers")
    with workshop.archive(str(tmp_path / "other"), make=True) as other:
        assert [c.line.serial for c in other.look(Source(str(one))).coming] == [SERIALS[2]]
    both = written(f"{SERIALS[0]}\n{SERIALS[1]}", "dossiers")
    with workshop.archive(str(tmp_path / "another"), make=True) as other:
        assert len(other.look(Source(str(both))).coming) == 2
    with zipfile.ZipFile(written("", "csv")) as tables:
        assert {"heights.csv", "csv-metadata.json"} <= set(tables.namelist())
        assert len(tables.read("dossiers.csv").splitlines()) >= 4
    assert b"QIFDocument" in written("", "qif").read_bytes()
    page.goto("/archive")
    page.get_by_label("Instruments, by number").fill("nobody")
    page.get_by_role("button", name="Write the file").click()
    expect(page.get_by_role("alert")).to_contain_text("No dossier goes by")


@pytest.mark.slow
def test_what_a_partner_sent_is_seen_first_and_its_key_compared(page: Page, shop: Shop) -> None:
    page.get_by_label("File of a partner").set_input_files(shop.sent)
    page.get_by_role("button", name="Look at it").click()
    done(page)
    assert "not filed yet" in page.locator("#came").inner_text()
    text = page.locator("main").inner_text()
    assert "Numbers that collide" in text
    assert re.search(r"Dolqua .*: its serial number is also that of", text)
    assert page.locator("tbody tr").count() == 1
    with workshop.archive(str(shop.folder)) as ours:
        assert not ours.find("dolqua")
    page.get_by_role("button", name="File these entries").click()
    assert "/file" not in page.url  # the browser asks for the comparison first
    page.get_by_label("I compared the key").check()
    page.get_by_role("button", name="File these entries").click()
    expect(page.locator("#came")).to_contain_text("3 new", timeout=SLOW_MS)
    assert len(trusted_keys()) == 2
    with workshop.archive(str(shop.folder)) as ours:
        assert len(ours.find("dolqua")) == 1
    page.goto("/archive")
    page.get_by_label("File of a partner").set_input_files(shop.sent)
    page.get_by_role("button", name="Look at it").click()
    done(page)
    expect(page.locator("main")).to_contain_text("which is trusted here")
    page.get_by_role("button", name="File these entries").click()
    expect(page.locator("#came")).to_contain_text("0 new, 3 known already", timeout=SLOW_MS)


@pytest.mark.slow
def test_what_is_no_exchange_file_is_refused_in_one_sentence(page: Page, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.zip"
    wrong.write_bytes(b"PK\x03\x04 but no more")
    page.get_by_label("File of a partner").set_input_files(wrong)
    page.get_by_role("button", name="Look at it").click()
    page.wait_for_url("**/archive/task/*")
    page.locator("under-way .stop").wait_for()
    expect(page.locator("under-way .stop")).to_contain_text("not an exchange file")


@pytest.mark.slow
def test_a_key_that_others_can_read_is_said_beside_all_the_rest(page: Page, shop: Shop) -> None:
    key = shop.folder.parent / "settings" / "signing-key"
    key.chmod(0o644)
    page.reload()
    assert "Other users can read the signing key" in page.locator(".stop").inner_text()
    expect(page.locator(".facts")).to_contain_text(str(shop.folder))
    key.chmod(0o600)


@pytest.mark.slow
def test_a_persons_name_is_erased_from_the_page(page: Page, shop: Shop) -> None:
    with workshop.archive(str(shop.folder)) as ours:
        ours.note(NoteRequest(SERIALS[1], "Seen.", person="V. Morwent (invented)"))
    page.goto("/archive")
    dossier = page.request.get(f"/instruments?words={SERIALS[1]}").text()
    place = re.search(r'href="(/instruments/[0-9a-f]{32})"', dossier)
    assert place is not None
    assert "V. Morwent" in page.request.get(place[1]).text()
    page.get_by_label("Name, as it was filed").fill("V. Morwent (invented)")
    page.get_by_label("It does not come back").check()
    page.get_by_role("button", name="Erase the name").click()
    expect(page.get_by_text("from now on")).to_be_visible()
    assert "V. Morwent" not in page.request.get(place[1]).text()
    refused = page.request.post("/archive/erase", form={"person": "nobody", "sure": "1"})
    assert refused.status == 422


@pytest.mark.slow
def test_a_changed_byte_is_named_on_the_page(page: Page, shop: Shop) -> None:
    # The last one: the archive is broken from here on.
    with closing(sqlite3.connect(shop.folder / "archive.db")) as database, database:
        database.execute("UPDATE document SET content = content || ' ' WHERE rowid = 1")
    page.get_by_role("button", name="Verify").click()
    done(page)
    assert page.locator("#came").inner_text() == "Not everything is as it was filed"
    assert "does not match its hash" in page.locator(".findings .error").first.inner_text()
    page.goto("/archive")
    expect(page.locator(".facts")).to_contain_text("not everything was as it was filed")

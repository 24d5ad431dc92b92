"""Pages that look closer: a dense scan, from upload to its points in space; every note played."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, Page, expect

from evenfall import workshop
from evenfall.errors import silent
from evenfall.records.queue import Task
from evenfall.web.application import application
from evenfall.workshop.examples import SERIALS
from evenfall.workshop.tasks import KINDS, Work
from oracles.surfaces import Recipe, make_scan, specification
from served import serving
from web.conftest import ARGUMENTS

LONG_MS = 180_000
PORT = 8417


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the files of a specification and of a scan that takes more than a moment."""
    folder = tmp_path_factory.mktemp("scan")
    spec = specification("ukulele")
    made = make_scan(spec, Recipe(step_x=0.15, step_y=0.4, shadow_share=0.0, seed=1))
    np.save(folder / "scan.npy", made.points_mm)
    (folder / "ukulele.spec.toml").write_text(made.specification.text, encoding="utf-8")
    return folder / "ukulele.spec.toml", folder / "scan.npy"


@pytest.fixture
def page(browser: Browser, tmp_path: Path) -> Iterator[Page]:
    with serving(tmp_path / "archive") as place:
        context = browser.new_context(base_url=place, viewport={"width": 1280, "height": 900})
        yield context.new_page()
        context.close()


def open_with(page: Page, spec: Path, serial: str) -> None:
    page.goto("/new")
    page.select_option("#kind", "")
    page.set_input_files("#file", spec)
    page.fill("#serial", serial)
    page.get_by_role("button", name="Open its dossier").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(serial)


def test_a_raw_scan_is_thinned_for_its_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, with_examples: Callable[[Path], Path]
) -> None:
    points = np.random.default_rng(7).uniform(0.0, 30.0, (5000, 3))
    np.save(tmp_path / "scan.npy", points)
    with workshop.archive(str(with_examples(tmp_path / "archive"))) as dossiers:
        name = dossiers.named(SERIALS[0])
        app = application(dossiers, port=PORT)
        shop, out = app.state.shop, tmp_path / "out"

        def done(task: str) -> Task:
            held = shop.queue.get(task)
            made = KINDS[held.kind][1](Work(dossiers, name, held.asked, (), out, silent))
            return replace(held, state="done", result=made)

        monkeypatch.setattr(shop.pool, "shown", done)  # here, not in a process of its own
        client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}")
        none = client.get(f"/instruments/{name}/scan/filed")
        assert none.status_code == 422
        assert "No scan of this instrument is filed." in none.text
        dossiers.file(files=(workshop.Source(str(tmp_path / "scan.npy")),), instrument=name)
        shown = client.get(f"/instruments/{name}/scan/filed")
        app.state.shop.leave()
    assert shown.status_code == 200
    kept = np.fromfile(out / "points.bin", "<f4").reshape(-1, 3)
    assert f"{len(kept):,} of 5,000 points" in shown.text
    size = " ".join(f"{one:.3f}".rstrip("0") for one in np.ptp(kept, axis=0))
    assert f'data-size="{size}"' in shown.text


@pytest.mark.slow
def test_a_dense_scan_is_read_beside_the_page_and_seen_from_all_sides(
    scan: tuple[Path, Path], browser: Browser, tmp_path: Path
) -> None:
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    spec, points = scan
    assert points.stat().st_size > 1_000_000
    drawing = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")
    arguments = [*(one for one in ARGUMENTS if one != "--disable-gpu"), *drawing]
    with serving(tmp_path / "archive") as place:
        drawer = browser.browser_type.launch(executable_path=program, args=arguments)
        page = drawer.new_page(base_url=place, viewport={"width": 1280, "height": 900})
        complaints: list[str] = []
        page.on("pageerror", lambda error: complaints.append(str(error)))
        open_with(page, spec, "WB-0201 (invented)")
        page.get_by_role("link", name="Measure").first.click()
        page.set_input_files("#files", points)
        page.get_by_role("button", name="Look at it").click()
        expect(page.get_by_role("heading", name="scan.npy: being read")).to_be_visible()
        expect(page.get_by_role("heading", name="scan.npy: not filed yet")).to_be_visible(
            timeout=LONG_MS
        )
        page.get_by_role("link", name="The raw scan from all sides").click()
        view = page.locator("scan-view")
        view.wait_for(timeout=LONG_MS)
        page.wait_for_selector("scan-view[data-drawn]", timeout=LONG_MS)
        assert 20_000 < int(view.get_attribute("data-drawn") or 0) <= 130_000
        seen = page.locator("canvas").screenshot()
        page.get_by_role("button", name="above").click()
        assert page.locator("canvas").screenshot() != seen
        page.screenshot(path=tmp_path / "scan.png", full_page=True)
        assert not complaints
        drawer.close()


@pytest.mark.slow
def test_every_note_is_played(page: Page) -> None:
    page.goto("/instruments")
    page.get_by_role("button", name="invented").click()
    page.locator(".list a").last.click()
    page.get_by_role("link", name="Play every note").click()
    page.get_by_role("button", name="Play every note").click()
    expect(page.get_by_role("button", name="Stop")).to_be_visible()
    expect(page.get_by_role("heading", name="What it shows")).to_be_visible(timeout=LONG_MS)
    expect(page.locator(".picture svg").first).to_be_visible()

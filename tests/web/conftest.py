"""One server and one browser for all tests of the pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, Request, expect, sync_playwright

import slow_work
from evenfall.web.pool import BEAT_S
from served import serving

ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)

expect.set_options(timeout=30_000)  # as long as the steps themselves: no machine has to be idle


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of pages over an archive that begins empty.

    They leave out the comparison of methods beside every plan, which test_under_way.py waits for.
    """
    folder = tmp_path_factory.mktemp("archive")
    with serving(folder, do=slow_work.but_methods, beat_s=BEAT_S) as address:
        yield address


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    # without windows of its own it draws a page in a third of the processor time
    program = shutil.which("chromium-headless-shell") or shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        yield made
        made.close()


@pytest.fixture
def page(browser: Browser, place: str) -> Iterator[Page]:
    """Return a fresh page; whatever the browser complains of fails the test at its end.

    So does a request to another host than these pages.
    """
    context = browser.new_context(base_url=place, viewport={"width": 1280, "height": 900})
    made = context.new_page()
    complaints: list[str] = []
    here = (place, "data:", "blob:")

    def asked(one: Request) -> None:
        """Note a request to another host; were it intercepted, no page would keep its scripts."""
        if not one.url.startswith(here):
            complaints.append(f"another host was asked: {one.url}")

    context.on("request", asked)
    made.on("pageerror", lambda error: complaints.append(str(error)))
    made.on(
        "console",
        lambda said: (
            complaints.append(said.text)
            if said.type == "error" and "Failed to load resource" not in said.text
            else None
        ),
    )
    yield made
    context.close()
    assert not complaints

"""One server and one browser for all tests of the pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from served import serving

ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)

expect.set_options(timeout=30_000)  # as long as the steps themselves: no machine has to be idle


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of pages over an archive that begins empty."""
    with serving(tmp_path_factory.mktemp("archive")) as address:
        yield address


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        yield made
        made.close()


@pytest.fixture
def page(browser: Browser, place: str) -> Iterator[Page]:
    """Return a fresh page; whatever the browser complains of fails the test at its end."""
    context = browser.new_context(base_url=place, viewport={"width": 1280, "height": 900})
    context.route("**/*", lambda route: _only_here(route, place))
    made = context.new_page()
    complaints: list[str] = []
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


def _only_here(route: object, place: str) -> None:
    """Let a request go to these pages alone."""
    from playwright.sync_api import Route

    assert isinstance(route, Route)
    here = route.request.url.startswith((place, "data:"))
    assert here, f"another host was asked: {route.request.url}"
    route.continue_()

"""One server and one browser for all tests of the pages."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright

from evenfall import workshop
from evenfall.web.application import application
from evenfall.web.command import listen

ROOT = Path(__file__).resolve().parents[2]
ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """Serve the pages of an archive and yield their address."""
    with listen(0) as listening, workshop.archive(str(folder), make=True) as dossiers:
        port = listening.getsockname()[1]
        settings = uvicorn.Config(
            application(dossiers, port=port), log_config=None, access_log=False, lifespan="off"
        )
        server = uvicorn.Server(settings)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        while not server.started and thread.is_alive():
            time.sleep(0.01)
        yield f"http://127.0.0.1:{port}"
        server.should_exit = True
        thread.join(20)
        assert not thread.is_alive()


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

"""Archives on both engines, PostgreSQL under --all; without a server its tests skip."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from evenfall.records import Archive, open_archive
from records import servers

ENGINES = ("sqlite", pytest.param("postgresql", marks=pytest.mark.slow))


@pytest.fixture(scope="session")
def postgres() -> Iterator[servers.Server]:
    if servers.programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with servers.server() as started:
        yield started


@pytest.fixture(autouse=True)
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the signing key of a test in a folder of its own."""
    folder = tmp_path / "settings"
    monkeypatch.setenv("EVENFALL_SETTINGS", str(folder))
    return folder


@pytest.fixture(params=ENGINES)
def new_address(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], str]:
    """Return what gives the address of a new archive of a name, on one engine and on the other."""

    def named(name: str) -> str:
        if request.param == "sqlite":
            return str(tmp_path / name)
        server: servers.Server = request.getfixturevalue("postgres")
        return server.address(tmp_path / f"{name}-files")

    return named


@pytest.fixture
def archive(new_address: Callable[[str], str]) -> Iterator[Archive]:
    with open_archive(new_address("archive"), make=True) as opened:
        yield opened

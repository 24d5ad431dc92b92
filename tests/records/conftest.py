"""An archive of each test of the records, with a signing key of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from evenfall.records import Archive, open_archive


@pytest.fixture(autouse=True)
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the signing key of a test in a folder of its own."""
    folder = tmp_path / "settings"
    monkeypatch.setenv("EVENFALL_SETTINGS", str(folder))
    return folder


@pytest.fixture
def archive(new_address: Callable[[str], str]) -> Iterator[Archive]:
    with open_archive(new_address("archive"), make=True) as opened:
        yield opened

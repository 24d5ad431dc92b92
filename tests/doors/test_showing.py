"""A page or picture is opened where there is something to do so, and nothing is said where not."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from evenfall.workshop.showing import show

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems have one way each")


def desktop(folder: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> None:
    """Put a program in place that opens what it is given."""
    opener = folder / "xdg-open"
    opener.write_text(f"#!/bin/sh\n{script}\n")
    opener.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}:/bin:/usr/bin")
    monkeypatch.setenv("DISPLAY", ":9")


def test_without_a_screen_nothing_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    assert not show("http://127.0.0.1:1/")


def test_a_desktop_without_a_browser_is_silent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    desktop(tmp_path, monkeypatch, "echo no method available >&2; exit 3")
    assert not show("http://127.0.0.1:1/")
    assert capfd.readouterr() == ("", "")


def test_the_place_is_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desktop(tmp_path, monkeypatch, f'echo "$1" > {tmp_path}/opened')
    assert show("http://127.0.0.1:1/")
    assert (tmp_path / "opened").read_text() == "http://127.0.0.1:1/\n"

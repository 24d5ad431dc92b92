"""The page about scans lists what the readers know."""

from __future__ import annotations

import re
from pathlib import Path

import click

from evenfall.cli import main
from evenfall.errors import ERROR_CODES
from evenfall.scans.formats.meshes import FINE_SHARE
from evenfall.scans.formats.scan import MOST_POINTS
from evenfall.scans.formats.sidecar import KEYS
from scans.formats.fuzz import READERS

PAGE = Path(__file__).resolve().parents[3] / "docs" / "reference" / "scans.md"
TEXT = PAGE.read_text(encoding="utf-8")


def rows(heading: str) -> list[list[str]]:
    """Return the cells of the first table under a heading."""
    part = re.split(rf"^#+ {re.escape(heading)}$", TEXT, flags=re.MULTILINE)[1]
    found = []
    for line in part.splitlines():
        if line.startswith("| ---"):
            continue
        if line.startswith("| "):
            found.append([cell.strip() for cell in line.strip("|").split(" | ")])
        elif found:
            break
    return found[1:]


def test_the_keys_of_a_sidecar() -> None:
    listed = {
        key.strip("`"): meaning.strip(" |")
        for key, meaning in rows("Height maps and their sidecar")
    }
    assert listed == KEYS


def test_every_format_has_a_row() -> None:
    names = " ".join(row[0].lower() for row in rows("Formats"))
    for reader in READERS:
        assert {"npy": ".npy"}.get(reader, reader) in names


def test_the_options_are_those_of_the_command() -> None:
    command = main.get_command(click.Context(main), "measure")
    assert command is not None
    known = {name for option in command.params for name in (*option.opts, *option.secondary_opts)}
    for row in rows("Options"):
        for option in re.findall(r"--[a-z-]+", row[0]):
            assert option in known


def test_codes_and_limits() -> None:
    assert {row[0].strip("`") for row in rows("What can go wrong")} <= ERROR_CODES.keys()
    assert f"At most {MOST_POINTS // 1_000_000} million points" in TEXT
    assert f"finer than 1/{round(1 / FINE_SHARE)}" in TEXT

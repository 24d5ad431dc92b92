"""Open data that tests read: published files that others may use but not hand on with this project.

Point scans and meshes in open formats from the test suites of general libraries, fret slots and
meshes of an openly licensed instrument, and tables of published masses of strings lie outside the
repository, each with its licence or source beside it. The environment variable EVENFALL_OPEN_DATA
names the folder that holds them; without it the tests that need them are skipped.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

FOLDER = Path(os.environ.get("EVENFALL_OPEN_DATA") or "no-open-data")
"""Where the open data lie."""


def open_data(*parts: str) -> Path:
    """Return a file or folder of the open data; the test is skipped where they are not at hand."""
    path = FOLDER.joinpath(*parts)
    if not FOLDER.is_dir():
        pytest.skip(f"open data absent: {'/'.join(parts)}")
    assert path.exists(), f"{'/'.join(parts)} is not among the open data"
    return path


def needs_open_data(name: str) -> pytest.MarkDecorator:
    """Skip a test, or a module of tests, where the open data are not at hand."""
    return pytest.mark.skipif(not FOLDER.is_dir(), reason=f"open data absent: {name}")

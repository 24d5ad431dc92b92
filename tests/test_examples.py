"""Every example in a docstring of the package comes true."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "evenfall"
MODULES = [
    ".".join(("evenfall", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
        ".__init__"
    )
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8")
]
SLOW = {
    "evenfall.workshop.playing",  # it compiles the motion first
    "evenfall.workshop.demonstration",  # the whole job, as the tutorial runs it
    "evenfall.strings.playtest.whole_neck",  # every note of a neck
    "evenfall.levelling",  # every method
    "evenfall.scans",  # a whole scan
    "evenfall.pages",  # every page
    "evenfall.workshop.programs",  # a program, simulated
    "evenfall.workshop.bench_sheets",  # a bench sheet on paper
    "evenfall.workshop.checking",  # a starter of a bass, checked
}


@pytest.mark.parametrize(
    "module",
    [pytest.param(m, marks=[pytest.mark.slow] if m in SLOW else []) for m in MODULES],
)
def test_the_examples_of_a_module_come_true(module: str) -> None:
    result = doctest.testmod(importlib.import_module(module))
    assert result.attempted > 0
    assert result.failed == 0


def test_the_examples_are_found() -> None:
    assert len(MODULES) >= 30

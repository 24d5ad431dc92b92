"""The table of attacks on docs/explanation/play-test.md, against the program."""

from __future__ import annotations

import re
from math import isnan
from pathlib import Path

import pytest

from evenfall.strings.attack import PUBLISHED, PublishedAttack

PAGE = Path(__file__).resolve().parents[2] / "docs" / "explanation" / "play-test.md"


def cells(attack: PublishedAttack) -> tuple[str, str, str, str]:
    """Return what the row of a published attack must say."""
    force = ""
    if attack.force_n is not None:
        force = " to ".join(dict.fromkeys(f"{bound:g}" for bound in attack.force_n)) + " N"
    moved = "" if isnan(attack.displacement_mm) else f"{attack.displacement_mm:g} mm"
    return attack.name, force, moved, attack.source


@pytest.mark.parametrize("attack", PUBLISHED, ids=lambda attack: attack.name)
def test_the_page_lists_every_published_attack(attack: PublishedAttack) -> None:
    text = PAGE.read_text(encoding="utf-8")
    rows = [
        tuple(cell.strip() for cell in row.split("|"))
        for row in re.findall(r"^\|(.*)\|$", text, re.MULTILINE)
    ]
    assert cells(attack) in rows

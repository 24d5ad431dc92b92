"""The example of docs/explanation/pitch-and-neck.md, recomputed."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

from evenfall.workshop.opening import Source, open_instrument
from evenfall.workshop.pitches import pitch_of

PAGE = Path(__file__).resolve().parents[2] / "docs" / "explanation" / "pitch-and-neck.md"


def test_the_example_of_the_page_comes_true(tmp_path: Path) -> None:
    text = PAGE.read_text(encoding="utf-8")
    told = {
        part: float(cents)
        for part, cents in re.findall(r"^\| (\w+) \| ([+-]\d+\.\d\d) \|$", text, re.MULTILINE)
    }
    assert set(told) == {"length", "stretch", "stiffness", "together"}
    for name in ("tesquil.spec.toml", "tesquil-before.csv"):
        given = resources.files("evenfall") / "invented" / name
        (tmp_path / name).write_text(given.read_text(encoding="utf-8"), encoding="utf-8")
    sheet, toml = (Source(str(tmp_path / n)) for n in ("tesquil-before.csv", "tesquil.spec.toml"))
    opened = open_instrument(sheet, toml)
    spec, pitch = opened.specification, pitch_of(opened).found
    assert told["length"] == pytest.approx(pitch.length_cents[2, 12], abs=0.005)
    assert told["stretch"] == pytest.approx(pitch.stretch_cents[2, 12], abs=0.005)
    assert told["stiffness"] == pytest.approx(pitch.stiffness_cents[2, 12], abs=0.005)
    assert told["together"] == pytest.approx(pitch.deviation_cents[2, 12], abs=0.005)
    kappa = re.search(r"κ = (\d+)\.", text)
    assert kappa is not None
    assert float(kappa.group(1)) == pytest.approx(spec.strings[2].stretch_ratio, abs=0.5)

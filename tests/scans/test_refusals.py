"""A scan that is refused: the scale that its frets fit, and the slip of unit that explains it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from evenfall.errors import ReadingsError
from evenfall.scans import measure_crowns
from oracles.surfaces import FloatArray, Recipe, make_scan, specification

#: Coarse, for only the places of the frets matter here.
COARSE = Recipe(step_x=0.15, step_y=0.8, shadow_share=0.0, seed=2)


@cache
def points(model: str) -> FloatArray:
    return make_scan(specification(model), COARSE).points_mm


def refusal(scan: FloatArray, model: str = "electric", *, unit: str | None = None) -> str:
    with pytest.raises(ReadingsError) as refused:
        measure_crowns(scan, specification(model), unit_hint=unit, mirrored=False)
    return str(refused.value)


@pytest.mark.parametrize(
    ("factor", "words", "millimetres"),
    [
        (1.0 / 304.8, "its numbers are feet", "304.8 mm"),
        (1.0 / 0.0254, "its numbers are thousandths of an inch", "0.0254 mm"),
        (0.5, "drawn at half its size", "2 mm"),
        (25.4, "taken for inches and converted", "0.0393701 mm"),
    ],
    ids=["feet", "thousandths", "half size", "converted twice"],
)
def test_a_slip_of_unit_is_named(factor: float, words: str, millimetres: str) -> None:
    told = refusal(points("electric") * factor)
    assert words in told
    assert f"bring the file into mm: {millimetres} are one of them" in told
    found = float(told.split("fit a scale of ")[1].split(" ")[0])
    assert found == pytest.approx(648.0 * factor, rel=0.002)


def test_a_unit_that_was_said_and_does_not_fit_is_named_with_the_one_that_does() -> None:
    told = refusal(points("electric"), unit="in")
    assert "That is the specified scale of 648.0 mm if its numbers are mm; give that unit" in told


def test_the_scale_of_another_neck_is_named() -> None:
    told = refusal(points("electric") * [700.0 / 648.0, 1.0, 1.0])
    assert "no unit makes that the specified 648.0 mm" in told
    # of the two scales that are named one is that of the neck: its nut may count as a ridge
    named = [float(part.split(" mm")[0]) for part in told.split("scale of ")[1].split(", ")[:2]]
    assert min(abs(scale - 700.0) for scale in named) < 1.5


def test_what_is_no_neck_names_no_scale() -> None:
    chance = np.random.default_rng(5)
    plate = np.column_stack(
        [
            chance.uniform(0, 480, 80_000),
            chance.uniform(0, 50, 80_000),
            chance.normal(0, 0.01, 80_000),
        ]
    )
    told = refusal(plate)
    assert "are not in this scan" in told
    assert "nor are those of any other scale" in told

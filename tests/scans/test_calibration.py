"""Whether the claimed uncertainty is the error made: many necks, nothing fitted to make them agree.

Errors are survey less truth in the survey's own frame; the frame comes from the scan alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfall.scans import measure_crowns
from oracles.surfaces import (
    MODELS,
    Recipe,
    crown_errors,
    make_scan,
    specification,
    turned,
    with_faults,
)

FloatArray = NDArray[np.float64]
SOUND, FAULTY = 24, 12
"""Necks; each has some hundred crossings."""
UNITS = (1.0, 1 / 25.4, 0.001)


@dataclass(frozen=True)
class Errors:
    """Errors [mm] and claims [mm] of many crossings."""

    top: FloatArray
    top_u: FloatArray
    height: FloatArray
    height_u: FloatArray

    @property
    def claim_over_error(self) -> float:
        """Root mean square claim over root mean square error."""
        return float(np.sqrt(np.mean(self.top_u**2) / np.mean(self.top**2)))


def errors_of(model: str, recipe: Recipe, seed: int, *, blur: float = 0.0) -> Errors:
    """Return the errors of one neck, scanned in some frame and unit."""
    scan = make_scan(specification(model), recipe)
    turn = partial(turned, seed=seed, factor=UNITS[seed % 3])
    points = scan.points_mm
    if blur:  # noise in the plan as well
        rng = np.random.default_rng(seed)
        points = points + rng.normal(0.0, blur, points.shape) * [1.0, 1.0, 0.0]
    survey, _ = measure_crowns(turn(points).astype(np.float32), scan.specification)
    top = crown_errors(scan, turn, survey)
    known = np.isfinite(top)
    height = (survey.height_mm - scan.crown_height_mm)[:, known]
    seen = np.isfinite(height)
    return Errors(
        top[known],
        survey.crown_top_u_mm[known],
        height[seen],
        survey.height_u_mm[:, known][seen],
    )


def together(parts: list[Errors]) -> Errors:
    return Errors(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("top", "top_u", "height", "height_u")
        )
    )


def recipe_of(seed: int) -> Recipe:
    """Return one of the necks: with and without strings, with and without a rising end."""
    recipe = Recipe(seed=seed)  # 0.05 by 0.2 mm, 5 µm noise, 1 % outliers, 30 % in shadow
    if seed % 3 == 0:
        recipe = replace(recipe, shadow_share=0.0)
    if seed % 4 == 0:
        recipe = replace(recipe, rising_end=0.2, hump=0.1)
    return recipe


@pytest.mark.slow
@pytest.mark.parametrize("faulty", [False, True], ids=["sound", "faulty"])
def test_the_claim_is_the_error_of_many_necks(faulty: bool) -> None:
    names = list(MODELS)
    parts = []
    for seed in range(FAULTY if faulty else SOUND):
        model, recipe = names[seed % len(names)], recipe_of(seed)
        if faulty:
            recipe = with_faults(recipe, specification(model))
        parts.append(errors_of(model, recipe, seed))
    claims_are_right(parts, most_ratio=1.8 if faulty else 1.4)


def claims_are_right(parts: list[Errors], *, most_ratio: float) -> None:
    """Hold the errors of all necks, and of each, against what was claimed."""
    every = together(parts)
    assert np.std(every.top) < 0.002
    assert abs(np.mean(every.top)) < 0.001
    assert 0.8 < every.claim_over_error < 1.25
    assert np.std(every.height) < 0.002
    assert abs(np.mean(every.height)) < 0.001
    assert 0.8 < np.sqrt(np.mean(every.height_u**2) / np.mean(every.height**2)) < 1.25
    # the claim is a standard uncertainty: two in three within one, nineteen in twenty within two
    within = [float(np.mean(np.abs(every.top) < k * every.top_u)) for k in (1, 2)]
    assert within == pytest.approx([0.683, 0.954], abs=0.03)
    # and it is right neck by neck, not only on the whole
    ratios = [part.claim_over_error for part in parts]
    assert np.quantile(ratios, 0.05) > 0.7
    assert np.quantile(ratios, 0.95) < most_ratio


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "blur"),
    [
        ({"noise": 0.001}, 0.0),
        ({"noise": 0.02}, 0.0),
        ({"outlier_share": 0.05}, 0.0),
        ({"step_x": 0.2, "step_y": 0.3}, 0.0),
        ({"step_x": 0.1, "step_y": 0.1}, 0.0),
        ({}, 0.01),
    ],
    ids=["1 um", "20 um", "5 % wild", "sparse", "square raster", "noise in the plan"],
)
def test_the_claim_follows_the_scan(change: dict[str, float], blur: float) -> None:
    parts = [
        errors_of(model, replace(Recipe(seed=seed), **change), seed, blur=blur)  # type: ignore[arg-type]
        for seed, model in enumerate(["ukulele", "electric", "fanned"])
    ]
    every = together(parts)
    assert 0.75 < every.claim_over_error < 1.35
    assert abs(np.mean(every.top)) < 0.3 * np.std(every.top) + 0.0003

"""Stated uncertainty of every reading route, against readings drawn again and again.

Monte Carlo (JCGM 101:2008): a known neck is read with errors drawn from the stated uncertainties,
through the public reading functions; the errors of relief, action, first-fret gap and clearances
are held against what the heights state of them. With the right variance, the sum of n squared
errors over it is chi-square distributed with n degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from evenfall.arrays import FloatArray
from evenfall.measurement import Heights
from readings.drawn_routes import ROUTES, WEIGHTS, Chance, crown_rows, end_rows, smooth_neck, taken

FEW, MANY = 90, 300
"""Draws. Of 300 an uncertainty shows that is off by a fifth; the study of calibration has more."""
DEVIATES = 5.0
"""Standard deviations of chi-square that a sum may be off: one in two million by chance."""


def check(
    drawn: Callable[[Chance], tuple[Heights, FloatArray]],
    draws: int,
    *,
    seed: int = 1,
    conservative: bool = False,
) -> None:
    """Draw heights found and true heights many times; hold the errors against what is stated."""
    chance = np.random.default_rng(seed)
    scores = []
    for _ in range(draws):
        found, truth = drawn(chance)
        error = np.einsum("nkc,kc->n", WEIGHTS, found.height_mm - truth)
        scores.append(error**2 / found.variance(WEIGHTS))
    total = np.sum(scores, axis=0)
    limit = DEVIATES * np.sqrt(2.0 * draws)
    assert np.max(total) - draws < limit, "the uncertainty stated is too small"
    assert conservative or draws - np.min(total) < limit, "the uncertainty stated is too large"


@pytest.mark.slow
def test_the_uncertainty_stated_is_that_of_drawn_readings() -> None:
    check(ROUTES[next(iter(ROUTES))], FEW)


@pytest.mark.slow
@pytest.mark.parametrize("route", ROUTES)
def test_the_uncertainty_stated_is_that_of_readings_on_every_route(route: str) -> None:
    check(ROUTES[route], MANY, seed=2)


@pytest.mark.slow
def test_the_check_sees_what_heights_have_in_common() -> None:
    """Without the shared causes, or with only the total of each height, the same check fails."""

    def apart(chance: Chance) -> tuple[Heights, FloatArray]:
        found, truth = ROUTES["relief and rocking"](chance)
        return replace(found, own_u_mm=found.total_u_mm, shared=()), truth

    with pytest.raises(AssertionError, match="too"):
        check(apart, FEW)


def test_repeats_carry_their_degrees_of_freedom_to_the_heights() -> None:
    """Three repeats each of 60 crowns: 60 (n - 1) = 120, pooled (JCGM 100:2008, 4.2.4, 4.2.6)."""
    neck, chance = smooth_neck(), np.random.default_rng(3)
    rows = [r.replace(",0.01,", ",,") for _ in range(3) for r in crown_rows(neck, chance)]
    found = taken(rows + end_rows(neck, chance)).heights
    np.testing.assert_allclose(found.own_degrees_of_freedom[:, 1:-1], 120.0)
    assert np.isinf(found.own_degrees_of_freedom[:, [0, -1]]).all()
    freedom = found.effective_degrees_of_freedom(WEIGHTS)
    assert (freedom >= 120.0 - 1e-6).all()
    assert np.isfinite(freedom).all()

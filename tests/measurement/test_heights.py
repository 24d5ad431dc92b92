"""Heights: variance and degrees of freedom of weighted sums, against the covariance matrix."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.instrument import string_lines
from evenfall.measurement import Heights, Shared
from evenfall.measurement.causes import Causes
from evenfall.strings.clearance import clearance_weights, open_gap_weights, rest_clearance_mm
from sheets.made_sheets import ukulele

K, F = 4, 15
LINES = string_lines(ukulele())

FloatArray = NDArray[np.float64]


def some_heights(seed: int) -> Heights:
    """Return heights with causes of every kind."""
    chance = np.random.default_rng(seed)
    shape = (K, F + 2)
    return Heights(
        height_mm=chance.normal(0.0, 1.0, shape),
        origin=np.ones(shape, np.int8),
        own_u_mm=chance.uniform(0.0, 0.02, shape),
        own_degrees_of_freedom=chance.uniform(1.0, 9.0, shape),
        shared=(
            Shared("relief-reading", "all", chance.normal(0.0, 0.02, shape), 4.0),
            Shared("action-reading", "string", chance.normal(0.0, 0.02, shape)),
            Shared("board-reading", "fret", chance.normal(0.0, 0.02, shape), 3.0),
        ),
    )


def covariance(heights: Heights) -> FloatArray:
    """Return the covariance matrix of all heights, string by string, written out in full."""
    size = heights.height_mm.size
    string, column = (part.ravel() for part in np.indices(heights.height_mm.shape))
    together = {
        "all": np.ones((size, size), dtype=bool),
        "string": string[:, None] == string,
        "fret": column[:, None] == column,
    }
    total = np.diag(heights.own_u_mm.ravel() ** 2)
    for shared in heights.shared:
        effect = shared.effect_mm.ravel()
        total = total + np.where(together[shared.by], np.outer(effect, effect), 0.0)
    return np.asarray(total)


@draws(30)
@given(st.integers(0, 10_000))
def test_the_variance_is_that_of_the_covariance_matrix(seed: int) -> None:
    """JCGM 100:2008, equation 13, and its matrix form in JCGM 102:2011, 6.2."""
    heights = some_heights(seed)
    weights = np.random.default_rng(seed + 1).normal(size=(3, K, F + 2))
    flat = weights.reshape(3, -1)
    expected = np.einsum("ni,ij,nj->n", flat, covariance(heights), flat)
    np.testing.assert_allclose(heights.variance(weights), expected, rtol=1e-12)
    np.testing.assert_allclose(
        heights.total_u_mm.ravel(), np.sqrt(np.diag(covariance(heights))), rtol=1e-12
    )
    alone = np.zeros_like(weights)
    alone[:, 2] = weights[:, 2]
    np.testing.assert_allclose(heights.variance(weights[:, 2], 2), heights.variance(alone))
    np.testing.assert_allclose(
        heights.effective_degrees_of_freedom(weights[:, 2], 2),
        heights.effective_degrees_of_freedom(alone),
    )


@draws(30)
@given(st.integers(0, 10_000), st.floats(-5.0, 5.0), st.floats(-0.01, 0.01))
def test_a_datum_changes_no_clearance_and_no_uncertainty_of_one(
    seed: int, a: float, b: float
) -> None:
    """A + b x for each string, as a change of the heights and as a cause of uncertainty."""
    heights = some_heights(seed)
    x = np.column_stack([LINES.station_mm, LINES.saddle_station_mm])
    line = (a + b * x) * np.random.default_rng(seed).normal(size=(K, 1))
    moved = heights.at(
        nut_mm=heights.nut_mm + line[:, 0],
        crown_top_mm=heights.crown_top_mm + line[:, 1:-1],
        saddle_mm=heights.saddle_mm + line[:, -1],
    ).sharing(Shared("datum", "string", line), Shared("datum", "all", line))
    before, after = (
        rest_clearance_mm(LINES, h.nut_mm, h.crown_top_mm, h.saddle_mm) for h in (heights, moved)
    )
    np.testing.assert_allclose(after, before, atol=1e-9)
    for k, weights in enumerate(clearance_weights(LINES)):
        np.testing.assert_allclose(moved.variance(weights, k), heights.variance(weights, k))
    for k, gap in enumerate(open_gap_weights(LINES, 12)):
        np.testing.assert_allclose(moved.variance(gap, k), heights.variance(gap, k))


def test_clearances_are_the_weighted_sums_that_their_weights_say() -> None:
    heights = some_heights(3)
    clear = rest_clearance_mm(LINES, heights.nut_mm, heights.crown_top_mm, heights.saddle_mm)
    sums = np.einsum("kijc,kc->kij", clearance_weights(LINES), heights.height_mm)
    free = np.isfinite(clear)
    np.testing.assert_allclose(sums[free], clear[free])


def test_degrees_of_freedom_follow_welch_and_satterthwaite() -> None:
    """JCGM 100:2008, H.1.6 in its form: u_c⁴ / sum(u_i⁴ / nu_i), worked by hand for two causes."""
    heights = Heights.independent(
        nut_mm=[0.0], crown_top_mm=[[0.0, 0.0]], saddle_mm=[0.0], nut_u_mm=0.03
    ).sharing(Shared("relief-reading", "all", np.array([[0.0, 0.02, 0.02, 0.0]]), 5.0))
    weights = np.array([[1.0, 1.0, 1.0, 0.0]])  # the two crowns share 0.04
    expected = (0.03**2 + 0.04**2) ** 2 / (0.04**4 / 5.0)
    assert float(heights.effective_degrees_of_freedom(weights)) == pytest.approx(expected)
    nut = np.array([[1.0, 0.0, 0.0, 0.0]])
    assert math.isinf(float(heights.effective_degrees_of_freedom(nut)))
    assert float(heights.u_mm(np.array([[0.0, 1.0, -1.0, 0.0]]))) == 0.0


def test_what_goes_by_a_missing_height_has_no_variance() -> None:
    heights = some_heights(1)
    kept = np.ones((K, F + 2), dtype=bool)
    kept[1, 4] = False
    left = heights.only(kept)
    weights = np.zeros((2, K, F + 2))
    weights[0, 1, 4] = weights[1, 1, 5] = 1.0
    gone, there = left.variance(weights)
    assert np.isnan(gone)
    assert there == heights.variance(weights)[1]
    assert np.isnan(left.effective_degrees_of_freedom(weights)[0])


@draws(30)
@given(st.integers(0, 10_000))
def test_causes_come_back_as_the_same_covariance(seed: int) -> None:
    heights = some_heights(seed)
    again = Causes.of(heights).heights(heights.height_mm, heights.origin)
    np.testing.assert_allclose(covariance(again), covariance(heights), atol=1e-15)
    assert len(again.shared) == len(heights.shared)
    weights = np.random.default_rng(seed).normal(size=(K, F + 2))
    np.testing.assert_allclose(
        again.effective_degrees_of_freedom(weights), heights.effective_degrees_of_freedom(weights)
    )


def test_a_height_that_follows_from_others_has_their_causes() -> None:
    """z3 = 2 z1 - z2: covariance by J C Jᵀ (JCGM 102:2011, 6.2)."""
    causes = Causes(1, 5)
    for column, u in ((1, 0.01), (2, 0.02)):
        causes.add(column, "crown-top-reading", (0, column), u)
    weights = np.zeros((1, 7))
    weights[0, [1, 2]] = 2.0, -1.0
    causes.derive((0, 3), weights)
    causes.add("more", "interpolation", (0, 3), 0.005, 3.0)
    height = np.full((1, 7), np.nan)
    height[0, 1:4] = 0.0
    found = covariance(causes.heights(np.nan_to_num(height), np.ones((1, 7), np.int8)))
    made = np.zeros((7, 2))
    made[1, 0], made[2, 1], made[3] = 1.0, 1.0, (2.0, -1.0)
    expected = made @ np.diag([0.01**2, 0.02**2]) @ made.T
    expected[3, 3] += 0.005**2
    np.testing.assert_allclose(found, expected, atol=1e-18)


def test_heights_are_equal_by_content_and_cannot_be_written_to() -> None:
    one, other = some_heights(1), some_heights(1)
    assert one == other
    assert hash(one) == hash(other)
    assert one != some_heights(2)
    assert one.sharing(Shared("datum", "all", np.ones((K, F + 2)))) != one
    with pytest.raises(ValueError, match="read-only"):
        one.crown_top_mm[0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        one.shared[0].effect_mm[0, 0] = 1.0

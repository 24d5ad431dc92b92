"""The default bow: what a millimetre of relief is, and the relief of a profile."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.instrument import string_lines
from evenfall.instrument.geometry import fret_distance_mm
from evenfall.measurement import Heights
from evenfall.neck import default_bow
from levelling.necks import SCALES, Wishes, specification

FloatArray = NDArray[np.float64]

instruments = st.builds(
    Wishes,
    strings=st.sampled_from([3, 6]),
    frets=st.sampled_from([12, 19, 22, 24]),
    scale=st.sampled_from(SCALES),
    joint=st.sampled_from([None, 8.0, 12.0, 10.5]),
)


def under_straightedge_mm(station: FloatArray, height: FloatArray) -> FloatArray:
    """Return the gaps under a straightedge on fret 1 and the last fret."""
    share = (station - station[0]) / (station[-1] - station[0])
    return np.asarray((1.0 - share) * height[0] + share * height[-1] - height)


@draws(30)
@given(instruments)
def test_a_bow_of_one_shows_a_gap_of_one_millimetre(wishes: Wishes) -> None:
    """Relief is the deepest gap under a straightedge on fret 1 and the last fret.

    That is how the trade reads it (common practice, no source). The deepest place of the curve
    lies between two frets: over the frets alone the gap is a little less.
    """
    spec = specification(wishes)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    for k in range(spec.string_count):
        x = lines.station_mm[k, 1:]
        gaps = under_straightedge_mm(x, bow.frets[k])
        assert 0.985 < gaps.max() <= 1.0 + 1e-12
        assert (gaps >= -1e-12).all()  # hollow everywhere
        # the whole curve, from its own curvature: 1 at its deepest
        fine = np.linspace(x[0], x[-1], 20001)
        joint = float(fret_distance_mm(1.0, spec.board.joint_fret)) * spec.strings[k].scale_mm
        raised = np.maximum(0.0, joint - fine) ** 2
        deepest = under_straightedge_mm(fine, raised).max()
        own = under_straightedge_mm(x, np.maximum(0.0, joint - x) ** 2)
        np.testing.assert_allclose(gaps, own / deepest, rtol=0.0, atol=1e-6)


def test_even_curvature_over_the_whole_board_is_a_parabola() -> None:
    """M l^2 / (8 E I): half the span gives the full sag, a quarter three fourths of it."""
    spec = specification(Wishes(frets=24))
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    x = lines.station_mm[0, 1:]
    share = (x - x[0]) / (x[-1] - x[0])
    gaps = under_straightedge_mm(x, bow.frets[0])
    np.testing.assert_allclose(gaps, 4.0 * share * (1.0 - share), rtol=0.0, atol=1e-12)


def test_past_the_joint_the_neck_is_straight() -> None:
    spec = specification(Wishes(frets=22, joint=14.0))
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    beyond = slice(13, None)  # frets 14 and up
    x, z = lines.station_mm[0, 1:][beyond], bow.frets[0][beyond]
    np.testing.assert_allclose(np.diff(z) / np.diff(x), (z[-1] - z[0]) / (x[-1] - x[0]))


@draws(30)
@given(instruments, st.floats(-0.4, 0.8), st.integers(0, 2**32 - 1))
def test_the_relief_of_a_bowed_neck_is_what_was_put_in(
    wishes: Wishes, relief_mm: float, seed: int
) -> None:
    """Whatever straight line each string's heights stand on."""
    spec = specification(wishes)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    chance = np.random.default_rng(seed)
    lift, slope = chance.normal(0.0, 5.0, spec.string_count), chance.normal(0.0, 0.02, 1)
    heights = relief_mm * bow.frets + lift[:, None] + slope * lines.station_mm[:, 1:]
    assert bow.relief_mm(heights) == pytest.approx(relief_mm, abs=1e-9)


def test_nut_and_saddle_stay_where_they_are() -> None:
    """The bow is taken over the line from nut to saddle: it lowers every crown."""
    spec = specification(Wishes(frets=22))
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    assert (bow.frets < 0.0).all()
    # over the first frets the crowns hardly move, and the same curve runs through the nut
    x = np.append(0.0, lines.station_mm[0, 1:])
    z = np.append(0.0, bow.frets[0])
    second = np.diff(np.diff(z) / np.diff(x)) / (0.5 * (x[2:] - x[:-2]))
    np.testing.assert_allclose(second, second[0], rtol=1e-6)


def test_the_uncertainty_of_the_relief_is_that_of_many_readings() -> None:
    """Standard deviation over drawn readings (GUM law of propagation, Monte Carlo)."""
    spec = specification(Wishes(strings=4, frets=14))
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    chance = np.random.default_rng(5)
    u = chance.uniform(0.002, 0.02, (4, 14))
    drawn = [
        bow.relief_mm(0.2 * bow.frets + u * chance.standard_normal(u.shape)) for _ in range(4000)
    ]
    read = Heights.independent(
        nut_mm=0.0, crown_top_mm=0.2 * bow.frets, saddle_mm=0.0, crown_top_u_mm=u
    )
    assert np.mean(drawn) == pytest.approx(0.2, abs=4.0 * bow.relief_u_mm(read) / np.sqrt(4000.0))
    assert np.std(drawn) == pytest.approx(bow.relief_u_mm(read), rel=0.05)

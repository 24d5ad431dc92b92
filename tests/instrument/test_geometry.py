"""Fret places and string lines: against published tables, and in the plane."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import string_lines
from evenfall.instrument.geometry import board_drop_mm, fret_distance_mm, string_scale_mm
from evenfall.units import pitch_frequency_hz
from levelling.necks import Wishes, specification

# Distance from nut to fret [mm], 12-tone equal temperament, by scale length [mm]; worked out
# apart from this program (L (1 - 2^(-n/12)) to three digits).
PLACES = {
    650.0: {1: 36.482, 2: 70.916, 3: 103.417, 5: 163.050, 7: 216.177, 9: 263.508, 12: 325.000}
    | {15: 376.709, 17: 406.525, 19: 433.089, 22: 467.600, 24: 487.500},
    647.7: {1: 36.353, 2: 70.665, 3: 103.051, 5: 162.473, 7: 215.412, 9: 262.575, 12: 323.850}
    | {15: 375.376, 17: 405.087, 19: 431.556, 22: 465.945, 24: 485.775},
    628.65: {1: 35.283, 2: 68.587, 3: 100.020, 5: 157.695, 7: 209.076, 9: 254.852, 12: 314.325}
    | {15: 364.335, 17: 393.172, 19: 418.863, 22: 452.241},
    863.6: {1: 48.470, 2: 94.220, 3: 137.402, 5: 216.631, 7: 287.216, 9: 350.100, 12: 431.800}
    | {15: 500.501, 17: 540.116, 19: 575.408, 22: 621.260},
}


@pytest.mark.parametrize(
    ("scale_mm", "fret", "place_mm"),
    [(scale, fret, place) for scale, table in PLACES.items() for fret, place in table.items()],
)
def test_frets_stand_in_equal_temperament(scale_mm: float, fret: int, place_mm: float) -> None:
    assert float(fret_distance_mm(scale_mm, fret)) == pytest.approx(place_mm, abs=6e-4)


def test_the_divisor_of_the_workshop_tables() -> None:
    """Each fret takes 1/17.817 of what is left: G. Byers, American Lutherie 47 (1996)."""
    left = 650.0 - fret_distance_mm(650.0, np.arange(25.0))
    np.testing.assert_allclose(-np.diff(left), left[:-1] / 17.817, rtol=2e-5)
    np.testing.assert_allclose(1.0 / (1.0 - 2.0 ** (-1.0 / 12.0)), 17.81715, rtol=1e-6)


@draws(50)
@given(st.floats(200.0, 1500.0), st.integers(0, 36))
def test_twelve_frets_halve_what_is_left(scale_mm: float, fret: int) -> None:
    here = scale_mm - float(fret_distance_mm(scale_mm, fret))
    octave = scale_mm - float(fret_distance_mm(scale_mm, fret + 12))
    assert octave == pytest.approx(0.5 * here, rel=1e-12)


# Octaves of A4 = 440 Hz exactly, the others the standard table of equal temperament on it
# (ISO 16:1975 fixes the 440 Hz; the rest follows by the twelfth root of two).
@pytest.mark.parametrize(
    ("pitch", "hertz"),
    [
        ("A4", 440.0),
        ("A2", 110.0),
        ("A0", 27.5),
        ("E4", 329.628),
        ("B3", 246.942),
        ("G3", 195.998),
        ("D3", 146.832),
        ("E2", 82.407),
        ("C4", 261.626),
        ("B0", 30.868),
        ("F#1", 46.249),
        ("Gb1", 46.249),
    ],
)
def test_pitches_stand_on_440_hertz(pitch: str, hertz: float) -> None:
    assert pitch_frequency_hz(pitch) == pytest.approx(hertz, abs=6e-4)


def test_a_semitone_is_the_twelfth_root_of_two() -> None:
    names = ["C4", "C#4", "D4", "Eb4", "E4", "F4", "F#4", "G4", "Ab4", "A4", "Bb4", "B4", "C5"]
    ratios = [pitch_frequency_hz(b) / pitch_frequency_hz(a) for a, b in itertools.pairwise(names)]
    np.testing.assert_allclose(ratios, 2.0 ** (1.0 / 12.0), rtol=1e-12)


# ---- in the plane -------------------------------------------------------------------------------

FANS = [
    "bass = 685.8; treble = 660.4; square_fret = 7",
    "bass = 685.8; treble = 660.4; square_fret = 0",
    "bass = 889.0; treble = 838.2; square_fret = 3.5",
    "bass = 650.0; treble = 680.0; square_fret = 12",
]


@pytest.mark.parametrize("scale", ["length = 648.0", *FANS])
@pytest.mark.parametrize("strings", [3, 6, 7])
def test_every_fret_is_straight(scale: str, strings: int) -> None:
    lines = string_lines(specification(Wishes(strings=strings, frets=24, scale=scale)))
    for j in range(25):
        x, y = lines.x_mm[:, j], lines.y_mm[:, j]
        # the crossings of one fret lie on the line through its outer two
        share = (y - y[0]) / (y[-1] - y[0])
        np.testing.assert_allclose(x, (1.0 - share) * x[0] + share * x[-1], rtol=0.0, atol=1e-9)


@pytest.mark.parametrize("strings", [3, 6])
def test_the_square_fret_stands_square(strings: int) -> None:
    for fret in (0, 5, 7, 12):
        scale = f"bass = 685.8; treble = 660.4; square_fret = {fret}"
        lines = string_lines(specification(Wishes(strings=strings, frets=22, scale=scale)))
        np.testing.assert_allclose(lines.x_mm[:, fret], lines.x_mm[0, fret], rtol=0.0, atol=1e-9)
        fan = np.ptp(lines.x_mm, axis=0)
        assert (np.delete(fan, fret) > 0.1).all()  # every other fret leans
    straight = string_lines(specification(Wishes(strings=strings, frets=22)))
    np.testing.assert_allclose(np.ptp(straight.x_mm, axis=0), 0.0, atol=1e-12)


@pytest.mark.parametrize("scale", FANS)
def test_the_bass_side_of_the_nut_lies_back_by_what_its_scale_is_longer(scale: str) -> None:
    """The square fret has the same x on both sides: the nuts differ by the difference to there."""
    spec = specification(Wishes(strings=6, frets=22, scale=scale))
    lines = string_lines(spec)
    share = float(fret_distance_mm(1.0, spec.scale.square_fret))
    back = share * (spec.scale.bass_mm - spec.scale.treble_mm)
    assert lines.x_mm[0, 0] - lines.x_mm[-1, 0] == pytest.approx(back, abs=1e-9)


@pytest.mark.parametrize("scale", ["length = 648.0", *FANS[:3]])
@pytest.mark.parametrize("strings", [3, 6])
def test_counting_from_the_other_side_mirrors_the_neck(scale: str, strings: int) -> None:
    one = string_lines(specification(Wishes(strings=strings, frets=22, scale=scale)))
    two = string_lines(specification(Wishes(strings=strings, frets=22, scale=scale, reversed=True)))
    np.testing.assert_allclose(two.station_mm, one.station_mm[::-1], rtol=0.0, atol=1e-9)
    np.testing.assert_allclose(two.x_mm, one.x_mm[::-1], rtol=0.0, atol=1e-9)
    np.testing.assert_allclose(two.y_mm, -one.y_mm[::-1], rtol=0.0, atol=1e-9)
    np.testing.assert_allclose(two.saddle_y_mm, -one.saddle_y_mm[::-1], rtol=0.0, atol=1e-9)


@pytest.mark.parametrize("scale", ["length = 648.0", *FANS])
def test_every_fret_cuts_off_the_same_share_of_every_string(scale: str) -> None:
    """Fret n leaves 2^(-n/12) of each string's own scale, fanned or not; setback not counted."""
    spec = specification(Wishes(strings=6, frets=24, scale=scale))
    lines = string_lines(spec)
    scales = np.array([string.scale_mm for string in spec.strings])
    left = 1.0 - lines.station_mm / scales[:, None]
    np.testing.assert_allclose(left, np.tile(2.0 ** (-np.arange(25) / 12.0), (6, 1)), rtol=1e-12)
    assert left[:, 12] == pytest.approx(float(Fraction(1, 2)))
    assert left[:, 24] == pytest.approx(float(Fraction(1, 4)))
    setback = np.array([string.saddle_setback_mm for string in spec.strings])
    np.testing.assert_allclose(lines.saddle_station_mm, scales + setback)


def test_scales_between_the_outer_strings_go_by_even_steps() -> None:
    scales = [string_scale_mm(660.4, 685.8, index, 6) for index in range(6)]
    np.testing.assert_allclose(np.diff(scales), 25.4 / 5.0)
    assert (scales[0], scales[-1]) == (660.4, 685.8)


def test_strings_share_the_spread_evenly_and_run_straight() -> None:
    spec = specification(Wishes(strings=6, frets=22, scale=FANS[0]))
    lines = string_lines(spec)
    nut = lines.y_mm[:, 0]
    np.testing.assert_allclose(np.diff(nut), -spec.board.string_spread_nut_mm / 5.0)
    for k in range(6):
        x = np.append(lines.x_mm[k], lines.saddle_x_mm[k])
        y = np.append(lines.y_mm[k], lines.saddle_y_mm[k])
        np.testing.assert_allclose(
            np.diff(y) / np.diff(x), (y[-1] - y[0]) / (x[-1] - x[0]), rtol=1e-9
        )
    # at the scale line the strings have their bridge spread, compensation set aside
    slope = (lines.saddle_y_mm - nut) / lines.saddle_station_mm
    scales = np.array([string.scale_mm for string in spec.strings])
    at_scale = nut + slope * scales
    assert at_scale[0] - at_scale[-1] == pytest.approx(spec.board.string_spread_saddle_mm)


# ---- the board's radius -------------------------------------------------------------------------


def test_the_drop_of_a_round_board_is_the_sagitta() -> None:
    """R - sqrt(R^2 - y^2): 0.6386 mm at y = 18 mm on R = 254 mm."""
    spec = specification(Wishes(strings=6, frets=22))
    lines = string_lines(spec)
    drop = board_drop_mm(spec, lines)
    along = lines.x_mm / lines.x_mm[:, -1:]
    radius = 254.0 + (305.0 - 254.0) * along
    np.testing.assert_allclose(drop, radius - np.sqrt(radius**2 - lines.y_mm**2), rtol=1e-9)
    assert drop[0, 0] == pytest.approx(254.0 - np.sqrt(254.0**2 - 18.0**2), rel=1e-12)
    assert drop[0, 0] == pytest.approx(0.6386, abs=1e-4)

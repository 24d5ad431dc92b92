"""String modes against published formulas and a solution by the 4 x 4 determinant of the ends.

The check values are those of an independent program (bracketed roots of the determinant, null
vector, quadrature; SciPy), kept to eight digits.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from evenfall.strings.modes import (
    PluckedString,
    pluck_compliance_mm_per_n,
    string_modes,
    wave_numbers_per_mm,
)
from strings.made_strings import STRINGS, stations, stopped

INF = math.inf


@pytest.mark.parametrize(
    ("fret", "ends", "ratios"),
    [
        (0, (1.0, 1.0), (1.00329886, 2.00659487, 5.01643762, 20.06241857)),
        (0, (INF, 0.0), (1.00329903, 2.00659629, 5.01645974, 20.06374009)),
        (0, (INF, 1.0), (1.00495664, 2.00991006, 5.02471900, 20.09508768)),
        (0, (INF, INF), (1.00661991, 2.01323621, 5.03302772, 20.12786033)),
        (12, (1.0, 1.0), (1.00659322, 2.01316369, 5.03251718, 20.10764294)),
        (12, (INF, 0.0), (1.00659464, 2.01317506, 5.03269208, 20.11633199)),
        (12, (INF, 1.0), (1.00992394, 2.01982195, 5.04910750, 20.17050489)),
        (12, (INF, INF), (1.01327678, 2.02652435, 5.06580675, 20.23372039)),
    ],
)
def test_wave_numbers(
    fret: int, ends: tuple[float, float], ratios: tuple[float, float, float, float]
) -> None:
    string = stopped("G3", fret, ends=ends)
    k2 = wave_numbers_per_mm(string, 20)[0]
    found = k2[[0, 1, 4, 19]] * string.length_mm / math.pi
    assert found == pytest.approx(ratios, abs=1e-8)


@pytest.mark.parametrize(("ends", "shift"), [((INF, INF), 2.0), ((INF, 0.0), 1.0)])
def test_frequencies_of_clamped_ends(ends: tuple[float, float], shift: float) -> None:
    """Fletcher (J. Acoust. Soc. Am. 36 (1964) 203): to the second order of delta / l."""
    string = stopped("G3", 0, ends=ends)
    order = np.arange(1.0, 6.0)
    modes = string_modes(string, np.zeros(0), 5)
    ideal = (
        order
        * math.pi
        / string.length_mm
        * math.sqrt(string.tension_n / string.density_n_s2_per_mm2)
    )
    eps = string.stiff_length_mm / string.length_mm
    second = {2.0: 4.0, 1.0: 1.0}[shift] + 0.5 * (math.pi * order) ** 2
    published = 1.0 + shift * eps + second * eps**2
    cents = 1200.0 * np.log2(modes.angular_per_s / ideal / published)
    assert np.abs(cents).max() < {2.0: 0.14, 1.0: 0.06}[shift]


def test_the_ends_that_run_on_shift_the_pitch_as_one_clamped_end() -> None:
    running, mixed = (
        string_modes(stopped("E4", 0, ends=ends), np.zeros(0), 3).angular_per_s
        for ends in ((1.0, 1.0), (INF, 0.0))
    )
    assert 1200.0 * np.log2(running / mixed) == pytest.approx([0.0, 0.0, 0.0], abs=0.01)


@pytest.mark.parametrize(
    ("name", "fret", "t60_s"),
    [
        ("E4", 0, (7.190, 2.024, 1.090, 0.559)),
        ("B3", 0, (10.262, 2.771, 1.455, 0.697)),
        ("G3", 0, (13.966, 3.566, 1.779, 0.739)),
        ("D3", 0, (19.864, 4.918, 2.483, 1.094)),
        ("A2", 0, (28.237, 6.684, 3.250, 1.301)),
        ("E2", 0, (38.684, 8.927, 4.199, 1.543)),
        ("E4", 12, (4.311, 1.091, 0.559, 0.257)),
        ("G3", 12, (8.014, 1.780, 0.739, 0.208)),
        ("E2", 12, (21.183, 4.206, 1.547, 0.366)),
    ],
)
def test_decay_times(name: str, fret: int, t60_s: tuple[float, ...]) -> None:
    decay = string_modes(stopped(name, fret), np.zeros(0), 20).decay_per_s[[0, 4, 9, 19]]
    assert math.log(1000.0) / decay == pytest.approx(t60_s, rel=1e-3, abs=5e-4)


@pytest.fixture(scope="module")
def quadrature() -> tuple[np.ndarray, np.ndarray]:
    """Return points in (-1, 1) and their weights; they take longer than what they are used for."""
    share, weight = np.polynomial.legendre.leggauss(800)
    return share, weight


@pytest.mark.parametrize("ends", [(1.0, 1.0), (INF, 0.0), (INF, 1.0), (0.0, 0.0)])
@pytest.mark.parametrize("name", ["E4", "G3", "E2"])
def test_modes_are_orthogonal_and_their_masses_are_right(
    name: str, ends: tuple[float, float], quadrature: tuple[np.ndarray, np.ndarray]
) -> None:
    """The integral of phi_m phi_n, by quadrature on points crowded at the ends."""
    string = stopped(name, 7, ends=ends)
    share, weight = quadrature
    angle = 0.5 * math.pi * share  # crowds the points at both ends
    x = 0.5 * string.length_mm * (1.0 + np.sin(angle))
    dx = 0.5 * string.length_mm * np.cos(angle) * 0.5 * math.pi * weight
    modes = string_modes(string, x, 12)
    product = (modes.shape_fraction.T * dx) @ modes.shape_fraction
    mass = modes.mass_n_s2_per_mm / string.density_n_s2_per_mm2
    assert np.diag(product) == pytest.approx(mass, rel=1e-9)
    assert np.abs(product - np.diag(np.diag(product))).max() < 1e-9 * mass.min()


@pytest.mark.parametrize(
    ("name", "fret", "ends", "width_mm", "mm_per_n"),
    [
        ("G3", 0, (1.0, 1.0), 0.0, 1.367092),
        ("G3", 0, (1.0, 1.0), 2.0, 1.366626),
        ("G3", 0, (INF, 0.0), 2.0, 1.375214),
        ("G3", 0, (0.0, 0.0), 2.0, 1.376361),
        ("G3", 12, (1.0, 1.0), 0.0, 1.024248),
        ("G3", 12, (1.0, 1.0), 2.0, 1.023782),
        ("E2", 20, (1.0, 1.0), 0.0, 0.641161),
        ("E2", 20, (1.0, 1.0), 2.0, 0.640655),
    ],
)
def test_the_static_displacement_at_the_pluck(
    name: str, fret: int, ends: tuple[float, float], width_mm: float, mm_per_n: float
) -> None:
    string = stopped(name, fret, ends=ends, width_mm=width_mm)
    assert pluck_compliance_mm_per_n(string) == pytest.approx(mm_per_n, abs=1e-6)


def test_the_static_displacement_is_the_sum_of_the_modes() -> None:
    string = stopped("G3", 12)
    at = np.array([string.length_mm - string.pluck_distance_mm])
    modes = string_modes(string, at, 4000)
    total = float(modes.shape_fraction[0] @ modes.amplitude_mm_per_n)
    assert pluck_compliance_mm_per_n(string) == pytest.approx(total, rel=1e-9)


def test_an_ideal_string_has_harmonic_modes_and_a_triangle() -> None:
    values = {key: value for key, value in STRINGS["E4"].items() if key != "loss"}
    values["bending_stiffness_n_mm2"] = 0.0
    plain = stopped("E4", 0)
    string = PluckedString(
        **values, pluck_distance_mm=130.0, pluck_width_mm=0.0, damping=plain.damping
    )
    modes = string_modes(string, np.array(stations(0)), 8)
    assert modes.angular_per_s / modes.angular_per_s[0] == pytest.approx(np.arange(1, 9))
    length = string.length_mm
    triangle = 130.0 * (length - 130.0) / length / string.tension_n
    assert pluck_compliance_mm_per_n(string) == pytest.approx(triangle, rel=1e-12)

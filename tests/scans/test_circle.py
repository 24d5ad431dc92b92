"""Circle fits against published points and a general solver."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import least_squares

from draws import draws
from evenfall.scans.arcs import fit_arcs

FloatArray = NDArray[np.float64]
AUTHORITY = Path(__file__).parents[1] / "authorities" / "circles.toml"
CASES = tomllib.loads(AUTHORITY.read_text(encoding="utf-8"))


def fitted(
    x: FloatArray,
    z: FloatArray,
    starts: FloatArray | None = None,
    *,
    along: FloatArray | None = None,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return centre, radius and slope along of each arc, nothing held, from a start about it."""
    first = np.zeros(1, dtype=np.intp) if starts is None else starts
    ends = np.append(first, len(x))
    start = [
        (x[a:b].mean(), z[a:b].mean(), np.hypot(np.ptp(x[a:b]), np.ptp(z[a:b])) / 2.0, 0.0)
        for a, b in pairwise(ends)
    ]
    parameters = np.array(start)
    level = np.zeros_like(x) if along is None else along
    fits = fit_arcs(
        x, z, level, first, parameters, hold_parameters=(parameters, np.zeros(4)), weight=weight,
        tolerance_mm=1e-13, most_steps=300,
    )  # fmt: skip
    return fits.parameters if starts is not None else fits.parameters[0]


@pytest.mark.parametrize("case", CASES)
def test_published_points(case: str) -> None:
    known = CASES[case]
    x, z = np.array(known["x"], dtype=float), np.array(known["z"], dtype=float)
    centre_x, centre_z, radius, _ = fitted(x, z)
    within = known["tolerance"]
    assert centre_x == pytest.approx(known["centre_x"], abs=within)
    assert centre_z == pytest.approx(known["centre_z"], abs=within)
    assert radius == pytest.approx(known["radius"], abs=within)
    # the algebraic fits of the same points are other circles
    for other in known["not_radius"]:
        assert abs(radius - other) > 1e-4


def test_points_on_a_circle_give_it_back() -> None:
    angle = np.linspace(0.2, 2.9, 25)
    found = fitted(3.0 + 1.2 * np.cos(angle), -7.0 + 1.2 * np.sin(angle))
    assert found == pytest.approx([3.0, -7.0, 1.2, 0.0], abs=1e-12)


def crown(seed: int, *, count: int = 60) -> tuple[FloatArray, FloatArray]:
    """Return points on the upper part of a crown of 1.2 mm radius with 5 µm noise."""
    rng = np.random.default_rng(seed)
    angle = rng.uniform(0.8, np.pi - 0.8, count)
    x = 5.0 + 1.2 * np.cos(angle) + rng.normal(0.0, 0.005, count)
    z = 2.0 + 1.2 * np.sin(angle) + rng.normal(0.0, 0.005, count)
    return x, z


@pytest.mark.parametrize("seed", range(5))
def test_least_squares_agree_with_a_general_solver(seed: int) -> None:
    x, z = crown(seed)
    along = np.random.default_rng(seed + 100).uniform(-0.25, 0.25, len(x))
    z = z + 0.03 * along
    solved = least_squares(
        lambda p: np.hypot(x - p[0], z - p[3] * along - p[1]) - p[2],
        [5.0, 2.0, 1.2, 0.0],
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    assert fitted(x, z, along=along) == pytest.approx(solved.x, abs=1e-7)  # 0.1 nm


def test_weights_count_like_repeated_points() -> None:
    x, z = crown(1, count=12)
    weighted = fitted(x, z, weight=np.array([3.0] + [1.0] * 11))
    repeated = fitted(np.append(x, [x[0]] * 2), np.append(z, [z[0]] * 2))
    assert weighted == pytest.approx(repeated, abs=1e-10)


@given(
    turn=st.floats(0.0, 6.28),
    size=st.floats(1e-3, 1e3),
    shift=st.floats(-1e3, 1e3),
    seed=st.integers(0, 50),
)
@draws(50)
def test_the_fit_moves_turns_and_grows_with_the_points(
    turn: float, size: float, shift: float, seed: int
) -> None:
    x, z = crown(seed)
    centre_x, centre_z, radius, _ = fitted(x, z)
    moved_x = size * (x * np.cos(turn) - z * np.sin(turn)) + shift
    moved_z = size * (x * np.sin(turn) + z * np.cos(turn)) - shift
    moved = fitted(moved_x, moved_z)
    room = 1e-7 * size + 1e-9 * abs(shift)
    assert moved[2] == pytest.approx(size * radius, abs=room)
    at = size * (centre_x * np.cos(turn) - centre_z * np.sin(turn)) + shift
    assert moved[0] == pytest.approx(at, abs=room)


def test_many_arcs_at_once_are_the_same_as_one_by_one() -> None:
    parts = [crown(seed, count=20 + seed) for seed in range(12)]
    x, z = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
    starts = np.cumsum([0] + [len(part[0]) for part in parts[:-1]])
    for row, part in zip(fitted(x, z, starts), parts, strict=True):
        assert row == pytest.approx(fitted(*part), abs=1e-8)

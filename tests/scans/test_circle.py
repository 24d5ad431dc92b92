"""Circle fits against published points and a general solver."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import least_squares

from draws import draws
from evenfall.errors import ReadingsError
from evenfall.scans import fit_circle
from evenfall.scans.arcs import TUNING, fit_arcs

FloatArray = NDArray[np.float64]
AUTHORITY = Path(__file__).parents[1] / "authorities" / "circles.toml"
CASES = tomllib.loads(AUTHORITY.read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", CASES)
def test_published_points(case: str) -> None:
    known = CASES[case]
    x, z = np.array(known["x"], dtype=float), np.array(known["z"], dtype=float)
    fit = fit_circle(x, z)
    within = known["tolerance"]
    assert fit.centre_x_mm == pytest.approx(known["centre_x"], abs=within)
    assert fit.centre_z_mm == pytest.approx(known["centre_z"], abs=within)
    assert fit.radius_mm == pytest.approx(known["radius"], abs=within)
    # the algebraic fits of the same points are other circles
    for other in known["not_radius"]:
        assert abs(fit.radius_mm - other) > 1e-4


def test_nist_like_exact_circle_has_no_residual() -> None:
    angle = np.linspace(0.2, 2.9, 25)
    fit = fit_circle(3.0 + 1.2 * np.cos(angle), -7.0 + 1.2 * np.sin(angle))
    assert fit.top_mm == pytest.approx(-5.8, abs=1e-12)
    assert fit.spread_mm < 1e-12
    assert fit.top_u_mm < 1e-12


def crown(seed: int, *, wild: int = 0, count: int = 60) -> tuple[FloatArray, FloatArray]:
    """Return points on the upper part of a crown of 1.2 mm radius with 5 µm noise."""
    rng = np.random.default_rng(seed)
    angle = rng.uniform(0.8, np.pi - 0.8, count)
    x = 5.0 + 1.2 * np.cos(angle) + rng.normal(0.0, 0.005, count)
    z = 2.0 + 1.2 * np.sin(angle) + rng.normal(0.0, 0.005, count)
    z[:wild] += rng.uniform(0.1, 0.5, wild)
    return x, z


def tukey_loss(square: FloatArray) -> FloatArray:
    """Return Tukey's loss and its first two derivatives in the squared scaled residual."""
    u = np.minimum(square, 1.0)
    inside = square < 1.0
    return np.stack(
        [
            (1.0 - (1.0 - u) ** 3) / 3.0,
            np.where(inside, (1.0 - u) ** 2, 0.0),
            np.where(inside, -2.0 * (1.0 - u), 0.0),
        ]
    )


@pytest.mark.parametrize("robust", [None, "huber", "tukey"])
@pytest.mark.parametrize("seed", range(5))
def test_least_squares_and_robust_fits_agree_with_a_general_solver(
    robust: str | None, seed: int
) -> None:
    x, z = crown(seed, wild=4 if robust else 0)
    fit = fit_circle(x, z, robust=robust, spread_mm=0.005)  # type: ignore[arg-type]
    loss = {"huber": "huber", "tukey": tukey_loss}.get(robust or "", "linear")
    solved = least_squares(
        lambda p: np.hypot(x - p[0], z - p[1]) - p[2],
        [5.0, 2.0, 1.2],
        loss=loss,
        f_scale=0.005 * TUNING[robust] if robust else 1.0,
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    found = np.array([fit.centre_x_mm, fit.centre_z_mm, fit.radius_mm])
    assert found == pytest.approx(solved.x, abs=1e-7)  # 0.1 nm


def test_weights_count_like_repeated_points() -> None:
    x, z = crown(1, count=12)
    weights = np.array([3.0] + [1.0] * 11)
    weighted = fit_circle(x, z, weights=weights)
    repeated = fit_circle(np.append(x, [x[0]] * 2), np.append(z, [z[0]] * 2))
    assert weighted.radius_mm == pytest.approx(repeated.radius_mm, abs=1e-10)


@pytest.mark.slow
@pytest.mark.parametrize(
    "robust",
    [None, *(pytest.param(name, marks=pytest.mark.slow) for name in ("huber", "tukey"))],
)
def test_the_claimed_uncertainty_of_the_top_is_the_scatter_seen(robust: str | None) -> None:
    fits = [
        fit_circle(*crown(seed, wild=2 if robust else 0), robust=robust)  # type: ignore[arg-type]
        for seed in range(100)
    ]
    error = np.array([fit.top_mm - 3.2 for fit in fits])
    claim = np.sqrt(np.mean([fit.top_u_mm**2 for fit in fits]))
    # 100 trials tell a standard deviation to 7 %; robust fits scatter a little more
    assert 0.8 < claim / np.sqrt(np.mean(error**2)) < 1.25


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
    plain = fit_circle(x, z)
    moved_x = size * (x * np.cos(turn) - z * np.sin(turn)) + shift
    moved_z = size * (x * np.sin(turn) + z * np.cos(turn)) - shift
    moved = fit_circle(moved_x, moved_z)
    room = 1e-7 * size + 1e-9 * abs(shift)
    assert moved.radius_mm == pytest.approx(size * plain.radius_mm, abs=room)
    centre_x = size * (plain.centre_x_mm * np.cos(turn) - plain.centre_z_mm * np.sin(turn)) + shift
    assert moved.centre_x_mm == pytest.approx(centre_x, abs=room)


def test_many_arcs_at_once_are_the_same_as_one_by_one() -> None:
    parts = [crown(seed, count=20 + seed) for seed in range(12)]
    x, z = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
    starts = np.cumsum([0] + [len(part[0]) for part in parts[:-1]])
    first = np.tile([5.0, 2.0, 1.0], (12, 1))
    together = fit_arcs(x, z, starts, first, tolerance_mm=1e-13, most_steps=100)
    for row, part in zip(together.parameters, parts, strict=True):
        one = fit_circle(*part)
        assert row == pytest.approx([one.centre_x_mm, one.centre_z_mm, one.radius_mm], abs=1e-8)


@pytest.mark.parametrize(
    ("x", "z"),
    [
        ([0.0, 1.0], [0.0, 1.0]),
        ([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0]),
        ([1.0, 1.0, 1.0], [2.0, 2.0, 2.0]),
        ([0.0, 1.0, np.nan], [0.0, 1.0, 0.0]),
        ([0.0, 1.0, 2.0], [0.0, 1.0]),
    ],
    ids=["two points", "a line", "one spot", "missing", "odd lengths"],
)
def test_points_without_a_circle_are_refused(x: list[float], z: list[float]) -> None:
    with pytest.raises(ReadingsError):
        fit_circle(np.array(x), np.array(z))

"""Circle fits: one, or thousands of small arcs at once.

Geometric fits minimise the sum of squared distances to the circle (Gander, Golub & Strebel, BIT 34
(1994) 558, doi 10.1007/BF01934268), not an algebraic stand-in that favours small radii. The solver
is Levenberg-Marquardt (Marquardt, J. SIAM 11 (1963) 431, doi 10.1137/0111030), one damping per
arc, all arcs in step, so that one scan's two thousand arcs cost a few array passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenfall.scans.surface import unusable

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray, IntArray


Robust = Literal["huber", "tukey"]

TUNING: dict[str, float] = {"huber": 1.345, "tukey": 4.685}
"""Tuning constants in standard deviations, 95 % efficient for normal noise (Huber, Robust
Statistics, 1981; Holland & Welsch, Commun. Stat. A6 (1977) 813)."""

NORMAL_MAD = 1.4826
"""Standard deviation of normal noise over its median absolute deviation, 1/Phi^-1(3/4)."""


@dataclass(frozen=True, slots=True)
class CircleFit:
    """A circle in a plane with the uncertainty of its three parameters."""

    centre_x_mm: float  # the circle [mm]
    centre_z_mm: float
    radius_mm: float
    covariance_mm2: FloatArray  # covariance of (centre x, centre z, radius) [mm²], shape (3, 3)
    spread_mm: float  # standard deviation of the distances to the circle [mm]
    residual_mm: FloatArray  # signed distance of each point, positive outside [mm], shape (N,)
    weight: FloatArray  # weight that each point had in the last step, shape (N,)

    @property
    def top_mm(self) -> float:
        """Height of the circle's highest point [mm]."""
        return self.centre_z_mm + self.radius_mm

    @property
    def top_u_mm(self) -> float:
        """Standard uncertainty of `top_mm` [mm]."""
        return float(np.sqrt(max(0.0, self.covariance_mm2[1:, 1:].sum())))


def fit_circle(
    x_mm: FloatArray,
    z_mm: FloatArray,
    *,
    weights: FloatArray | None = None,
    robust: Robust | None = None,
    spread_mm: float | None = None,
) -> CircleFit:
    """Return the circle with the least sum of squared (or robust) distances to the points.

    The algebraic circle (Kåsa's linear fit) starts the search, so no first guess is needed.

    Parameters
    ----------
    x_mm, z_mm
        Points [mm], shape (N,), N >= 3.
    weights
        Weight of each squared distance (1/variance up to a factor), shape (N,); None for equal.
    robust
        None for least squares, "huber" or "tukey" for points that may lie wildly off.
    spread_mm
        Standard deviation of the noise [mm] that the robust fit judges by; None works it out from
        the median absolute deviation.

    Raises
    ------
    ReadingsError
        Fewer than three points, not finite, or all on one straight line.
    """
    x, z = np.asarray(x_mm, dtype=float), np.asarray(z_mm, dtype=float)
    given = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=float)
    if x.shape != z.shape or x.shape != given.shape or x.ndim != 1 or len(x) < 3:
        raise unusable(
            "A circle needs at least three points with as many x, z and weights.", "circle"
        )
    if not (np.isfinite(x).all() and np.isfinite(z).all() and np.isfinite(given).all()):
        raise unusable("A circle cannot be fitted to missing or infinite values.", "circle")
    if (given <= 0.0).any():
        raise unusable(
            "Weights of a circle fit must be above zero; leave such points out.", "circle"
        )
    parameters = _algebraic_circle(x, z, given)
    if robust == "tukey":
        # Tukey's weights forget what lies far off, so they need a start that is already robust
        near = fit_circle(x, z, weights=weights, robust="huber", spread_mm=spread_mm)
        parameters = np.array([near.centre_x_mm, near.centre_z_mm, near.radius_mm])
    weight = given
    spread = 0.0 if spread_mm is None else spread_mm
    offsets = np.zeros(1, dtype=np.intp)
    for _ in range(100 if robust else 1):
        if robust:
            distance = _distance(parameters[None], offsets, x, z)
            if spread_mm is None:
                # a point on the circle by construction says nothing about the noise
                spread = NORMAL_MAD * float(np.median(np.abs(distance))) * len(x) / (len(x) - 3 + 1)
            weight = given * robust_weight(distance, robust, spread)
        before = parameters
        parameters = fit_arcs(
            x, z, offsets, parameters[None], weight=weight, tolerance_mm=1e-13, most_steps=200
        ).parameters[0]
        if float(np.max(np.abs(parameters - before))) < 1e-12 * (1.0 + abs(parameters[2])):
            break
    distance = _distance(parameters[None], offsets, x, z)
    columns = np.stack(_columns(parameters[None], offsets, x, z))
    slope = given * _influence_slope(distance, robust, spread)
    freedom = max(1.0, float(np.sum(weight > 1e-9)) - 3.0)
    # Huber, Robust Statistics (1981), eq. 7.6.5; without robust weights it is the ordinary one
    variance = float(np.sum((weight * distance) ** 2 / given)) / freedom
    mean_slope = max(float(np.sum(slope) / np.sum(given)), 1e-9)
    covariance = variance / mean_slope**2 * np.linalg.pinv((columns * given) @ columns.T)
    kept = weight > 1e-9
    return CircleFit(
        float(parameters[0]),
        float(parameters[1]),
        float(parameters[2]),
        np.asarray(covariance, dtype=float),
        float(np.sqrt(np.sum(weight * distance**2) / freedom / np.mean(given[kept]))),
        distance,
        weight,
    )


def robust_weight(distance_mm: FloatArray, robust: Robust, spread_mm: float) -> FloatArray:
    """Return the weight of each point for its distance.

    Huber: 1 inside k sigma, k sigma / |r| outside. Tukey: (1 - (r / k sigma)²)² inside, 0 outside.
    """
    limit = TUNING[robust] * max(spread_mm, 1e-12)
    share = np.abs(distance_mm) / limit
    if robust == "huber":
        return np.asarray(1.0 / np.maximum(1.0, share))
    return np.asarray(np.where(share < 1.0, (1.0 - np.minimum(share, 1.0) ** 2) ** 2, 0.0))


def _influence_slope(distance: FloatArray, robust: Robust | None, spread: float) -> FloatArray:
    """Return the derivative of weight times distance, which says how firmly a point holds."""
    if robust is None:
        return np.ones_like(distance)
    square = (distance / (TUNING[robust] * max(spread, 1e-12))) ** 2
    if robust == "huber":
        return np.where(square < 1.0, 1.0, 0.0)
    return np.where(square < 1.0, (1.0 - square) * (1.0 - 5.0 * square), 0.0)


@dataclass(frozen=True, slots=True)
class ArcFits:
    """Fits of G arcs with P parameters each: centre x, centre z, radius and what was asked for."""

    # shape (G, P): centre x, centre z, radius; then the slope along the third coordinate if one was
    # given; then the height of the flat if asked for
    parameters: FloatArray
    normal: FloatArray  # matrices of the normal equations, shape (G, P, P)
    distance_mm: FloatArray  # signed distance of each point to its arc [mm], shape (N,)


def fit_arcs(
    x_mm: FloatArray,
    z_mm: FloatArray,
    starts: IntArray,
    first_parameters: FloatArray,
    *,
    along_mm: FloatArray | None = None,
    flat: bool = False,
    weight: FloatArray | None = None,
    hold_parameters: tuple[FloatArray, FloatArray] | None = None,
    tolerance_mm: float = 1e-6,
    most_steps: int = 12,
) -> ArcFits:
    """Return the weighted geometric fits of many arcs.

    The distance of a point to an arc whose height runs evenly along the third coordinate a is
    hypot(x - xc, z - b a - zc) - R; with a flat at height f it is the larger of that and
    z - b a - f (the outside of a disc cut by a half plane).
    """
    parameters = np.array(first_parameters, dtype=float)
    count, size = parameters.shape
    group = np.repeat(np.arange(count), np.diff(np.append(starts, len(x_mm))))
    ones = np.ones(len(x_mm)) if weight is None else weight
    near, firmness = (
        hold_parameters if hold_parameters is not None else (parameters, np.zeros(size))
    )
    damping = np.full(count, 1e-3)

    def cost_of(candidate: FloatArray) -> tuple[FloatArray, FloatArray]:
        distance = _distance(candidate, group, x_mm, z_mm, along_mm, flat=flat)
        cost = np.add.reduceat(ones * distance * distance, starts)
        return distance, cost + (candidate - near) ** 2 @ firmness

    distance, cost = cost_of(parameters)
    normal = np.zeros((count, size, size))
    for _ in range(most_steps):
        columns = _columns(parameters, group, x_mm, z_mm, along_mm, flat=flat)
        gradient = np.zeros((count, size))
        for p in range(size):
            weighted = ones * columns[p]
            gradient[:, p] = np.add.reduceat(weighted * distance, starts)
            for q in range(p, size):
                normal[:, p, q] = normal[:, q, p] = np.add.reduceat(weighted * columns[q], starts)
        gradient += firmness * (parameters - near)
        normal[:, np.arange(size), np.arange(size)] += firmness
        diagonal = np.einsum("gpp->gp", normal)
        damped = normal + np.zeros_like(normal)
        ridge = damping[:, None] * diagonal + 1e-12 * diagonal.max(axis=1, keepdims=True) + 1e-300
        damped[:, np.arange(size), np.arange(size)] += ridge
        step = -np.linalg.solve(damped, gradient[..., None])[..., 0]
        candidate = parameters + step
        candidate[:, 2] = np.abs(candidate[:, 2])
        new_distance, new_cost = cost_of(candidate)
        better = new_cost <= cost
        parameters = np.where(better[:, None], candidate, parameters)
        distance = np.where(better[group], new_distance, distance)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, damping * 0.1, np.minimum(damping * 10.0, 1e9))
        if bool(np.all(np.abs(step[:, :3]).max(axis=1) < tolerance_mm)):
            break
    return ArcFits(parameters, normal, distance)


def _distance(
    parameters: FloatArray,
    group: IntArray,
    x: FloatArray,
    z: FloatArray,
    along: FloatArray | None = None,
    *,
    flat: bool = False,
) -> FloatArray:
    """Return the signed distance of each point to its arc."""
    dx = x - parameters[group, 0]
    level = z if along is None else z - parameters[group, 3] * along
    distance = np.hypot(dx, level - parameters[group, 1]) - parameters[group, 2]
    if flat:
        distance = np.maximum(distance, level - parameters[group, -1])
    return np.asarray(distance)


def _columns(
    parameters: FloatArray,
    group: IntArray,
    x: FloatArray,
    z: FloatArray,
    along: FloatArray | None = None,
    *,
    flat: bool = False,
) -> list[FloatArray]:
    """Return the derivatives of `_distance`, one array of shape (N,) for each parameter."""
    dx = x - parameters[group, 0]
    level = z if along is None else z - parameters[group, 3] * along
    dz = level - parameters[group, 1]
    reach = np.maximum(np.hypot(dx, dz), 1e-12)
    down, radial = -dz / reach, -np.ones_like(reach)
    aside = -dx / reach
    if flat:
        on_flat = level - parameters[group, -1] > reach - parameters[group, 2]
        columns = [np.where(on_flat, 0.0, c) for c in (aside, down, radial)]
        down = np.where(on_flat, -1.0, down)
    else:
        columns = [aside, down, radial]
    if along is not None:
        columns.append(down * along)
    if flat:
        columns.append(np.where(on_flat, -1.0, 0.0))
    return columns


def _algebraic_circle(x: FloatArray, z: FloatArray, weights: FloatArray) -> FloatArray:
    """Return centre and radius of Kåsa's circle: x² + z² = 2 a x + 2 b z + c is linear."""
    total = weights.sum()
    mx, mz = float(weights @ x) / total, float(weights @ z) / total
    dx, dz = x - mx, z - mz
    size = float(np.sqrt(np.mean(dx**2 + dz**2)))
    root = np.sqrt(weights)
    design = np.column_stack([dx, dz, np.full_like(dx, size)]) * root[:, None]
    right = (dx**2 + dz**2) * root
    if size == 0.0 or np.linalg.matrix_rank(design, tol=1e-9 * size * root.max()) < 3:
        raise unusable(
            "The points lie on one straight line or spot; no circle runs through them.", "circle"
        )
    a, b, c = np.linalg.lstsq(design, right, rcond=None)[0]
    radius = np.sqrt(max(0.25 * (a * a + b * b) + c * size, 1e-12 * size**2))
    return np.array([mx + 0.5 * a, mz + 0.5 * b, radius])


def group_middles(over_mm: FloatArray, starts: IntArray) -> FloatArray:
    """Return the mean of each run of heights without its wild ones."""
    group = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(over_mm))))
    middle = np.zeros(len(starts))
    for limit in (0.5, 0.15, 0.15):
        near = (np.abs(over_mm - middle[group]) < limit).astype(float)
        count = np.add.reduceat(near, starts)
        middle = np.add.reduceat(near * over_mm, starts) / np.maximum(count, 1.0)
    return middle

"""Circle fits of thousands of small arcs at once.

Geometric fits minimise the sum of squared distances to the circle (Gander, Golub & Strebel, BIT 34
(1994) 558, doi 10.1007/BF01934268), not an algebraic stand-in that favours small radii. The solver
is Levenberg-Marquardt (Marquardt, J. SIAM 11 (1963) 431, doi 10.1137/0111030), one damping per
arc, all arcs in step, so that one scan's two thousand arcs cost a few array passes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray, IntArray

NORMAL_MAD = 1.4826
"""Standard deviation of normal noise over its median absolute deviation, 1/Phi^-1(3/4)."""


@dataclass(frozen=True, slots=True)
class ArcFits:
    """Fits of G arcs with P parameters each."""

    # shape (G, P): centre x, centre z, radius, slope along; height of the flat if asked for
    parameters: FloatArray
    normal: FloatArray  # matrices of the normal equations, shape (G, P, P)
    distance_mm: FloatArray  # signed distance of each point to its arc [mm], shape (N,)


def fit_arcs(
    x_mm: FloatArray,
    z_mm: FloatArray,
    along_mm: FloatArray,
    starts: IntArray,
    first_parameters: FloatArray,
    *,
    hold_parameters: tuple[FloatArray, FloatArray],
    flat: bool = False,
    weight: FloatArray | None = None,
    tolerance_mm: float = 1e-6,
    most_steps: int = 12,
) -> ArcFits:
    """Return the weighted geometric fits of many arcs.

    The distance of a point to an arc whose height runs evenly along the third coordinate a is
    hypot(x - xc, z - b a - zc) - R; with a flat at height f it is the larger of that and
    z - b a - f (the outside of a disc cut by a half plane). Parameters are held near others by
    firmness, the noise's variance over that of each.
    """
    parameters = np.array(first_parameters, dtype=float)
    count, size = parameters.shape
    group = np.repeat(np.arange(count), np.diff(np.append(starts, len(x_mm))))
    ones = np.ones(len(x_mm)) if weight is None else weight
    near, firmness = hold_parameters
    damping = np.full(count, 1e-3)

    def cost_of(candidate: FloatArray) -> tuple[FloatArray, FloatArray]:
        distance = arc_distance_mm(candidate, group, x_mm, z_mm, along_mm, flat=flat)
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


def arc_distance_mm(
    parameters: FloatArray,
    group: IntArray,
    x_mm: FloatArray,
    z_mm: FloatArray,
    along_mm: FloatArray,
    *,
    flat: bool = False,
) -> FloatArray:
    """Return the signed distance of each point to its arc."""
    dx = x_mm - parameters[group, 0]
    level = z_mm - parameters[group, 3] * along_mm
    distance = np.hypot(dx, level - parameters[group, 1]) - parameters[group, 2]
    if flat:
        distance = np.maximum(distance, level - parameters[group, -1])
    return np.asarray(distance)


def _columns(
    parameters: FloatArray,
    group: IntArray,
    x: FloatArray,
    z: FloatArray,
    along: FloatArray,
    *,
    flat: bool = False,
) -> list[FloatArray]:
    """Return the derivatives of `arc_distance_mm`, one array of shape (N,) for each parameter."""
    dx = x - parameters[group, 0]
    level = z - parameters[group, 3] * along
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
    columns.append(down * along)
    if flat:
        columns.append(np.where(on_flat, -1.0, 0.0))
    return columns


def group_middles(over_mm: FloatArray, starts: IntArray) -> FloatArray:
    """Return the mean of each run of heights without its wild ones."""
    group = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(over_mm))))
    middle = np.zeros(len(starts))
    for limit in (0.5, 0.15, 0.15):
        near = (np.abs(over_mm - middle[group]) < limit).astype(float)
        count = np.add.reduceat(near, starts)
        middle = np.add.reduceat(near * over_mm, starts) / np.maximum(count, 1.0)
    return middle

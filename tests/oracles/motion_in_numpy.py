"""The same motion with contact in plain vectorised numpy, in SI units, sharing no code.

Slow and short: the answer that the compiled kernel is compared with, and the baseline of its
benchmark. One position, any number of plucks side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass
class Motion:
    """What happened: impulse (F, B) [N s], first step (B,), energies (B,) [J], sound (N, B)."""

    impulse: FloatArray
    first_step: NDArray[np.int64]
    energy_start: FloatArray
    energy_end: FloatArray
    lost_in_contact: FloatArray
    lost_in_damping: FloatArray
    deepest: float


def move(
    *,
    length: float,
    tension: float,
    density: float,
    bending: float,
    decay: FloatArray,
    fret: FloatArray,
    clearance: FloatArray,
    force: FloatArray,
    pluck: float,
    width: float,
    rate: float,
    steps: int,
) -> Motion:
    """Move a string (SI units throughout) with as many modes as `decay` has entries."""
    k = 1.0 / rate
    n = np.arange(1, len(decay) + 1)
    wave = n * np.pi / length
    omega = np.sqrt((tension * wave**2 + bending * wave**4) / density)
    damped = np.sqrt(omega**2 - decay**2)
    mass = density * length / 2.0
    turn = (2.0 * np.exp(-decay * k) * np.cos(damped * k))[:, None]
    keep = np.exp(-2.0 * decay * k)[:, None]
    loss = (1.0 - keep) / (1.0 + keep)
    gain = k * k / (mass * (1.0 + loss))
    shape = np.sin(np.outer(fret, wave))
    response = gain * shape.T
    compliance = shape @ response
    half = np.where(wave * width > 0.0, np.sin(wave * width / 2.0) / (wave * width / 2.0), 1.0)
    static = (np.sin(wave * (length - pluck)) * half / (mass * omega**2))[:, None] * force
    before = static
    swing = np.cos(damped * k) + decay / damped * np.sin(damped * k)
    now = static * (np.exp(-decay * k) * swing)[:, None]
    bend = (2.0 - turn * (1.0 + loss)) / k**2

    def energy(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(0.5 * mass * np.sum(((b - a) / k) ** 2 + bend * a * b, axis=0))

    plucks = len(force)
    impulse = np.zeros((len(fret), plucks))
    first = np.full(plucks, -1)
    lost_contact, lost_damping = np.zeros(plucks), np.zeros(plucks)
    start = energy(before, now)
    crown = -clearance[:, None]
    depth_before, depth_now = crown - shape @ before, crown - shape @ now
    deepest = -np.inf
    for step in range(steps):
        after = turn * now - keep * before
        depth = crown - shape @ after
        touching = np.flatnonzero((depth > 0.0).any(axis=0))
        if len(touching):
            push = np.zeros_like(depth)
            push[:, touching] = sweep(compliance, depth[:, touching])
            after = after + response @ push
            depth = depth - compliance @ push
            impulse += push * k
            first[touching] = np.where(first[touching] < 0, step, first[touching])
            lost_contact += 0.5 * np.sum(push * (depth - depth_before), axis=0)
        lost_damping += np.sum(mass * loss / 2.0 * ((after - before) / k) ** 2, axis=0)
        deepest = max(deepest, float(depth.max()))
        before, now = now, after
        depth_before, depth_now = depth_now, depth
    return Motion(impulse, first, start, energy(before, now), lost_contact, lost_damping, deepest)


def sweep(compliance: FloatArray, depth: FloatArray) -> FloatArray:
    """Return forces f >= 0 with compliance f >= depth, complementary, for each column."""
    push = np.zeros_like(depth)
    diagonal = np.diag(compliance)[:, None]
    for _ in range(500):
        old = push.copy()
        for row in range(len(depth)):
            rest = depth[row] - compliance[row] @ push + compliance[row, row] * push[row]
            push[row] = np.maximum(0.0, rest / diagonal[row])
        short = depth - compliance @ push
        if (np.abs(push - old) <= 1e-13 * push.max(axis=0)).all() and (short < 1e-15).all():
            break
    return push

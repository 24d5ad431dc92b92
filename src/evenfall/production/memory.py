"""Run lengths of charts that remember: weighted means and cumulative sums.

Both are integral equations of the second kind, solved at the places of Gauss's rule (Brook & Evans,
Biometrika 59 (1972) 539, solved their chains at steps). The quantity is normal with known mean and
standard deviation 1, off by a shift; limits are those that a long series reaches.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from evenfall.production.constants import nodes

_PLACES = 96


def _density(x: np.ndarray) -> np.ndarray:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi))


@lru_cache(maxsize=64)
def weighted_mean_run_length(weight: float, limit_ratio: float, shift_ratio: float = 0.0) -> float:
    """Return how many points pass on average until a weighted mean leaves its limits.

    `weight` is that of the newest value, `limit_ratio` the limit in its standard deviations.
    """
    if weight == 1.0:
        outside = special.ndtr(-limit_ratio - shift_ratio) + special.ndtr(shift_ratio - limit_ratio)
        return float(1.0 / outside)
    half = limit_ratio * math.sqrt(weight / (2.0 - weight))
    at, share = nodes(_PLACES, -half, half)
    start = np.append(at, 0.0)
    kernel = _density((at[None, :] - (1.0 - weight) * start[:, None]) / weight - shift_ratio)
    kernel *= share / weight
    inside = np.linalg.solve(np.eye(_PLACES) - kernel[:-1], np.ones(_PLACES))
    return float(1.0 + kernel[-1] @ inside)


@lru_cache(maxsize=64)
def sum_run_length(reference_ratio: float, limit_ratio: float, shift_ratio: float = 0.0) -> float:
    """Return how many points pass on average until either of two cumulative sums signals."""
    up, down = (
        _one_sided(reference_ratio, limit_ratio, shift) for shift in (shift_ratio, -shift_ratio)
    )
    return 1.0 / (1.0 / up + 1.0 / down)


def _one_sided(reference_ratio: float, limit_ratio: float, shift_ratio: float) -> float:
    at, share = nodes(_PLACES, 0.0, limit_ratio)
    start = np.append(at, 0.0)
    off = reference_ratio - shift_ratio - start[:, None]
    chain = np.empty((_PLACES + 1, _PLACES + 1))
    chain[:, :-1] = _density(at[None, :] + off) * share
    chain[:, -1:] = special.ndtr(off)
    return float(np.linalg.solve(np.eye(_PLACES + 1) - chain, np.ones(_PLACES + 1))[-1])

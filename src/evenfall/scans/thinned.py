"""A scan thinned for the eye: few points, in which holes and dirt can still be seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.scans.surface import Cloud, HeightMap, Mesh, sample_indices, unusable

if TYPE_CHECKING:
    from numpy.typing import NDArray


MOST_COUNT = 120_000
_PIECE = 1_000_000
_SAMPLE = 50_000


def thinned(
    content: NDArray[Any] | HeightMap | Mesh, most_count: int = MOST_COUNT
) -> tuple[FloatArray, float]:
    """Return the lowest and the highest point over each cell of a scan's plan, and a cell's side.

    The points, shape (M, 3), are turned so that x runs along the scan, y across it and z is the
    height, all in the unit of the file and about the middle.
    """
    if isinstance(content, Mesh):
        content = content.triangles.reshape(-1, 3)
    surface = content if isinstance(content, HeightMap) else Cloud(content)
    sample = _known(surface.pick(sample_indices(surface.count, _SAMPLE)).T)
    if sample.shape[1] < 3:
        raise unusable("The scan has too few points to be shown.")
    middle = 0.5 * (sample.min(axis=1) + sample.max(axis=1))
    turn = np.linalg.eigh(np.cov(sample))[1][:, ::-1].T  # longest first
    turn[2] *= 1.0 if turn[2] @ (0.0, 0.0, 1.0) >= 0.0 else -1.0
    turn[1] = np.cross(turn[2], turn[0])  # right-handed
    seen = turn @ (sample - middle[:, None])
    low, size = seen.min(axis=1), np.maximum(np.ptp(seen, axis=1), 1e-9)
    side = float(np.sqrt(size[0] * size[1] / (0.5 * most_count)))
    across = int(size[1] / side) + 1
    kept = np.empty((3, 0))
    for start in range(0, surface.count, _PIECE):
        points = _known(surface.piece(start, min(start + _PIECE, surface.count)))
        points = turn @ (points - middle[:, None])
        kept = _ends(
            np.concatenate([kept, _ends(points, low, side, across)], axis=1), low, side, across
        )
    return np.ascontiguousarray(kept.T), side


def _known(points: FloatArray) -> FloatArray:
    return points[:, np.isfinite(points).all(axis=0)]


def _ends(points: FloatArray, low: FloatArray, side: float, across: int) -> FloatArray:
    """Return the lowest and the highest point of each cell."""
    cell = np.floor((points[0] - low[0]) / side) * across + np.floor((points[1] - low[1]) / side)
    order = np.lexsort((points[2], cell))
    new = np.flatnonzero(np.diff(cell[order])) + 1
    firsts = np.concatenate([[0], new]) if len(order) else new
    lasts = np.concatenate([new - 1, [len(order) - 1]]) if len(order) else new
    return points[:, order[np.union1d(firsts, lasts)]]

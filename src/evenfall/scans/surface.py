"""What a scan can be: points, a height map, or a mesh; each read piece by piece.

Every later step asks a surface for two things only: a spread of sample points, and all points in
pieces. So no step needs to know what kind it is, and none holds a second copy of the whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.errors import NOWHERE, Finding, ReadingsError
from evenfall.wording import Value

if TYPE_CHECKING:
    from numpy.typing import NDArray


#: Points as rows x, y, z in the unit and the frame of the file, shape (N, 3).
Points = Any

UNITS_MM: dict[str, float] = {"mm": 1.0, "m": 1000.0, "in": 25.4, "cm": 10.0, "um": 0.001}
"""Units that a file may be in [mm]."""

PIECE = 1 << 15
"""Points handled at a time: small enough for the processor's cache, large enough for numpy."""

GOLDEN_SHARE = 0.6180339887498949
"""Fraction of the golden ratio: its multiples spread evenly, in step with no raster."""

PLASTIC_SHARES = (0.7548776662466927, 0.5698402909980532)
"""The same for pairs: powers of 1/1.3247..., the real root of x³ = x + 1."""

MESH_SAMPLES = 500_000
"""Points that a mesh is turned into where its place is looked for."""

LARGEST = 1e12
"""A coordinate beyond this, in any unit, is a slip of the file."""

LEAST_SHARE_FINITE = 0.02
"""Fewer finite points than this share make no scan."""

LEAST_TRIANGLES = 50
"""Fewer triangles than this cannot show four crowns on a board."""

LEAST_POINTS = 2_000
"""Fewer points than this cannot show frets."""


@dataclass(frozen=True, slots=True)
class HeightMap:
    """Heights over an even grid.

    Parameters
    ----------
    heights
        Heights in the unit of the file, NaN where nothing was measured, shape (rows, columns);
        columns run along the first plan direction, rows along the second.
    column_step, row_step
        Distance between columns and between rows, in the unit of the file, not zero.
    """

    heights: NDArray[Any]
    column_step: Any
    row_step: Any

    @property
    def count(self) -> int:
        """Number of cells."""
        return int(self.heights.size)

    def pick(self, index: IntArray) -> FloatArray:
        """Return some points, shape (M, 3); missing ones hold NaN."""
        row, column = np.divmod(index, self.heights.shape[1])
        return np.column_stack(
            [column * self.column_step, row * self.row_step, self.heights.reshape(-1)[index]]
        ).astype(float)

    def piece(self, low: int, high: int) -> FloatArray:
        """Return the points of a run of cells as columns, shape (3, M)."""
        row, column = np.divmod(np.arange(low, high), self.heights.shape[1])
        heights = self.heights.reshape(-1)[low:high]
        return np.stack([column * self.column_step, row * self.row_step, heights]).astype(float)


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles, as a CAD program or a scanner's own software makes them.

    Parameters
    ----------
    triangles
        Corners in the unit of the file, shape (T, 3, 3): triangle, corner, x y z; outward side
        by the right hand, as STL has it (not relied on).
    """

    triangles: NDArray[Any]


@dataclass(frozen=True, slots=True)
class Cloud:
    """Points in no order."""

    points: NDArray[Any]  # rows x, y, z, shape (N, 3)
    # triangles that the points were taken from, shape (T, 3, 3); None for measured points
    corners: NDArray[Any] | None = None

    @property
    def count(self) -> int:
        """Number of points."""
        return len(self.points)

    def pick(self, index: IntArray) -> FloatArray:
        """Return some points, shape (M, 3)."""
        return np.asarray(self.points[index], dtype=float)

    def piece(self, low: int, high: int) -> FloatArray:
        """Return a run of points as columns, shape (3, M)."""
        return np.ascontiguousarray(self.points[low:high].T, dtype=float)


class Surface(Protocol):
    """What the later steps ask of a scan."""

    @property
    def count(self) -> int:
        """Number of points, missing ones included."""

    def pick(self, index: IntArray) -> FloatArray:
        """Return some points, shape (M, 3)."""

    def piece(self, low: int, high: int) -> FloatArray:
        """Return a run of points as columns, shape (3, M)."""


def as_surface(given: HeightMap | Mesh | Points) -> Surface:
    """Return the scan in the form that the later steps read."""
    surface: Surface
    if isinstance(given, HeightMap):
        if given.heights.ndim != 2 or not (given.column_step and given.row_step):
            raise unusable("A height map needs rows and columns of heights and two steps.")
        surface = given
    elif isinstance(given, Mesh):
        surface = sample_mesh(given)
    else:
        points = np.asarray(given)
        if points.ndim != 2 or points.shape[1] != 3:
            raise unusable("Points must have shape (N, 3), not {shape}.", shape=str(points.shape))
        surface = Cloud(points)
    if surface.count < LEAST_POINTS:
        raise unusable(
            "The scan has {count:,} points; a fretboard needs at least {least:,}.",
            count=surface.count,
            least=LEAST_POINTS,
        )
    return surface


def sample_indices(count: int, most: int) -> IntArray:
    """Return an even spread of at most `most` indices below `count`, in step with no raster."""
    if count <= most:
        return np.arange(count)
    order = np.arange(most)
    jitter = np.mod(order * GOLDEN_SHARE, 1.0)
    return np.asarray(np.minimum((order + jitter) * (count / most), count - 1), dtype=np.intp)


def finite_samples(surface: Surface, most: int) -> tuple[FloatArray, IntArray]:
    """Return an even spread of the points that hold no NaN, shape (M, 3), and their indices."""
    index = sample_indices(surface.count, most)
    points = surface.pick(index)
    kept = (np.abs(points) < LARGEST).all(axis=1)  # false for NaN
    if int(kept.sum()) < LEAST_SHARE_FINITE * len(points):
        raise unusable("Almost all points of the scan are missing (NaN or infinite).")
    points, index = points[kept], index[kept]
    # a single mad coordinate must not stretch the maps that are made of the points
    low, high = np.quantile(points, [0.01, 0.99], axis=0)
    room = 0.5 * (high - low) + 1e-3 * float(np.max(high - low))
    inside = ((points >= low - room) & (points <= high + room)).all(axis=1)
    return points[inside], index[inside]


def pieces(surface: Surface, low: int, high: int) -> Iterator[FloatArray]:
    """Yield the points from `low` to `high` as columns, shape (3, M), a piece at a time."""
    for start in range(low, high, PIECE):
        yield surface.piece(start, min(start + PIECE, high))


def sample_mesh(mesh: Mesh) -> Cloud:
    """Return points spread over the triangles, as many on each as its area asks for."""
    corners = np.asarray(mesh.triangles, dtype=float)
    if corners.ndim != 3 or corners.shape[1:] != (3, 3):
        raise unusable(
            "Triangles must have shape (T, 3, 3), not {shape}.", shape=str(corners.shape)
        )
    kept = (np.abs(corners) < LARGEST).all(axis=(1, 2))  # false for NaN
    corners = corners if kept.all() else corners[kept]
    first, last = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = 0.5 * np.linalg.norm(np.cross(first, last), axis=1)
    if len(area) < LEAST_TRIANGLES:
        raise unusable(
            "The mesh has {count:count triangle}; a fretboard needs at least {least}.",
            count=len(area),
            least=LEAST_TRIANGLES,
        )
    if area.sum() <= 0.0:
        raise unusable("The mesh has no triangle with an area.")
    wanted = area * (MESH_SAMPLES / area.sum())
    # fractions add up from one triangle to the next, so that slivers get their due together
    due = np.floor(np.cumsum(wanted) + 0.5).astype(np.intp)
    many = np.diff(due, prepend=0)
    triangle = np.repeat(np.arange(len(corners)), many)
    order = np.arange(len(triangle))
    a, b = (np.mod((order + 1) * share, 1.0) for share in PLASTIC_SHARES)
    folded = a + b > 1.0
    a, b = np.where(folded, 1.0 - a, a), np.where(folded, 1.0 - b, b)
    points = corners[triangle, 0] + a[:, None] * first[triangle] + b[:, None] * last[triangle]
    return Cloud(points, corners)


def unusable(text: str, code: str = "scan", **values: Value) -> ReadingsError:
    """Return the error for a scan that cannot be used: what is wrong and how to correct it."""
    return ReadingsError([Finding(code, text, NOWHERE, "error", **values)])

"""The sample of a scan laid level: which way is up, and a map of what stands on the board.

Everything here works on a spread of some hundred thousand points, whatever the scan's size, in mm
of an assumed unit. Nothing is decided by chance: the plane search draws its triples from an even
sequence, so the same scan gives the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray, IntArray, along_axes
from evenfall.scans.surface import GOLDEN_SHARE, PLASTIC_SHARES, sample_indices

PLANE_TOLERANCE_MM = 2.5
"""A board lies within this of its mean plane, radius, relief and crowns included."""

LEVELLING_SAMPLES = 60_000
"""Points that the plane of the board is found from."""

LEAST_NEAR = 200
"""Fewer points than this near one plane, or seen from above, are no side of a board."""

SLOT_FLOOR_MM = 2.2
"""A slot's floor lies about 2 mm under the board (common practice, no source)."""

RANK_BITS = 32
"""Of a number that sorts values in cells, the lower bits: the value's place among all."""

CELL_MM = 0.8
"""What lies under a body's upper side is looked for in cells of this size, a slot's width and more;
without slots in finer or coarser ones."""

COUNTED_MM, IN_CELL = 2.0, 4.0
"""A body's size in plan is counted in cells of this size; finer ones hold so many points."""

BIN_MM = 0.25
"""Step along the neck of the map in which frets are looked for."""

STRIP_MM = 2.0
"""Width of its strips across the neck."""

MOST_STRIPS = 160
"""Of a body wider than these the strips are wider."""

WINDOW_MM = 16.0
"""Length over which the board is the median: frets cover less than half of it at the last fret of
a ukulele (7 mm apart, 2 mm wide)."""


@dataclass(frozen=True, slots=True)
class Level:
    """Sample points laid level in a frame of their own."""

    # points with x along the neck, z up from the plane of the board, shape (M, 3); only those seen
    # from above
    points_mm: FloatArray
    axes: FloatArray  # rows: these x, y, z in the frame of the file, shape (3, 3), right-handed
    origin_mm: FloatArray  # the point of the file's frame [mm] that became zero, shape (3,)
    kept: IntArray  # which of the given points these are, shape (M,)


@dataclass(frozen=True, slots=True)
class StripMap:
    """Heights over the board around, in strips along the neck."""

    # median height of each bin less the board around it [mm], shape (strips, bins), NaN where there
    # is no point
    relative_mm: FloatArray
    board_mm: FloatArray  # that board [mm], same shape
    x_mm: FloatArray  # centres of bins and of strips [mm], shapes (bins,) and (strips,)
    y_mm: FloatArray
    strip_mm: float  # width of a strip [mm]

    def strip_of(self, y_mm: FloatArray) -> IntArray:
        """Return the strip that each of some places across lies in, or the nearest one."""
        row = np.round((y_mm - self.y_mm[0]) / self.strip_mm)
        return np.asarray(np.clip(row, 0, len(self.y_mm) - 1), dtype=np.intp)


def principal_axes(points_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the middle of the points, their principal axes (longest first) and extents."""
    few = points_mm[sample_indices(len(points_mm), LEVELLING_SAMPLES)]
    middle = np.median(few, axis=0)
    centred = few - middle
    # wild points must not turn the axes: weigh down what lies far out in every direction
    far = np.linalg.norm(centred, axis=1)
    near = far <= np.quantile(far, 0.995)
    _, vectors = np.linalg.eigh(np.cov(centred[near].T))
    axes = np.ascontiguousarray(vectors.T[::-1])
    if np.linalg.det(axes) < 0.0:
        axes[2] *= -1.0
    along = along_axes(centred, axes)
    low, high = np.quantile(along, [0.005, 0.995], axis=0)
    return middle, axes, high - low


def lay_level(
    points_mm: FloatArray,
    middle_mm: FloatArray,
    axes: FloatArray,
    *,
    solid: bool,
    under_mm: float = SLOT_FLOOR_MM,
) -> Level | None:
    """Return the points laid level on the plane that most of their upper side lies near.

    Of a solid body only those are returned that lie less than `under_mm` under its upper side.
    """
    origin = middle_mm
    many = LEVELLING_SAMPLES * (2 if solid else 1)
    few = points_mm[sample_indices(len(points_mm), many)]
    for _ in range(2):
        level = along_axes(few - origin, axes)
        if solid:
            level = level[seen_from_above(level, cell_mm=1.6)]
        if len(level) < LEAST_NEAR:
            return None
        slope_x, slope_y, offset = _board_plane(level)
        near = np.abs(level @ [-slope_x, -slope_y, 1.0] - offset) < PLANE_TOLERANCE_MM
        if int(near.sum()) < LEAST_NEAR:
            return None
        up = axes.T @ np.array([-slope_x, -slope_y, 1.0])
        up /= np.linalg.norm(up)
        # the board's own length is the long axis of what lies near the plane
        flat = level[near][:, :2]
        flat = flat - np.median(flat, axis=0)
        _, vectors = np.linalg.eigh(np.cov(flat.T))
        lengthwise = axes[:2].T @ vectors[:, 1]
        if lengthwise @ axes[0] < 0.0:
            lengthwise = -lengthwise
        lengthwise = lengthwise - up * (up @ lengthwise)
        lengthwise /= np.linalg.norm(lengthwise)
        centre = np.median(level[near], axis=0)
        centre[2] = slope_x * centre[0] + slope_y * centre[1] + offset
        origin = origin + axes.T @ centre
        axes = np.stack([lengthwise, np.cross(up, lengthwise), up])
    level = along_axes(points_mm - origin, axes)
    if solid:
        cell_mm = CELL_MM if under_mm == SLOT_FLOOR_MM else _cell_mm(level)
        kept = seen_from_above(level, cell_mm, under_mm)
        if len(kept) < LEAST_NEAR:
            return None
        return Level(level[kept], axes, origin, kept)
    return Level(level, axes, origin, np.arange(len(level)))


def _cell_mm(level: FloatArray) -> float:
    """Return the size of cells that hold a few points of a body's upper side."""
    cell = ((level[:, :2] - level[:, :2].min(axis=0)) / COUNTED_MM).astype(np.intp)
    columns = int(cell[:, 1].max()) + 1
    filled = np.zeros((int(cell[:, 0].max()) + 1) * columns, dtype=bool)
    filled[cell[:, 0] * columns + cell[:, 1]] = True
    covered = int(np.count_nonzero(filled)) * COUNTED_MM**2
    # about half of the points lie on the upper side
    return float(np.clip(np.sqrt(2.0 * IN_CELL * covered / len(level)), 0.5, 1.6))


def seen_from_above(
    level_mm: FloatArray, cell_mm: float = CELL_MM, under_mm: float = SLOT_FLOOR_MM
) -> IntArray:
    """Return which points of a body's surface are not under another part of it."""
    low = level_mm[:, :2].min(axis=0)
    place = ((level_mm[:, :2] - low) / cell_mm).astype(np.intp)
    columns = int(place[:, 1].max()) + 1
    cell = place[:, 0] * columns + place[:, 1]
    top = np.full(int(cell.max()) + 1, -np.inf)
    np.maximum.at(top, cell, level_mm[:, 2])
    return np.flatnonzero(level_mm[:, 2] > top[cell] - under_mm)


def cell_medians(
    place: tuple[IntArray, IntArray], shape: tuple[int, int], values_mm: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Return the median of the values in each cell of a grid, NaN where empty, and their counts."""
    cell = place[0] * shape[1] + place[1]
    count = np.bincount(cell, minlength=shape[0] * shape[1])
    end = np.cumsum(count)
    start = end - count
    # by cell, then by value: one number of both, a value's rank for the value, sorts fast
    order = np.argsort(values_mm)
    key = (cell[order] << RANK_BITS) | np.arange(len(order))
    key.sort()
    ordered = values_mm[order][key & ((1 << RANK_BITS) - 1)]
    low = np.minimum(start + np.maximum(count - 1, 0) // 2, len(ordered) - 1)
    high = np.minimum(start + count // 2, len(ordered) - 1)
    median = np.where(count > 0, 0.5 * (ordered[low] + ordered[high]), np.nan)
    return median.reshape(shape), count.reshape(shape)


def median_along(values_mm: FloatArray) -> FloatArray:
    """Return the median over the last axis of what is not NaN; NaN where nothing is."""
    ordered = np.sort(values_mm, axis=-1)
    count = np.isfinite(ordered).sum(axis=-1)
    low = np.maximum(count - 1, 0) // 2
    high = np.minimum(count // 2, values_mm.shape[-1] - 1)
    pair = np.take_along_axis(ordered, np.stack([low, high], axis=-1), axis=-1)
    return np.where(count > 0, pair.mean(axis=-1), np.nan)


def strip_map(level_mm: FloatArray) -> StripMap:
    """Return what stands over the board, in strips along the neck."""
    points = level_mm
    low, high = np.quantile(points[:, :2], [0.0005, 0.9995], axis=0)
    inside = np.all((points[:, :2] >= low) & (points[:, :2] <= high), axis=1)
    points = points[inside]
    bins = int((high[0] - low[0]) / BIN_MM) + 1
    strips = min(MOST_STRIPS, max(1, int((high[1] - low[1]) / STRIP_MM)))
    width = max(float(high[1] - low[1]), 1e-9) / strips
    row = np.minimum(((points[:, 1] - low[1]) / width).astype(np.intp), strips - 1)
    column = np.minimum(((points[:, 0] - low[0]) / BIN_MM).astype(np.intp), bins - 1)
    heights, _ = cell_medians((row, column), (strips, bins), points[:, 2])
    half = int(0.5 * WINDOW_MM / BIN_MM)
    stride = 4
    coarse = _window_medians(heights, half, stride)
    at = np.arange(coarse.shape[1]) * stride
    board = np.empty_like(heights)
    for strip in range(strips):
        known = np.isfinite(coarse[strip])
        if known.any():
            board[strip] = np.interp(np.arange(bins), at[known], coarse[strip, known])
        else:
            board[strip] = np.nan
    return StripMap(
        heights - board,
        board,
        low[0] + (np.arange(bins) + 0.5) * BIN_MM,
        low[1] + (np.arange(strips) + 0.5) * width,
        width,
    )


def _window_medians(heights: FloatArray, half: int, stride: int) -> FloatArray:
    """Return the median of what is not NaN in windows along each row, one every `stride` bins."""
    padded = np.pad(heights, ((0, 0), (half, half)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half, axis=1)[:, ::stride]
    known = np.cumsum(np.pad(np.isfinite(padded), ((0, 0), (1, 0))), axis=1)
    count = (known[:, 2 * half :] - known[:, : -2 * half])[:, ::stride]
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, 2 * half - 1)
    medians = np.empty(count.shape)
    # row by row: windows overlap, and all of them at once would be copied out of the cache
    room, each = np.empty(windows.shape[1:]), np.arange(count.shape[1])
    for row, window in enumerate(windows):
        np.copyto(room, window)
        room.sort(axis=-1)
        medians[row] = 0.5 * (room[each, low[row]] + room[each, high[row]])
    medians[count == 0] = np.nan
    return medians


def _board_plane(level: FloatArray) -> tuple[float, float, float]:
    """Return slopes and offset of the plane that most cells lie near: z = a x + b y + c."""
    low = level[:, :2].min(axis=0)
    span = np.maximum(np.ptp(level[:, :2], axis=0), 1e-9)
    shape = (120, 24)
    row, column = (
        np.minimum((level[:, i] - low[i]) / span[i] * shape[i], shape[i] - 1).astype(np.intp)
        for i in range(2)
    )
    height, count = cell_medians((row, column), shape, level[:, 2])
    filled = np.argwhere(count > 0)
    x = low[0] + (filled[:, 0] + 0.5) / shape[0] * span[0]
    y = low[1] + (filled[:, 1] + 0.5) / shape[1] * span[1]
    z = height[count > 0]
    design = np.column_stack([x, y, np.ones_like(x)])
    best, most = np.linalg.lstsq(design, z, rcond=None)[0], -1
    order = np.arange(1, 401)
    triples = np.stack(
        [np.mod(order * share, 1.0) for share in (GOLDEN_SHARE, *PLASTIC_SHARES)], axis=1
    )
    triples = np.minimum((triples * len(z)).astype(np.intp), len(z) - 1)
    corners = design[triples]
    sound = np.abs(np.linalg.det(corners)) > 0.02 * span[0] * span[1]
    planes = np.linalg.solve(corners[sound], z[triples[sound]][..., None])[..., 0]
    voters = sample_indices(len(z), 800)
    for start in range(0, len(planes), 100):
        off = np.abs(planes[start : start + 100] @ design[voters].T - z[voters])
        votes = (off < PLANE_TOLERANCE_MM).sum(axis=1)
        if votes.max() > most:
            most, best = int(votes.max()), planes[start + int(votes.argmax())]
    for tolerance in (PLANE_TOLERANCE_MM, PLANE_TOLERANCE_MM):
        near = np.abs(design @ best - z) < tolerance
        if int(near.sum()) >= 3:
            best = np.linalg.lstsq(design[near], z[near], rcond=None)[0]
    return float(best[0]), float(best[1]), float(best[2])

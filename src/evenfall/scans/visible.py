"""What of a mesh is seen from above, and the surface that its facets stand for.

A drawing of an instrument is closed bodies: tangs in slots, undersides, a neck. What is played on
is what is seen from above, found here by drawing every triangle into a map of heights. A drawing
program puts the corners of its facets on the surface drawn and cuts under it in between; a
quadratic patch over each facet, from the turn between neighbouring facets, lies on it again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray

PIECE_CELLS = 1 << 21
"""Cells drawn at a time."""

CREASE_RAD = np.deg2rad(40.0)
"""Facets that meet at a larger angle meet at an edge of the drawing; the rest is a curve."""

UPRIGHT = 0.2
"""A facet whose normal rises less is a wall."""

LIKE_WIDTHS, LIKE_RAD, LEVEL = 8.0, 0.005, 0.996
"""Of two facets that meet at more than this angle and differ in width by more than this factor the
narrow one rounds an edge off, and tells nothing of how the wide one runs: the top of a bar, whose
normal rises by as much."""

MOST_AROUND = 24
"""Facets looked at around one corner."""

SAME_CORNER_MM = 1e-4
"""Corners nearer than this are one: single precision in a file of whole instruments."""

MOST_LIFTED = 400_000
"""More facets than this about a board make a scan's mesh, finer than its own noise."""


@dataclass(frozen=True, slots=True)
class Box:
    """A map over plan: its first corner, its steps and its counts of columns (along x) and rows."""

    low_x_mm: float
    low_y_mm: float
    step_x_mm: float
    step_y_mm: float
    columns: int
    rows: int

    @staticmethod
    def over(
        low_mm: tuple[float, float], high_mm: tuple[float, float], step_mm: tuple[float, float]
    ) -> Box:
        """Return the map between two corners."""
        columns, rows = (
            int((b - a) / s) + 1 for a, b, s in zip(low_mm, high_mm, step_mm, strict=True)
        )
        return Box(*low_mm, *step_mm, columns, rows)


def seen_cells(corners_mm: FloatArray, box: Box) -> tuple[IntArray, FloatArray, IntArray]:
    """Return the cells of a map in which a triangle is seen, its height, and which one it is.

    `corners_mm` has shape (T, 3, 3) with z up; the three arrays have shape (N,).
    """
    height = np.full(box.columns * box.rows, -np.inf)
    owner = np.full(len(height), -1, dtype=np.intp)
    for triangle, cell, z in _drawn(corners_mm, box):
        np.maximum.at(height, cell, z)
        top = z >= height[cell]
        owner[cell[top]] = triangle[top]
    cells = np.flatnonzero(owner >= 0)
    return cells, height[cells], owner[cells]


def places_of(cells: IntArray, box: Box) -> FloatArray:
    """Return x and y of cells [mm], shape (N, 2)."""
    column, row = np.divmod(cells, box.rows)
    return np.column_stack(
        [box.low_x_mm + column * box.step_x_mm, box.low_y_mm + row * box.step_y_mm]
    )


def _drawn(corners: FloatArray, box: Box) -> Iterator[tuple[IntArray, IntArray, FloatArray]]:
    """Yield triangle, cell and height of every cell that triangles cover, row by row."""
    x = (corners[:, :, 0] - box.low_x_mm) / box.step_x_mm
    y = (corners[:, :, 1] - box.low_y_mm) / box.step_y_mm
    z = corners[:, :, 2]
    ax, ay = x[:, 1] - x[:, 0], y[:, 1] - y[:, 0]
    bx, by = x[:, 2] - x[:, 0], y[:, 2] - y[:, 0]
    area = ax * by - ay * bx
    first = np.maximum(np.ceil(y.min(axis=1)), 0.0).astype(np.intp)
    last = np.minimum(np.floor(y.max(axis=1)), box.rows - 1.0).astype(np.intp)
    there = (last >= first) & (x.max(axis=1) >= 0.0) & (x.min(axis=1) <= box.columns - 1.0)
    there &= np.abs(area) > 1e-12
    used = np.flatnonzero(there)
    if not len(used):
        return
    slope = np.zeros((len(corners), 2))
    az, bz = z[used, 1] - z[used, 0], z[used, 2] - z[used, 0]
    slope[used, 0] = (az * by[used] - bz * ay[used]) / area[used]
    slope[used, 1] = (bz * ax[used] - az * bx[used]) / area[used]
    many = (last - first + 1)[used]
    wide = np.minimum(np.ptp(x[used], axis=1) + 1.0, box.columns)
    ends = np.cumsum(many * wide)
    starts = [0, *np.searchsorted(ends, np.arange(PIECE_CELLS, ends[-1], PIECE_CELLS)).tolist()]
    for low, high in zip(starts, [*starts[1:], len(used)], strict=True):
        part, count = used[low:high], many[low:high]
        if not len(part):
            continue
        triangle = np.repeat(part, count)
        row = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[triangle]
        left, right = _crossed(x[triangle], y[triangle], row.astype(float))
        begin = np.maximum(np.ceil(left - 1e-9), 0.0)
        end = np.minimum(np.floor(right + 1e-9), box.columns - 1.0)
        run = np.maximum(end - begin + 1.0, 0.0).astype(np.intp)
        triangle, row = np.repeat(triangle, run), np.repeat(row, run)
        column = np.arange(run.sum()) - np.repeat(np.cumsum(run) - run, run)
        column = column + np.repeat(begin.astype(np.intp), run)
        height = z[triangle, 0] + slope[triangle, 0] * (column - x[triangle, 0])
        height += slope[triangle, 1] * (row - y[triangle, 0])
        yield triangle, column * box.rows + row, height


def _crossed(x: FloatArray, y: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where a row enters and leaves triangles, N of each."""
    left, right = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for i in range(3):
        j = (i + 1) % 3
        low, high = np.minimum(y[:, i], y[:, j]), np.maximum(y[:, i], y[:, j])
        meets = (row >= low) & (row <= high)
        run = y[:, j] - y[:, i]
        share = np.where(run == 0.0, 0.0, (row - y[:, i]) / np.where(run == 0.0, 1.0, run))
        at = x[:, i] + share * (x[:, j] - x[:, i])
        flat = meets & (run == 0.0)
        left = np.where(meets, np.minimum(left, at), left)
        right = np.where(meets, np.maximum(right, at), right)
        right = np.where(flat, np.maximum(right, x[:, j]), right)
        left = np.where(flat, np.minimum(left, x[:, j]), left)
    return left, right


def lifted(corners_mm: FloatArray, points_mm: FloatArray, triangle: IntArray) -> FloatArray | None:
    """Return points on facets moved on to the surface that the facets stand for, shape (N, 3).

    Over a facet with corners v and normals n of the surface there, a point with barycentric
    coordinates u moves by half the sum of u ((v - p) n) n: exact for arcs to second order, and in
    the middle of an arc's facet once divided by c (1 + c) / 2, c the cosine of half the angle
    between the normals. The normals are means of the facets around, weighted as is exact for a
    sphere (N. Max, J. Graphics Tools 4 (1999) 2); facets past an edge of the drawing do not count.
    None where the facets are too many for a drawing's.
    """
    if len(corners_mm) > MOST_LIFTED:
        return None
    normal = _corner_normals(corners_mm)
    alike = np.min(np.sum(normal * np.roll(normal, 1, axis=1), axis=2), axis=1)
    cosine = np.sqrt(0.5 + 0.5 * np.clip(alike, 0.0, 1.0))
    half = 1.0 / (cosine * (1.0 + cosine))
    part = corners_mm[triangle]
    share = _barycentric(part, points_mm)
    moved = np.zeros_like(points_mm)
    for i in range(3):
        off = np.einsum("nc,nc->n", part[:, i] - points_mm, normal[triangle, i])
        moved += (half[triangle] * share[:, i] * off)[:, None] * normal[triangle, i]
    return points_mm + moved


def _barycentric(corner: FloatArray, point: FloatArray) -> FloatArray:
    """Return the barycentric coordinates of points on triangles, in plan, shape (N, 3)."""
    a, b = corner[:, 1, :2] - corner[:, 0, :2], corner[:, 2, :2] - corner[:, 0, :2]
    p = point[:, :2] - corner[:, 0, :2]
    area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    second = (p[:, 0] * b[:, 1] - p[:, 1] * b[:, 0]) / area
    third = (a[:, 0] * p[:, 1] - a[:, 1] * p[:, 0]) / area
    share = np.clip(np.column_stack([1.0 - second - third, second, third]), 0.0, 1.0)
    return np.asarray(share / share.sum(axis=1, keepdims=True))


def _corner_normals(corner: FloatArray) -> FloatArray:
    """Return the surface's upward normal at each corner of each facet, shape (T, 3, 3)."""
    facets = len(corner)
    ahead, back = np.roll(corner, -1, axis=1) - corner, np.roll(corner, 1, axis=1) - corner
    cross = np.cross(ahead, back)
    sign = np.where(cross[:, :1, 2:] < 0.0, -1.0, 1.0)
    cross = cross * sign
    square = np.sum(ahead**2, axis=2) * np.sum(back**2, axis=2)
    pull = (cross / np.maximum(square, 1e-30)[:, :, None]).reshape(-1, 3)
    double = np.linalg.norm(cross, axis=2)
    own = (cross / np.maximum(double, 1e-30)[:, :, None]).reshape(-1, 3)
    longest = np.sqrt(np.sum(ahead**2, axis=2).max(axis=1))
    width = np.repeat(double[:, 0] / np.maximum(longest, 1e-30), 3)
    key = np.round(corner.reshape(-1, 3) / SAME_CORNER_MM).astype(np.int64)
    order = np.lexsort(key.T)
    same = (np.diff(key[order], axis=0) == 0).all(axis=1)
    total = pull.copy()
    run = same.copy()
    for step in range(1, MOST_AROUND):
        if not run.any():
            break
        at = np.flatnonzero(run)
        one, two = order[at], order[at + step]
        smooth = _smooth(own, width, one, two)
        one, two = one[smooth], two[smooth]
        np.add.at(total, one, pull[two])
        np.add.at(total, two, pull[one])
        run = run[:-1] & same[step:] if len(run) > 1 else run[:0]
    unit = total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-30)
    name = np.empty(len(order), dtype=np.intp)
    name[order] = np.concatenate([[0], np.cumsum(~same)])
    return _carried_on(corner, own, width, unit, name).reshape(facets, 3, 3)


def _smooth(own: FloatArray, width: FloatArray, one: IntArray, two: IntArray) -> BoolArray:
    """Say whether the surface runs on smoothly from one facet to another, by their corners."""
    cosine = np.sum(own[one] * own[two], axis=1)
    wide, narrow = np.maximum(width[one], width[two]), np.minimum(width[one], width[two])
    alike = (wide < LIKE_WIDTHS * narrow) | (cosine > np.cos(LIKE_RAD))
    alike |= np.where(width[one] > width[two], own[one, 2], own[two, 2]) < LEVEL
    return np.asarray((cosine > np.cos(CREASE_RAD)) & alike)


def _carried_on(
    corner: FloatArray, own: FloatArray, width: FloatArray, normal: FloatArray, name: IntArray
) -> FloatArray:
    """Return corner normals, shape (3 T, 3), that turn on towards the edges of a drawing.

    At an edge only the facet itself tells the normal; the surface turns on there as it does from
    the opposite corner to the middle of the facet. `name` says which corners are one.
    """
    number = np.arange(len(own)).reshape(-1, 3)
    one, two, third = number.ravel(), np.roll(number, -1, 1).ravel(), np.roll(number, 1, 1).ravel()
    low, high = np.minimum(name[one], name[two]), np.maximum(name[one], name[two])
    order = np.lexsort((high, low))
    pair = (low[order][1:] == low[order][:-1]) & (high[order][1:] == high[order][:-1])
    first, second = order[:-1][pair], order[1:][pair]
    smooth = _smooth(own, width, one[first], one[second])
    edge = np.ones(len(one), dtype=bool)
    edge[first[smooth]] = edge[second[smooth]] = False
    edge &= own[one, 2] > UPRIGHT  # end faces and undersides carry nothing on
    one, two, third = one[edge], two[edge], third[edge]
    # wide and narrow facets about one corner turn on by themselves
    least = np.full(name.max() + 1, np.inf)
    np.minimum.at(least, name, width)
    name = 2 * name + ((width > np.sqrt(LIKE_WIDTHS) * least[name]) & (own[:, 2] > LEVEL))
    place = corner.reshape(-1, 3)
    inward = np.cross(own[one], place[two] - place[one])
    inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-30)
    turn = np.sum((own[one] - normal[third]) * inward, axis=1, keepdims=True) * inward
    total, facing = np.zeros((name.max() + 1, 3)), np.zeros((name.max() + 1, 3))
    count = np.zeros(len(total))
    for end in (one, two):
        np.add.at(total, name[end], turn)
        np.add.at(facing, name[end], own[end])
        np.add.at(count, name[end], 1.0)
    facing /= np.maximum(np.linalg.norm(facing, axis=1, keepdims=True), 1e-30)
    takes = (count[name] > 0.0) & (np.sum(own * facing[name], axis=1) > np.cos(CREASE_RAD))
    more = np.where(takes[:, None], total[name] / np.maximum(count[name], 1.0)[:, None], 0.0)
    turned = normal + more
    size = np.linalg.norm(turned, axis=1, keepdims=True)
    return np.asarray(turned / np.maximum(size, 1e-30))  # a facet of no area has no normal

"""The centre line of a board, from its edges.

The crest of the radius cannot serve: on a round board every line along it is the crest of some
tilt, and the tilt of the scanner is not known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray

EDGE_BLOCKS = 10
"""Blocks along the neck from whose scatter the centre line's uncertainty is taken."""


@dataclass(frozen=True, slots=True)
class CentreLine:
    """A line along the neck in plan: y = side + x tan(turn)."""

    side_mm: float  # where it crosses x = 0 [mm], and its direction [rad]
    turn_rad: float
    # standard uncertainties of its place at the middle of the neck and of its direction
    side_u_mm: float
    turn_u_rad: float


@dataclass(frozen=True, slots=True)
class Bands:
    """Where the board's two edges lie in N bands along the neck."""

    x_mm: FloatArray  # middle of each band [mm], shape (N,)
    low_mm: FloatArray  # edges on the side of smaller and of larger y [mm], shape (N,)
    high_mm: FloatArray

    @property
    def middle_mm(self) -> FloatArray:
        """Middle between the edges [mm], shape (N,)."""
        return 0.5 * (self.low_mm + self.high_mm)

    @property
    def width_mm(self) -> FloatArray:
        """Distance of the edges [mm], shape (N,)."""
        return self.high_mm - self.low_mm


def board_edges(points_mm: FloatArray, low_mm: float, high_mm: float) -> Bands:
    """Return the edges of what lies level with the board, in bands along the neck."""
    points, low, high = points_mm, low_mm, high_mm
    inside = (points[:, 0] > low) & (points[:, 0] < high)
    # fine bands: a raster shows the edge in steps, which average out only if each step is cut
    count = max(5, min(int(high - low), int(inside.sum()) // 300))
    x, y, z = points[inside].T
    # what lies deep under the board's middle is no board (a body, a table)
    level = np.abs(z - np.median(z)) < 4.0
    x, y = x[level], y[level]
    band = np.minimum(((x - low) / (high - low) * count).astype(np.intp), count - 1)
    order = np.lexsort((y, band))
    number = np.bincount(band, minlength=count)
    start = np.cumsum(number) - number
    full = number > 20
    first = y[order][np.minimum(start, len(y) - 1)][full]
    last = y[order][np.minimum(start + number - 1, len(y) - 1)][full]
    centre = low + (np.arange(count)[full] + 0.5) * (high - low) / count
    return Bands(centre, first, last)


def straight_centre(x_mm: FloatArray, middle_mm: FloatArray) -> CentreLine:
    """Return the robust straight line through the middles of bands."""
    pivot = float(x_mm.mean())
    design = np.column_stack([np.ones_like(x_mm), x_mm - pivot])
    kept = np.ones(len(x_mm), dtype=bool)
    for _ in range(4):
        solution = np.linalg.lstsq(design[kept], middle_mm[kept], rcond=None)[0]
        off = np.abs(middle_mm - design @ solution)
        # a raster makes the edges jump by its step: that averages out and is no outlier
        kept = off <= max(0.3, 3.0 * 1.4826 * float(np.median(off)))
    # neighbouring bands err alike (a raster shows the edge in steps), so the scatter is taken from
    # the means of a few long blocks, which hold many steps each
    signed = (middle_mm - design @ solution)[kept]
    count = min(EDGE_BLOCKS, len(signed))
    means = np.array([block.mean() for block in np.array_split(signed, count)])
    side_u = float(np.sqrt(np.sum(means**2) / max(1, count - 2) / count))
    slope = float(solution[1])
    return CentreLine(
        float(solution[0]) - slope * pivot,
        float(np.arctan(slope)),
        side_u,
        side_u * float(np.sqrt(12.0)) / max(float(np.ptp(x_mm)), 1.0),
    )

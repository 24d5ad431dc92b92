"""A mesh as points that are seen from above, on the surface that its facets stand for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.instrument import Specification
from evenfall.instrument.geometry import crown_radius_mm
from evenfall.scans.crown_kind import ROOF_SHARE
from evenfall.scans.gather import saddle_box
from evenfall.scans.surface import Cloud, sample_indices
from evenfall.scans.visible import CREASE_RAD, Box, lifted, places_of, seen_cells

if TYPE_CHECKING:
    from evenfall.scans.orientation import Located

STEP_MM = (0.05, 0.3)
"""Steps along and across the neck at which a mesh is turned into points."""

SADDLE_STEP_MM = (0.1, 0.3)
"""The same about the saddle."""

UNDER_MM = 6.0
"""Triangles this far under the board are not seen from above."""

BESIDE_MM = 2.0
"""The map of a mesh reaches as far past the board's sides."""

SAMPLES = 250_000
"""Points from which the guesses of board and crowns are made."""

CAP_SHARE = 0.3
"""Facets are looked at over this share of a crown's width on each side of its middle."""


LEVEL_RAD = np.deg2rad(5.0)
"""A facet that leans less across a crown is level."""

LEFT_SHARE = 0.015
"""Share of what was put back on facets that stays as standard uncertainty: about what was left on
crowns of 8 to 60 facets over boards of 6 to 90 (`tests/scans/test_whole_necks.py`)."""


LEAST_U_MM = 0.0001
"""And what the digits of a file and the facets of the board leave in any case [mm]."""


@dataclass(frozen=True, slots=True)
class Facets:
    """What the facets of F crowns are like."""

    width_mm: FloatArray  # median width of a facet across the crown, shape (F,)
    # how far the facets cut under the surface that they stand for, by the turn between neighbouring
    # ones: of nine in ten points on the crown no more, shape (F,)
    sagitta_mm: FloatArray
    # whether the two facets that meet on top reach down the flanks: an edge of the drawing, not one
    # that narrow facets round off, shape (F,)
    sharp: BoolArray
    # how far an arc would stand over a level facet that ends in edges of the drawing: whether a bar
    # is meant or a round crown in three facets cannot be seen, shape (F,)
    edge_mm: FloatArray

    @property
    def u_mm(self) -> FloatArray:
        """Standard uncertainty of each crown's top from its facets [mm], shape (F,)."""
        return np.hypot(LEFT_SHARE * self.sagitta_mm, LEAST_U_MM)


def _seen_in(corner: FloatArray, box: Box) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return the triangles about a map, the points of it that they show, and which shows each."""
    low = np.array([box.low_x_mm, box.low_y_mm])
    high = low + np.array([box.columns * box.step_x_mm, box.rows * box.step_y_mm])
    near = (corner[:, :, :2].max(axis=1) >= low).all(axis=1)
    near &= (corner[:, :, :2].min(axis=1) <= high).all(axis=1)
    near_ones = corner[near]
    cells, height, owner = seen_cells(near_ones, box)
    return near_ones, np.column_stack([places_of(cells, box), height]), owner


def _over_level(corner: FloatArray, across: FloatArray) -> float:
    """Return how far an arc would stand over the level facets among some that end in edges."""
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    turned = np.arctan2(np.abs(normal[:, 0]), np.abs(normal[:, 2]))
    level, other = turned < LEVEL_RAD, turned >= LEVEL_RAD
    if not level.any() or not other.any():
        return 0.0
    turn = float(turned[other].min())
    wide = float(np.median(np.ptp(across[level], axis=1)))
    return 0.5 * wide * float(np.tan(0.25 * turn)) if turn > CREASE_RAD else 0.0


def _sharp(across: FloatArray, height: FloatArray, reach: float) -> bool:
    """Say whether facets, shape (T, 3), that meet at the highest corners reach so far across."""
    wide = np.ptp(across, axis=1) > reach
    if not wide.any():
        return False
    corner = np.argmax(height[wide], axis=1)
    place = np.take_along_axis(across[wide], corner[:, None], axis=1)[:, 0]
    return bool(np.ptp(np.quantile(place, [0.05, 0.95])) < 0.1 * reach)


def seen_only(located: Located, specification: Specification) -> Located:
    """Return a scan with its mesh as points that are seen from above; measured points stay."""
    surface = located.surface
    if not isinstance(surface, Cloud) or surface.corners is None:
        return located
    orientation, board = located.orientation, specification.board
    corner = orientation.to_neck(surface.corners.reshape(-1, 3)).reshape(-1, 3, 3)
    half = 0.5 * max(board.width_nut_mm, board.width_last_mm) + BESIDE_MM
    tip = half * float(np.nanmax(np.abs(orientation.fret_lean_slope)))
    last = float(np.nanmax(orientation.fret_x_mm))
    low, high = (-8.0 - tip, -half), (last + 20.0 + tip, half)
    box = Box.over(low, high, STEP_MM)
    level = float(np.quantile(located.sample_mm[:, 2], 0.05)) - UNDER_MM
    corner = corner[corner[:, :, 2].max(axis=1) > level]
    saddle = saddle_box(specification)
    _, beyond, _ = _seen_in(corner, Box.over(tuple(saddle[0]), tuple(saddle[1]), SADDLE_STEP_MM))
    corner, points, owner = _seen_in(corner, box)
    height = points[:, 2]
    found = lifted(corner, points, owner)
    raised = points if found is None else found
    lift = raised[:, 2] - height
    lines = orientation.fret_lines
    width, sagitta, edge = np.zeros((3, specification.frets))
    sharp = np.zeros(specification.frets, dtype=bool)
    wire = specification.fretwire
    reach = CAP_SHARE * wire.crown_width_mm
    radius = crown_radius_mm(wire.crown_height_mm, wire.crown_width_mm)
    for j in np.flatnonzero(np.isfinite(lines.base_mm)).tolist():
        on = np.flatnonzero(np.abs(lines.off_mm(j, points[:, 0], points[:, 1])) < reach)
        if not len(on):
            continue
        on = on[np.abs(height[on] - np.median(height[on])) < wire.crown_height_mm]  # no strings
        used = np.unique(owner[on])
        across = corner[used, :, 0] - lines.lean_slope[j] * corner[used, :, 1]
        across *= lines.cosine[j]
        width[j] = float(np.median(np.ptp(across, axis=1)))
        sagitta[j] = float(np.quantile(np.abs(lift[on]), 0.9))
        sharp[j] = _sharp(across, corner[used, :, 2], ROOF_SHARE * wire.crown_width_mm)
        edge[j] = _over_level(corner[used], across)
        if found is None:
            sagitta[j] = width[j] ** 2 / (8.0 * radius * LEFT_SHARE)
    file = (np.concatenate([raised, beyond]) + orientation.origin_mm) @ np.linalg.inv(
        orientation.axes
    ).T
    return replace(
        located,
        surface=Cloud(file / orientation.factor_mm),
        sample_mm=raised[sample_indices(len(raised), SAMPLES)],
        facets=Facets(width, sagitta, sharp, edge),
    )

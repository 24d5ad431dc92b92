"""What lies over a board and is neither fret nor string: a hand, a capo, a cloth.

Under it nothing was measured. Its points are left out before any crown is fitted, so that no crown
is found on it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import At, Finding

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.scans.orientation import Located, Orientation
    from evenfall.scans.surface import Surface

CELL_MM = 2.0
"""Cells in which it is looked for: between two strings one at least shows no string."""

HIGH_MM = 3.0
"""It stands over the board by more than any crown, camber or relief."""

LONG_CELLS, WIDE_CELLS = 2, 6
"""And over so many neighbouring cells along and across the neck: a string is narrower."""

BESIDE_CELLS = 1
"""Its flanks reach so much further."""

HIDDEN_SHARE = 0.5
"""A fret is not seen where more of its length than this is covered."""


@dataclass(frozen=True, slots=True)
class Uncovered:
    """A scan without the points in some cells of the neck's plan; they count as missing."""

    surface: Surface
    orientation: Orientation
    low_mm: FloatArray  # corner of the first cell in the neck's plan [mm], shape (2,)
    hidden: BoolArray  # which cells are left out, shape (columns, rows)

    @property
    def count(self) -> int:
        """Number of points, missing ones included."""
        return self.surface.count

    def pick(self, index: IntArray) -> FloatArray:
        """Return some points, shape (M, 3)."""
        return self._without(self.surface.pick(index))

    def piece(self, low: int, high: int) -> FloatArray:
        """Return a run of points as columns, shape (3, M)."""
        return np.ascontiguousarray(self._without(self.surface.piece(low, high).T).T)

    def _without(self, points: FloatArray) -> FloatArray:
        points = points.copy()
        points[self.hides(self.orientation.to_neck(points))] = np.nan
        return points

    def hides(self, place_mm: FloatArray) -> BoolArray:
        """Say which points in the neck's frame are left out."""
        with np.errstate(invalid="ignore"):
            off = np.floor((place_mm[:, :2] - self.low_mm) / CELL_MM)
            inside = ((off >= 0) & (off < self.hidden.shape)).all(axis=1)  # false for NaN
        found = np.zeros(len(place_mm), dtype=bool)
        column, row = off[inside].astype(np.intp).T
        found[inside] = self.hidden[column, row]
        return found


def without_covers(located: Located, specification: Specification) -> Located:
    """Return a scan without what covers its board, and a finding of which frets it hides."""
    place, board, lines = located.sample_mm, specification.board, located.orientation.fret_lines
    half = 0.5 * max(board.width_nut_mm, board.width_last_mm)
    last = float(np.nanmax(lines.base_mm))
    over = (place[:, 0] > 0.0) & (place[:, 0] < last + CELL_MM) & (np.abs(place[:, 1]) < half)
    if not over.any():
        return located
    x, y, z = place[over].T
    low = np.array([0.0, -half])
    shape = (int((last + CELL_MM) / CELL_MM) + 1, int(2.0 * half / CELL_MM) + 1)
    column, row = (x / CELL_MM).astype(np.intp), ((y + half) / CELL_MM).astype(np.intp)
    cell = column * shape[1] + row
    count = np.bincount(cell, minlength=shape[0] * shape[1])
    # of an instrument that lies on its body the board slopes
    with np.errstate(invalid="ignore"):
        height = (np.bincount(cell, z, len(count)) / count).reshape(shape)
    rise = _slope(height)
    roll = _slope((height - rise * np.arange(shape[0])[:, None]).T)
    stands = z - (rise * x + roll * y) / CELL_MM
    stands -= np.median(stands)
    height = np.bincount(cell, stands, len(count)) / np.maximum(count, 1)
    # all of a cell's points: under a string the board is not seen, beside it it is
    least = np.full(len(count), np.inf)
    np.minimum.at(least, cell, stands)
    high = ((count > 0) & (least > HIGH_MM)).reshape(shape)
    if not high.any():
        return located
    from scipy.ndimage import binary_dilation, binary_opening  # most boards are clear: seldom asked

    block = binary_opening(high, np.ones((LONG_CELLS, WIDE_CELLS)))
    if not block.any():
        return located
    hidden = binary_dilation(block, np.ones((3, 3)), BESIDE_CELLS)
    surface = Uncovered(located.surface, located.orientation, low, hidden)
    columns = np.flatnonzero(block.any(axis=1))
    frets = _hide_frets(lines.base_mm, lines.lean_slope, low, hidden)
    told = Finding(
        "covered",
        "Something up to {height:size} high lies over the board between {start:size} and "
        "{end:size} from the nut, broader than a string: a hand, a capo, a cloth. It was left out, "
        "and with it {frets:frets}; take it off and scan again."
        if frets
        else "Something up to {height:size} high lies over the board between {start:size} and "
        "{end:size} from the nut, broader than a string: a hand, a capo, a cloth. It was left out; "
        "take it off and scan again to see the board under it.",
        At(frets=tuple(frets)),
        height=float(height.reshape(shape)[block].max()),
        start=float(columns.min()) * CELL_MM,
        end=float(columns.max() + 1) * CELL_MM,
        frets=tuple(frets),
    )
    base = lines.base_mm.copy()
    base[np.array(frets, dtype=np.intp) - 1] = np.nan
    if not np.isfinite(base).any():
        return located
    return replace(
        located,
        surface=surface,
        orientation=replace(located.orientation, fret_x_mm=base),
        sample_mm=place[~surface.hides(place)],
        findings=(*located.findings, told),
    )


def _slope(height: FloatArray) -> float:
    """Return by how much cells rise from one row of a map to the next, whatever covers some."""
    seen = np.flatnonzero(np.isfinite(height).any(axis=1))
    if len(seen) < 2:
        return 0.0
    middle = np.nanmedian(height[seen], axis=1)
    one, two = np.triu_indices(len(seen), 1)
    return float(np.median((middle[two] - middle[one]) / (seen[two] - seen[one])))


def _hide_frets(
    base: FloatArray, lean: FloatArray, low: FloatArray, hidden: BoolArray
) -> list[int]:
    """Hide what is left of the frets of which too much is hidden; return their numbers."""
    y = low[1] + (np.arange(hidden.shape[1]) + 0.5) * CELL_MM
    found = []
    for j in np.flatnonzero(np.isfinite(base)).tolist():
        column = ((base[j] + lean[j] * y - low[0]) / CELL_MM).astype(np.intp)
        rows = np.flatnonzero((column > 0) & (column < hidden.shape[0] - 1))
        if len(rows) and float(hidden[column[rows], rows].mean()) > HIDDEN_SHARE:
            found.append(j + 1)
            for beside in (-1, 0, 1):
                hidden[column[rows] + beside, rows] = True
    return found

"""Strings that a scan shows, told from dirt: narrow, over the string lines, from fret to fret."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import string_lines
from evenfall.scans.gather import CELL_MM

if TYPE_CHECKING:
    from evenfall.arrays import BoolArray
    from evenfall.instrument import Specification
    from evenfall.scans.gather import Gathered

BESIDE_MM = 1.2
"""A string lies no further than this beside its line, its own half width apart."""

LEAST_LONG_MM = 30.0
"""So much of a string is seen at least, between frets and lower than what counts as wild."""

LEAST_SHARE = 0.3
"""Share of a cell's points that lie on the string; wild points are fewer."""

LEAST_SPACES = 3
"""And in so many spaces between frets."""


def string_cells(gathered: Gathered, specification: Specification) -> tuple[list[int], BoolArray]:
    """Return which strings (from 0) a scan shows, and their cells, shape (columns, rows)."""
    grid, lines = gathered.grid, string_lines(specification)
    shape = (grid.columns, grid.rows)
    high, low = (c.reshape(shape) for c in (gathered.cells.high_count, gathered.cells.count))
    taken = np.zeros(shape, dtype=bool)
    found = []
    space = np.searchsorted(lines.x_mm[:, 1:].mean(axis=0), grid.x_mm)
    on_board = (grid.x_mm > 1.0) & (grid.x_mm < float(lines.x_mm[:, -1].max()))
    for k, string in enumerate(specification.strings):
        run = (lines.y_mm[k, -1] - lines.y_mm[k, 0]) / (lines.x_mm[k, -1] - lines.x_mm[k, 0])
        middle = lines.y_mm[k, 0] + run * (grid.x_mm - lines.x_mm[k, 0])
        reach = BESIDE_MM + 0.5 * string.gauge_mm
        near = np.abs(grid.y_mm[None, :] - middle[:, None]) < reach
        here = near & (high >= 2.0) & (high > LEAST_SHARE * (high + low))
        columns = here.any(axis=1) & on_board
        long = float(columns.sum()) * CELL_MM
        if long >= LEAST_LONG_MM and len(np.unique(space[columns])) >= LEAST_SPACES:
            found.append(k)
            taken |= near
    return found, taken

"""What there is before a cut: the profile of a fret as found."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.work.crown_lines import CrownLine


def stock_profile(crown: CrownLine, t_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
    """Return a crown as found across it: new wire, worn down flat to its height, (T, S) [mm]."""
    top, board = crown.found(t_mm), crown.board(t_mm)
    r, s = crown.wire_radius_mm, np.minimum(np.abs(s_mm), crown.wire_half_mm)
    arc = np.sqrt(r * r - s * s) - math.sqrt(r * r - crown.wire_half_mm**2)
    if r < crown.wire_half_mm:
        arc = np.sqrt(np.maximum(r * r - s * s, 0.0))
    new = float(arc.max())
    high = (top - board)[:, None]
    # a crown higher than new wire stands proud of the board as a whole
    shaped = np.minimum(board[:, None] + np.maximum(high - new, 0.0) + arc, top[:, None])
    return np.where(np.abs(s_mm) < crown.wire_half_mm, shaped, board[:, None])

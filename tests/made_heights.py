"""Measurements with some of their heights, uncertainties or origins replaced by name."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.measurement import Shared

if TYPE_CHECKING:
    from evenfall.measurement import Heights, Measurement

_PARTS = {"mm": "height_mm", "u_mm": "own_u_mm", "origin": "origin"}
_COLUMNS = {"nut": 0, "crown_top": slice(1, -1), "saddle": -1}


def changed_heights(heights: Heights, **what: Any) -> Heights:
    """Return the heights with e.g. `nut_u_mm` or `crown_top_mm` replaced."""
    arrays = {part: np.array(getattr(heights, part)) for part in _PARTS.values()}
    for name, value in what.items():
        column = next(c for c in _COLUMNS if name.startswith(f"{c}_"))
        arrays[_PARTS[name.removeprefix(f"{column}_")]][:, _COLUMNS[column]] = value
    return replace(heights, **arrays)


def changed(measurement: Measurement, **what: Any) -> Measurement:
    """Return the readings with some of them replaced, heights too."""
    names = [name for name in what if name.startswith(("nut_", "crown_top_", "saddle_"))]
    heights = what.pop("heights", measurement.heights)
    heights = changed_heights(heights, **{name: what.pop(name) for name in names})
    return replace(measurement, heights=heights, **what)


def converted(measurement: Measurement, bow_mm_per_mm: Any, relief_u_mm: float) -> Measurement:
    """Return the readings with the uncertainty of a conversion to playing tension."""
    effect = relief_u_mm * np.pad(bow_mm_per_mm, ((0, 0), (1, 1)))
    heights = measurement.heights.sharing(Shared("conversion", "all", effect))
    return replace(measurement, heights=heights)

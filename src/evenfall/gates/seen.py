"""What the gates look at, worked out once from specification, readings and level line."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.neck.level_line import LevelLine
from evenfall.neck.wear import scatter_u_mm, wear_read
from evenfall.strings.clearance import open_gap_weights

MOSTLY = 0.7
"""Share of the crowns that have to be read before the sheet is judged as a whole."""


@dataclass(frozen=True)
class Seen:
    """One set of readings of K strings over F frets."""

    specification: Specification
    measurement: Measurement
    level: LevelLine | None  # None where not every crown that it needs is there
    # the same with crowns as high as before known work, for what was filed is no wear
    unfiled: Measurement | None = None

    @cached_property
    def lines(self) -> StringLines:
        """Where the strings run."""
        return string_lines(self.specification)

    @property
    def top_mm(self) -> FloatArray:
        """Crown tops, NaN where missing, (K, F)."""
        return self.measurement.crown_top_mm

    @cached_property
    def read(self) -> BoolArray:
        """Which crown tops were read over a datum, (K, F)."""
        return np.asarray(self.measurement.heights.origin[:, 1:-1] == Origin.READ)

    @cached_property
    def known(self) -> BoolArray:
        """Which crown tops were read or follow from readings, (K, F)."""
        origin = self.measurement.heights.origin[:, 1:-1]
        return np.asarray(self.read | (origin == Origin.DERIVED)) & np.isfinite(self.top_mm)

    @cached_property
    def u_mm(self) -> FloatArray:
        """Standard uncertainty of the crown tops by which they scatter about a line, (K, F)."""
        return np.fmax(scatter_u_mm(self.measurement.heights), LEAST_U_MM)

    @cached_property
    def usual_u_mm(self) -> float:
        """The median of it over the crowns that are known; the least there is without any."""
        return float(np.median(self.u_mm[self.known])) if self.known.any() else LEAST_U_MM

    @property
    def mostly_read(self) -> bool:
        """Whether so many crowns were read over a datum that the sheet can be judged as a whole."""
        return bool(self.read.sum() > MOSTLY * self.read.size)

    @cached_property
    def worn_mm(self) -> FloatArray:
        """Wear that was read, beyond the neck's usual; 0 where none was, (K, F)."""
        return wear_read(self.specification, self.unfiled or self.measurement)[0]

    @cached_property
    def off_mm(self) -> FloatArray:
        """Crowns off the neck's own line, wear put back, NaN where not known, (K, F).

        A tongue that rises past the joint counts as the neck's own here.
        """
        assert self.level is not None  # noqa: S101 (asked for by gates that have the line)
        off = self.top_mm + self.worn_mm - self.level.smooth_mm
        return np.where(self.known, off, np.nan)

    @cached_property
    def gap_weights(self) -> FloatArray:
        """Weights of a string's heights in the gap of the open string at each fret."""
        frets = range(1, self.specification.frets + 1)
        return np.stack([open_gap_weights(self.lines, fret) for fret in frets], axis=1)

    @cached_property
    def gap_mm(self) -> FloatArray:
        """Gap of the open string over each crown, NaN where a height is missing, (K, F)."""
        height = self.measurement.heights.height_mm
        gap = (self.gap_weights * np.nan_to_num(height)[:, None, :]).sum(axis=-1)
        ends = np.isfinite(height[:, 0] + height[:, -1])
        return np.where(self.known & ends[:, None], gap, np.nan)

    @cached_property
    def gap_u_mm(self) -> FloatArray:
        """Standard uncertainty of that gap, (K, F)."""
        heights = self.measurement.heights
        u = [heights.u_mm(weights, k) for k, weights in enumerate(self.gap_weights)]
        return np.fmax(np.array(u), LEAST_U_MM)

    def between_u_mm(self, fret: int, weights: dict[int, float]) -> float:
        """Return the uncertainty of a sum of crowns on one fret (from 0), weights by string."""
        whole = np.zeros_like(self.measurement.heights.height_mm)
        for k, weight in weights.items():
            whole[k, fret + 1] = weight
        least = LEAST_U_MM * float(np.sqrt(sum(w * w for w in weights.values())))
        return max(float(self.measurement.heights.u_mm(whole)), least)

"""One neck as it truly is: true heights, which of its frets are off, and how it bows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import string_lines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.neck import default_bow
from evenfall.strings.clearance import buzz_force, open_gap_mm, rest_clearance_mm
from necks.kinds import table

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification, StringLines
    from evenfall.neck import Bow


@dataclass(frozen=True)
class Neck:
    """A true neck of K strings over F frets, all heights over one straight datum [mm]."""

    specification: Specification
    nut_mm: FloatArray  # (K,)
    crown_top_mm: FloatArray  # (K, F)
    saddle_mm: FloatArray  # (K,)
    crown_height_mm: FloatArray  # (K, F), over the board
    off_mm: FloatArray  # (K, F), how far each crown is off a level fret; roughness is not in it
    bow_mm_per_mm: FloatArray  # (K, F), what the rod does to the crowns, as `Bow.frets`
    relief_mm: float  # of the bow alone: no arch, hump or end that falls away is in it
    serial: str = "UY-0000 (invented)"

    @cached_property
    def lines(self) -> StringLines:
        return string_lines(self.specification)

    @cached_property
    def bow(self) -> Bow:
        return default_bow(self.specification, self.lines)

    @property
    def height_mm(self) -> FloatArray:
        """Nut, crowns and saddle side by side, shape (K, F + 2)."""
        return np.column_stack([self.nut_mm, self.crown_top_mm, self.saddle_mm])

    @property
    def level_mm(self) -> FloatArray:
        """Crowns of the same neck with every fret level, shape (K, F)."""
        return np.asarray(self.crown_top_mm - self.off_mm)

    def gap_mm(self, fret: int) -> FloatArray:
        """Gap of each open string over a fret, as a feeler would find it, shape (K,)."""
        heights = self.nut_mm, self.crown_top_mm, self.saddle_mm
        return open_gap_mm(self.lines, *heights, fret)

    @property
    def action_mm(self) -> FloatArray:
        return self.gap_mm(self.specification.scale.reference_fret)

    @property
    def first_fret_gap_mm(self) -> FloatArray:
        return self.gap_mm(1)

    def standing(self, least_mm: float = 0.02) -> frozenset[int]:
        """Frets with a crown that is off by so much, up or down."""
        off = (np.abs(self.off_mm) >= least_mm - 1e-9).any(axis=0)
        return frozenset((np.flatnonzero(off) + 1).tolist())

    def margin(self, *, level: bool = False) -> FloatArray:
        """Buzz force over the attack by stopped fret, of the neck or of level frets, (K, F)."""
        crowns = self.level_mm if level else self.crown_top_mm
        clear = rest_clearance_mm(self.lines, self.nut_mm, crowns, self.saddle_mm)
        clear = clear - self.specification.rule.extra_clearance_mm
        force = buzz_force(clear, table(self.specification)).force_n
        return np.asarray(force / np.array(self.specification.player.attack_n)[:, None])

    def moved(
        self,
        *,
        relief_mm: float = 0.0,
        nut_mm: FloatArray | float = 0.0,
        saddle_mm: FloatArray | float = 0.0,
        off_mm: FloatArray | float = 0.0,
    ) -> Neck:
        """Return the neck with its settings moved, and crowns raised (or, below 0, cut)."""
        bent = relief_mm * self.bow_mm_per_mm
        return replace(
            self,
            relief_mm=self.relief_mm + relief_mm,
            nut_mm=self.nut_mm + nut_mm,
            saddle_mm=self.saddle_mm + saddle_mm,
            crown_top_mm=self.crown_top_mm + bent + off_mm,
            crown_height_mm=self.crown_height_mm + np.minimum(off_mm, 0.0),
            off_mm=self.off_mm + off_mm,
        )


def strung(
    specification: Specification,
    line_mm: FloatArray,
    off_mm: FloatArray,
    *,
    crown_height_mm: FloatArray | float | None = None,
    action_mm: FloatArray | float | None = None,
    first_fret_gap_mm: FloatArray | float | None = None,
    bow_mm_per_mm: FloatArray | None = None,
    relief_mm: float | None = None,
    arched: bool = True,
) -> Neck:
    """Return a neck whose nut and saddle give these gaps over its level crowns.

    The level line and what stands off it have the shape (K, F); gaps are the targets' values if
    left out, the relief is that of the line. `arched`: the datum is one flat surface and the crowns
    lie on the board's arch; otherwise each string has a datum of its own along the arch.
    """
    lines = string_lines(specification)
    bow = default_bow(specification, lines)
    target, count = specification.target, specification.string_count
    reference = specification.scale.reference_fret
    height = specification.fretwire.crown_height_mm if crown_height_mm is None else crown_height_mm
    drop = board_drop_mm(specification, lines) if arched else np.zeros_like(lines.station_mm)
    level = line_mm - drop[:, 1:]

    def wanted(given: FloatArray | float | None, limits: tuple[object, ...]) -> FloatArray:
        asked = [limit.value_mm for limit in limits] if given is None else given  # type: ignore[attr-defined]
        return np.broadcast_to(np.asarray(asked, dtype=float), (count,))

    over_first = level[:, 0] + wanted(first_fret_gap_mm, target.first_fret_gap)
    over_reference = level[:, reference - 1] + wanted(action_mm, target.action)
    first, far = lines.station_mm[:, 1], lines.station_mm[:, reference]
    slope = (over_reference - over_first) / (far - first)
    nut = over_first - slope * first
    return Neck(
        specification=specification,
        nut_mm=nut,
        crown_top_mm=level + off_mm,
        saddle_mm=nut + slope * lines.saddle_station_mm,
        crown_height_mm=np.broadcast_to(np.asarray(height, dtype=float), level.shape).copy(),
        off_mm=np.broadcast_to(off_mm, level.shape).copy(),
        bow_mm_per_mm=bow.frets if bow_mm_per_mm is None else bow_mm_per_mm,
        relief_mm=bow.relief_mm(line_mm) if relief_mm is None else relief_mm,
    )

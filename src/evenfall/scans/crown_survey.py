"""What a scan says of an instrument's crowns, as data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.measurement import Scanned
from evenfall.scans.crown_line import REJECT_SIGMA

if TYPE_CHECKING:
    from evenfall.scans.board import Board
    from evenfall.scans.crown_kind import CrownSection
    from evenfall.scans.crown_line import CrownLine
    from evenfall.scans.nut_and_saddle import Ends
    from evenfall.scans.orientation import Orientation
    from evenfall.scans.strung import StringSeen


@dataclass(frozen=True, slots=True)
class Section:
    """The cross-section of one crown under one string, for its picture."""

    # distance of each point from the fret's line, towards the bridge [mm], shape (N,)
    across_mm: FloatArray
    height_mm: FloatArray  # its height over the crown's fitted top [mm], shape (N,)
    centre_mm: float  # where the fitted circle's centre lies across [mm]
    radius_mm: float  # its radius [mm]
    flat_width_mm: float  # width of the worn flat [mm]; 0 where the top is round or hidden
    fitted_half_mm: float  # points up to this far from the centre took part in the fit [mm]
    # how far along the fret from the string it was taken [mm]: 0 under it, else the nearest place
    # that the string does not hide
    beside_mm: float
    noise_mm: float  # standard deviation of single points about the fit [mm]
    # the mean section of a crown that is not round, which was fitted instead of a circle
    mean: CrownSection | None = None
    fitted_deep_mm: float = np.inf  # and none that the fit has deeper under the top than this [mm]

    @property
    def wild(self) -> BoolArray:
        """Which points lie too far from the fit to belong to the crown, shape (N,)."""
        off = np.abs(self.height_mm - self.fitted_mm(self.across_mm))
        return np.asarray(off >= REJECT_SIGMA * self.noise_mm)

    @property
    def near(self) -> BoolArray:
        """Which points lie on the part of the crown that is fitted, shape (N,)."""
        upper = self.fitted_mm(self.across_mm) >= -self.fitted_deep_mm
        return np.asarray((np.abs(self.across_mm - self.centre_mm) <= self.fitted_half_mm) & upper)

    @property
    def taken(self) -> BoolArray:
        """Which points took part in the fit, shape (N,)."""
        return self.near & ~self.wild

    def fitted_mm(self, across_mm: FloatArray) -> FloatArray:
        """Return the fitted crown over its own top [mm]."""
        if self.mean is not None:
            off = np.asarray(across_mm) - self.centre_mm + self.mean.top_across_mm
            return np.asarray(np.interp(off, self.mean.across_mm, self.mean.height_mm))
        radius = self.radius_mm
        half = min(0.5 * self.flat_width_mm, radius)
        sunk = arc_drop_mm(radius, half)
        off = np.minimum(np.abs(np.asarray(across_mm) - self.centre_mm), radius)
        return np.asarray(np.minimum(sunk - arc_drop_mm(radius, off), 0.0))


@dataclass(frozen=True, slots=True)
class CrownSurvey:
    """What a scan says of K strings over F frets; heights over one straight datum.

    Parameters
    ----------
    crown_top_mm, crown_top_u_mm, crown_top_origin
        Top of each crown on its string's line, standard uncertainty [mm] and `Origin`;
        shape (K, F).
    form_u_mm
        What of that uncertainty the crown of a fret has in common along it [mm], shape (F,).
    crown_radius_mm, crown_radius_u_mm
        Radius of the crown and its standard uncertainty [mm], shape (K, F).
    flat_width_mm, flat_width_u_mm
        Width of the worn flat, 0 where the top is round, NaN where hidden, and its standard
        uncertainty [mm], shape (K, F).
    height_mm, height_u_mm
        Height over the board on the nut's side and on the bridge's, and standard uncertainty [mm];
        shape (2, K, F).
    crown_lines
        The crown of each fret along its whole length; None where none was found.
    board
        The board between the frets.
    scanned
        Places and sections of the frets and the board's shape, as a measurement keeps them.
    strings
        The line of each string that the scan shows, over the datum; None of the others.
    ends
        Nut slots and saddle as far as the scan shows them, over the datum.
    sections
        Section under each string, K rows of F; None where hidden.
    orientation
        How the scan lies.
    noise_mm
        Standard deviation of single points about their crowns [mm].
    point_count
        Points used.
    facet_mm
        Width of the facets across the crowns of a mesh [mm]; 0 for measured points.
    """

    crown_top_mm: FloatArray
    crown_top_u_mm: FloatArray
    crown_top_origin: CodeArray
    form_u_mm: FloatArray
    crown_radius_mm: FloatArray
    crown_radius_u_mm: FloatArray
    flat_width_mm: FloatArray
    flat_width_u_mm: FloatArray
    height_mm: FloatArray
    height_u_mm: FloatArray
    crown_lines: tuple[CrownLine | None, ...]
    board: Board
    scanned: Scanned
    strings: tuple[StringSeen | None, ...]
    ends: Ends
    sections: tuple[tuple[Section | None, ...], ...]
    orientation: Orientation
    noise_mm: float
    point_count: int
    facet_mm: float

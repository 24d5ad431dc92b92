"""How the neck bows: the shape that one millimetre of relief adds, and the relief of a profile.

Default model (theory of a beam clamped at the body joint under a uniform moment, as strings and
rod load it): constant curvature from the nut to the joint, none beyond. Only the shape matters;
its size is normalised so that a bow of 1 shows 1 mm of gap under a straight line over fret 1 and
the last fret, which is how the trade reads relief (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import bow_depth, fret_distance_mm

if TYPE_CHECKING:
    from evenfall.measurement import Heights


@dataclass(frozen=True, slots=True)
class Bow:
    """What one millimetre more relief does to the heights of K strings over F frets.

    The nut and the saddle stay where they are: shapes are taken over the straight line from nut
    to saddle, which changes no clearance and leaves nut and saddle readings as they stand.

    Parameters
    ----------
    frets
        Change of each crown's height per mm of relief [mm/mm], negative, shape (K, F).
    weights
        Weights w with relief = sum(w * crown_top) [mm], shape (K, F): the least-squares bow in
        the crown tops of each string about its own straight line, averaged over the strings.
    """

    frets: FloatArray
    weights: FloatArray

    def relief_mm(self, crown_top_mm: FloatArray) -> float:
        """Return the relief in crown tops of shape (K, F) [mm], positive for a hollow neck."""
        return float(np.sum(self.weights * crown_top_mm))

    def relief_u_mm(self, heights: Heights) -> float:
        """Return the standard uncertainty of the relief in some heights [mm]."""
        return float(heights.u_mm(np.pad(self.weights, ((0, 0), (1, 1)))))


def default_bow(specification: Specification, lines: StringLines) -> Bow:
    """Return the default bow shape of a neck.

    Parameters
    ----------
    specification
        The instrument; `board.joint_fret` says where the bow ends.
    lines
        Its string lines.
    """
    station = lines.station_mm
    scale = np.array([s.scale_mm for s in specification.strings])
    joint = fret_distance_mm(1.0, specification.board.joint_fret) * scale

    def rise(at: FloatArray) -> FloatArray:
        return np.asarray(0.5 * np.maximum(0.0, joint[:, None] - at) ** 2)

    raised = rise(station)
    gap = bow_depth(joint, station[:, 1], station[:, -1])
    chord = raised[:, :1] * (1.0 - station / lines.saddle_station_mm[:, None])
    shape = (raised - chord)[:, 1:] / gap[:, None]
    return Bow(frets=shape, weights=_bow_weights(station[:, 1:], shape))


def crown_shift_mm(
    specification: Specification,
    lines: StringLines,
    place_share: FloatArray,
    curvature_per_mm: FloatArray,
) -> FloatArray:
    """Return how a bend moves the crowns over the line from nut to saddle [mm], shape (K, F).

    The neck is clamped at the joint, so a point x from the nut rises by the double integral
    z(x) = int_x^joint (u - x) kappa(u) du; nut and saddle are then brought back to where they were.
    Exact for a curvature [1/mm], positive where the neck turns hollow, that runs in straight pieces
    between rising places up to the joint (as a share of the scale length), both of shape (N,).
    """
    frets = fret_distance_mm(1.0, np.arange(specification.frets + 1.0))
    joint = place_share[-1]
    place = np.union1d(place_share, frets[frets < joint])
    curvature = np.interp(place, place_share, curvature_per_mm)
    step = np.diff(place)
    whole = 0.5 * step * (curvature[:-1] + curvature[1:])
    first = place[:-1] * whole + step**2 / 6.0 * (curvature[:-1] + 2.0 * curvature[1:])
    beyond = np.zeros((2, len(place)))
    beyond[:, :-1] = np.cumsum(np.stack([whole, first])[:, ::-1], axis=1)[:, ::-1]
    rise = np.interp(frets, place, beyond[1] - place * beyond[0], right=0.0)
    scale = np.array([s.scale_mm for s in specification.strings])
    raised = scale[:, None] ** 2 * rise
    chord = raised[:, :1] * (1.0 - lines.station_mm / lines.saddle_station_mm[:, None])
    return np.asarray((raised - chord)[:, 1:])


def _bow_weights(station_mm: FloatArray, shape: FloatArray) -> FloatArray:
    """Return the least-squares weights of the bow about a straight line, mean over strings."""
    along = station_mm / station_mm[:, -1:]
    design = np.stack([np.ones_like(along), along, shape], axis=-1)
    return np.asarray(np.linalg.pinv(design)[:, 2] / len(shape))


def straightedge_gap_mm(
    lines: StringLines, crown_top_mm: FloatArray, over: tuple[int, int]
) -> FloatArray:
    """Return the gap [mm] of every crossing under a straight line over two frets."""
    station = lines.station_mm[:, 1:]
    first, last = (slice(fret - 1, fret) for fret in over)
    along = (station - station[:, first]) / (station[:, last] - station[:, first])
    line = crown_top_mm[:, first] + along * (crown_top_mm[:, last] - crown_top_mm[:, first])
    return np.asarray(line - crown_top_mm)


def relief_point(specification: Specification, lines: StringLines) -> tuple[int, int]:
    """Return the fret at which the bow is deepest, and the string on whose line to read it.

    The straightedge lies over the frets that the specification states the relief between.
    """
    over = specification.target.relief_over
    gap = straightedge_gap_mm(lines, default_bow(specification, lines).frets, over)
    middle = (len(gap) - 1) // 2
    return int(gap[middle].argmax()) + 1, middle + 1

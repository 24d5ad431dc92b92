"""Where the frets are, and where each string crosses them.

Frame (right-handed, fixed to the neck): origin where the centre line meets the playing edge of
the nut, x along the centre line towards the bridge, y towards the treble side, z up from the
board. A *station* is the distance of a crossing from the nut along x on that string's own line;
since a string is straight in plan, ratios of stations equal ratios of lengths along the string.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray

if TYPE_CHECKING:
    from evenfall.instrument.specification import Specification

SEMITONE = 2.0 ** (1.0 / 12.0)
"""Ratio of the lengths that a fret and the next one leave of a string."""


def fret_distance_mm(scale_mm: float, fret: FloatArray | float) -> FloatArray:
    """Return the distance [mm] from the nut to a fret: x = L (1 - 2^(-n/12)).

    Twelve-tone equal temperament (ISO 16 pitch standard, twelfth root of two).

    Parameters
    ----------
    scale_mm
        Scale length L [mm].
    fret
        Fret number n, 0 = nut; array of any shape.

    Examples
    --------
    >>> fret_distance_mm(648.0, 12.0)
    array(324.)
    """
    return np.asarray(scale_mm * -np.expm1(-np.log(2.0) / 12.0 * np.asarray(fret, dtype=float)))


@dataclass(frozen=True, slots=True)
class StringLines:
    """Plan geometry of K strings over F frets.

    Parameters
    ----------
    station_mm
        Station of each crossing [mm], shape (K, F + 1); column 0 is the nut.
    saddle_station_mm
        Station of each saddle contact [mm], shape (K,).
    x_mm, y_mm
        Crossings in the neck's frame [mm], shape (K, F + 1).
    saddle_x_mm, saddle_y_mm
        Saddle contacts in the neck's frame [mm], shape (K,).
    """

    station_mm: FloatArray
    saddle_station_mm: FloatArray
    x_mm: FloatArray
    y_mm: FloatArray
    saddle_x_mm: FloatArray
    saddle_y_mm: FloatArray

    @property
    def run_slope(self) -> FloatArray:
        """How far each string runs across for each mm along, dy/dx, shape (K,)."""
        x, y = self.x_mm, self.y_mm
        return np.asarray((y[:, -1] - y[:, 0]) / (x[:, -1] - x[:, 0]))


def string_lines(specification: Specification) -> StringLines:
    """Return where each string runs and crosses the frets.

    Strings share the spread between the outer two in even steps, at the nut and at the bridge.
    With fanned frets the scale of a string between follows its place in the spread, so that
    every fret stays straight; the square fret stands square to the centre line.

    Parameters
    ----------
    specification
        The instrument: K strings over F frets.

    Examples
    --------
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.instrument.specification_template import specification_template
    >>> lines = string_lines(read_specification(specification_template())[0])
    >>> lines.x_mm.shape, round(float(lines.station_mm[0, 12]), 3)
    ((6, 23), 324.0)
    """
    strings = specification.strings
    count = len(strings)
    place = np.linspace(0.0, 1.0, count)  # 0 = treble, 1 = bass
    scale = np.array([s.scale_mm for s in strings])
    setback = np.array([s.saddle_setback_mm for s in strings])
    frets = np.arange(specification.frets + 1, dtype=float)
    fraction = fret_distance_mm(1.0, frets)

    square = float(fret_distance_mm(1.0, specification.scale.square_fret))
    middle = 0.5 * (specification.scale.treble_mm + specification.scale.bass_mm)
    nut_x = square * (middle - scale)

    y_nut = specification.board.string_spread_nut_mm * (0.5 - place)
    y_bridge = specification.board.string_spread_saddle_mm * (0.5 - place)
    station = scale[:, None] * fraction
    slope = (y_bridge - y_nut) / scale
    saddle_station = scale + setback
    return StringLines(
        station_mm=station,
        saddle_station_mm=saddle_station,
        x_mm=nut_x[:, None] + station,
        y_mm=y_nut[:, None] + slope[:, None] * station,
        saddle_x_mm=nut_x + saddle_station,
        saddle_y_mm=y_nut + slope * saddle_station,
    )


def string_scale_mm(treble_mm: float, bass_mm: float, index: int, count: int) -> float:
    """Return the scale length [mm] of string `index` (0 = treble) of `count` strings."""
    return treble_mm + (bass_mm - treble_mm) * index / (count - 1)


def bow_depth(
    joint_mm: FloatArray | float, first_mm: FloatArray, last_mm: FloatArray
) -> FloatArray:
    """Return how deep a bow of curvature 1 hangs under a straight line over two of its places.

    The curvature is the same from the nut to the joint and none beyond; distances from the nut.
    """
    rise_first, rise_last = (
        0.5 * np.maximum(0.0, joint_mm - at) ** 2 for at in (first_mm, last_mm)
    )
    slope = (rise_last - rise_first) / (last_mm - first_mm)
    deepest = joint_mm + slope  # where the bow runs parallel to the straight line
    return np.asarray(rise_first + slope * (deepest - first_mm) - 0.5 * (joint_mm - deepest) ** 2)


def relief_share(joint_fret: float, frets: int, first: int, last: int) -> float:
    """Return the relief between two frets as a share of that between fret 1 and the last."""
    joint, *ends = fret_distance_mm(1.0, np.array([joint_fret, first, last, 1, frets]))
    return float(bow_depth(joint, ends[0], ends[1]) / bow_depth(joint, ends[2], ends[3]))


def board_drop_mm(specification: Specification, lines: StringLines) -> FloatArray:
    """Return how far [mm] a perfect board lies under its crest at each crossing, (K, F + 1)."""
    return board_drop_at_mm(
        specification, lines.x_mm / np.maximum(lines.x_mm[:, -1:], 1e-9), lines.y_mm
    )


def board_radius_mm(specification: Specification, along_share: FloatArray) -> FloatArray:
    """Return the radius across the board from the nut (0) to the last fret (1): compound radius."""
    board = specification.board
    along = np.clip(along_share, 0.0, 1.0)
    nut, last = board.radius_nut_mm, board.radius_last_mm
    if np.isinf(nut) or np.isinf(last):  # from or to a flat board: the curvature runs evenly
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / (1.0 / nut + (1.0 / last - 1.0 / nut) * along))
    return np.asarray(nut + (last - nut) * along)


def arc_drop_mm(radius_mm: float, aside_mm: FloatArray | float) -> FloatArray:
    """Return how far an arc lies under its top at places aside of it; its radius beyond [mm]."""
    return np.asarray(radius_mm - np.sqrt(np.maximum(radius_mm**2 - aside_mm**2, 0.0)))


def crown_radius_mm(height_mm: float, width_mm: float) -> float:
    """Return the radius of the arc through both edges of a wire and its top [mm]."""
    return float((0.25 * width_mm**2 + height_mm**2) / (2.0 * height_mm))


def board_drop_at_mm(
    specification: Specification, along_share: FloatArray, y_mm: FloatArray
) -> FloatArray:
    """Return how far [mm] a perfect board lies under its own crest at places of one shape."""
    curvature = 1.0 / board_radius_mm(specification, along_share)
    # the drop R - sqrt(R² - y²) as y² k / (1 + sqrt(1 - (k y)²)), which keeps its digits when flat
    square = y_mm**2
    return square * curvature / (1.0 + np.sqrt(np.maximum(0.0, 1.0 - curvature**2 * square)))

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

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument.specification import Specification

    FloatArray = NDArray[np.float64]


def fret_distance_mm(scale_mm: float, fret: FloatArray | float) -> FloatArray:
    """Return the distance [mm] from the nut to a fret: x = L (1 - 2^(-n/12)).

    Twelve-tone equal temperament (ISO 16 pitch standard, twelfth root of two).

    Parameters
    ----------
    scale_mm
        Scale length L [mm].
    fret
        Fret number n, 0 = nut; array of any shape.
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


def string_lines(specification: Specification) -> StringLines:
    """Return where each string runs and crosses the frets.

    Strings share the spread between the outer two in even steps, at the nut and at the bridge.
    With fanned frets the scale of a string between follows its place in the spread, so that
    every fret stays straight; the square fret stands square to the centre line.

    Parameters
    ----------
    specification
        The instrument.
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
    """Return the scale length [mm] of string `index` (0 = treble) of `count` strings.

    Parameters
    ----------
    treble_mm, bass_mm
        Scale lengths of the outer strings [mm].
    index, count
        Place of the string and number of strings.
    """
    return treble_mm + (bass_mm - treble_mm) * index / (count - 1)


def board_drop_mm(specification: Specification, lines: StringLines) -> FloatArray:
    """Return how far [mm] a perfect board lies under its own crest at each crossing.

    R - sqrt(R² - y²), R running evenly from the nut to the last fret (compound radius).

    Parameters
    ----------
    specification
        The instrument.
    lines
        Its string lines, K strings over F frets; the result has shape (K, F + 1).
    """
    return board_drop_at_mm(
        specification, lines.x_mm / np.maximum(lines.x_mm[:, -1:], 1e-9), lines.y_mm
    )


def board_drop_at_mm(
    specification: Specification, along_share: FloatArray, y_mm: FloatArray
) -> FloatArray:
    """Return how far [mm] a perfect board lies under its own crest at any place.

    Parameters
    ----------
    specification
        The instrument.
    along_share
        Where along the board, 0 at the nut and 1 at the last fret; any shape.
    y_mm
        Distance from the centre line [mm], same shape.
    """
    board = specification.board
    along = np.clip(along_share, 0.0, 1.0)
    curvature_nut = 0.0 if np.isinf(board.radius_nut_mm) else 1.0 / board.radius_nut_mm
    curvature_last = 0.0 if np.isinf(board.radius_last_mm) else 1.0 / board.radius_last_mm
    if np.isinf(board.radius_nut_mm) or np.isinf(board.radius_last_mm):
        curvature = curvature_nut + (curvature_last - curvature_nut) * along
    else:
        curvature = 1.0 / (
            board.radius_nut_mm + (board.radius_last_mm - board.radius_nut_mm) * along
        )
    # y² k / (1 + sqrt(1 - (k y)²)) is the drop without loss of digits on flat boards
    square = y_mm**2
    return square * curvature / (1.0 + np.sqrt(np.maximum(0.0, 1.0 - curvature**2 * square)))

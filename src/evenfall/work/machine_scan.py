"""A scan taken on the machine itself: where it shows that the instrument lies."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.work.crown_lines import MOST_MISS_MM, Lie, Workpiece, lie_between

if TYPE_CHECKING:
    from evenfall.scans import CrownSurvey

_UPRIGHT_SHARE = 0.99  # of a height over the board that is a height on the machine
_NEAR_MM = 0.5  # a cutter may touch this far from where a sensor saw a crown; our judgement
_SAME_MM, _SAME_U = 0.05, 4.7  # two readings of a crown differ by no more; our judgement
_ALIKE_MM = 0.03  # and several crowns touched may differ by this; our judgement


def crossings_of(
    survey: CrownSurvey, specification: Specification
) -> tuple[FloatArray, FloatArray]:
    """Return where strings cross the frets as they stand, along and across the neck, (K, F)."""
    lines, frets = string_lines(specification), survey.orientation.fret_lines
    along, across = frets.crossings(lines)
    seen = np.isfinite(frets.base_mm)
    return np.where(seen, along, lines.x_mm[:, 1:]), np.where(seen, across, lines.y_mm[:, 1:])


def refuse_another_neck(plan: Plan, found: Measurement, specification: Specification) -> None:
    """Refuse a reading taken on the machine that does not show the crowns that were planned on.

    A straight line under each string and a bow may lie between the two: datum, strings and rod.
    """
    has, wanted = ((one.string_count, one.fret_count) for one in (found, plan.measurement))
    if has != wanted:
        raise RequestError(
            "The reading taken on the machine is of {strings} strings and {frets} frets, the plan "
            "is for {wanted_strings} and {wanted_frets}; read the instrument of the plan.",
            strings=has[0],
            frets=has[1],
            wanted_strings=wanted[0],
            wanted_frets=wanted[1],
        )
    first, second = plan.measurement.heights, found.heights
    lines = string_lines(specification)
    station, bow = lines.station_mm[:, 1:], default_bow(specification, lines).frets
    off = second.crown_top_mm - first.crown_top_mm
    known = np.isfinite(off)
    if not known.any():
        return
    k, j = np.nonzero(known)
    own = (k[:, None] == np.arange(len(off))).astype(float)
    design = np.column_stack([own, own * station[k, j][:, None], bow[k, j]])
    line = np.linalg.lstsq(design, off[k, j], rcond=None)[0]
    left = np.abs(off[k, j] - design @ line)
    u = np.hypot(first.crown_top_u_mm[k, j], second.crown_top_u_mm[k, j])
    far = left / np.maximum(_SAME_MM, _SAME_U * u)
    n = int(far.argmax())
    if far[n] > 1.0:
        raise RequestError(
            "Fret {fret}, string {string} differs by {off:length} on the machine from the "
            "reading that was planned on: check that it is this instrument, read it again, and "
            "make a new plan.",
            fret=int(j[n]) + 1,
            string=int(k[n]) + 1,
            off=float(left[n]),
        )


def lie_of_scan(survey: CrownSurvey, specification: Specification) -> Lie:
    """Return how the instrument lies, where the scan's coordinates are those of the machine."""
    orientation = survey.orientation
    hand = -1.0 if specification.handed == "left" else 1.0
    back = np.linalg.inv(orientation.axes)
    lines = string_lines(specification)
    side = 0.5 * specification.board.width_nut_mm
    ends = [float(lines.x_mm[:, 0].mean()), float(lines.x_mm[:, -1].mean())]
    here = np.array([(x, y, 0.0) for x in ends for y in (-side, side)])
    there = (here * [1.0, hand, 1.0] + orientation.origin_mm) @ back.T
    lie = lie_between(here, there)
    miss = float(np.hypot(*(there - lie.placed(here))[:, :2].T).max())
    if lie.askew or miss > MOST_MISS_MM or back[2, 2] < _UPRIGHT_SHARE:
        raise RequestError(
            "In the scan the neck does not run along +X with Z up, straight to 2 in 100: lay it "
            "straight, and give a scan in the machine's own coordinates."
        )
    return lie


def lie_by_scan_and_touch(
    piece: Workpiece, lie: Lie, places_mm: Mapping[tuple[int, int], tuple[float, float, float]]
) -> Lie:
    """Return the lie of a scan at the height of crowns that the cutter touched.

    A sensor beside the spindle sees the work from a place of its own; a crown that the cutter's
    tip touches shows whether the scan's coordinates are the cutter's.
    """
    placed = piece.placed(lie)
    off = []
    for (fret, string), (x, y, z) in places_mm.items():
        placed.refuse_unknown(fret, string)
        there = placed.crown_point(fret, string)
        aside = math.hypot(x - there[0], y - there[1])
        if aside > MOST_MISS_MM or abs(z - there[2]) > _NEAR_MM:
            raise RequestError(
                "Fret {fret}, string {string} was touched {aside:length} beside and {up:length} "
                "from the height where the scan has it: set the sensor's offset to the spindle, "
                "and scan again.",
                fret=fret,
                string=string,
                aside=aside,
                up=abs(z - there[2]),
            )
        off.append(z - there[2])
    if max(off) - min(off) > _ALIKE_MM:
        raise RequestError(
            "The crowns touched lie from {least:length+} to {most:length+} over those of the "
            "scan; touch and scan them again.",
            least=min(off),
            most=max(off),
        )
    return replace(lie, z_mm=lie.z_mm + float(np.mean(off)))

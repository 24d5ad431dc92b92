"""The same job with new wire in some frets, or in all of them on a planed board."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.levelling.problem import Problem, removable_mm
from evenfall.measurement import Origin


def with_new_wire(problem: Problem, replaced: BoolArray, gain_mm: FloatArray) -> Problem:
    """Return the job with new wire in some frets."""
    wire = problem.specification.fretwire
    found = problem.measurement
    height = np.where(replaced, wire.crown_height_mm, found.crown_height_mm)
    measurement = replace(
        found,
        heights=found.heights.at(
            crown_top_mm=found.heights.crown_top_mm + np.where(replaced, gain_mm, 0.0)
        ),
        crown_height_mm=height,
        crown_height_origin=np.where(
            replaced, np.int8(Origin.NOMINAL), found.crown_height_origin
        ).astype(np.int8),
    )
    return replace(
        problem,
        measurement=measurement,
        room_mm=removable_mm(problem.specification, measurement),
        height_known=problem.height_known | replaced,
    )


def refretted(problem: Problem) -> tuple[Problem, float]:
    """Return the job with the board planed and new wire everywhere, and the most wood taken [mm].

    The board is planed with the relief taken out, to the highest straight line under it at each
    string, so that the least wood goes.
    """
    wire = problem.specification.fretwire
    found = problem.measurement
    board = found.crown_top_mm - found.crown_height_mm - problem.relief_found_mm * problem.bow.frets
    plane = np.array(
        [
            highest_line_under(x, z)
            for x, z in zip(problem.lines.station_mm[:, 1:], board, strict=True)
        ]
    )
    everywhere = np.ones(problem.frets, dtype=bool)
    fresh = with_new_wire(problem, everywhere, plane + wire.crown_height_mm - found.crown_top_mm)
    return fresh, float((board - plane).max())


def highest_line_under(x_mm: FloatArray, z_mm: FloatArray) -> FloatArray:
    """Return the straight line that lies under all points with the least total gap.

    It runs along the edge of the points' lower hull that spans their mean x (the dual of the
    two-variable linear program).
    """
    hull: list[int] = []
    for point in range(len(x_mm)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            turn = (x_mm[b] - x_mm[a]) * (z_mm[point] - z_mm[a]) - (z_mm[b] - z_mm[a]) * (
                x_mm[point] - x_mm[a]
            )
            if turn > 0.0:
                break
            hull.pop()
        hull.append(point)
    middle = float(x_mm.mean())
    edge = max(i for i in range(len(hull) - 1) if i == 0 or x_mm[hull[i]] <= middle)
    a, b = hull[edge], hull[edge + 1]
    return np.asarray(z_mm[a] + (z_mm[b] - z_mm[a]) / (x_mm[b] - x_mm[a]) * (x_mm - x_mm[a]))

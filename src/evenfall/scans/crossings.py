"""The crown where a string crosses it, from the slices along the fret.

Where points lie under the string, only those within a string's reach count, so a worn notch is not
smoothed away. Where the string's shadow hides them, the height is interpolated from both sides by a
short parabola and marked so; without both sides it stays missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.measurement import Origin

if TYPE_CHECKING:
    from evenfall.scans.crown_line import CrownLine


NEAR_MM = 0.8
"""Slices this near the string's line tell the height under it; longer slices, from as far as they
are long."""

BRIDGE_MM = 3.5
"""Slices up to this far from the edge of a shadow, or four of them, give the height over it."""

MOST_GAP_MM = 6.0
"""No height is interpolated over a gap wider than this."""

EACH_SIDE = 2
"""Slices needed on each side of a shadow: an outer string leaves little more than its edge."""

NEXT_TO_SHADOW = 3
"""Slices on each side that are kept where those further out do not follow the same parabola."""

GOOD_MISFIT = 2.5
"""Root chi-square per freedom from which on a parabola over all slices in reach is given up."""

MOST_MISFIT = 10.0
"""A parabola that misses its slices by this many times their uncertainty interpolates nothing: dirt
or a kink lies beside the shadow."""

TREND_DEGREE = 4
"""Degree of the smooth crown line about which slices are averaged."""

SLOPE_MM = 2.5
"""The slope along the fret is told from slices this near."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """One crown under one string."""

    # height of the crown's top over the datum and its standard uncertainty from scatter [mm]
    top_mm: float
    top_u_mm: float
    origin: Origin  # READ where points lie under the string, INTERPOLATED over a shadow, MISSING
    slope_rad: float  # slope of the crown along the fret [rad]
    radius_mm: float  # radius of the crown and its standard uncertainty [mm]
    radius_u_mm: float
    # width of the worn flat and its standard uncertainty [mm]; 0 where round, NaN where hidden
    flat_width_mm: float
    flat_width_u_mm: float


MISSING = Crossing(np.nan, np.nan, Origin.MISSING, np.nan, np.nan, np.nan, np.nan, np.nan)


def smooth_crown(line: CrownLine) -> FloatArray:
    """Return a robust polynomial through the tops of a crown line, highest power first."""
    along, top = line.along_mm, line.top_mm
    degree = min(TREND_DEGREE, max(1, len(along) // 4))
    reach = max(float(np.abs(along).max()), 1.0)
    design = np.vander(along / reach, degree + 1)
    weight: FloatArray = np.asarray(np.ones(len(top)))
    fit: FloatArray = np.asarray(np.zeros(degree + 1))
    for _ in range(5):
        solved = np.linalg.lstsq(design * weight[:, None], top * weight, rcond=None)
        fit = np.asarray(solved[0], dtype=float)
        off = np.abs(top - design @ fit)
        limit = max(0.004, 4.0 * 1.4826 * float(np.median(off)))
        weight = np.asarray(np.maximum(1.0 - np.minimum(off / limit, 1.0) ** 2, 1e-3))
    return np.asarray(fit / reach ** np.arange(degree, -1, -1))


def crown_at(
    line: CrownLine, trend_coefficients: FloatArray, along_mm: float, scatter_ratio: float
) -> Crossing:
    """Return the crown at one place along a fret."""
    distance = line.along_mm - along_mm
    over = line.top_mm - np.polyval(trend_coefficients, line.along_mm)
    near = np.abs(distance) < max(NEAR_MM, 1.1 * line.slice_mm)
    left, right = distance <= 0.0, distance > 0.0
    here = float(np.polyval(trend_coefficients, along_mm))
    used: BoolArray | None = near
    degree, origin = 1, Origin.READ
    if not ((near & left).any() and (near & right).any()):
        used = _both_sides(distance, left, right, max(BRIDGE_MM, 4.2 * line.slice_mm))
        degree, origin = 2, Origin.INTERPOLATED
    if used is None:
        return MISSING
    u = line.top_u_mm * scatter_ratio
    if origin == Origin.READ:
        # a few slices show the height, more around them the bend between them
        bend, bend_u = _bend(distance, over, u)
        over = over - bend * distance**2
    height, height_u, chi = _local(distance[used], over[used], u[used], degree)
    if origin == Origin.READ:
        height_u = float(np.hypot(height_u, bend_u * np.mean(distance[used] ** 2)))
    if origin == Origin.INTERPOLATED:
        if chi > GOOD_MISFIT:
            # a bevelled end or a kink further out: only the slices next to the shadow, then
            near_ones = _nearest(distance, used, left, NEXT_TO_SHADOW) | _nearest(
                distance, used, right, NEXT_TO_SHADOW
            )
            other = _local(distance[near_ones], over[near_ones], u[near_ones], degree)
            if other[2] < chi:
                used, (height, height_u, chi) = near_ones, other
        if chi > MOST_MISFIT:
            return MISSING
        # a crown line that no parabola follows is known less well between its ends
        height_u *= max(1.0, chi)
        # beside a worn place more or less of it may lie under the string: anything between the
        # least and the most depth seen beside it is as likely
        half = 0.5 * line.flat_width_mm[used]
        radius = max(float(np.median(line.radius_mm[used])), float(half.max()))
        depth = arc_drop_mm(radius, half)
        height_u = float(np.hypot(height_u, np.ptp(depth) / np.sqrt(12.0)))
    slope = _slope(line, distance, over, scatter_ratio)
    slope += float(np.polyval(np.polyder(trend_coefficients), along_mm))
    weight = 1.0 / np.maximum(line.radius_u_mm[used], 1e-9) ** 2
    radius = float(np.sum(weight * line.radius_mm[used]) / np.sum(weight))
    flat, flat_u = np.nan, np.nan
    if origin == Origin.READ:
        widths, widths_u = line.flat_width_mm[used], line.flat_width_u_mm[used]
        worn = widths > 0.0
        flat, flat_u = 0.0, 0.0
        if 2 * int(worn.sum()) >= len(worn):
            share = 1.0 / np.maximum(widths_u[worn], 1e-9) ** 2
            flat = float(np.sum(share * widths[worn]) / np.sum(share))
            flat_u = float(1.0 / np.sqrt(np.sum(share)))
    return Crossing(
        here + height,
        height_u,
        origin,
        slope,
        radius,
        float(1.0 / np.sqrt(np.sum(weight))),
        flat,
        flat_u,
    )


def _bend(distance: FloatArray, over: FloatArray, u: FloatArray) -> tuple[float, float]:
    """Return the second-order coefficient [1/mm] of the crown line about a place, and its u."""
    around = np.abs(distance) < SLOPE_MM
    if int(around.sum()) < 5:
        return 0.0, 0.0
    design = np.vander(distance[around], 3, increasing=True)
    weight = 1.0 / u[around] ** 2
    inverse = np.linalg.pinv((design * weight[:, None]).T @ design)
    fit = inverse @ (design.T @ (weight * over[around]))
    return float(fit[2]), float(np.sqrt(max(0.0, inverse[2, 2])))


def _both_sides(
    distance: FloatArray, left: BoolArray, right: BoolArray, reach: float
) -> BoolArray | None:
    """Return the slices that a height is interpolated from; None where they do not suffice."""
    if not left.any() or not right.any():
        return None
    before, after = float(distance[left].max()), float(distance[right].min())
    gap = after - before
    close = (distance > before - reach) & (distance < after + reach)
    enough = min(int((close & left).sum()), int((close & right).sum())) >= EACH_SIDE
    return close if gap < MOST_GAP_MM and enough else None


def _nearest(distance: FloatArray, used: BoolArray, side: BoolArray, count: int) -> BoolArray:
    """Return the few slices in use on one side that lie nearest."""
    reach = np.sort(np.abs(distance[used & side]))[:count][-1]
    return np.asarray(used & side & (np.abs(distance) <= reach))


def _local(
    distance: FloatArray, over: FloatArray, u: FloatArray, degree: int
) -> tuple[float, float, float]:
    """Return a weighted polynomial's value at zero, its u, and root chi-square per freedom."""
    design = np.vander(distance, degree + 1, increasing=True)
    weight = 1.0 / u**2
    matrix = (design * weight[:, None]).T @ design
    inverse = np.linalg.pinv(matrix)
    fit = inverse @ (design.T @ (weight * over))
    freedom = len(over) - degree - 1
    chi = 1.0
    if freedom > 0:
        chi = float(np.sqrt(np.sum(weight * (over - design @ fit) ** 2) / freedom))
    return float(fit[0]), float(np.sqrt(max(0.0, inverse[0, 0]))), chi


def _slope(line: CrownLine, distance: FloatArray, over: FloatArray, scatter_ratio: float) -> float:
    """Return the slope about the smooth line."""
    used = np.abs(distance) < SLOPE_MM
    if int(used.sum()) < 3 or float(np.ptp(distance[used])) < 1.0:
        used = np.abs(distance) < 2.0 * SLOPE_MM
    if int(used.sum()) < 3:
        return np.nan
    design = np.column_stack([np.ones(int(used.sum())), distance[used]])
    weight = 1.0 / (line.top_u_mm[used] * scatter_ratio) ** 2
    inverse = np.linalg.pinv((design * weight[:, None]).T @ design)
    return float((inverse @ (design.T @ (weight * over[used])))[1])

"""Nut slots and saddle, where a scan shows them without a string in the way.

The nut's edge towards the first fret is where the open string begins; a slot's floor counts there.
The saddle's top counts under each string, at its highest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.scans.arcs import NORMAL_MAD
from evenfall.scans.gather import nut_line

if TYPE_CHECKING:
    from evenfall.scans.gather import Gathered

Known = tuple[float, float]
UNKNOWN: Known = (float("nan"), float("nan"))

OVER_BOARD_MM = 0.5
"""What stands so high over the board at its start is the nut."""

LANE_MM, LEAST_LANES = 0.5, 12
"""The nut's edge is looked for in lanes so wide; fewer show none."""

MOST_OFF_MM = 2.5
"""Further from the start of the scale than this stands no nut."""

DEPTH_MM = 1.0
"""The floor of a slot is read so far back from the nut's edge."""

LEAST_DEEP_MM = 0.12
"""A dent in the nut's upper edge that is shallower is no slot."""

BESIDE_MM = 1.0
"""A slot lies no further than this beside its string's line, its own half width apart."""

LEAST_POINTS = 16
"""Fewer points on a floor tell no height."""

FLOOR_SHARE = 0.35
"""Half the part of a slot's width that counts as its floor."""

ALONG_MM = 8.0
"""The saddle's top is looked for so far before and behind its place."""

UNDER_STRING_MM = 0.6
"""And so far beside the string."""

TOP_MM = 0.6
"""Half the stretch along the string that the top is fitted over."""

STANDS_MM = 0.4
"""A saddle's top stands so high over what lies before it."""

LEAST_ACTION_MM, MOST_ACTION_MM = -0.5, 8.0
"""A top that would put the string outside this over the last fret is no saddle's."""


@dataclass(frozen=True, slots=True)
class Ends:
    """Nut and saddle of K strings in the neck's frame; NaN where not seen."""

    # where the nut's edge crosses the centre line, from the start of the scale towards the bridge,
    # and its standard uncertainty
    edge_mm: float
    edge_u_mm: float
    # height of the slot's floor at that edge, the slot's width at its upper edge and the place of
    # its middle from the centre line, with standard uncertainty, shape (K, 2)
    floor_mm: FloatArray
    width_mm: FloatArray
    across_mm: FloatArray
    # height of the saddle's top, and how far it lies from its place away from the nut, with
    # standard uncertainty, shape (K, 2)
    saddle_mm: FloatArray
    place_mm: FloatArray

    def lowered(self, nut_mm: FloatArray, saddle_mm: FloatArray, scan_u_mm: float) -> Ends:
        """Return nut and saddle over a datum that lies so much higher there, known no better."""
        floor, saddle = self.floor_mm.copy(), self.saddle_mm.copy()
        for part, lower in ((floor, nut_mm), (saddle, saddle_mm)):
            part[:, 0] -= lower
            part[:, 1] = np.hypot(part[:, 1], scan_u_mm)
        return replace(self, floor_mm=floor, saddle_mm=saddle)


def find_ends(gathered: Gathered, specification: Specification, *, start_u_mm: float) -> Ends:
    """Return what a scan shows of nut and saddle; the start of the scale is known to `start_u_mm`.

    Where there is a zero fret the slots only guide the strings.
    """
    lines, count = string_lines(specification), specification.string_count
    floor, width, across, saddle, place = (np.full((count, 2), np.nan) for _ in range(5))
    edge = UNKNOWN
    nut = gathered.nut_mm.astype(float)
    base, lean = nut_line(specification)
    if len(nut) and not specification.board.zero_fret:
        x, y, z, over = nut.T
        off = x - base - lean * y
        found = _edge(off, y, over)
        if found is not None:
            edge = (float(found[0][1]), float(np.hypot(found[1], start_u_mm)))
            off = off - np.polyval(found[0], y)
            on = (off > -DEPTH_MM) & (off < -0.02) & (over > 0.0)
            for k in range(count):
                floor[k], width[k], across[k] = _slot(
                    off[on],
                    y[on],
                    z[on],
                    gauge=specification.strings[k].gauge_mm,
                    middle=float(lines.y_mm[k, 0]),
                    edge_u_mm=found[1],
                )
    top = gathered.saddle_mm.astype(float)
    if len(top):
        for k in range(count):
            saddle[k], place[k] = _saddle(top, lines, k)
    return Ends(*edge, floor, width, across, saddle, place)


def _edge(off: FloatArray, y: FloatArray, over: FloatArray) -> tuple[FloatArray, float] | None:
    """Return the nut's edge as a line over y (slope, place), and its standard uncertainty."""
    high = (over > OVER_BOARD_MM) & (np.abs(off) < MOST_OFF_MM)
    every = off, y, high
    off, lane = off[high], np.floor(y[high] / LANE_MM).astype(np.intp)
    ends, steps = [], []
    for number in np.unique(lane):
        inside = np.sort(off[lane == number])
        if len(inside) < 6:
            continue
        # the one next to the last: a wild point makes no edge
        ends.append(((number + 0.5) * LANE_MM, inside[-2]))
        rows = np.unique(np.round(inside, 2))
        steps.append(float(np.median(np.diff(rows))) if len(rows) > 2 else LANE_MM)
    if len(ends) < LEAST_LANES:
        return None
    lanes, at = np.array(ends).T
    kept = np.ones(len(at), dtype=bool)
    fit, spread = np.zeros(2), 0.0
    for _ in range(4):
        fit = np.polyfit(lanes[kept], at[kept], 1)
        left = np.abs(at - np.polyval(fit, lanes))
        spread = NORMAL_MAD * float(np.median(left[kept]))
        kept = left <= max(0.02, 3.0 * spread)
    step = float(np.median(steps))
    behind = every[0] - np.polyval(fit, every[1])
    sides = [every[2][(behind > a) & (behind < b)] for a, b in ((-0.8, -0.1), (0.3, 1.0))]
    # wild points make no nut, and the board has to go on before it
    if kept.sum() < LEAST_LANES or any(len(side) < LEAST_POINTS for side in sides):
        return None
    if float(sides[0].mean()) < 0.5 or float(sides[1].mean()) > 0.2:
        return None
    fit[1] += 0.5 * step
    return fit, float(np.hypot(spread / np.sqrt(kept.sum()), step / np.sqrt(12.0)))


def _slot(
    off: FloatArray,
    y: FloatArray,
    z: FloatArray,
    *,
    gauge: float,
    middle: float,
    edge_u_mm: float,
) -> tuple[Known, Known, Known]:
    """Return floor, width and middle of one slot of a string by its gauge and place [mm]."""
    none = UNKNOWN, UNKNOWN, UNKNOWN
    reach = BESIDE_MM + gauge
    near = np.abs(y - middle) < 2.0 * reach
    off, y, z = off[near], y[near] - middle, z[near]
    if len(z) < 3 * LEAST_POINTS:
        return none
    # the nut's upper edge beside the slot
    upper = z > np.quantile(z, 0.5)
    for _ in range(4):
        top = np.polyfit(y[upper], z[upper], 1)
        upper = np.abs(z - np.polyval(top, y)) < 0.5 * LEAST_DEEP_MM
        if int(upper.sum()) < LEAST_POINTS:
            return none
    deep = np.polyval(top, y) - z
    cut = (deep > LEAST_DEEP_MM) & (np.abs(y) < reach)
    if int(cut.sum()) < LEAST_POINTS:
        return none
    rows = np.unique(np.round(y, 2))
    step = float(np.median(np.diff(rows))) if len(rows) > 2 else gauge
    low, high = np.quantile(y[cut], [0.02, 0.98])
    wide, centre = float(high - low) + step, 0.5 * float(low + high)
    if not 0.5 * gauge < wide < 2.0 * reach:
        return none
    on = cut & (np.abs(y - centre) < max(FLOOR_SHARE * wide, 0.6 * step))
    if int(on.sum()) < LEAST_POINTS:
        return none
    design = np.column_stack([np.ones(int(on.sum())), off[on], (y[on] - centre) ** 2])
    bend = 1.0 / wide  # a round floor of the slot's own width; hold it where rows do not tell
    weight, noise = np.ones(len(design)), 0.01
    fit, normal = np.zeros(3), np.eye(3)
    for _ in range(6):
        hold = np.diag([0.0, 1e-6, (noise / bend) ** 2])
        normal = (design * weight[:, None]).T @ design + hold
        fit = np.linalg.solve(normal, (design * weight[:, None]).T @ z[on] + hold @ [0, 0, bend])
        left = np.abs(z[on] - design @ fit)
        noise = max(NORMAL_MAD * float(np.median(left)), 1e-5)
        weight = (left <= 4.0 * noise).astype(float)
    slope_u = abs(float(fit[1])) * edge_u_mm
    u = noise * float(np.sqrt(np.linalg.inv(normal)[0, 0]))
    # a string rests on the walls of a slot that is narrower than itself
    aside = np.linspace(0.0, 0.999 * min(0.5 * gauge, 0.5 * wide), 200)
    lift = max(fit[2], 0.0) * aside**2 - arc_drop_mm(0.5 * gauge, aside)
    rests = max(0.0, float(lift.max()))
    return (
        (float(fit[0]) + rests, float(np.sqrt(u**2 + (0.5 * rests) ** 2 + slope_u**2))),
        (wide, step / np.sqrt(6.0)),
        (middle + centre, step / np.sqrt(24.0)),
    )


def _saddle(points: FloatArray, lines: StringLines, k: int) -> tuple[Known, Known]:
    """Return height and place of the saddle's top under one string."""
    x, z = points[:, 0] - lines.saddle_x_mm[k], points[:, 2]
    beside = points[:, 1] - lines.saddle_y_mm[k] - lines.run_slope[k] * x
    near = (np.abs(x) < ALONG_MM) & (np.abs(beside) < UNDER_STRING_MM)
    x, z = x[near], z[near]
    if len(z) < 3 * LEAST_POINTS:
        return UNKNOWN, UNKNOWN
    lane = np.floor((x + ALONG_MM) / 0.25).astype(np.intp)
    level = np.full(int(2.0 * ALONG_MM / 0.25) + 1, np.nan)
    for number in np.unique(lane):
        inside = z[lane == number]
        if len(inside) >= 3:
            level[number] = np.median(inside)
    if np.isnan(level).all():
        return UNKNOWN, UNKNOWN
    best = int(np.nanargmax(level))
    before = level[:best][np.isfinite(level[:best])]
    if not len(before) or level[best] - before.min() < STANDS_MM:
        return UNKNOWN, UNKNOWN
    at = (best + 0.5) * 0.25 - ALONG_MM
    on = np.abs(x - at) < TOP_MM
    if int(on.sum()) < LEAST_POINTS:
        return UNKNOWN, UNKNOWN
    kept, spread = on, 0.0
    for limit in (0.2, 0.1, 0.05):
        fit = np.polynomial.Polynomial.fit(x[kept], z[kept], 2, domain=[at - TOP_MM, at + TOP_MM])
        off = np.abs(z - fit(x))
        spread = NORMAL_MAD * float(np.median(off[kept]))
        kept = on & (off <= max(4.0 * spread, 1e-3)) & (off < limit + 4.0 * spread)
        if int(kept.sum()) < LEAST_POINTS:
            return UNKNOWN, UNKNOWN
    dense = np.linspace(at - TOP_MM, at + TOP_MM, 241)
    values = fit(dense)
    top = int(np.argmax(values))
    u = spread * np.sqrt(3.0 / kept.sum())
    return (float(values[top]), float(u)), (float(dense[top]), 0.1)

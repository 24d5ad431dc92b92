"""Tool paths for what is not a crown: the slots of a nut, a saddle's top, the bevels of fret ends.

As along a crown no path lies under what is planned: a cutter's lowest place goes where its round
just touches the planned surface (the dilation of the surface by the round), rounded up to the
controller's last digit.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import Progress, RequestError, silent
from evenfall.wording import sentence
from evenfall.work.toolpath import (
    BETWEEN_MM,
    BOARD_CLEAR_MM,
    STEP_MM,
    Job,
    Pass,
    chosen,
)

if TYPE_CHECKING:
    from evenfall.work.crown_lines import Workpiece
    from evenfall.work.descriptions import Cutter, Machine
    from evenfall.work.part_lines import PartLine

FLOOR_SCALLOP_MM = 0.003
"""How high the ridges between lanes may stand on the floor of a slot [mm]; our judgement."""

_BEYOND_MM = 1.0  # past the ends of a part, before the cutter's own reach
SADDLE_SCALLOP_MM = 0.008
"""The same on a saddle, which is polished by hand [mm]; our judgement."""

_STEEP_RATIO = 0.35  # steeper than any saddle along the strings' contacts
_FORMED_SHARE = 0.9  # of the radius of a saddle's top; beyond it is too steep for a ball
_STEEPEST_COSINE = math.sqrt(1.0 - _FORMED_SHARE**2)
_END_LIFT_MM = 0.003  # for the chords between the ends of neighbouring frets
_END_SCALLOP_MM = 0.005
_TIP_MM = 1e-9


def part_passes(
    piece: Workpiece,
    cutters: tuple[Cutter, ...],
    machine: Machine,
    material: str,
    progress: Progress = silent,
) -> tuple[Pass, ...]:
    """Return the passes that bevel fret ends, and cut saddle and nut, in this order.

    Slots take the widest cutter that fits; the material is that of the frets.
    """
    found: list[Pass] = []
    if any(any(crown.bevel_rise_ratio) for crown in piece.crowns):
        progress("Working out the bevels", 0.0)
        found += _end_passes(piece, cutters, machine, material)
    parts = [one for one in piece.parts if one.is_cut]
    slots: list[Pass] = []
    for done, part in enumerate(parts):
        progress("Working out nut and saddle", done / len(parts))
        if part.part == "saddle":
            found += _saddle_passes(part, piece, cutters, machine)
        else:
            slots += _slot_passes(part, piece, cutters, machine)
    # one cutter after the other
    return (*found, *sorted(slots, key=lambda one: one.cutter.number))


def _levels(deep_mm: float, cutter: Cutter) -> int:
    """Return in how many passes a depth is cut."""
    return max(1, math.ceil(deep_mm / cutter.depth_of_cut_mm - 1e-6))


# ---- slots --------------------------------------------------------------------------------------


def swept_profile(cutter: Cutter, aside_mm: FloatArray, slope_ratio: float) -> FloatArray:
    """Return how high an upright round or tapered cutter stands aside of a sloping straight path.

    Over the path's own height; infinite beyond the reach of a cutter without taper [mm].
    """
    r, d = cutter.radius_mm, np.abs(aside_mm)
    ball = r - np.sqrt(np.maximum(r * r - d * d, 0.0)) * math.hypot(1.0, slope_ratio)
    if not cutter.taper_rad:
        return np.where(d <= r, ball, np.inf)
    k = 1.0 / math.tan(cutter.taper_rad)
    tip = r * (1.0 - math.sin(cutter.taper_rad)) - r * math.cos(cutter.taper_rad) * k
    cone = tip + d * math.sqrt(k * k - slope_ratio**2)
    return np.where(d <= r * math.cos(cutter.taper_rad), ball, np.minimum(cone, 1e6))


def slot_cutter(part: PartLine, cutters: tuple[Cutter, ...], machine: Machine) -> Cutter:
    """Return the widest cutter that a slot takes, or refuse."""
    fit = chosen(cutters, ("tapered ball", "ball end"), machine, part.material, None)
    deep = part.top_mm - float(part.after(np.array([part.high_mm]), np.zeros(1))[0, 0])
    narrow = [
        one
        for one in fit
        if one.diameter_mm <= 2.0 * part.round_mm + _TIP_MM and one.taper_rad <= part.flare_rad
    ]
    long = [one for one in narrow if one.length_mm >= deep]
    if not long:
        raise RequestError(
            "No cutter fits the slot of string {string}: it is {wide:length} wide and "
            "{deep:length} deep in {material}; add a ball end or tapered ball that is narrow and "
            "long enough, with no more taper than the flare of the slot.",
            string=part.string,
            wide=2.0 * part.round_mm,
            deep=deep,
            material=part.material,
        )
    return max(long, key=lambda one: one.diameter_mm)


def _slot_passes(
    part: PartLine, piece: Workpiece, cutters: tuple[Cutter, ...], machine: Machine
) -> list[Pass]:
    cutter = slot_cutter(part, cutters, machine)
    r, room = cutter.radius_mm, max(part.round_mm - cutter.radius_mm, 0.0)
    slope = part.tilt_t_ratio - part.fall_ratio
    wide = np.linspace(-part.round_mm - 3.0, part.round_mm + 3.0, 4001)
    wall = part.surface(part.planned_mm, np.zeros(1), wide)
    beyond = _BEYOND_MM + r
    t = np.array([part.low_mm - beyond, part.high_mm + beyond])
    lanes = [0.0]
    if room > machine.digit_mm:
        # a ball that rolls in a round leaves ridges of a² (1/r - 1/R) / 8 between contacts a apart
        apart = math.sqrt(8.0 * FLOOR_SCALLOP_MM / (1.0 / r - 1.0 / part.round_mm))
        count = max(1, math.ceil(0.5 * math.pi * part.round_mm / apart))
        side = [room * math.sin(0.5 * math.pi * n / count) for n in range(count, 0, -1)]
        lanes = [*(sign * one for one in side for sign in (-1.0, 1.0)), 0.0]
    digit = machine.digit_mm
    paths = []
    for lane in lanes:
        x, y = part.place(t, lane)
        x, y = np.rint(x / digit) * digit, np.rint(y / digit) * digit
        # where whole digits put it
        at, aside = part.local(x, y)
        skew = 0.5 * abs(float(aside[1] - aside[0])) + 1e-4  # and what lies between the places
        low = max(
            float((wall - swept_profile(cutter, wide - off, slope)).max())
            for off in (aside.mean() - skew, aside.mean() + skew)
        )
        paths.append((x, y, low + slope * at))
    count = _levels(part.top_mm - float(paths[-1][2].min()), cutter)
    job = Job.of(cutter, machine, part.material, piece)
    passes = []
    for level in range(1, count + 1):
        said = sentence(
            "nut, slot of string {string}, pass {level} of {count}",
            string=part.string,
            level=level,
            count=count,
        )
        lift = (count - level) * cutter.depth_of_cut_mm
        # what is cut again may be coarser; the last path is the middle
        for n in range(len(paths) - 1, -1, -1 if level == count else -3)[::-1]:
            x, y, z = paths[n]
            passes.append(job.through(said, (x, y, z + lift), back=bool((level + n) % 2)))
    return passes


# ---- saddle -------------------------------------------------------------------------------------


def _saddle_passes(
    part: PartLine, piece: Workpiece, cutters: tuple[Cutter, ...], machine: Machine
) -> list[Pass]:
    fit = chosen(cutters, ("ball end",), machine, part.material, None)
    cutter = max(fit, key=lambda one: one.diameter_mm)
    r, top = cutter.radius_mm, part.round_mm
    beyond = _BEYOND_MM + r
    t = np.linspace(
        part.low_mm - beyond,
        part.high_mm + beyond,
        math.ceil((part.high_mm - part.low_mm + 2.0 * beyond) / STEP_MM) + 1,
    )
    apart = np.abs(t[:, None] - part.at_mm).min(axis=1)
    t = np.sort(np.concatenate([t[apart > 0.2 * STEP_MM], part.at_mm]))
    widest = part.half_mm + float(np.abs(part.aside_mm).max())
    side = min(widest, _FORMED_SHARE * top)
    step = math.sqrt(8.0 * SADDLE_SCALLOP_MM * r * top / (r + top))
    steepest = math.asin(side / top)
    count = max(1, math.ceil(steepest * top / step))
    contacts = [top * math.sin(steepest * n / count) for n in range(count, 0, -1)]
    lanes = [sign * one * (r + top) / top for one in contacts for sign in (-1.0, 1.0)]
    paths = []
    digit = machine.digit_mm
    for lane in (*lanes, 0.0):
        x, y = part.place(t, lane + part.along(part.aside_mm, t))
        x, y = np.rint(x / digit) * digit, np.rint(y / digit) * digit
        # the places that a path is held against lie between its own too
        between = (0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1]))
        z, held = _rolled(part, x, y, r), _rolled(part, *between, r)
        short = np.maximum(held - 0.5 * (z[1:] + z[:-1]), 0.0)
        z = z + np.maximum(np.append(short, 0.0), np.append(0.0, short)) + BETWEEN_MM
        paths.append((x, y, z))
    lowest = min(float(z.min()) for *_, z in paths)
    deep = part.top_mm - lowest
    if deep > cutter.length_mm:
        raise RequestError(
            "Cutter {n} reaches {reach:length} down, and the saddle's top is cut {deep:length} "
            "deep; take a longer one.",
            n=cutter.number,
            reach=cutter.length_mm,
            deep=deep,
        )
    t_fine = np.linspace(part.low_mm, part.high_mm, 200)
    high = part.before(t_fine, np.zeros(1)) - part.after(t_fine, np.zeros(1))
    off = [float(high.max()) + top - math.sqrt(top * top - one * one) for one in contacts]
    depths = [
        _levels(one, cutter) for one in (*(d for d in off for _ in (0, 1)), float(high.max()))
    ]
    levels = max(depths)
    job = Job.of(cutter, machine, part.material, piece)
    passes = []
    for level in range(1, levels + 1):
        said = sentence("saddle, pass {level} of {count}", level=level, count=levels)
        lift = (levels - level) * cutter.depth_of_cut_mm
        # what is cut again may be coarser, and a lane is in the air until its turn comes
        for n in range(0, len(paths), 1 if level == levels else 2):
            if level > levels - depths[n]:
                x, y, z = paths[n]
                passes.append(job.through(said, (x, y, z + lift), back=bool((level + n) % 2)))
    return passes


def _rolled(part: PartLine, x: FloatArray, y: FloatArray, radius: float) -> FloatArray:
    """Return how low a ball can go at places over a saddle's planned top [mm]."""
    t, s = (one[:, None, None] for one in part.local(x, y))
    # along it a saddle is nearly level; across it is steep, so the places go by the angle
    du = (radius * np.linspace(-_STEEP_RATIO, _STEEP_RATIO, 41))[None, :, None]
    dv = (radius * np.sin(np.linspace(-0.5, 0.5, 161) * math.pi))[None, None, :]
    square = radius * radius - du * du - dv * dv
    at = np.clip(t + du, part.low_mm, part.high_mm)
    # beyond the edges what would be there keeps the path from falling off, and the bridge lies
    line = part.surface(part.planned_mm, at, s + dv)
    line = np.maximum(line, part.ground_mm + BOARD_CLEAR_MM + part.leant(at, s + dv))
    under = np.where(square >= 0.0, np.sqrt(np.maximum(square, 0.0)) - radius, -np.inf)
    # what rounds rise between the places that were looked at, and more where it is steep
    half = 0.5 * math.pi / 160.0
    between = 0.5 * half * half * radius * (1.0 + radius / part.round_mm) / _STEEPEST_COSINE
    return np.asarray((line + under).max(axis=(1, 2))) + between


# ---- bevels -------------------------------------------------------------------------------------


def _end_passes(
    piece: Workpiece, cutters: tuple[Cutter, ...], machine: Machine, material: str
) -> list[Pass]:
    fit = chosen(cutters, ("ball end",), machine, material, None)
    cutter = max(fit, key=lambda one: one.diameter_mm)
    job = Job.of(cutter, machine, material, piece)
    r, passes = cutter.radius_mm, []
    for low_side in (True, False):
        edge, outwards, board, high, ratio = _edge(piece, low_side=low_side)
        angle = math.atan(1.0 / ratio)
        c, s = math.cos(angle), math.sin(angle)
        deep = high * s  # of the corner under the bevel
        count = _levels(deep, cutter)
        apart = math.sqrt(8.0 * _END_SCALLOP_MM * r)  # along the bevel
        for level in range(1, count + 1):
            off = (count - level) * cutter.depth_of_cut_mm
            # from the edge up to where the bevel meets the top of the crown
            first, last = off * c, (high - off * s) * s / c
            lanes = np.linspace(first, last, max(2, math.ceil((last - first) / s / apart) + 1))
            said = sentence(
                "fret ends, {side} side, pass {level} of {count}",
                side="low Y" if low_side else "high Y",
                level=level,
                count=count,
            )
            for n, inwards in enumerate(lanes):
                out = (r + off) * c - inwards
                places = edge + out * outwards
                z = board + inwards * ratio + (r + off) * s - r + _END_LIFT_MM
                ahead = (edge[-1] - edge[0]) / np.hypot(*(edge[-1] - edge[0]))
                run = _BEYOND_MM + r + piece.crowns[0].wire_half_mm
                places = np.vstack([places[0] - run * ahead, places, places[-1] + run * ahead])
                z = np.concatenate([z[:1], z, z[-1:]])
                through = places[:, 0], places[:, 1], z
                passes.append(job.through(said, through, back=bool((level + n) % 2)))
    return passes


def _edge(
    piece: Workpiece, *, low_side: bool
) -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
    """Return one edge of the board at every fret: place, way out, where bevels begin; rise."""
    side = 0 if low_side else 1
    ends = [np.array([c.low_mm if low_side else c.high_mm]) for c in piece.crowns]
    edge = np.array([np.ravel(crown.place(t)) for crown, t in zip(piece.crowns, ends, strict=True)])
    board = np.array(
        [
            float(crown.board(t)[0]) + crown.bevel_clear_mm
            for crown, t in zip(piece.crowns, ends, strict=True)
        ]
    )
    high = max(
        float((crown.found(t) - crown.board(t)).max()) - crown.bevel_clear_mm
        for crown, t in zip(piece.crowns, ends, strict=True)
    )
    ahead = (edge[-1] - edge[0]) / np.hypot(*(edge[-1] - edge[0]))
    outwards = np.array([ahead[1], -ahead[0]])
    crown = piece.crowns[0]
    inside = np.array([crown.along_x_share, crown.along_y_share]) * (1.0 if low_side else -1.0)
    if float(outwards @ inside) > 0.0:
        outwards = -outwards
    across = abs(float(outwards @ inside))
    return edge, outwards, board, high, crown.bevel_rise_ratio[side] / across

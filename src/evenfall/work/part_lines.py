"""The slots of a nut and the top of a saddle: where they lie, what they are to be, what there is.

A slot runs with its string. Its floor is a round a little wider than the string, at the planned
height where the string leaves it, and falls from there towards the tuners. A saddle's top is a
round whose crest goes through the planned contact of every string: its compensation line.
Tool path and simulation both go by these surfaces.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from evenfall.arrays import FloatArray, shut
from evenfall.errors import RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.geometry import arc_drop_mm, board_drop_at_mm
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.wording import Sentence, sentence
from evenfall.work.crown_lines import CUT_MM, CrownLine, InPlan, Workpiece, shape_preserving
from evenfall.work.descriptions import EndWork, Material, NutWork, Parts, SaddleWork

COVER_MM = 1.0
"""How far a nut is taken to stand over the floors of slots that are there [mm]; our judgement."""

_FINE_MM = 0.02
_WALL_MM = 0.35
_BESIDE_MM = 6.0  # of the bridge before and behind a saddle
_EDGE_MM = 0.3  # between a saddle's edge and the contact of a string


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PartLine(InPlan):
    """One slot of a nut, or the top of a saddle.

    Places t grow from the playing edge of a nut towards the tuners, and along a saddle with Y [mm].
    """

    part: Literal["nut", "saddle"]
    string: int  # number of the string of a slot; 0 for a saddle
    material: Material
    low_mm: float  # where it ends, as t, and how far aside it is looked at
    high_mm: float
    half_mm: float
    strings: tuple[int, ...]  # index of the string at each contact, in the order of growing t
    at_mm: FloatArray  # contacts, as t and s, shape (N,)
    aside_mm: FloatArray
    planned_mm: FloatArray  # heights there as planned and as found, shape (N,)
    found_mm: FloatArray
    stock_mm: float  # of a new part over what is planned; 0 for one that is there
    round_mm: float  # radius of a slot's floor, or of a saddle's top
    fall_ratio: float = 0.0  # how a slot's floor falls along t, and how far its flanks may lean
    flare_rad: float = 0.0
    ground_mm: float = -math.inf  # of the bridge that a saddle stands on

    def __post_init__(self) -> None:
        shut(self)

    @property
    def is_cut(self) -> bool:
        """Whether anything comes off."""
        return self.stock_mm > 0.0 or bool((self.found_mm - self.planned_mm > CUT_MM).any())

    @property
    def top_mm(self) -> float:
        """Highest place before it is cut [mm]."""
        s = np.linspace(-self.half_mm, self.half_mm, 9)
        return float(self.before(np.linspace(self.low_mm, self.high_mm, 60), s).max())

    def along(self, value_mm: FloatArray, t_mm: FloatArray) -> FloatArray:
        """Return values between contacts, constant beyond the outer ones."""
        if len(self.at_mm) == 1:
            return np.full(np.shape(t_mm), float(value_mm[0]))
        return shape_preserving(self.at_mm, value_mm, np.asarray(t_mm, dtype=float))

    def leant(self, t_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
        """Return what the lie on the machine adds to a height."""
        return np.asarray(self.base_mm + self.tilt_t_ratio * t_mm + self.tilt_s_ratio * s_mm)

    def surface(self, value_mm: FloatArray, t_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
        """Return the finished surface for heights at the contacts; t and s broadcast [mm]."""
        r = self.round_mm
        if self.part == "nut":
            wide = np.abs(s_mm)
            wall = r + (wide - r) / math.tan(max(self.flare_rad, 1e-3))
            over = np.where(wide <= r, arc_drop_mm(r, wide), wall) - self.fall_ratio * t_mm
        else:
            off = s_mm - self.along(self.aside_mm, t_mm)
            over = -arc_drop_mm(r, off)
        return np.asarray(self.along(value_mm, t_mm) + over + self.leant(t_mm, s_mm))

    def before(self, t_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
        """Return what there is before the cut, shape (T, S) [mm]."""
        t, s = np.asarray(t_mm)[:, None], np.asarray(s_mm)[None, :]
        leant = self.leant(t, s)
        if self.stock_mm:
            found = float(self.planned_mm.max()) + self.stock_mm + leant
        else:
            found = self.surface(self.found_mm, t, s)
        if self.part == "saddle":
            return np.where(np.abs(s) <= self.half_mm + 1e-9, found, self.ground_mm + leant)
        if not self.stock_mm:
            cover = float(self.found_mm[0]) + max(COVER_MM, 2.0 * self.round_mm)
            found = np.minimum(found, cover + leant)
        return np.asarray(found)

    def after(self, t_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
        """Return what is to be left, shape (T, S) [mm]."""
        before = self.before(t_mm, s_mm)
        if not self.is_cut:
            return before
        t, s = np.asarray(t_mm)[:, None], np.asarray(s_mm)[None, :]
        return np.minimum(before, self.surface(self.planned_mm, t, s))

    def columns(self) -> tuple[FloatArray, FloatArray]:
        """Return the places of columns along and aside that show it finely enough."""
        far = np.arange(0.0, self.half_mm + 0.1, 0.1)
        if self.part == "nut":
            t = np.linspace(self.low_mm, self.high_mm, 24)
            near = np.arange(0.0, min(self.round_mm + _WALL_MM, self.half_mm), _FINE_MM)
            side = np.unique(np.concatenate([near, far[far > near[-1] + _FINE_MM]]))
            return t, np.concatenate([-side[:0:-1], side])
        t = np.arange(self.low_mm, self.high_mm, 0.4)
        s = np.arange(-self.half_mm, self.half_mm, 0.06)
        beside = np.arange(self.half_mm + 0.06, self.half_mm + _BESIDE_MM, 0.3)
        s = np.concatenate([-beside, s, self.aside_mm, [self.half_mm], beside])
        return np.unique(np.concatenate([t, self.at_mm, [self.high_mm]])), np.unique(s)


Cut = Literal["frets", "fret ends", "nut", "saddle"]
"""What a machine may cut."""
CUTS: tuple[Cut, ...] = get_args(Cut)

_AS_IT_IS = NutWork("bone", "equal centres", 5.0, 0.05, math.radians(8.0), math.radians(8.0), 0.0)


def with_parts(
    piece: Workpiece,
    specification: Specification,
    plan: Plan,
    parts: Parts | None = None,
    *,
    cuts: Collection[Cut] = CUTS,
    found: Measurement | None = None,
) -> Workpiece:
    """Return an instrument with its nut, and with the saddle and bevels that are described.

    It is not placed yet. What is described and not among `cuts` has to stay as it is; a reading
    that was `found` on the machine counts as for `workpiece`.
    """
    lines = string_lines(specification)
    heights = (found or plan.measurement).heights
    nut_mm, saddle_mm = heights.nut_mm, heights.saddle_mm
    if not (np.isfinite(nut_mm).all() and np.isfinite(saddle_mm).all()):
        asked = () if parts is None else (("nut", parts.nut), ("saddle", parts.saddle))
        for name, described in asked:
            if described is not None and name in cuts:
                raise RequestError(
                    "The reading taken on the machine has no heights of the {part}: leave it out "
                    "of what is cut, or read them too.",
                    part=name,
                )
        nut_mm, saddle_mm = ends_brought_over(specification, plan, heights.crown_top_mm)
    if piece.arched:
        share = np.minimum(lines.saddle_x_mm / piece.last_x_mm, 1.0)
        nut_mm = nut_mm - board_drop_at_mm(specification, np.zeros(len(nut_mm)), lines.y_mm[:, 0])
        saddle_mm = saddle_mm - board_drop_at_mm(specification, share, lines.saddle_y_mm)
    nut = None if parts is None else parts.nut
    made = slot_lines(
        specification,
        plan,
        nut or _AS_IT_IS,
        found_mm=nut_mm,
        cut=nut is not None and "nut" in cuts,
    )
    if parts is not None and parts.saddle is not None:
        top = saddle_line(
            specification, plan, parts.saddle, found_mm=saddle_mm, cut="saddle" in cuts
        )
        made = (*made, top)
    crowns = piece.crowns
    if "frets" not in cuts:
        crowns = tuple(replace(one, removal_mm=0.0 * one.removal_mm) for one in crowns)
    if parts is not None and parts.ends is not None and "fret ends" in cuts:
        crowns = tuple(_bevelled(one, piece, parts.ends) for one in crowns)
    return replace(piece, crowns=crowns, parts=made)


def ends_brought_over(
    specification: Specification, plan: Plan, crown_top_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return nut and saddle of the plan's reading over the datum of other crown tops, (K,) [mm].

    Between the two lie a straight line per string and a bow, which leaves both ends where they are.
    """
    lines, found = string_lines(specification), plan.measurement.heights
    bow = default_bow(specification, lines).frets
    station = lines.station_mm[:, 1:]
    nut_mm, saddle_mm = found.nut_mm.copy(), found.saddle_mm.copy()
    for k, off in enumerate(crown_top_mm - found.crown_top_mm):
        design = np.column_stack([np.ones(len(off)), station[k], bow[k]])
        line = np.linalg.lstsq(design, off, rcond=None)[0]
        nut_mm[k] += line[0]
        saddle_mm[k] += line[0] + line[1] * lines.saddle_station_mm[k]
    return nut_mm, saddle_mm


def cuts_of(piece: Workpiece) -> tuple[Cut, ...]:
    """Return what of an instrument is cut."""
    named: dict[Cut, bool] = {
        "frets": any(one.is_cut for one in piece.crowns),
        "fret ends": any(any(one.bevel_rise_ratio) for one in piece.crowns),
        "nut": any(one.is_cut for one in piece.parts if one.part == "nut"),
        "saddle": any(one.is_cut for one in piece.parts if one.part == "saddle"),
    }
    return tuple(name for name, cut in named.items() if cut)


def _bevelled(crown: CrownLine, piece: Workpiece, work: EndWork) -> CrownLine:
    """Return a crown with bevels at both ends."""
    grow = 0.5 * (piece.width_last_mm - piece.width_nut_mm) / piece.last_x_mm
    ratios, slopes = [], []
    for side in (-1.0, 1.0):
        edge_x, edge_y = np.array([1.0, side * grow]) / math.hypot(1.0, grow)
        across = edge_x * crown.along_y_share - edge_y * crown.along_x_share
        along = edge_x * crown.along_x_share + edge_y * crown.along_y_share
        ratios.append(abs(across) / math.tan(work.angle_rad))
        slopes.append(along / across)
    made = replace(
        crown,
        bevel_rise_ratio=(ratios[0], ratios[1]),
        bevel_clear_mm=work.clear_mm,
        edge_slope_ratio=(slopes[0], slopes[1]),
    )
    over = made.planned(crown.at_mm) - made.bevel(crown.at_mm)
    if float(over.max()) > 0.0:
        raise RequestError(
            "The bevel of fret {fret} would reach under {on:strings}; take a steeper one.",
            fret=crown.fret,
            on=crown.strings[int(over.argmax())] + 1,
        )
    return made


def slot_places(specification: Specification, spacing: str) -> FloatArray:
    """Return how far from the centre line each slot lies at the nut, treble positive, (K,) [mm].

    By equal centres, or by equal gaps between the strings' edges; the outer two stay where they
    are.
    """
    lines = string_lines(specification)
    centres = lines.y_mm[:, 0]
    if spacing == "equal centres":
        return centres
    gauge = np.array([one.gauge_mm for one in specification.strings])
    between = 0.5 * (gauge[1:] + gauge[:-1])
    gap = (centres[0] - centres[-1] - between.sum()) / len(between)
    return np.asarray(centres[0] - np.concatenate([[0.0], np.cumsum(between + gap)]))


def slot_lines(
    specification: Specification,
    plan: Plan,
    work: NutWork,
    *,
    found_mm: FloatArray,
    cut: bool,
) -> tuple[PartLine, ...]:
    """Return every slot of a nut over its floors as found, (K,); as it is where it is not cut."""
    lines = string_lines(specification)
    hand = -1.0 if specification.handed == "left" else 1.0
    y = hand * slot_places(specification, work.spacing)
    planned = found_mm + plan.nut_height_change_mm if cut else found_mm
    if cut and not work.stock_mm:
        _refuse_raised(plan.nut_height_change_mm, sentence("slot floor"))
    made = []
    for k, string in enumerate(specification.strings):
        far = hand * lines.saddle_y_mm[k] - y[k]
        along = np.array([lines.x_mm[k, 0] - lines.saddle_x_mm[k], -far])
        along /= np.hypot(*along)
        half = 0.5 * float(np.abs(np.delete(y, k) - y[k]).min())
        width = string.gauge_mm + work.clearance_mm
        if cut and width > 1.6 * half:
            raise RequestError(
                "The slots of the nut would run into each other: string {k} needs {width:length}, "
                "and the next is {near:length} away.",
                k=k + 1,
                width=width,
                near=2.0 * half,
            )
        made.append(
            PartLine(
                part="nut",
                string=k + 1,
                material=work.material,
                x_mm=float(lines.x_mm[k, 0]),
                y_mm=float(y[k]),
                along_x_share=float(along[0]),
                along_y_share=float(along[1]),
                low_mm=0.0,
                high_mm=work.thickness_mm,
                half_mm=half,
                strings=(k,),
                at_mm=np.zeros(1),
                aside_mm=np.zeros(1),
                planned_mm=planned[k : k + 1],
                found_mm=found_mm[k : k + 1],
                stock_mm=work.stock_mm if cut else 0.0,
                round_mm=0.5 * width,
                fall_ratio=math.tan(work.floor_rad),
                flare_rad=work.flare_rad,
            )
        )
    return tuple(made)


def saddle_line(
    specification: Specification,
    plan: Plan,
    work: SaddleWork,
    *,
    found_mm: FloatArray,
    cut: bool,
) -> PartLine:
    """Return the top of a one-piece saddle, its crest through the contact of every string."""
    lines = string_lines(specification)
    hand = -1.0 if specification.handed == "left" else 1.0
    x, y = lines.saddle_x_mm, hand * lines.saddle_y_mm
    order = np.argsort(y)
    slope, zero_x = np.polyfit(y, x, 1)
    along = np.array([slope, 1.0]) / math.hypot(slope, 1.0)
    at = (x - zero_x) * along[0] + y * along[1]
    aside = (x - zero_x) * along[1] - y * along[0]
    middle = 0.5 * float(aside.max() + aside.min())
    aside, zero_x, zero_y = (
        aside - middle,
        float(zero_x) + middle * along[1],
        -middle * along[0],
    )
    half = 0.5 * work.thickness_mm
    if float(np.abs(aside).max()) > half - _EDGE_MM:
        raise RequestError(
            "The strings meet the saddle over a width of {wide:length}, and it is {thick:length} "
            "thick; take a saddle of at least {least:length}, or other setbacks.",
            wide=float(np.ptp(aside)),
            thick=work.thickness_mm,
            least=float(np.ptp(aside)) + 2.0 * _EDGE_MM,
        )
    planned = found_mm + plan.saddle_height_change_mm if cut else found_mm
    if cut and not work.stock_mm:
        _refuse_raised(plan.saddle_height_change_mm, sentence("saddle"))
    return PartLine(
        part="saddle",
        string=0,
        material=work.material,
        x_mm=float(zero_x),
        y_mm=float(zero_y),
        along_x_share=float(along[0]),
        along_y_share=float(along[1]),
        low_mm=float(at[order[0]]) - work.beyond_mm,
        high_mm=float(at[order[-1]]) + work.beyond_mm,
        half_mm=half,
        strings=tuple(int(k) for k in order),
        at_mm=at[order],
        aside_mm=aside[order],
        planned_mm=planned[order],
        found_mm=found_mm[order],
        stock_mm=work.stock_mm if cut else 0.0,
        round_mm=work.round_mm,
        ground_mm=float(planned.min()) - work.over_bridge_mm,
    )


def _refuse_raised(change_mm: FloatArray, what: Sentence) -> None:
    """Refuse a plan that would have to put material on."""
    up = int(np.argmax(change_mm))
    if change_mm[up] > CUT_MM:
        raise RequestError(
            "The {what} of string {k} has to rise by {up:length}; describe a new part (stock), or "
            "leave it out.",
            what=what,
            k=up + 1,
            up=float(change_mm[up]),
        )

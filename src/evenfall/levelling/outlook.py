"""How far a finished plan may be missed, and the neck may move, before it no longer holds.

Rod, saddle, slots and file change every clearance and every gap in proportion to how far they move,
so the first requirement that breaks is found exactly. A position breaks where it fails by the rule
of `evenfall.requirement`: what level frets would lose as well does not count.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import TypeAlias

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument.specification import Limit, Tool
from evenfall.levelling.decision import Decision
from evenfall.levelling.settings import limits_mm
from evenfall.neck import NeckModel
from evenfall.neck.season import COVERAGE_FACTOR, humidity_range
from evenfall.plan.limits import LimitName, LimitReached, Miss, Setting, Side
from evenfall.plan.outlook import Outlook
from evenfall.strings.clearance import open_gap_mm, rest_clearance_mm

USUAL_HUMIDITY_PERCENT = 50.0
"""Air that the readings are taken to come from where none was noted: the standard atmosphere 23/50
of ISO 554:1976 (from memory)."""

_Span: TypeAlias = tuple[LimitName, Side, int | None, FloatArray, FloatArray]
"""A kind of requirement: its name, side and fret, and how far down and up it holds [mm]."""

_HELD_MM = -1e-6
"""A requirement missed by less than this counts as met [mm]: plans are exact to 1e-6 mm."""


@dataclass(frozen=True, slots=True)
class _Movement:
    """Something that moves by one millimetre: heights of K strings over F frets [mm/mm]."""

    nut: FloatArray  # (K,)
    crowns: FloatArray  # (K, F)
    level: FloatArray  # of level frets in their place, (K, F)
    saddle: FloatArray  # (K,)
    relief: float = 0.0


@dataclass(frozen=True, slots=True)
class _Ends:
    """How far something may move down and up [mm], and what breaks first there."""

    less_mm: float = math.inf
    more_mm: float = math.inf
    low: LimitReached | None = None
    high: LimitReached | None = None


def plan_outlook(decision: Decision, neck: NeckModel) -> Outlook:
    """Return how far the relief may move, by what, before the plan no longer holds."""
    ends = _ends(_spans(decision, _rod(decision, neck.bow.frets)))
    per_n = neck.relief_mm_per_n + COVERAGE_FACTOR * neck.relief_u_mm_per_n
    noted = decision.problem.measurement.humidity_percent
    air = USUAL_HUMIDITY_PERCENT if math.isnan(noted) else noted
    driest, dampest = humidity_range(
        neck, less_mm=ends.less_mm, more_mm=ends.more_mm, humidity_percent=air
    )
    turns, turns_u = neck.rod_turns(decision.relief_change_mm)
    return Outlook(
        relief_low_mm=decision.relief_after_mm - ends.less_mm,
        relief_high_mm=decision.relief_after_mm + ends.more_mm,
        low_end=ends.low,
        high_end=ends.high,
        tension_less_n=ends.less_mm / per_n,
        tension_more_n=ends.more_mm / per_n,
        humidity_percent=air,
        humidity_noted=not math.isnan(noted),
        humidity_low_percent=driest,
        humidity_high_percent=dampest,
        rod_turns_count=turns,
        rod_turns_u_count=turns_u,
        stiffness=neck.origin,
    )


def misses(decision: Decision, tool: Tool) -> tuple[Miss, ...]:
    """Return how far each setting that the plan makes may miss: rod, saddle, nut, each cut fret.

    Where rod and saddle are read before the rest follows, they keep what is read then as well.
    """
    problem = decision.problem
    first = _as_set(decision) if decision.part == "settings" and not decision.replaced else None
    allowance = problem.specification.judgement
    each = np.eye(problem.strings)
    flat = np.zeros((problem.strings, problem.frets))
    still = np.zeros(problem.strings)
    found = []

    def look(
        setting: Setting,
        allowance_mm: float,
        movement: _Movement,
        *,
        strings: tuple[int, ...] = (),
        frets: tuple[int, ...] = (),
    ) -> None:
        spans = _spans(decision, movement)
        if first is not None and setting in ("rod", "saddle"):
            # a slot that is still to be filed brings its gap to target whatever it reads
            to_be_filed = decision.nut_height_change_mm != 0.0
            spans = chain(spans, _limit_spans(first, movement, to_be_filed))
        ends = _ends(spans)
        breaks = ends.low if ends.less_mm < ends.more_mm else ends.high
        found.append(
            Miss(setting, strings, frets, ends.less_mm, ends.more_mm, allowance_mm, breaks)
        )

    if decision.relief_change_mm:
        look("rod", allowance.allowance_rod_mm, _rod(decision, problem.bow.frets))
    for k in np.flatnonzero(decision.saddle_height_change_mm):
        movement = _Movement(still, flat, flat, each[k])
        look("saddle", allowance.allowance_saddle_mm, movement, strings=(int(k) + 1,))
    for k in np.flatnonzero(decision.nut_height_change_mm):
        movement = _Movement(each[k], flat, flat, still)
        look("nut", allowance.allowance_nut_mm, movement, strings=(int(k) + 1,))
    for fret in decision.cut_frets:
        cut = flat.copy()
        cut[:, fret - 1] = decision.removal_mm[:, fret - 1] > 0.0
        movement = _Movement(still, cut, flat, still)
        look("file", allowance.allowance_mm(tool), movement, frets=(fret,))
    return tuple(found)


def _rod(decision: Decision, bow: FloatArray) -> _Movement:
    still = np.zeros(decision.problem.strings)
    return _Movement(still, bow, bow, still, relief=1.0)


def _as_set(decision: Decision) -> Decision:
    """Return the gaps that are read once rod and saddle are set: no slot filed, no fret cut."""
    return replace(
        decision,
        nut_height_change_mm=np.zeros_like(decision.nut_height_change_mm),
        level_after_mm=decision.line.level_mm
        + decision.relief_change_mm * decision.problem.bow.frets,
    )


def _ends(spans: Iterable[_Span]) -> _Ends:
    """Return how far something may move; what the plan does not meet anyway is left out."""
    ends = _Ends()
    for name, side, fret, down, up in spans:
        less, more = float(down.min()), float(up.min())
        if less < ends.less_mm:
            reached = _reached(name, side, fret, down)
            ends = _Ends(less, ends.more_mm, reached, ends.high)
        if more < ends.more_mm:
            reached = _reached(name, side, fret, up)
            ends = _Ends(ends.less_mm, more, ends.low, reached)
    return ends


def _reached(name: LimitName, side: Side, fret: int | None, span_mm: FloatArray) -> LimitReached:
    """Return the limit where a span of shape (), (K,) or (K, F + 1, F + 1) is shortest."""
    place = [int(at) for at in np.unravel_index(int(span_mm.argmin()), span_mm.shape)]
    position = len(place) > 1
    return LimitReached(
        name,
        side,
        tuple(at + 1 for at in place[:1]),
        place[1] if position else None,
        place[2] if position else fret,
    )


def _spans(decision: Decision, movement: _Movement) -> Iterator[_Span]:
    """Yield every kind of requirement of a plan, and how far it holds."""
    problem, judged = decision.problem, decision.judged

    def per_mm(crowns: FloatArray) -> FloatArray:
        return rest_clearance_mm(
            problem.lines, movement.nut, crowns, movement.saddle, problem.share
        )

    clear, change = decision.clearance_mm, per_mm(movement.crowns)
    over_need = clear - judged.need_mm + judged.tolerance_mm
    over_level = clear - decision.level_clearance_mm + judged.tolerance_mm
    change_level = change - per_mm(movement.level)
    down = _until_both_fail(over_need, -change, over_level, -change_level)
    up = _until_both_fail(over_need, change, over_level, change_level)
    yield "clearance", "", None, down, up
    yield from _limit_spans(decision, movement)


def _limit_spans(
    decision: Decision, movement: _Movement, to_be_filed: BoolArray | None = None
) -> Iterator[_Span]:
    """Yield the same of action, first-fret gap and relief; no gap of a slot still to be filed."""
    problem = decision.problem
    lines, target = problem.lines, problem.specification.target
    gaps: tuple[tuple[LimitName, int, tuple[Limit, ...]], ...] = (
        ("action", problem.specification.scale.reference_fret, target.action),
        ("first-fret-gap", 1, target.first_fret_gap),
    )
    for name, fret, limits in gaps:
        gap = decision.level_gap_mm(fret)
        slope = open_gap_mm(lines, movement.nut, movement.level, movement.saddle, fret)
        least, most = limits_mm(limits, 0.0)
        met = (gap - least >= _HELD_MM) & (most - gap >= _HELD_MM)
        if name == "first-fret-gap" and to_be_filed is not None:
            met &= ~to_be_filed
        over, under = (np.where(met, one, -np.inf) for one in (gap - least, most - gap))
        yield name, "lower", fret, _until(over, -slope), _until(over, slope)
        yield name, "upper", fret, _until(under, slope), _until(under, -slope)
    if movement.relief:
        relief, slope = np.array(decision.relief_after_mm), np.array(movement.relief)
        low, high = relief - target.relief.minimum_mm, target.relief.maximum_mm - relief
        yield "relief", "lower", None, _until(low, -slope), _until(low, slope)
        yield "relief", "upper", None, _until(high, slope), _until(high, -slope)


def _until(room_mm: FloatArray, slope: FloatArray) -> FloatArray:
    """Return how far something may move until a room is used up; infinite where it is not."""
    with np.errstate(divide="ignore", invalid="ignore"):
        end = np.where(slope < 0.0, np.maximum(room_mm, 0.0) / -slope, np.inf)
    return np.where(room_mm >= _HELD_MM, end, np.inf)


def _until_both_fail(
    one_mm: FloatArray, one_slope: FloatArray, other_mm: FloatArray, other_slope: FloatArray
) -> FloatArray:
    """Return how far something may move until two rooms are both used up at once.

    Each is used up along a half-line of the movement at most; both are where the half-lines meet.
    """
    starts, ends = [], []
    for room, slope in ((one_mm, one_slope), (other_mm, other_slope)):
        negative = room < _HELD_MM
        left = np.where(negative, room, np.maximum(room, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            crossed = np.where(slope != 0.0, -left / slope, np.inf)
        starts.append(np.where(negative, 0.0, np.where(slope < 0.0, crossed, np.inf)))
        ends.append(np.where(negative & (slope > 0.0), crossed, np.inf))
    start, end = np.maximum(*starts), np.minimum(*ends)
    broken = (one_mm < _HELD_MM) & (other_mm < _HELD_MM)  # the plan does not meet it anyway
    none = np.isnan(one_mm) | np.isnan(other_mm) | broken | (start >= end)
    return np.where(none, np.inf, start)

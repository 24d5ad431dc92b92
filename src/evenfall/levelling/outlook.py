"""How far the neck may move before a finished plan no longer holds, and what would move it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.neck.season import COVERAGE_FACTOR, humidity_range
from evenfall.plan import LimitName, LimitReached, Outlook, Side
from evenfall.strings.clearance import clearance_per_relief, open_gap_mm, rest_clearance_mm

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.arrays import FloatArray
    from evenfall.instrument.specification import Limit
    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.problem import Problem
    from evenfall.neck import NeckModel


USUAL_HUMIDITY_PERCENT = 50.0
"""Air that the readings are taken to come from where none was noted: the standard atmosphere 23/50
of ISO 554:1976 (from memory)."""

_HELD_MM = -1e-6
"""A requirement missed by less than this counts as met [mm]: plans are exact to 1e-6 mm."""


@dataclass(frozen=True, slots=True)
class _Requirement:
    """Room that requirements of one kind have, and how it changes with the relief.

    Parameters
    ----------
    limit, side, fret
        The limit; the fret is None where the arrays run over stopped positions and frets.
    room_mm
        Room as the plan leaves it, negative where the limit is not met; shape (), (K,) or
        (K, F + 1, F) by string, stopped fret and fret [mm].
    per_relief
        Change of room per millimetre more relief, same shape.
    """

    limit: LimitName
    side: Side
    fret: int | None
    room_mm: FloatArray
    per_relief: FloatArray

    def reached(self, index: int) -> LimitReached:
        """Return the limit at an index of the flattened arrays."""
        place = [int(at) for at in np.unravel_index(index, self.room_mm.shape)]
        strings = tuple(at + 1 for at in place[:1])
        stopped = place[1] if len(place) > 1 else None
        fret = place[2] + 1 if len(place) > 1 else self.fret
        return LimitReached(self.limit, self.side, strings, stopped, fret)


def plan_outlook(
    problem: Problem, outcome: Outcome, neck: NeckModel, attack_n: FloatArray
) -> Outlook:
    """Return how far the relief may move, by what, before the plan no longer holds.

    Every requirement (clearance under the attack, action, first-fret gap, relief) changes in
    proportion to the relief as the neck bows, so its end is exact. Limits that the plan
    does not meet at all, because they were relaxed, are left out.
    """
    relief = neck.bow.relief_mm(outcome.crown_top_after_mm)
    low, high = -math.inf, math.inf
    low_end: LimitReached | None = None
    high_end: LimitReached | None = None
    for requirement in _requirements(problem, outcome, neck, attack_n):
        room, slope = np.maximum(requirement.room_mm, 0.0), requirement.per_relief
        held = requirement.room_mm >= _HELD_MM
        with np.errstate(divide="ignore", invalid="ignore"):
            more = np.where(held & (slope < 0.0), -room / slope, np.inf)
            less = np.where(held & (slope > 0.0), -room / slope, -np.inf)
        if more.min() < high:
            high, high_end = float(more.min()), requirement.reached(int(more.argmin()))
        if less.max() > low:
            low, low_end = float(less.max()), requirement.reached(int(less.argmax()))
    per_n = neck.relief_mm_per_n + COVERAGE_FACTOR * neck.relief_u_mm_per_n
    noted = problem.measurement.humidity_percent
    air = USUAL_HUMIDITY_PERCENT if math.isnan(noted) else noted
    driest, dampest = humidity_range(neck, less_mm=-low, more_mm=high, humidity_percent=air)
    turns, turns_u = neck.rod_turns(outcome.solution.relief_change_mm)
    return Outlook(
        relief_low_mm=relief + low,
        relief_high_mm=relief + high,
        low_end=low_end,
        high_end=high_end,
        tension_less_n=-low / per_n,
        tension_more_n=high / per_n,
        humidity_percent=air,
        humidity_noted=not math.isnan(noted),
        humidity_low_percent=driest,
        humidity_high_percent=dampest,
        rod_turns_count=turns,
        rod_turns_u_count=turns_u,
        stiffness=neck.origin,
    )


def _requirements(
    problem: Problem, outcome: Outcome, neck: NeckModel, attack_n: FloatArray
) -> Iterator[_Requirement]:
    specification, lines = problem.specification, problem.lines
    target, bow = specification.target, neck.bow.frets
    still = np.zeros(problem.strings)
    heights = (outcome.nut_after_mm, outcome.crown_top_after_mm, outcome.saddle_after_mm)
    clear = rest_clearance_mm(lines, *heights) - problem.requirement.need_mm(attack_n)
    yield _Requirement(
        "clearance",
        "",
        None,
        clear[:, :, 1:],
        clearance_per_relief(lines, bow)[:, :, 1:],
    )
    gaps: tuple[tuple[LimitName, int, tuple[Limit, ...]], ...] = (
        ("action", specification.scale.reference_fret, target.action),
        ("first-fret-gap", 1, target.first_fret_gap),
    )
    for name, fret, limits in gaps:
        gap = open_gap_mm(lines, *heights, fret)
        change = open_gap_mm(lines, still, bow, still, fret)
        least = np.array([limit.minimum_mm for limit in limits])
        most = np.array([limit.maximum_mm for limit in limits])
        yield _Requirement(name, "lower", fret, gap - least, change)
        yield _Requirement(name, "upper", fret, most - gap, -change)
    relief = neck.bow.relief_mm(outcome.crown_top_after_mm)
    low, high = (
        np.array(relief - target.relief.minimum_mm),
        np.array(target.relief.maximum_mm - relief),
    )
    yield _Requirement("relief", "lower", None, low, np.array(1.0))
    yield _Requirement("relief", "upper", None, high, np.array(-1.0))

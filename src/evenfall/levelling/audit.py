"""Re-check of a finished plan, written apart from the code that decides.

It asks only: are these the heights that the work leaves, is every note as the plan says, and does
the work keep the rules? The arithmetic is done string by string on straight lines through points.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.instrument.specification import Limit
from evenfall.measurement import Origin
from evenfall.requirement import Requirement, State, judge

if TYPE_CHECKING:
    from evenfall.plan import Plan
    from evenfall.plan.limits import LimitName
    from evenfall.strings.excursion import ExcursionTable

LEAVING = ("misfit", "short", "read-again", "settings")
"""Plans that may leave notes that fail: they say that something else is to be done first."""
BY_NAME = ("level", "least-metal")
"""Methods that go by other rules and may leave notes that fail; a person chooses them by name."""

_LEVELLED = ("level", "beam", "refret", "partial-refret")
"""Methods whose level line is not that of the readings moved by the rod alone."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One thing that a plan has to keep, and by how much it is missed [mm]; 0 or less if kept."""

    limit: LimitName
    strings: tuple[int, ...]
    stopped_fret: int | None
    fret: int | None
    violation_mm: float


def audit(
    specification: Specification, plan: Plan, excursion: ExcursionTable
) -> tuple[Checked, ...]:
    """Return the requirement of each kind that a plan misses by most."""
    found = [
        *_heights(plan),
        *_cuts(specification, plan),
        *_travel(specification, plan),
        *_targets(specification, plan),
        *_notes(specification, plan, excursion),
    ]
    worst: dict[LimitName, Checked] = {}
    for one in found:
        if one.limit not in worst or one.violation_mm > worst[one.limit].violation_mm:
            worst[one.limit] = one
    return tuple(worst.values())


def _at_worst(
    limit: LimitName, missed_mm: FloatArray, first: int = 1, stop: int | None = None
) -> Checked:
    """Return the place (string, fret) where an array misses by most."""
    k, j = (int(at) for at in np.unravel_index(int(missed_mm.argmax()), missed_mm.shape))
    return Checked(limit, (k + 1,), stop, j + first, float(missed_mm[k, j]))


def _heights(plan: Plan) -> list[Checked]:
    """Check that the heights after the work follow from what is done to each crown."""
    before = plan.measurement
    done = plan.relief_change_mm * plan.bow_mm_per_mm + plan.lifted_mm - plan.removal_mm
    kept = ~np.isin(np.arange(1, before.fret_count + 1), plan.replaced_frets)
    off = np.abs(before.crown_top_mm + done - plan.crown_top_after_mm) * kept
    found = [_at_worst("heights", off)]
    if plan.method not in _LEVELLED:
        rod = plan.level_mm + plan.relief_change_mm * plan.bow_mm_per_mm
        found.append(_at_worst("heights", np.abs(rod - plan.level_after_mm) * kept))
    return found


def _cuts(specification: Specification, plan: Plan) -> list[Checked]:
    """Check that no cut is too small, on a crown that was not read, or too deep."""
    cut = plan.removal_mm
    cuts = cut > 0.0
    by_rule = plan.method != "least-metal"
    read = _read(plan)
    least = specification.fretwire.least_crown_height_mm
    return [
        _at_worst("smallest-cut", np.where(cuts & by_rule, plan.smallest_cut_mm - cut, 0.0)),
        _at_worst("unread", np.where(cuts & ~read & by_rule, cut, 0.0)),
        _at_worst("crown-height", np.where(cuts, least - plan.crown_height_after_mm, 0.0)),
        _at_worst("heights", -cut),
    ]


def _read(plan: Plan) -> BoolArray:
    """Return which crowns were read, or get new wire, shape (K, F)."""
    read = np.isin(plan.measurement.heights.origin[:, 1:-1], (Origin.READ, Origin.DERIVED))
    new = np.isin(np.arange(1, plan.measurement.fret_count + 1), plan.replaced_frets)
    return np.asarray(read | new)


def _travel(specification: Specification, plan: Plan) -> list[Checked]:
    target = specification.target
    kinds: tuple[tuple[LimitName, FloatArray, float, float], ...] = (
        ("saddle-travel", plan.saddle_height_change_mm, target.saddle_up_mm, target.saddle_down_mm),
        ("nut-travel", plan.nut_height_change_mm, target.nut_up_mm, target.nut_down_mm),
    )
    return [
        Checked(name, (k + 1,), None, None, float(max(move - up, -move - down)))
        for name, moves, up, down in kinds
        for k, move in enumerate(moves)
    ]


def _targets(specification: Specification, plan: Plan) -> list[Checked]:
    """Check that what the plan sets is set inside its limits, unless it says that it cannot be."""
    target, lines = specification.target, string_lines(specification)
    found = []
    relief = target.relief
    if plan.relief_change_mm and not _said(plan, "relief", 0):
        over = max(
            relief.minimum_mm - plan.relief_after_mm, plan.relief_after_mm - relief.maximum_mm
        )
        found.append(Checked("relief", (), None, None, over))
    kinds: tuple[tuple[LimitName, int, tuple[Limit, ...], FloatArray, FloatArray], ...] = (
        (
            "action",
            specification.scale.reference_fret,
            target.action,
            plan.action_before_mm,
            plan.saddle_height_change_mm,
        ),
        (
            "first-fret-gap",
            1,
            target.first_fret_gap,
            plan.first_fret_gap_before_mm,
            plan.nut_height_change_mm,
        ),
    )
    for name, fret, limits, before, moved in kinds:
        for k, limit in enumerate(limits):
            gap = _open_gap(plan, lines, k, fret)
            over = max(limit.minimum_mm - gap, gap - limit.maximum_mm)
            held = limit.minimum_mm <= before[k] <= limit.maximum_mm
            if (moved[k] or held) and not _said(plan, name, k + 1):
                found.append(Checked(name, (k + 1,), 0, fret, float(over)))
    return found


def _open_gap(plan: Plan, lines: StringLines, k: int, fret: int) -> float:
    """Return how far an open string stands over the level line at a fret."""
    rise = (plan.saddle_after_mm[k] - plan.nut_after_mm[k]) / lines.saddle_station_mm[k]
    under = plan.nut_after_mm[k] + rise * lines.station_mm[k, fret]
    return float(under - plan.level_after_mm[k, fret - 1])


def _said(plan: Plan, limit: LimitName, string: int) -> bool:
    """Return whether a plan reports that a limit is not met."""
    return any(
        one.limit == limit and (not one.strings or string in one.strings) for one in plan.left_out
    )


def _notes(specification: Specification, plan: Plan, excursion: ExcursionTable) -> list[Checked]:
    """Check that every note stands as the plan says, and that none is left failing unsaid."""
    lines, judgement = string_lines(specification), specification.judgement
    clear = [
        _clearance(plan, lines, np.where(_read(plan), plan.level_after_mm + off, np.nan))
        for off in (plan.stands_out_after_mm, np.zeros_like(plan.level_after_mm))
    ]
    judged = judge(
        Requirement.of(specification, excursion),
        plan.attack_n,
        *clear,
        smallest_cut_mm=plan.smallest_cut_mm,
        attack_tolerance=judgement.attack_tolerance,
    )
    found = [
        _at_worst("clearance", 1.0 * (judged.note_state != plan.state_after), first=0),
    ]
    if not (plan.status in LEAVING or plan.method in BY_NAME or plan.no_room_frets):
        short = judged.bound_mm - judged.tolerance_mm - clear[0]
        short = np.where(judged.state == State.FAILS, short, -np.inf)
        k, stop, fret = np.unravel_index(int(short.argmax()), short.shape)
        place = (int(k) + 1,)
        found.append(Checked("clearance", place, int(stop), int(fret), float(short[k, stop, fret])))
    return found


def _clearance(plan: Plan, lines: StringLines, crowns: FloatArray) -> FloatArray:
    """Return what each stopped string clears over each fret further on; NaN elsewhere."""
    count, frets = crowns.shape
    clear = np.full((count, frets + 1, frets + 1), np.nan)
    for k in range(count):
        x, bridge = lines.station_mm[k], float(lines.saddle_station_mm[k])
        z = np.append(plan.nut_after_mm[k], crowns[k])
        for stop in range(frets):
            rise = (plan.saddle_after_mm[k] - z[stop]) / (bridge - x[stop])
            ahead = slice(stop + 1, None)
            clear[k, stop, ahead] = z[stop] + rise * (x[ahead] - x[stop]) - z[ahead]
    return clear

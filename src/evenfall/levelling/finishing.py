"""From what the rules decide to a plan: judged, explained, looked ahead, checked by other code."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray, numbered
from evenfall.errors import Finding, SolverError
from evenfall.gates import Accepted, CrossCheck
from evenfall.instrument.specification import Tool
from evenfall.levelling.audit import audit
from evenfall.levelling.decision import Decision
from evenfall.levelling.explanation import NAMED_ONLY, life_used
from evenfall.levelling.outlook import misses, plan_outlook
from evenfall.levelling.problem import Problem
from evenfall.levelling.rocking import rocker_figures
from evenfall.levelling.settings import as_found
from evenfall.neck import NeckModel
from evenfall.neck.level_line import LevelLine
from evenfall.plan import Plan
from evenfall.plan.before_cut import Confirmation
from evenfall.plan.limits import LimitReached
from evenfall.plan.methods import MethodResult, Price
from evenfall.plan.plan import Part, Status
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.strings.clearance import buzz_force, open_gap_mm, rest_clearance_mm, touch_force
from evenfall.strings.pitch import pitch_change_cents
from evenfall.wording import Sentence, sentence

ALLOWED_VIOLATION_MM = 1e-6
"""A plan whose independent check finds more than this is refused [mm]."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What is known of the readings besides the heights: gates, hand checks, a second reading."""

    gates: tuple[Finding, ...] = ()
    unmet: tuple[Finding, ...] = ()  # those that nobody accepted
    accepted: tuple[Accepted, ...] = ()
    checks: tuple[CrossCheck, ...] = ()
    confirmation: Confirmation | None = None


@dataclass(frozen=True, slots=True)
class Beside:
    """What a plan says of other methods and other wishes."""

    methods: tuple[MethodResult, ...]
    recommended: str
    reason: Sentence
    prices: tuple[Price, ...] = ()
    least_metal_mm: float = math.nan  # what `least-metal` takes, where that saves enough
    budget_mm: float = math.nan  # metal that may come off, where the attack is what that buys


def finished_plan(
    found: Problem,
    line: LevelLine,
    decision: Decision,
    neck: NeckModel,
    *,
    tool: Tool,
    readings: Readings,
    beside: Beside,
) -> Plan:
    """Return the plan for a job as found; SolverError if it fails its own check.

    The level line is that of the readings by file, which diagnosis goes by too.
    """
    specification, before, lines = found.specification, found.measurement, found.lines
    file_cut = specification.judgement.smallest_cut_mm("file")
    judged = as_found(found.with_attack(None), line, file_cut).judged
    taken = (before.nut_mm, line.taken_mm, before.saddle_mm)
    rest = rest_clearance_mm(lines, *taken)
    as_read = (before.nut_mm, before.crown_top_mm, before.saddle_mm)
    heights = (decision.nut_after_mm, decision.crown_top_after_mm, decision.saddle_after_mm)
    reference = specification.scale.reference_fret
    crowned, uncrowned = pitch_change_cents(
        specification, lines, as_read, heights, decision.removal_mm
    )

    def gap(fret: int) -> FloatArray:
        return open_gap_mm(lines, before.nut_mm, line.level_mm, before.saddle_mm, fret)

    solution = decision.solution
    plan = Plan(
        status=_status(decision, readings),
        part=_part(decision),
        method=decision.method,
        metal_mm=decision.metal_mm,
        duality_gap_mm=math.nan if solution is None else abs(solution.metal_mm - solution.dual_mm),
        largest_violation_mm=0.0,
        smallest_cut_mm=decision.smallest_cut_mm,
        measurement=before,
        attack_n=decision.attack_n,
        removal_mm=decision.removal_mm,
        crown_top_after_mm=decision.crown_top_after_mm,
        lifted_mm=decision.lifted_mm,
        level_mm=line.level_mm,
        stands_out_mm=line.off_mm,
        level_after_mm=decision.level_after_mm,
        stands_out_after_mm=decision.taken_after_mm - decision.level_after_mm,
        state_before=judged.note_state,
        state_after=decision.note_state,
        crown_height_after_mm=decision.crown_height_after_mm,
        replaced_frets=decision.replaced,
        nut_after_mm=decision.nut_after_mm,
        saddle_after_mm=decision.saddle_after_mm,
        relief_before_mm=line.relief_mm,
        relief_change_mm=decision.relief_change_mm,
        relief_after_mm=decision.relief_after_mm,
        action_before_mm=gap(reference),
        action_after_mm=decision.level_gap_mm(reference),
        first_fret_gap_before_mm=gap(1),
        first_fret_gap_after_mm=decision.level_gap_mm(1),
        buzz_force_before_n=buzz_force(rest, found.excursion).force_n,
        buzz_force_after_n=decision.buzz_force.force_n,
        touch_force_before_n=touch_force(rest, found.excursion).force_n,
        touch_force_after_n=decision.touch_force.force_n,
        life_used=life_used(decision),
        bow_mm_per_mm=found.bow.frets,
        pitch_change_cents=crowned,
        pitch_uncrowned_cents=uncrowned,
        binding=_tightest(decision),
        prices=beside.prices,
        methods=beside.methods,
        outlook=plan_outlook(decision, neck),
        recommended=beside.recommended,
        reason=beside.reason,
        reasons=decision.reasons,
        left_out=decision.left_out,
        misfit=_misfit(decision) if decision.conclusion == "misfit" else None,
        read_first=decision.read_first,
        no_room_frets=_no_room(decision),
        unread_frets=numbered((~line.read).any(axis=0)),
        low_frets=decision.low_frets,
        ask=tuple(one.said for one in decision.ask),
        confirmation=readings.confirmation,
        undecided=decision.undecided,
        misses=misses(decision, tool),
        rocker=rocker_figures(decision),
        level_clear_percent=100.0 * decision.level_margin_share
        if math.isfinite(decision.level_margin_share)
        else math.nan,
        least_metal_mm=beside.least_metal_mm,
        budget_mm=beside.budget_mm,
        gates=readings.gates,
        accepted=readings.accepted,
        checks=readings.checks,
    )
    worst = max(audit(specification, plan, found.excursion), key=lambda r: r.violation_mm)
    if worst.violation_mm > ALLOWED_VIOLATION_MM:
        raise SolverError(
            "The plan failed its own check of the {limit} by {by:uncertainty} and is withheld. "
            "Please report this.",
            limit=LimitReached(worst.limit, "", worst.strings, worst.stopped_fret, worst.fret).noun,
            by=worst.violation_mm,
        )
    return plan


def _status(decision: Decision, readings: Readings) -> Status:  # noqa: PLR0911  (one line each)
    """Return what a person does next: the first that stands in the way of metal."""
    confirmed = readings.confirmation is not None and readings.confirmation.agrees
    if readings.unmet:
        return "read-again"
    if decision.conclusion == "misfit":
        return "misfit"
    if _part(decision) == "settings":
        return "settings"
    if decision.conclusion == "read-first":
        return "read-again"
    if decision.ask and not confirmed:
        return "ask"
    if decision.conclusion == "cut" and not (decision.holds or decision.method in NAMED_ONLY):
        return "short"
    return decision.conclusion


def _part(decision: Decision) -> Part:
    """Return which part the plan is; new wire comes before the settings that are read over it."""
    return "whole" if decision.replaced else decision.part


def _no_room(decision: Decision) -> tuple[int, ...]:
    """Return the frets with too little crown: for what should come off, or as they are."""
    if decision.no_room or decision.replaced or decision.conclusion != "new-wire":
        return decision.no_room
    return numbered((decision.problem.lacking_mm > 0.0).any(axis=0))


def _tightest(decision: Decision) -> tuple[LimitReached, ...]:
    """Return the clearance of each fret cut that has the least room after it, least room first.

    Of a fret that goes under the level line somewhere, the least there: what makes it follow.
    """
    judged = decision.judged
    past = decision.level_after_mm - decision.taken_after_mm
    past = np.where((decision.removal_mm > 0.0) & (past > LEAST_SHOWN_MM), past, 0.0)
    room = decision.clearance_mm - judged.bound_mm + judged.tolerance_mm
    found: list[tuple[float, LimitReached]] = []
    for fret in decision.cut_frets:
        ahead = np.where(np.isnan(room[:, :fret, fret]), np.inf, room[:, :fret, fret])
        under = past[:, fret - 1].any()
        counts = past[:, fret - 1] if under else decision.removal_mm[:, fret - 1]
        ahead = np.where(counts[:, None] > 0.0, ahead, np.inf)
        k, stop = np.unravel_index(int(ahead.argmin()), ahead.shape)
        place = LimitReached(
            "clearance", "", (int(k) + 1,), int(stop), fret, float(past[k, fret - 1])
        )
        found.append((float(ahead[k, stop]), place))
    return tuple(place for _, place in sorted(found, key=lambda pair: pair[0]))


def _misfit(decision: Decision) -> Sentence:
    """Return how attack and targets do not fit, and what would."""
    share = max(0.0, decision.level_margin_share)
    action = decision.fitting_action_mm
    would: list[Sentence] = []
    if share > 0.0:
        would.append(
            sentence("an attack of {force}", force=force_range(share * decision.problem.attack_n))
        )
    if np.isfinite(action).all():
        low, high = float(action.min()), float(action.max())
        would.append(
            sentence("an action of {low:figure} to {high:length}", low=low, high=high)
            if high - low > 5e-4
            else sentence("an action of {high:length}", high=high)
        )
    return sentence(
        "The attack and the targets do not fit each other: even level frets stay clear only up to "
        "{share:share} of the design attack.{fits}",
        share=share,
        fits=sentence(" What would fit: {would:or}.", would=tuple(would)) if would else "",
    )


def force_range(force_n: FloatArray) -> Sentence:
    """Return one force, or the lowest and the highest of several, for a sentence."""
    low, high = float(force_n.min()), float(force_n.max())
    if round(low, 2) == round(high, 2):
        return sentence("{low:force}", low=low)
    return sentence("{low:.2f} to {high:force}", low=low, high=high)

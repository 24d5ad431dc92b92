"""From what a method does to a plan: checked by other arithmetic, explained, looked ahead."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from evenfall.errors import SolverError
from evenfall.levelling.audit import audit
from evenfall.levelling.explanation import binding_limits, forces_after, method_result, prices
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.outlook import plan_outlook
from evenfall.plan import LimitReached, MethodResult, Plan, Relaxation, Status
from evenfall.strings.clearance import buzz_force, open_gap_mm, rest_clearance_mm, touch_force
from evenfall.strings.pitch import pitch_change_cents

if TYPE_CHECKING:
    from collections.abc import Mapping

    from evenfall.arrays import FloatArray
    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.problem import Problem
    from evenfall.neck import NeckModel
    from evenfall.wording import Sentence

ALLOWED_VIOLATION_MM = 1e-6
"""A plan whose independent check finds more than this is refused [mm]."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """What is to become a plan.

    Parameters
    ----------
    outcome
        What is cut, moved and replaced.
    status
        Whether every limit holds.
    attack_n
        Attack that the plan stays clear up to, shape (K,) [N].
    relaxed_mm, relaxations
        By how much limits are relaxed [mm], and what could be relaxed.
    """

    outcome: Outcome
    status: Status
    attack_n: FloatArray
    relaxed_mm: Mapping[str, float] = field(default_factory=dict)
    relaxations: tuple[Relaxation, ...] = ()


def finished_plan(
    found: Problem,
    chosen: Chosen,
    neck: NeckModel,
    *,
    methods: tuple[MethodResult, ...],
    recommended: str,
    reason: Sentence,
) -> Plan:
    """Return the plan for a job as found; SolverError if it fails its own check."""
    specification, before, lines = found.specification, found.measurement, found.lines
    outcome, solution = chosen.outcome, chosen.outcome.solution
    requirements = audit(
        specification,
        replace(before, crown_height_mm=outcome.problem.measurement.crown_height_mm),
        found.excursion,
        attack_n=chosen.attack_n,
        crown_top_after_mm=outcome.crown_top_after_mm,
        crown_height_after_mm=outcome.crown_height_after_mm,
        nut_after_mm=outcome.nut_after_mm,
        saddle_after_mm=outcome.saddle_after_mm,
        relaxed_mm=chosen.relaxed_mm,
        check_relief=found.relief_free,
    )
    worst = max(requirements, key=lambda r: r.violation_mm)
    if worst.violation_mm > ALLOWED_VIOLATION_MM:
        raise SolverError(
            "The plan failed its own check of the {limit} by {by:uncertainty} and is withheld. "
            "Please report this.",
            limit=LimitReached(worst.limit, "", worst.strings, worst.stopped_fret, worst.fret).noun,
            by=worst.violation_mm,
        )
    found_heights = (before.nut_mm, before.crown_top_mm, before.saddle_mm)
    heights = (outcome.nut_after_mm, outcome.crown_top_after_mm, outcome.saddle_after_mm)
    rest = rest_clearance_mm(lines, *found_heights)
    reference = specification.scale.reference_fret
    crowned, uncrowned = pitch_change_cents(
        specification, lines, found_heights, heights, solution.removal_mm
    )
    model = LevellingModel(outcome.problem)  # for the places of its rows
    buzz, touch = forces_after(outcome)
    return Plan(
        status=chosen.status,
        method=outcome.method,
        metal_mm=float(solution.removal_mm.sum()),
        duality_gap_mm=abs(solution.metal_mm - solution.dual_mm),
        largest_violation_mm=max(0.0, worst.violation_mm),
        measurement=before,
        attack_n=chosen.attack_n,
        removal_mm=solution.removal_mm,
        crown_top_after_mm=outcome.crown_top_after_mm,
        crown_height_after_mm=outcome.crown_height_after_mm,
        replaced_frets=outcome.replaced,
        nut_after_mm=outcome.nut_after_mm,
        saddle_after_mm=outcome.saddle_after_mm,
        relief_before_mm=found.relief_found_mm,
        relief_change_mm=solution.relief_change_mm,
        relief_after_mm=found.bow.relief_mm(outcome.crown_top_after_mm),
        action_before_mm=open_gap_mm(lines, *found_heights, reference),
        action_after_mm=open_gap_mm(lines, *heights, reference),
        first_fret_gap_before_mm=open_gap_mm(lines, *found_heights, 1),
        first_fret_gap_after_mm=open_gap_mm(lines, *heights, 1),
        buzz_force_before_n=buzz_force(rest, found.excursion).force_n,
        buzz_force_after_n=buzz.force_n,
        touch_force_before_n=touch_force(rest, found.excursion).force_n,
        touch_force_after_n=touch.force_n,
        life_used=method_result(outcome).life_used,
        bow_mm_per_mm=found.bow.frets,
        pitch_change_cents=crowned,
        pitch_uncrowned_cents=uncrowned,
        binding=binding_limits(model, outcome),
        prices=prices(model, outcome),
        relaxations=chosen.relaxations,
        methods=methods,
        outlook=plan_outlook(found, outcome, neck, chosen.attack_n),
        recommended=recommended,
        reason=reason,
    )
